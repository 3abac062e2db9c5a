//! 95 % intervals of bias, SD and RMSE from some ten to some hundred residuals that lie far apart: the checkpoints of a list.
//!
//! Were all of them independent, these would be the textbook's: t for the bias, chi-square for SD and RMSE. What neighbours
//! may share is tried instead of assumed: nothing, an error correlated over each of a ladder of lengths, one that each flight
//! strip has of its own, each at several strengths, and each counts as much as its restricted likelihood says (Patterson and
//! Thompson 1971, from memory). Few residuals exclude little, so that the layout decides: residuals spread evenly over
//! the ground that they stand for are as good as independent, those in clusters, or in some of the strips, are not. It differs
//! from [`super::estimates`], made for cells of many residuals each, in that no cell need hold several and that the
//! degrees of freedom follow from each hypothesis.

use std::collections::BTreeMap;

use libm::{exp, log, pow};

use crate::stats::delivered::Delivered;
use crate::stats::distributions::{chi_squared_sf, t_quantile};
use crate::stats::estimates::{Estimate, NoInterval};
use crate::stats::layout::join;
use crate::stats::mixture::{Part, mixture_ends, probabilities};

/// Most residuals: the likelihood costs the cube of their number.
const MOST: usize = 300;
/// Fewest residuals of which there is an interval.
const FEWEST: usize = 3;
/// Shares of the variance that may be correlated.
const SHARES: [f64; 4] = [0.15, 0.4, 0.7, 0.95];
/// Rungs of the ladder of lengths at the most.
const RUNGS: usize = 10;
/// By which power of the length long correlation counts less.
const AGAINST_LONG: f64 = 0.35;
/// Weights of independence and of strips, where the shortest length has 1.
const INDEPENDENT: f64 = 1.0;
const STRIPS: f64 = 2.0;
/// Cells of the ground at the most.
const MOST_CELLS: usize = 150;
/// Two places in a unit square lie 0.52 apart on average, a place and the middle of its square 0.38 (known constants, from
/// memory).
const WITHIN: f64 = 0.52;
const TO_MIDDLE: f64 = 0.38;

/// A residual and its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FewPoint {
    /// Easting and northing, micrometres.
    pub at: (i64, i64),
    /// The flight strip, where that is known.
    pub strip: Option<u16>,
    /// Residual, micrometres.
    pub dz: i64,
    /// Residuals of one set are taken about one mean, and scatter alike.
    pub set: u16,
}

/// One kind of shared error, of unit variance.
struct Structure {
    prior: f64,
    /// Covariance of the points.
    points: Vec<f64>,
    /// Mean covariance of each point with the ground.
    to_ground: Vec<f64>,
    /// Mean covariance within the ground.
    ground: f64,
}

/// A kind of shared error that makes up a share of the variance.
struct Hypothesis {
    structure: usize,
    share: f64,
    probability: f64,
}

/// What all residuals together say of what they share.
pub struct Few {
    points: usize,
    structures: Vec<Structure>,
    hypotheses: Vec<Hypothesis>,
}

/// What a hypothesis says of the residuals of a group.
struct Said {
    probability: f64,
    /// Degrees of freedom of the sample variance.
    df: f64,
    /// Variance of the difference between the mean of the residuals and that of the ground.
    mean: f64,
    /// Variance of the ground.
    ground: f64,
}

impl Few {
    /// Weighs what the residuals may share. Nothing of fewer than three, or of too many.
    pub fn new(points: &[FewPoint], delivered: &Delivered) -> Option<Self> {
        let n = points.len();
        if !(FEWEST..=MOST).contains(&n) {
            return None;
        }
        let structures = structures(points, delivered);
        let (standard, sets) = standardised(points)?;
        let mut hypotheses = Vec::new();
        let mut add = |structure: usize, share: f64, prior: f64| {
            if let Some(likelihood) = likelihood(&structures[structure].points, share, &standard, &sets) {
                hypotheses.push((likelihood + log(prior), (structure, share)));
            }
        };
        add(0, 0.0, INDEPENDENT);
        for (i, structure) in structures.iter().enumerate() {
            SHARES.iter().for_each(|&share| add(i, share, structure.prior / SHARES.len() as f64));
        }
        let hypotheses = probabilities(hypotheses)?
            .into_iter()
            .map(|(probability, (structure, share))| Hypothesis { structure, share, probability })
            .collect();
        Some(Few { points: n, structures, hypotheses })
    }

    /// The intervals of a group: the numbers of its points among all, and its residuals there, micrometres. `sigma` is what the
    /// points' own standard deviations make of the mean: no interval is narrower than they alone would have it.
    pub fn of(&self, members: &[(usize, i64)], sigma: f64) -> Estimate {
        let n = members.len() as f64;
        let none = |reason| Estimate { reason: Some(reason), ..Estimate::default() };
        if members.len() < FEWEST {
            return none(NoInterval::FewPlaces);
        }
        let mean = members.iter().map(|(_, dz)| i128::from(*dz)).sum::<i128>() as f64 / n;
        let about = |power: i32| members.iter().map(|(_, dz)| (*dz as f64 - mean).powi(power)).sum::<f64>();
        let squares = about(2);
        let variance = squares / (n - 1.0);
        if variance <= 0.0 {
            return none(NoInterval::NoSpread);
        }
        // By how much the fourth moment exceeds that of a normal distribution.
        let tails = (n * about(4) / (squares * squares) - 3.0).max(0.0);
        let indices: Vec<usize> = members.iter().map(|(index, _)| *index).collect();
        let said: Vec<Said> =
            self.hypotheses.iter().map(|one| self.say(one, &indices, variance, tails)).collect();
        let estimate = || {
            let part = |said: &Said| Part {
                probability: said.probability,
                df: said.df,
                centre: 0.0,
                scale: said.mean.sqrt(),
            };
            let parts: Vec<Part> = said.iter().map(part).collect();
            let half = mixture_ends(&parts)?[1].max(1.96 * sigma);
            let plain = t_quantile(0.975, n - 1.0)? * (variance / n).sqrt();
            let of_sd = said.iter().map(|said| (said.probability, said.df, said.ground));
            let of_rmse = said.iter().map(|said| {
                let square = (mean * mean - said.mean).max(0.0) + said.ground;
                let by_mean = (4.0 * mean * mean * said.mean - 2.0 * said.mean * said.mean)
                    .max(2.0 * said.mean * said.mean);
                let spread = 2.0 * said.ground * said.ground / said.df + by_mean;
                (said.probability, 2.0 * square * square / spread, square)
            });
            let root = |ends: [f64; 2]| ends.map(f64::sqrt);
            let se = half / 1.96;
            Some(Estimate {
                mean_se: Some(se),
                mean_ci95: Some([mean - half, mean + half]),
                sd_ci95: Some(root(variance_ends(&of_sd.collect::<Vec<_>>())?)),
                rmse_ci95: Some(root(variance_ends(&of_rmse.collect::<Vec<_>>())?)),
                // As many as would give an interval of t that narrow.
                n_effective: Some((n * plain * plain / (half * half)).min(n)),
                reason: None,
            })
        };
        estimate().unwrap_or_else(|| none(NoInterval::NoSpread))
    }

    fn say(&self, one: &Hypothesis, members: &[usize], variance: f64, tails: f64) -> Said {
        let (structure, share, n) = (&self.structures[one.structure], one.share, members.len() as f64);
        // Two members may be at one place, and then have one number.
        let own = |a: usize, b: usize| {
            share * structure.points[members[a] * self.points + members[b]]
                + if a == b { 1.0 - share } else { 0.0 }
        };
        let along: Vec<f64> =
            (0..members.len()).map(|a| (0..members.len()).map(|b| own(a, b)).sum::<f64>() / n).collect();
        let middle = along.iter().sum::<f64>() / n;
        let (mut trace, mut square) = (0.0, 0.0);
        for (a, of_a) in along.iter().enumerate() {
            for (b, of_b) in along.iter().enumerate() {
                let centred = own(a, b) - of_a - of_b + middle;
                square += centred * centred;
                trace += if a == b { centred } else { 0.0 };
            }
        }
        let to_ground = members.iter().map(|&i| structure.to_ground[i]).sum::<f64>() / n;
        // The variance as it is beside what the sample shows of it.
        let scale = variance * (n - 1.0) / trace;
        let df = trace * trace / square;
        Said {
            probability: one.probability,
            df: 1.0 / (1.0 / df + tails / (2.0 * n)),
            mean: scale * (middle + share * (structure.ground - 2.0 * to_ground)).max(1e-3 / n),
            ground: scale * (1.0 - share * structure.ground),
        }
    }
}

/// Ends below and above which each 2.5 % of a mixture of variances lie, each a probability, its degrees of freedom and the
/// variance found.
fn variance_ends(parts: &[(f64, f64, f64)]) -> Option<[f64; 2]> {
    let below = |x: f64| -> Option<f64> {
        parts.iter().map(|(p, df, found)| Some(p * chi_squared_sf(found * df / x, *df)?)).sum()
    };
    let end = |wanted: f64| {
        let least = parts.iter().map(|(_, _, found)| *found).fold(f64::INFINITY, f64::min);
        let most = parts.iter().map(|(_, _, found)| *found).fold(0.0, f64::max);
        let (mut low, mut high) = (log(least) - 20.0, log(most) + 20.0);
        for _ in 0..60 {
            let at = 0.5 * (low + high);
            if below(exp(at))? < wanted { low = at } else { high = at }
        }
        Some(exp(0.5 * (low + high)))
    };
    Some([end(0.025)?, end(0.975)?])
}

/// Residuals less the mean of their set, over its SD; and the sets, counted from 0.
fn standardised(points: &[FewPoint]) -> Option<(Vec<f64>, Vec<usize>)> {
    let mut sets: BTreeMap<u16, Vec<f64>> = BTreeMap::new();
    points.iter().for_each(|point| sets.entry(point.set).or_default().push(point.dz as f64));
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let squares = |values: &[f64]| {
        let mean = mean(values);
        values.iter().map(|value| (value - mean) * (value - mean)).sum::<f64>()
    };
    let free = points.len() as f64 - sets.len() as f64;
    let pooled = (sets.values().map(|values| squares(values)).sum::<f64>() / free).sqrt();
    if free < 2.0 || pooled.is_nan() || pooled <= 0.0 {
        return None;
    }
    let of_set = |values: &Vec<f64>| {
        let own = (squares(values) / (values.len() as f64 - 1.0)).sqrt();
        (mean(values), if values.len() >= 5 && own > 0.0 { own } else { pooled })
    };
    let known: BTreeMap<u16, (f64, f64)> = sets.iter().map(|(set, values)| (*set, of_set(values))).collect();
    let standard = points.iter().map(|point| (point.dz as f64 - known[&point.set].0) / known[&point.set].1);
    let numbers: Vec<u16> = known.keys().copied().collect();
    let number = |point: &FewPoint| numbers.binary_search(&point.set).unwrap_or(0);
    Some((standard.collect(), points.iter().map(number).collect()))
}

/// The restricted log likelihood of residuals of which a share of the variance correlates, the mean of each set unknown.
fn likelihood(correlation: &[f64], share: f64, values: &[f64], sets: &[usize]) -> Option<f64> {
    let n = values.len();
    let entry = |i: usize, j: usize| share * correlation[i * n + j] + if i == j { 1.0 - share } else { 0.0 };
    let (lower, log_determinant) = cholesky(n, entry)?;
    let count = sets.iter().max()? + 1;
    let indicator = |set: usize| sets.iter().map(|own| f64::from(u8::from(*own == set))).collect();
    let columns: Vec<Vec<f64>> = (0..count).map(|set| forward(&lower, indicator(set))).collect();
    let values = forward(&lower, values.to_vec());
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let (normal, of_means) = cholesky(count, |i, j| product(&columns[i], &columns[j]))?;
    let on_means = columns.iter().map(|column| product(column, &values)).collect();
    let fitted: f64 = forward(&normal, on_means).iter().map(|x| x * x).sum();
    let left = (product(&values, &values) - fitted).max(1e-12);
    Some(-0.5 * (log_determinant + of_means + (n - count) as f64 * log(left)))
}

/// What a lower triangle makes this column of.
fn forward(lower: &[f64], mut column: Vec<f64>) -> Vec<f64> {
    let n = column.len();
    for i in 0..n {
        let known: f64 = lower[i * n..i * n + i].iter().zip(&column).map(|(l, x)| l * x).sum();
        column[i] = (column[i] - known) / lower[i * n + i];
    }
    column
}

/// The lower triangle whose square a matrix is, and the logarithm of the determinant of the matrix.
fn cholesky(n: usize, entry: impl Fn(usize, usize) -> f64) -> Option<(Vec<f64>, f64)> {
    let (mut lower, mut log_determinant) = (vec![0.0; n * n], 0.0);
    for i in 0..n {
        for j in 0..=i {
            let (row, other) = (&lower[i * n..i * n + j], &lower[j * n..j * n + j]);
            let rest = entry(i, j) - row.iter().zip(other).map(|(a, b)| a * b).sum::<f64>();
            if i == j {
                if rest.is_nan() || rest <= 1e-12 {
                    return None;
                }
                log_determinant += log(rest);
                lower[i * n + i] = rest.sqrt();
            } else {
                lower[i * n + j] = rest / lower[j * n + j];
            }
        }
    }
    Some((lower, log_determinant))
}

/// The kinds of error that the points may share.
fn structures(points: &[FewPoint], delivered: &Delivered) -> Vec<Structure> {
    let n = points.len();
    let cells = Ground::new(points, delivered);
    let between = |a: [f64; 2], b: [f64; 2], more: f64| {
        let (dx, dy) = (a[0] - b[0], a[1] - b[1]);
        (dx * dx + dy * dy + more * more).sqrt()
    };
    let at: Vec<[f64; 2]> = points.iter().map(|point| [point.at.0 as f64, point.at.1 as f64]).collect();
    let mut nearest: Vec<f64> = (0..n)
        .map(|i| {
            let others = (0..n).filter(|j| *j != i).map(|j| between(at[i], at[j], 0.0));
            others.fold(f64::INFINITY, f64::min)
        })
        .collect();
    nearest.sort_by(f64::total_cmp);
    let corner = |pick: fn(f64, f64) -> f64, none: f64| {
        [0, 1].map(|axis| {
            let all = at.iter().map(|at| at[axis]).chain(cells.cells.iter().map(|cell| cell.0[axis]));
            all.fold(none, pick)
        })
    };
    let diagonal = between(corner(f64::min, f64::MAX), corner(f64::max, f64::MIN), 0.0);
    let mut length = (nearest[n / 2] / 2.0).max(1e6);
    let shortest = length;
    let mut all = Vec::new();
    while all.len() < RUNGS && (all.is_empty() || length <= diagonal) {
        let correlation = |distance: f64| exp(-distance / length);
        let mut covariance = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let value = correlation(between(at[i], at[j], 0.0));
                (covariance[i * n + j], covariance[j * n + i]) = (value, value);
            }
        }
        let to = |at: &[f64; 2]| -> f64 {
            let of = |&(middle, share): &([f64; 2], f64)| {
                share * correlation(between(*at, middle, TO_MIDDLE * cells.edge))
            };
            cells.cells.iter().map(of).sum()
        };
        let within = |&(a, share_a): &([f64; 2], f64)| -> f64 {
            let of = |&(b, share_b): &([f64; 2], f64)| {
                share_a * share_b * correlation(between(a, b, WITHIN * cells.edge))
            };
            cells.cells.iter().map(of).sum()
        };
        all.push(Structure {
            prior: pow(length / shortest, -AGAINST_LONG),
            points: covariance,
            to_ground: at.iter().map(to).collect(),
            ground: cells.cells.iter().map(within).sum(),
        });
        length *= 2.0;
    }
    let mut seen: Vec<u16> = points.iter().filter_map(|point| point.strip).collect();
    seen.sort_unstable();
    seen.dedup();
    if seen.len() > 1 || cells.strips.len() > 1 {
        let same =
            |i: usize, j: usize| i == j || points[i].strip.is_some() && points[i].strip == points[j].strip;
        let share =
            |point: &FewPoint| point.strip.and_then(|strip| cells.strips.get(&strip)).copied().unwrap_or(0.0);
        all.push(Structure {
            prior: STRIPS,
            points: (0..n * n).map(|at| f64::from(u8::from(same(at / n, at % n)))).collect(),
            to_ground: points.iter().map(share).collect(),
            ground: cells.strips.values().map(|share| share * share).sum(),
        });
    }
    all
}

/// The delivered ground in some cells; that around the points where none is known.
struct Ground {
    edge: f64,
    /// Middles and shares.
    cells: Vec<([f64; 2], f64)>,
    /// Shares of the strips.
    strips: BTreeMap<u16, f64>,
}

impl Ground {
    fn new(points: &[FewPoint], delivered: &Delivered) -> Self {
        let joined = join(&delivered.squares(), MOST_CELLS);
        let edge = joined.first().map_or(Delivered::EDGE, |(cell, _)| cell.edge);
        let strips = delivered.by_strip();
        let total = strips.values().sum::<u64>() as f64;
        let strips = strips.into_iter().map(|(strip, n)| (strip, n as f64 / total)).collect();
        let around = || {
            points.iter().map(|one| ([one.at.0 as f64, one.at.1 as f64], 1.0 / points.len() as f64)).collect()
        };
        let cells = match joined.is_empty() {
            true => around(),
            false => joined.into_iter().map(|(cell, n)| (cell.at, n / total)).collect(),
        };
        Ground { edge, cells, strips }
    }
}

#[cfg(test)]
#[path = "few_tests.rs"]
mod tests;
