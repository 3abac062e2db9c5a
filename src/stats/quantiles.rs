//! Exact order statistics of many values in little memory: each pass counts the values in equal slots of the
//! interval that is still open, and the slot that holds the wanted rank becomes the next interval.
//!
//! Values are read again for every pass, so that they may lie on disk; nothing is sorted and nothing depends on
//! their order.

use std::io;

use crate::stats::moments::Moments;

/// One dz and the group it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Residual {
    /// Group number, from 0.
    pub group: u8,
    /// dz, micrometres.
    pub dz: i64,
}

/// Something that can deliver its residuals again and again, in any order.
pub trait Residuals {
    /// Hands all residuals over, in blocks.
    ///
    /// # Errors
    /// Whatever reading them back fails with.
    fn for_each_block(&self, f: &mut dyn FnMut(&[Residual])) -> io::Result<()>;
}

impl Residuals for [Residual] {
    fn for_each_block(&self, f: &mut dyn FnMut(&[Residual])) -> io::Result<()> {
        f(self);
        Ok(())
    }
}

/// Slots counted in one pass.
const SLOTS: u64 = 1 << 14;

/// What is ranked.
#[derive(Clone, Copy, Debug)]
enum Key {
    /// dz itself.
    Dz,
    /// |dz|.
    Abs,
    /// |2 dz − twice the median|: twice the deviation from a median that may lie between two whole numbers.
    TwiceDeviation { twice_median: i64 },
}

impl Key {
    fn of(self, dz: i64) -> i64 {
        match self {
            Key::Dz => dz,
            Key::Abs => dz.abs(),
            Key::TwiceDeviation { twice_median } => (2 * dz - twice_median).abs(),
        }
    }

    /// The least and the greatest key of values between `low` and `high`.
    fn bounds(self, low: i64, high: i64) -> (i64, i64) {
        match self {
            Key::Dz => (low, high),
            _ => (0, self.of(low).max(self.of(high))),
        }
    }
}

/// One search for the order statistic of `rank` (from 0) of a group, in the interval `[low, high]`.
struct Search {
    group: RankedGroup,
    key: Key,
    rank: u64,
    low: i64,
    high: i64,
    counts: Vec<u64>,
}

impl Search {
    fn slot_width(&self) -> u64 {
        ((self.high - self.low) as u64 / SLOTS) + 1
    }
}

/// Median, NMAD and the 95th percentile of |dz| of one group, in micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RobustStatistics {
    /// Median of dz.
    pub median: Option<f64>,
    /// 1.4826 × the median of |dz − median|.
    pub nmad: Option<f64>,
    /// 95th percentile of |dz|, linear between the two neighbouring order statistics.
    pub abs_p95: Option<f64>,
}

/// The factor that makes the median absolute deviation of a normal distribution its standard deviation.
///
/// Source: Höhle and Höhle 2009, ISPRS Journal 64(4), 398–406; 1/0.67449.
pub const NMAD_FACTOR: f64 = 1.4826;

/// Which residuals a set of statistics is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RankedGroup {
    /// One group.
    One(u8),
    /// All groups together.
    All,
}

impl RankedGroup {
    fn holds(self, group: u8) -> bool {
        match self {
            RankedGroup::One(wanted) => wanted == group,
            RankedGroup::All => true,
        }
    }
}

/// The robust statistics of several groups, whose moments (count, least, greatest) are known.
///
/// # Errors
/// Whatever reading the residuals back fails with.
pub fn robust_statistics<R: Residuals + ?Sized>(
    residuals: &R,
    groups: &[(RankedGroup, Moments)],
) -> io::Result<Vec<RobustStatistics>> {
    let mut searches = Vec::new();
    for (group, moments) in groups {
        if let (Some(low), Some(high)) = (moments.min(), moments.max()) {
            let (median_ranks, p95) = (median_ranks(moments.n), PercentileRank::new(moments.n, 95));
            for rank in median_ranks {
                searches.push(Search::new(*group, Key::Dz, rank, low, high));
            }
            for rank in [p95.below, p95.above] {
                searches.push(Search::new(*group, Key::Abs, rank, low, high));
            }
        }
    }
    let first = run(residuals, searches)?;
    let mut first = first.chunks_exact(4);
    let mut results = vec![RobustStatistics::default(); groups.len()];
    let mut deviations = Vec::new();
    for (result, (group, moments)) in results.iter_mut().zip(groups) {
        let (Some(low), Some(high)) = (moments.min(), moments.max()) else { continue };
        let found = first.next().expect("four searches a group");
        let twice_median = found[0] + found[1];
        result.median = Some(twice_median as f64 / 2.0);
        let p95 = PercentileRank::new(moments.n, 95);
        result.abs_p95 = Some(found[2] as f64 + p95.fraction * (found[3] - found[2]) as f64);
        for rank in median_ranks(moments.n) {
            deviations.push(Search::new(*group, Key::TwiceDeviation { twice_median }, rank, low, high));
        }
    }
    let second = run(residuals, deviations)?;
    let mut second = second.chunks_exact(2);
    for (result, (_, moments)) in results.iter_mut().zip(groups) {
        if moments.n > 0 {
            let found = second.next().expect("two searches a group");
            result.nmad = Some(NMAD_FACTOR * ((found[0] + found[1]) as f64 / 4.0));
        }
    }
    Ok(results)
}

/// The two ranks, from 0, whose mean is the median.
fn median_ranks(n: u64) -> [u64; 2] {
    [(n - 1) / 2, n / 2]
}

/// Where a percentile lies between two order statistics: rank (n − 1) · p/100 from 0, linear between.
///
/// The definition of the USGS Lidar Base Specification 2025 rev. A (words seen, equation from memory).
struct PercentileRank {
    below: u64,
    above: u64,
    fraction: f64,
}

impl PercentileRank {
    fn new(n: u64, percent: u64) -> Self {
        let hundredths = u128::from(n - 1) * u128::from(percent);
        let below = (hundredths / 100) as u64;
        PercentileRank { below, above: (below + 1).min(n - 1), fraction: (hundredths % 100) as f64 / 100.0 }
    }
}

impl Search {
    fn new(group: RankedGroup, key: Key, rank: u64, low: i64, high: i64) -> Self {
        let (low, high) = key.bounds(low, high);
        Search { group, key, rank, low, high, counts: Vec::new() }
    }
}

/// Narrows all searches down, pass by pass, until each has one value left.
fn run<R: Residuals + ?Sized>(residuals: &R, mut searches: Vec<Search>) -> io::Result<Vec<i64>> {
    while searches.iter().any(|s| s.low < s.high) {
        for search in searches.iter_mut().filter(|s| s.low < s.high) {
            search.counts = vec![0; SLOTS as usize];
        }
        residuals.for_each_block(&mut |block| {
            for search in searches.iter_mut().filter(|s| s.low < s.high) {
                let width = search.slot_width();
                for residual in block.iter().filter(|r| search.group.holds(r.group)) {
                    let key = search.key.of(residual.dz);
                    if (search.low..=search.high).contains(&key) {
                        search.counts[((key - search.low) as u64 / width) as usize] += 1;
                    }
                }
            }
        })?;
        for search in searches.iter_mut().filter(|s| s.low < s.high) {
            let width = search.slot_width() as i64;
            let mut slot = 0;
            while search.rank >= search.counts[slot] {
                search.rank -= search.counts[slot];
                slot += 1;
            }
            search.low += slot as i64 * width;
            search.high = search.high.min(search.low + width - 1);
            search.counts = Vec::new();
        }
    }
    Ok(searches.into_iter().map(|s| s.low).collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn robust(values: &[i64]) -> RobustStatistics {
        let residuals: Vec<Residual> = values.iter().map(|&dz| Residual { group: 3, dz }).collect();
        let mut moments = Moments::default();
        values.iter().for_each(|&v| moments.add(v));
        robust_statistics(&residuals[..], &[(RankedGroup::One(3), moments)]).unwrap()[0]
    }

    #[test]
    fn twelve_checkpoints_of_the_worked_example() {
        // Invented residuals (thousandths of a foot), computed independently in Python: median 0.020, NMAD 0.037065,
        // Q95 0.190500 ft.
        let found = robust(&[30, -20, 50, 10, -40, 20, 60, -10, 40, 0, 20, 350]);
        assert_eq!(found.median, Some(20.0));
        assert!((found.nmad.unwrap() - 37.065).abs() < 1e-9);
        assert!((found.abs_p95.unwrap() - 190.5).abs() < 1e-9);
    }

    #[test]
    fn nothing_of_nothing_and_one_of_one() {
        assert_eq!(robust(&[]), RobustStatistics::default());
        let one = RobustStatistics { median: Some(-7.0), nmad: Some(0.0), abs_p95: Some(7.0) };
        assert_eq!(robust(&[-7]), one);
    }

    proptest! {
        #[test]
        fn selection_equals_sorting(values in proptest::collection::vec(prop_oneof![
            -400_000_000_000i64..400_000_000_000, -1000i64..1000, Just(5i64)], 1..200)) {
            let found = robust(&values);
            let median = |mut v: Vec<f64>| { v.sort_by(f64::total_cmp); (v[(v.len() - 1) / 2] + v[v.len() / 2]) / 2.0 };
            let middle = median(values.iter().map(|&v| v as f64).collect());
            prop_assert_eq!(found.median, Some(middle));
            let deviation = median(values.iter().map(|&v| (v as f64 - middle).abs()).collect());
            prop_assert_eq!(found.nmad, Some(NMAD_FACTOR * deviation));
        }
    }
}
