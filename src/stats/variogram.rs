//! The empirical variogram of dz, and the correlation that can be read from it.
//!
//! The curve is variance minus covariance by distance (Matheron's semivariance, in its covariance form). Covariances
//! of pairs are weighted by one over the product of their groups' variances: a return with little noise shows an error
//! that all returns share (trajectory, registration) long before a noisy one does. Matters because a correlated part
//! of a few per cent of the variance can rule the error of a mean over a million residuals.

use crate::stats::correlation::{CorrelationModel, Lag};
use crate::stats::placed::Placed;
use libm::{exp, pow};
use rayon::prelude::*;

/// Residuals around which pairs are counted: those of smallest hash.
const ANCHORS: usize = 2_000;
/// Partners aimed at, for each anchor, in each doubling of distance.
const PARTNERS: f64 = 100.0;
/// The shortest distance looked at; common practice, no source.
const SHORTEST_UM: f64 = 125_000.0;
/// Pairs below which a bin is left out.
const FEWEST_PAIRS: u64 = 50;
/// Residuals of a group below which it is left out, unless all are as small.
const FEWEST_RESIDUALS: usize = 20;
/// Robust standard deviations beyond which a residual counts as being there: a single blunder would hide everything.
const CLIP: f64 = 5.0;
/// How much better (in chi-square) a fit with correlation must be than one without. White noise comes to as much in
/// one of a hundred simulated sites.
const NEEDED_GAIN: f64 = 9.0;
/// Ranges tried.
const RANGES: usize = 60;

/// A residual about its group's mean, along the longer and the shorter side of the site.
#[derive(Clone, Copy)]
struct Value {
    along: i64,
    across: i64,
    dz: f64,
    weight: f64,
    hash: u64,
}

/// Sums over the pairs of one bin.
#[derive(Clone, Copy, Default)]
struct Bin {
    pairs: u64,
    distance: f64,
    weight: f64,
    product: f64,
    // Over anchors: squares and product of the two sums above, for the standard error.
    weight2: f64,
    product2: f64,
    cross: f64,
}

impl Bin {
    /// Adds the pairs of one anchor.
    fn add(&mut self, own: &Bin) {
        self.pairs += own.pairs;
        self.distance += own.distance;
        self.weight += own.weight;
        self.product += own.product;
        self.weight2 += own.weight * own.weight;
        self.product2 += own.product * own.product;
        self.cross += own.weight * own.product;
    }
}

/// Empirical variogram of residuals and the correlation fitted to it. `residuals` must be sorted (and so does not
/// depend on the order in which they were found); which pairs are looked at depends on `seed`.
pub fn correlation(residuals: &[Placed], seed: u64) -> CorrelationModel {
    debug_assert!(residuals.is_sorted());
    let (mut values, variance) = about_their_means(residuals, seed);
    let Some(longest) = turn_to_the_longer_side(&mut values) else {
        return CorrelationModel { variance, ..CorrelationModel::unknown() };
    };
    let share_of_anchors = (ANCHORS as f64 / values.len() as f64).min(1.0);
    let lags = lags(values, longest / 2.0, share_of_anchors, variance);
    let (sill, range_um) = match fit(&lags, variance) {
        Some((sill, length)) => (sill.min(variance), Some((3.0 * length).round() as i64)),
        None => (0.0, None),
    };
    let nugget_share = if variance > 0.0 { 1.0 - sill / variance } else { 1.0 };
    CorrelationModel { variance, sill, nugget_share, range_um, lags }
}

/// Residuals less their group's mean, blunders pulled in, with weights; and the variance of all.
fn about_their_means(residuals: &[Placed], seed: u64) -> (Vec<Value>, f64) {
    let groups = residuals.iter().map(|r| usize::from(r.group) + 1).max().unwrap_or(0);
    let mut by_group = vec![Vec::new(); groups];
    residuals.iter().for_each(|r| by_group[usize::from(r.group)].push(r.dz));
    let largest = by_group.iter().map(Vec::len).max().unwrap_or(0);
    // Median, reach, mean about the median and variance of each group that counts.
    let of_groups: Vec<Option<(i64, f64, f64, f64)>> = by_group
        .iter_mut()
        .map(|values| (values.len() >= FEWEST_RESIDUALS.min(largest)).then(|| clipped(values))?)
        .collect();
    let (mut count, mut squares) = (0.0, 0.0);
    for (values, of_group) in by_group.iter().zip(&of_groups) {
        if let Some((_, _, _, variance)) = of_group {
            count += values.len() as f64;
            squares += variance * values.len() as f64;
        }
    }
    let variance = if count > 0.0 { squares / count } else { 0.0 };
    let value = |r: &Placed| {
        let (median, reach, mean, of_group) = of_groups[usize::from(r.group)]?;
        let dz = ((r.dz - median) as f64).clamp(-reach, reach) - mean;
        // Weights relative to the whole, and no group so exact that it alone counts.
        let weight = variance / of_group.max(variance * 1e-3);
        Some(Value { along: r.x, across: r.y, dz, weight, hash: r.hash(seed) })
    };
    let values = if variance > 0.0 { residuals.iter().filter_map(value).collect() } else { Vec::new() };
    (values, variance)
}

/// The median, how far from it a value counts as such, mean and variance of the values so clipped; the mean is about the
/// median. A constant added to all values changes the median alone, to the last digit.
fn clipped(values: &mut [i64]) -> Option<(i64, f64, f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let middle = values.len() / 2;
    let median = *values.select_nth_unstable(middle).1;
    let mut distances: Vec<i64> = values.iter().map(|v| (v - median).abs()).collect();
    let spread = 1.4826 * *distances.select_nth_unstable(middle).1 as f64;
    let reach = if spread > 0.0 { CLIP * spread } else { f64::INFINITY };
    // The selection has left them in no particular order: sums need one.
    values.sort_unstable();
    let n = values.len() as f64;
    let clipped = || values.iter().map(|&v| ((v - median) as f64).clamp(-reach, reach));
    let mean = clipped().sum::<f64>() / n;
    Some((median, reach, mean, clipped().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)))
}

/// Sorts the values along the longer side of the site, and tells its length; nothing without an extent.
fn turn_to_the_longer_side(values: &mut [Value]) -> Option<f64> {
    let extent = |of: fn(&Value) -> i64| Some(values.iter().map(of).max()? - values.iter().map(of).min()?);
    let (x, y) = (extent(|v| v.along)?, extent(|v| v.across)?);
    if y > x {
        values.iter_mut().for_each(|v| (v.along, v.across) = (v.across, v.along));
        // Stable, so that ties stay in the order of the sorted residuals.
        values.sort_by_key(|v| v.along);
    }
    (x.max(y) > 0).then_some(x.max(y) as f64)
}

/// Pairs by distance up to `longest`: doubling by doubling, each in two bins, partners thinned as they grow many.
fn lags(values: Vec<Value>, longest: f64, share_of_anchors: f64, variance: f64) -> Vec<Lag> {
    let anchors = anchors(&values);
    let mut partners = values;
    let mut bins = Vec::new();
    let (mut near, mut kept) = (SHORTEST_UM, 1.0);
    // What is nearer than the shortest distance goes into the first doubling.
    let mut from = 0.0;
    while near < longest {
        let far = (2.0 * near).min(longest);
        let mut doubling = [Bin::default(); 2];
        // Added up in the order of the anchors, whichever worker has looked around them.
        let looked = |anchor| around(anchor, &partners, (from, far));
        let of_anchors: Vec<[Bin; 2]> = anchors.par_iter().map(looked).collect();
        for of_anchor in of_anchors {
            doubling.iter_mut().zip(of_anchor).for_each(|(bin, own)| bin.add(&own));
        }
        // The next ring holds about four times as many.
        let found = doubling.iter().map(|b| b.pairs).sum::<u64>() as f64 / anchors.len() as f64;
        bins.extend(doubling);
        let keep = (PARTNERS / (4.0 * found)).min(1.0);
        if keep < 1.0 {
            kept *= keep;
            // Another part of the hash than the anchors were chosen by.
            let limit = (kept * 2f64.powi(32)) as u32;
            partners.retain(|v| (v.hash as u32) < limit);
        }
        (near, from) = (far, far);
    }
    // Where anchors are also partners, their pairs count twice, and carry half the information.
    let twice = 1.0 + share_of_anchors;
    bins.iter()
        .filter(|bin| bin.pairs >= FEWEST_PAIRS)
        .map(|bin| {
            let covariance = bin.product / bin.weight;
            let squares = bin.product2 - 2.0 * covariance * bin.cross + covariance * covariance * bin.weight2;
            Lag {
                distance: bin.distance / bin.weight,
                pairs: bin.pairs,
                semivariance: variance - covariance,
                standard_error: (twice * squares.max(0.0)).sqrt() / bin.weight,
            }
        })
        .filter(|lag| lag.standard_error > 0.0)
        .collect()
}

/// The values of smallest hash, in the order of the list.
fn anchors(values: &[Value]) -> Vec<Value> {
    if values.len() <= ANCHORS {
        return values.to_vec();
    }
    let mut ranks: Vec<u64> = values.iter().map(|v| v.hash).collect();
    let limit = *ranks.select_nth_unstable(ANCHORS).1;
    values.iter().filter(|v| v.hash < limit).copied().collect()
}

/// The pairs of one anchor with partners sorted along the site, at more than `from` and at most `far`.
fn around(anchor: &Value, partners: &[Value], (from, far): (f64, f64)) -> [Bin; 2] {
    let reach = far as i64;
    let first = partners.partition_point(|v| v.along < anchor.along - reach);
    let mut bins = [Bin::default(); 2];
    for partner in partners[first..].iter().take_while(|v| v.along <= anchor.along + reach) {
        let across = partner.across - anchor.across;
        if across.abs() > reach {
            continue;
        }
        let (dx, dy) = ((partner.along - anchor.along) as f64, across as f64);
        let squared = dx * dx + dy * dy;
        // Residuals at the very same place are the anchor itself, or its twin.
        if squared <= from * from || squared > far * far {
            continue;
        }
        let which = usize::from(squared > 0.5 * far * far);
        let weight = anchor.weight * partner.weight;
        let bin = &mut bins[which];
        bin.pairs += 1;
        bin.distance += weight * squared.sqrt();
        bin.weight += weight;
        bin.product += weight * anchor.dz * partner.dz;
    }
    bins
}

/// Sill and length (a third of the range) of the exponential that fits the lags best, if it is much better than none.
///
/// A level is fitted besides: covariances about a mean that comes from the same residuals are all a little too low.
fn fit(lags: &[Lag], variance: f64) -> Option<(f64, f64)> {
    let (first, last) = (lags.first()?.distance, lags.last()?.distance);
    if lags.len() < 4 {
        return None;
    }
    let (shortest, longest) = (first / 2.0, last / 3.0);
    let of_length = |length: f64| {
        let (mut sw, mut sr, mut sc, mut srr, mut src) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for lag in lags {
            let w = (variance / lag.standard_error).powi(2);
            let (r, c) = (exp(-lag.distance / length), 1.0 - lag.semivariance / variance);
            sw += w;
            sr += w * r;
            sc += w * c;
            srr += w * r * r;
            src += w * r * c;
        }
        let (vr, cov) = (srr - sr * sr / sw, src - sr * sc / sw);
        // The gain in chi-square over a level alone, and the sill.
        if vr > 0.0 && cov > 0.0 { (cov * cov / vr, cov / vr) } else { (0.0, 0.0) }
    };
    let step = |i: usize| shortest * pow(longest / shortest, i as f64 / (RANGES - 1) as f64);
    let tried: Vec<(f64, f64)> = (0..RANGES).map(|i| of_length(step(i))).collect();
    let best = tried.iter().map(|(gain, _)| *gain).fold(0.0, f64::max);
    // The longest that is still within one standard error of the best: a range taken too short gives intervals that
    // are too narrow, one too long hardly matters.
    let longest = tried.iter().rposition(|(gain, _)| *gain >= best - 1.0)?;
    (best > NEEDED_GAIN).then_some((tried[longest].1 * variance, step(longest)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulated::{Field, Normal, Site};

    fn site(field_sd: f64, residuals: usize) -> Site {
        let returns = [(5_000.0, 15_000.0), (-10_000.0, 40_000.0), (-30_000.0, 80_000.0)];
        Site { side: 200, field: Field::Exponential(4.0), field_sd, returns, residuals }
    }

    #[test]
    fn the_correlation_put_in_is_found() {
        // Along the axes the field falls to 5 % at 12 m; in between it does a little sooner.
        let mut of_sites = Vec::new();
        for seed in 0..20 {
            let residuals = site(30_000.0, 10_000).residuals(&mut Normal::new(seed));
            let found = correlation(&residuals, 7);
            let noise = (15.0f64.powi(2) + 40.0f64.powi(2) + 80.0f64.powi(2)) / 3.0 * 1e6;
            let range = found.range_um.unwrap();
            assert!((7_000_000..20_000_000).contains(&range), "{range}");
            assert!((found.nugget_share - noise / (noise + 9e8)).abs() < 0.08, "{}", found.nugget_share);
            of_sites.push((range, found.sill));
        }
        let mean_range = of_sites.iter().map(|s| s.0).sum::<i64>() / 20;
        assert!((9_000_000..14_000_000).contains(&mean_range), "{mean_range}");
        let mean_sill = of_sites.iter().map(|s| s.1).sum::<f64>() / 20.0;
        assert!((mean_sill / 9e8 - 1.0).abs() < 0.12, "{mean_sill}");
    }

    #[test]
    fn a_weak_part_that_rules_the_mean_is_found_among_many() {
        // 10 mm under noise of 52 mm: 3.5 % of the variance, yet 100,000 residuals have an effective sample size of some thousands.
        let found = correlation(&site(10_000.0, 100_000).residuals(&mut Normal::new(1)), 7);
        let range = found.range_um.expect("a range");
        assert!((6_000_000..25_000_000).contains(&range), "{range}");
        assert!((found.sill / 1e8 - 1.0).abs() < 0.3, "{}", found.sill);
    }

    #[test]
    fn white_noise_has_no_range() {
        let claims = (0..200)
            .filter(|&seed| {
                correlation(&site(0.0, 1_000).residuals(&mut Normal::new(seed)), 7).range_um.is_some()
            })
            .count();
        assert!(claims <= 6, "{claims} of 200");
    }

    #[test]
    fn a_blunder_hides_nothing() {
        let mut residuals = site(30_000.0, 5_000).residuals(&mut Normal::new(3));
        let clean = correlation(&residuals, 7).range_um.unwrap();
        residuals[2_000].dz = 50_000_000;
        residuals[3_000].dz = -80_000_000;
        residuals.sort_unstable();
        let range = correlation(&residuals, 7).range_um.unwrap();
        assert!((range as f64 / clean as f64).ln().abs() < 0.3, "{range} {clean}");
    }

    #[test]
    fn north_to_south_is_as_good_as_west_to_east() {
        let mut residuals = site(30_000.0, 5_000).residuals(&mut Normal::new(4));
        residuals.retain(|r| r.y < 120_000_000);
        let one = correlation(&residuals, 7);
        residuals.iter_mut().for_each(|r| (r.x, r.y) = (r.y, r.x));
        residuals.sort_unstable();
        let turned = correlation(&residuals, 7);
        // All pairs up to where partners are thinned are the same ones; anchors differ, since places did.
        let range = |c: &CorrelationModel| c.range_um.unwrap() as f64;
        assert!((range(&one) / range(&turned)).ln().abs() < 0.5, "{one:?} {turned:?}");
    }

    #[test]
    fn nothing_to_go_by_gives_nothing() {
        let at = |x, dz| Placed { x, y: 0, dz, limit: None, group: 0 };
        for few in [
            vec![],
            vec![at(0, 5)],
            vec![at(0, 5); 30],
            vec![at(0, 5), at(0, 7)],
            vec![at(0, 1), at(9_000_000, 2)],
        ] {
            let found = correlation(&few, 7);
            assert_eq!((found.range_um, found.sill, found.nugget_share), (None, 0.0, 1.0), "{few:?}");
        }
    }
}
