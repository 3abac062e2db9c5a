//! From the differences of pairs to an offset for each strip, and to those that are off.
//!
//! The interval of a pair's bias comes from the means of blocks of the site: of blocks of 16 cells, of 32, 64, …, as long as there
//! are four, and the widest of these intervals counts, so that an error that drifts along a strip is not taken for many small ones.
//! The biases are adjusted by least squares to an offset for each strip, weighted by their intervals. Where they contradict each
//! other around loops by more than that, all intervals widen (a posteriori variance factor).
//!
//! Strips agree where each lies within the tolerance of the mean of the others. Where more than half of them do, that is the level of the
//! group, and a strip is off whose offset from it exceeds both the tolerance and its interval, at 95 % for all strips together. Strips
//! that scatter more agree within twice the tolerance, if that leaves one out. Where no majority agrees, as with two strips that differ,
//! none can be named.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DMatrix;

use crate::agreement::Strip;
use crate::agreement::tally::{BlockSum, Largest, Pair, Tally};
use crate::control::invert;
use crate::stats::distributions::{normal_quantile, t_quantile};

/// Fewest blocks for an interval.
const FEWEST_BLOCKS: usize = 4;

/// Share of the scatter from which on an offset matters: it then adds 5 % to it.
const TOLERANCE_SHARE: f64 = 0.32;

/// Smaller offsets are within what the elevations of a good control adjusted are known to, micrometres.
const LEAST_TOLERANCE: f64 = 3_000.0;

/// Fewest cells of a strip for its smoothness.
pub const FEWEST_CELLS: u64 = 30;

/// Strips beyond which no offsets are computed: an adjustment of so many takes a second.
const MOST_STRIPS: usize = 500;

/// Two strips against each other, micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairFigures {
    /// The two, ascending.
    pub strips: Pair,
    /// Cells that both share.
    pub cells: u64,
    /// How much higher the second lies on average.
    pub bias: f64,
    /// Half the width of its 95 % interval; none where there are too few blocks.
    pub half_width: Option<f64>,
    /// Root mean square of the differences.
    pub rms: f64,
    /// What of it the scatter of the points alone makes.
    pub noise: f64,
    /// The largest difference.
    pub largest: Option<Largest>,
}

/// The offset from which on a strip may be off, micrometres, from cells and smoothness of each; nothing where that is known of none.
pub fn tolerance(smoothness: &BTreeMap<Strip, (u64, f64)>) -> Option<f64> {
    let known = smoothness.values().filter(|(cells, _)| *cells >= FEWEST_CELLS);
    let mut scatters: Vec<f64> = known.map(|(_, scatter)| *scatter).collect();
    scatters.sort_by(f64::total_cmp);
    let median = scatters.get(scatters.len() / 2)?;
    Some((TOLERANCE_SHARE * median).max(LEAST_TOLERANCE))
}

/// The figures of all pairs.
pub fn pairs(tally: &Tally) -> Vec<PairFigures> {
    let strips: BTreeSet<Pair> = tally.blocks.keys().map(|(strips, ..)| *strips).collect();
    strips.into_iter().filter_map(|strips| pair(strips, tally)).collect()
}

fn pair(strips: Pair, tally: &Tally) -> Option<PairFigures> {
    let own = tally.blocks.range((strips, i64::MIN, i64::MIN)..=(strips, i64::MAX, i64::MAX));
    let blocks: BTreeMap<(i64, i64), BlockSum> =
        own.map(|((_, row, column), sum)| ((*row, *column), *sum)).collect();
    let mut all = BlockSum::default();
    blocks.values().for_each(|block| all.merge(block));
    if all.cells == 0 {
        return None;
    }
    let mean = |sum: f64| sum / all.cells as f64;
    let bias = mean(all.sum as f64);
    Some(PairFigures {
        strips,
        cells: all.cells,
        bias,
        half_width: half_width(blocks, all.cells, bias),
        rms: mean(all.squares as f64).sqrt(),
        noise: mean(all.variances as f64).sqrt(),
        largest: tally.largest.get(&strips).copied(),
    })
}

/// Half the widest of the intervals from blocks of growing size.
fn half_width(mut blocks: BTreeMap<(i64, i64), BlockSum>, cells: u64, bias: f64) -> Option<f64> {
    let mut widest: Option<f64> = None;
    while blocks.len() >= FEWEST_BLOCKS {
        let n = blocks.len() as f64;
        let squares: f64 =
            blocks.values().map(|block| (block.sum as f64 - bias * block.cells as f64).powi(2)).sum();
        let variance = squares / (cells as f64).powi(2) * n / (n - 1.0);
        let half = t_quantile(0.975, n - 1.0)? * variance.sqrt();
        widest = Some(widest.map_or(half, |widest| widest.max(half)));
        let mut larger: BTreeMap<(i64, i64), BlockSum> = BTreeMap::new();
        for ((row, column), block) in &blocks {
            larger.entry((row.div_euclid(2), column.div_euclid(2))).or_default().merge(block);
        }
        if larger.len() == blocks.len() {
            // Blocks far apart never meet.
            break;
        }
        blocks = larger;
    }
    widest
}

/// A strip among the others, micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offset {
    /// The strip.
    pub strip: Strip,
    /// Number of the group of strips that are tied together by overlaps, from 1.
    pub group: usize,
    /// How much higher it lies than the level on which more than half of the group agree, or where none do, than their mean.
    pub offset: f64,
    /// Half the width of its 95 % interval.
    pub half_width: f64,
    /// Whether it is off; nothing where that cannot be told.
    pub off: Option<bool>,
}

/// What the pairs tell of the strips.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Offsets {
    /// Strips that are tied to others, ascending.
    pub offsets: Vec<Offset>,
    /// Groups without a majority whose strips differ beyond tolerance and intervals: the strips that differ most, and by how much.
    pub disagreeing: Vec<(Pair, f64)>,
}

/// Adjusts the pairs; `tolerance` in micrometres.
pub fn adjust(pairs: &[PairFigures], tolerance: f64) -> Offsets {
    let known: Vec<(Pair, f64, f64)> =
        pairs.iter().filter_map(|pair| Some((pair.strips, pair.bias, pair.half_width?))).collect();
    let mut adjusted = Offsets::default();
    for (i, strips) in groups(&known).iter().enumerate() {
        if strips.len() > MOST_STRIPS {
            continue;
        }
        let own: Vec<_> = known.iter().filter(|(pair, ..)| strips.contains(&pair[0])).copied().collect();
        let Some((offsets, covariance)) = solve(strips, &own) else { continue };
        conclude(i + 1, strips, &offsets, &covariance, tolerance, &mut adjusted);
    }
    adjusted.offsets.sort_by_key(|offset| offset.strip);
    adjusted
}

/// The groups of strips that pairs tie together, in ascending order.
fn groups(pairs: &[(Pair, f64, f64)]) -> Vec<Vec<Strip>> {
    let mut all: Vec<BTreeSet<Strip>> = Vec::new();
    for (pair, ..) in pairs {
        let (touched, apart): (Vec<_>, Vec<_>) =
            all.into_iter().partition(|group| pair.iter().any(|strip| group.contains(strip)));
        all = apart;
        all.push(touched.into_iter().flatten().chain(*pair).collect());
    }
    let mut all: Vec<Vec<Strip>> = all.into_iter().map(|group| group.into_iter().collect()).collect();
    all.sort();
    all
}

/// Offsets whose sum is zero, and their covariances.
fn solve(strips: &[Strip], pairs: &[(Pair, f64, f64)]) -> Option<(Vec<f64>, DMatrix<f64>)> {
    /// A sigma below which intervals say too much, micrometres.
    const LEAST_SIGMA: f64 = 10.0;
    let z = normal_quantile(0.975)?;
    let weight = |half_width: f64| (half_width / z).max(LEAST_SIGMA).powi(-2);
    let n = strips.len();
    let place = |strip: Strip| strips.binary_search(&strip).ok();
    // The normal equations have no inverse, as any offset may be added to all: the sum of all tied to zero gives them one.
    let tie = pairs.iter().map(|(.., half_width)| weight(*half_width)).sum::<f64>() / n as f64;
    let mut matrix = DMatrix::from_element(n, n, tie / n as f64);
    let mut right = vec![0.0; n];
    for (pair, bias, half_width) in pairs {
        let (a, b) = (place(pair[0])?, place(pair[1])?);
        let weight = weight(*half_width);
        for (i, j, sign) in [(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)] {
            matrix[(i, j)] += sign * weight;
        }
        right[a] -= weight * bias;
        right[b] += weight * bias;
    }
    let mut inverse = invert(&matrix)?;
    inverse.iter_mut().for_each(|value| *value -= 1.0 / (tie * n as f64));
    let offsets: Vec<f64> =
        (0..n).map(|i| right.iter().enumerate().map(|(j, value)| inverse[(i, j)] * value).sum()).collect();
    let misfit = |(pair, bias, half_width): &(Pair, f64, f64)| {
        let (a, b) = (place(pair[0]).unwrap_or_default(), place(pair[1]).unwrap_or_default());
        (offsets[b] - offsets[a] - bias).powi(2) * weight(*half_width)
    };
    let redundancy = pairs.len() + 1 - n;
    let factor = match redundancy {
        0 => 1.0,
        _ => (pairs.iter().map(misfit).sum::<f64>() / redundancy as f64).max(1.0),
    };
    inverse.iter_mut().for_each(|value| *value *= factor);
    Some((offsets, inverse))
}

/// Finds the level on which most agree, and what is off from it.
fn conclude(
    group: usize,
    strips: &[Strip],
    offsets: &[f64],
    covariance: &DMatrix<f64>,
    tolerance: f64,
    adjusted: &mut Offsets,
) {
    let n = strips.len();
    let majority = majority(offsets, tolerance);
    let level = majority.as_ref().map_or_else(|| (0..n).collect(), |(agreeing, _)| agreeing.clone());
    let share = 1.0 / level.len() as f64;
    let from_level = |i: usize| {
        let mut contrast = vec![0.0; n];
        level.iter().for_each(|&j| contrast[j] -= share);
        contrast[i] += 1.0;
        let value: f64 = contrast.iter().zip(offsets).map(|(a, b)| a * b).sum();
        let row = |j: usize| (0..n).map(|k| covariance[(j, k)] * contrast[k]).sum::<f64>();
        let variance: f64 = contrast.iter().enumerate().map(|(j, a)| a * row(j)).sum();
        (value, variance.max(0.0).sqrt())
    };
    let quantile = |tests: usize| normal_quantile(1.0 - 0.025 / tests as f64).unwrap_or(f64::INFINITY);
    let (single, family) = (quantile(1), quantile(n));
    for (i, strip) in strips.iter().enumerate() {
        let (offset, sigma) = from_level(i);
        let off = majority.as_ref().map(|(agreeing, limit)| {
            !agreeing.contains(&i) && offset.abs() > *limit && offset.abs() > family * sigma
        });
        adjusted.offsets.push(Offset { strip: *strip, group, offset, half_width: single * sigma, off });
    }
    if majority.is_none() {
        let differ = (0..n).flat_map(|i| (0..i).map(move |j| (j, i))).filter_map(|(i, j)| {
            let (value, variance) =
                (offsets[j] - offsets[i], covariance[(i, i)] + covariance[(j, j)] - 2.0 * covariance[(i, j)]);
            let beyond = value.abs() - quantile(n * (n - 1) / 2) * variance.max(0.0).sqrt();
            (value.abs() > tolerance && beyond > 0.0).then_some(([strips[i], strips[j]], value))
        });
        let most = differ.fold(None, |most: Option<(Pair, f64)>, one| match most {
            Some(most) if most.1.abs() >= one.1.abs() => Some(most),
            _ => Some(one),
        });
        adjusted.disagreeing.extend(most);
    }
}

/// The strips that agree, where they are more than half, and the limit that they agree within: the tolerance, or where that gives no
/// majority, twice the tolerance if this leaves a strip out.
fn majority(offsets: &[f64], tolerance: f64) -> Option<(Vec<usize>, f64)> {
    let within = |limit: f64| agreeing(offsets, limit).map(|agreeing| (agreeing, limit));
    within(tolerance)
        .or_else(|| within(2.0 * tolerance).filter(|(agreeing, _)| agreeing.len() < offsets.len()))
}

/// More than half of the strips, each within a limit of the mean of the others: the most whose offsets lie within the limit on either side of a
/// level, and of as many those nearest together; then without those that lie farther from the mean of the rest.
fn agreeing(offsets: &[f64], limit: f64) -> Option<Vec<usize>> {
    let mut order: Vec<usize> = (0..offsets.len()).collect();
    order.sort_by(|a, b| offsets[*a].total_cmp(&offsets[*b]));
    let mut best: Option<(usize, f64, usize)> = None;
    for first in 0..order.len() {
        let width = |last: usize| offsets[order[last]] - offsets[order[first]];
        let count = (first..order.len()).take_while(|last| width(*last) <= 2.0 * limit).count();
        let width = width(first + count - 1);
        if best.is_none_or(|(most, narrowest, _)| count > most || (count == most && width < narrowest)) {
            best = Some((count, width, first));
        }
    }
    let (count, _, first) = best?;
    let mut agreeing = order[first..first + count].to_vec();
    while 2 * agreeing.len() > offsets.len() {
        let n = agreeing.len() as f64;
        let mean = agreeing.iter().map(|&i| offsets[i]).sum::<f64>() / n;
        // In ascending order: the farthest from the mean is the first or the last. From the mean of the others it is n / (n − 1) times as far.
        let [low, high] =
            [agreeing.first(), agreeing.last()].map(|i| i.map_or(0.0, |&i| (offsets[i] - mean).abs()));
        if low.max(high) * n <= limit * (n - 1.0) {
            return Some(agreeing);
        }
        agreeing.remove(if low > high { 0 } else { agreeing.len() - 1 });
    }
    None
}
