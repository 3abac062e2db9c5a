//! Exact order statistics of many values in little memory: each pass counts the values in equal slots of the
//! interval that is still open, and the slot that holds the wanted rank becomes the next interval.
//!
//! Values are read again for every pass, so that they may lie on disk; nothing is sorted and nothing depends on
//! their order.

use std::io;
use std::sync::Arc;

use crate::stats::moments::Moments;

/// One dz and the group it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Residual {
    /// Group number, from 0.
    pub group: u16,
    /// dz, micrometres.
    pub dz: i64,
}

/// Something that can deliver its residuals again and again, in any order.
pub trait Residuals {
    /// Counts all residuals, each once: by one counter, or by several that began as copies of `none` and were merged.
    ///
    /// # Errors
    /// Whatever reading them back fails with.
    fn count(&self, none: &Counter) -> io::Result<Counter>;
}

impl Residuals for [Residual] {
    fn count(&self, none: &Counter) -> io::Result<Counter> {
        let mut counter = none.clone();
        self.iter().for_each(|one| counter.add(one.group, one.dz));
        Ok(counter)
    }
}

/// Slots counted in one pass.
const SLOTS: u64 = 1 << 14;

/// What is ranked.
#[derive(Clone, Copy)]
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

/// The interval of keys of a set in which the order statistics of some ranks lie.
#[derive(Clone)]
struct Interval {
    /// The set, by its place among all.
    set: usize,
    key: Key,
    low: i64,
    high: i64,
    /// Ascending, from 0 at `low`, each with the place of its result.
    ranks: Vec<(u64, usize)>,
}

impl Interval {
    /// Slots are as wide as the power of 2 to this.
    fn slot_bits(&self) -> u32 {
        ((self.high - self.low) as u64 / SLOTS).checked_ilog2().map_or(0, |bits| bits + 1)
    }

    /// The slots that hold the ranks, by what was counted in each.
    fn narrowed(self, counts: &[u64]) -> Vec<Interval> {
        let (bits, mut narrowed) = (self.slot_bits(), Vec::<Interval>::new());
        let (mut slot, mut below) = (0, 0);
        for (rank, place) in self.ranks {
            while rank - below >= counts[slot] {
                below += counts[slot];
                slot += 1;
            }
            let low = self.low + ((slot as i64) << bits);
            let rank = (rank - below, place);
            match narrowed.last_mut() {
                Some(last) if last.low == low => last.ranks.push(rank),
                _ => {
                    let high = self.high.min(low + (1 << bits) - 1);
                    narrowed.push(Interval { low, high, ranks: vec![rank], ..self });
                }
            }
        }
        narrowed
    }
}

/// Residuals of a group that are counted in one go.
const WAITING: usize = 256;

/// Counts residuals in the slots of all open intervals, whatever their order.
#[derive(Clone)]
pub struct Counter {
    intervals: Arc<[Interval]>,
    /// By group: the intervals that count it.
    of_group: Arc<[Vec<usize>]>,
    /// By interval and slot.
    counts: Vec<Vec<u64>>,
    /// By group: dz not counted yet.
    waiting: Vec<Vec<i64>>,
}

impl Counter {
    fn new(intervals: &[Interval], sets: &[(&[u16], Moments)]) -> Self {
        let groups = sets.iter().flat_map(|(set, _)| *set).max().map_or(0, |&last| usize::from(last) + 1);
        let mut of_group = vec![Vec::new(); groups];
        for (at, interval) in intervals.iter().enumerate() {
            sets[interval.set].0.iter().for_each(|&group| of_group[usize::from(group)].push(at));
        }
        let slots =
            |interval: &Interval| ((interval.high - interval.low) as usize >> interval.slot_bits()) + 1;
        Counter {
            intervals: intervals.into(),
            of_group: of_group.into(),
            counts: intervals.iter().map(|interval| vec![0; slots(interval)]).collect(),
            waiting: vec![Vec::new(); groups],
        }
    }

    /// Counts one residual.
    pub fn add(&mut self, group: u16, dz: i64) {
        // A group beyond all is in no set.
        let Some(waiting) = self.waiting.get_mut(usize::from(group)) else { return };
        waiting.push(dz);
        if waiting.len() == WAITING {
            self.count(group.into());
        }
    }

    /// Counts what waits in a group.
    fn count(&mut self, group: usize) {
        for &at in &self.of_group[group] {
            let (Interval { key, low, high, .. }, counts) = (&self.intervals[at], &mut self.counts[at]);
            let bits = self.intervals[at].slot_bits();
            for key in self.waiting[group].iter().map(|&dz| key.of(dz)) {
                if (*low..=*high).contains(&key) {
                    counts[((key - low) as u64 >> bits) as usize] += 1;
                }
            }
        }
        self.waiting[group].clear();
    }

    fn count_all(&mut self) {
        (0..self.waiting.len()).for_each(|group| self.count(group));
    }

    /// Adds what another counted.
    pub fn merge(&mut self, mut other: Counter) {
        other.count_all();
        self.counts.iter_mut().flatten().zip(other.counts.iter().flatten()).for_each(|(a, b)| *a += b);
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

/// The robust statistics of several sets of groups, ascending, whose moments (count, least, greatest) are known.
///
/// # Errors
/// Whatever reading the residuals back fails with.
pub fn robust_statistics<R: Residuals + ?Sized>(
    residuals: &R,
    sets: &[(&[u16], Moments)],
) -> io::Result<Vec<RobustStatistics>> {
    let interval = |set: usize, key: Key, ranks: [u64; 2], first_place: usize| {
        let (low, high) = sets[set].1.min().zip(sets[set].1.max())?;
        let (low, high) = key.bounds(low, high);
        Some(Interval { set, key, low, high, ranks: ranks.into_iter().zip(first_place..).collect() })
    };
    let some = || (0..sets.len()).filter(|&set| sets[set].1.n > 0);
    let p95 = |set: usize| PercentileRank::new(sets[set].1.n, 95);
    let medians_and_p95 = some().flat_map(|set| {
        let PercentileRank { below, above, .. } = p95(set);
        let median = interval(set, Key::Dz, median_ranks(sets[set].1.n), 4 * set);
        [median, interval(set, Key::Abs, [below, above], 4 * set + 2)]
    });
    let found = search(residuals, sets, medians_and_p95.flatten().collect(), 4 * sets.len())?;
    let twice_median = |set: usize| found[4 * set] + found[4 * set + 1];
    let deviations = some().filter_map(|set| {
        let key = Key::TwiceDeviation { twice_median: twice_median(set) };
        interval(set, key, median_ranks(sets[set].1.n), 2 * set)
    });
    let deviations = search(residuals, sets, deviations.collect(), 2 * sets.len())?;
    let mut results = vec![RobustStatistics::default(); sets.len()];
    for set in some() {
        let [below, above] = [found[4 * set + 2], found[4 * set + 3]];
        results[set] = RobustStatistics {
            median: Some(twice_median(set) as f64 / 2.0),
            nmad: Some(NMAD_FACTOR * ((deviations[2 * set] + deviations[2 * set + 1]) as f64 / 4.0)),
            abs_p95: Some(below as f64 + p95(set).fraction * (above - below) as f64),
        };
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

/// Narrows all intervals down, pass by pass, until each has one value left: the results, by their places.
fn search<R: Residuals + ?Sized>(
    residuals: &R,
    sets: &[(&[u16], Moments)],
    mut intervals: Vec<Interval>,
    places: usize,
) -> io::Result<Vec<i64>> {
    let mut found = vec![0; places];
    loop {
        let (done, open): (Vec<_>, Vec<_>) = intervals.into_iter().partition(|one| one.low == one.high);
        for Interval { low, ranks, .. } in done {
            ranks.iter().for_each(|&(_, place)| found[place] = low);
        }
        if open.is_empty() {
            return Ok(found);
        }
        let mut counter = residuals.count(&Counter::new(&open, sets))?;
        counter.count_all();
        let narrowed = open.into_iter().zip(&counter.counts).flat_map(|(one, counts)| one.narrowed(counts));
        intervals = narrowed.collect();
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn robust(values: &[i64]) -> RobustStatistics {
        let residuals: Vec<Residual> = values.iter().map(|&dz| Residual { group: 3, dz }).collect();
        let mut moments = Moments::default();
        values.iter().for_each(|&v| moments.add(v));
        robust_statistics(&residuals[..], &[(&[3], moments)]).unwrap()[0]
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
