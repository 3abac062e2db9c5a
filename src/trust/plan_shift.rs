//! A shift in plan between survey and reference: it shows as dz that follows slope and aspect.
//!
//! A survey that lies too far east by e and too far north by n has dz = a − e·∂z/∂x − n·∂z/∂y. The shift is estimated from
//! that by robust least squares (Huber's weights) on open, sloping ground: the least-squares way of Rosenholm and Torlegård
//! 1988, which a comparison found better than that by aspect (Li et al. 2023, The Cryosphere 17, 5299: abstract seen). Its
//! covariance comes from the scores of whole blocks, as residuals near each other share some error.

use std::collections::BTreeMap;

use crate::stats::distributions::{f_sf, t_quantile};
use crate::stats::placed::block_of;
use crate::units::Micrometres;

/// A residual on a slope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sloped {
    /// Easting, micrometres.
    pub x: Micrometres,
    /// Northing, micrometres.
    pub y: Micrometres,
    /// dz without the bias of its return, micrometres.
    pub dz: f64,
    /// Rise of the ground eastwards and northwards, rise over run.
    pub gradient: [f64; 2],
}

/// A shift in plan, micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// How far the survey lies too far east and north.
    pub shift: [f64; 2],
    /// 95 % intervals.
    pub ci95: [[f64; 2]; 2],
    /// Whether there is a shift at all, as sure as a warning must be.
    pub is_significant: bool,
    /// Share of the variance of dz that it explains.
    pub explained: f64,
}

/// Spread of the gradients (SD, rise over run) across which a shift can be told, in the direction that has least of it: with
/// less, a tilt or a bias by slope would be taken for a shift.
const LEAST_SPREAD: f64 = 0.02;

/// Fewest blocks that a covariance is estimated from.
const LEAST_BLOCKS: usize = 12;

/// Probability below which a shift is reported.
const SIGNIFICANT: f64 = 0.001;

/// Residuals beyond so many robust SDs weigh less (Huber 1964, citation not verified).
const HUBER: f64 = 1.345;

/// Rounds of reweighting: the estimate has settled long before.
const ROUNDS: usize = 30;

/// The shift of all residuals together; none where the ground has too little slope in some direction, or blocks are too few.
pub fn plan_shift(all: &[Sloped], block: Micrometres) -> Option<Shift> {
    let n = all.len() as f64;
    let mean = |of: &dyn Fn(&Sloped) -> f64| all.iter().map(of).sum::<f64>() / n;
    let centre = [mean(&|one| one.gradient[0]), mean(&|one| one.gradient[1])];
    let [xx, xy, yy] = [(0, 0), (0, 1), (1, 1)]
        .map(|(i, j)| mean(&|one| (one.gradient[i] - centre[i]) * (one.gradient[j] - centre[j])));
    let half = (xx + yy) / 2.0;
    let least = half - (half * half - (xx * yy - xy * xy)).max(0.0).sqrt();
    if all.is_empty() || least.max(0.0).sqrt() < LEAST_SPREAD {
        return None;
    }
    let row = |one: &Sloped| [1.0, -(one.gradient[0] - centre[0]), -(one.gradient[1] - centre[1])];
    let (mut solution, mut weights) = ([0.0; 3], vec![1.0; all.len()]);
    let mut inverse = [[0.0; 3]; 3];
    for _ in 0..ROUNDS {
        let (mut normal, mut right) = ([[0.0; 3]; 3], [0.0; 3]);
        for (one, weight) in all.iter().zip(&weights) {
            let row = row(one);
            for i in 0..3 {
                right[i] += weight * row[i] * one.dz;
                (0..3).for_each(|j| normal[i][j] += weight * row[i] * row[j]);
            }
        }
        inverse = inverted(&normal)?;
        let next = times(&inverse, &right);
        let settled = next.iter().zip(&solution).all(|(a, b)| (a - b).abs() < 1e-3);
        solution = next;
        let residual = |one: &Sloped| one.dz - dot(&row(one), &solution);
        let mut sizes: Vec<f64> = all.iter().map(|one| residual(one).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let limit = HUBER * (1.4826 * sizes[sizes.len() / 2]).max(1.0);
        for (one, weight) in all.iter().zip(&mut weights) {
            *weight = (limit / residual(one).abs().max(1.0)).min(1.0);
        }
        if settled {
            break;
        }
    }
    let mut scores: BTreeMap<(i64, i64), [f64; 3]> = BTreeMap::new();
    let (mut before, mut after) = (0.0, 0.0);
    for (one, weight) in all.iter().zip(&weights) {
        let row = row(one);
        let residual = one.dz - dot(&row, &solution);
        before += weight * (one.dz - solution[0]).powi(2);
        after += weight * residual * residual;
        let score = scores.entry(block_of(one.x, one.y, block)).or_default();
        (0..3).for_each(|i| score[i] += weight * row[i] * residual);
    }
    let blocks = scores.len();
    if blocks < LEAST_BLOCKS {
        return None;
    }
    let mut spread = [[0.0; 3]; 3];
    for score in scores.values() {
        for (i, j) in (0..3).flat_map(|i| (0..3).map(move |j| (i, j))) {
            spread[i][j] += score[i] * score[j];
        }
    }
    // Three were estimated from the same blocks.
    let few = blocks as f64 / (blocks as f64 - 3.0);
    let covariance = product(&product(&inverse, &spread), &inverse).map(|row| row.map(|value| value * few));
    let df = blocks as f64 - 3.0;
    let t = t_quantile(0.975, df)?;
    let shift = [solution[1], solution[2]];
    let ci95 = [1, 2].map(|i: usize| {
        let half = t * covariance[i][i].sqrt();
        [solution[i] - half, solution[i] + half]
    });
    let (a, b, c) = (covariance[1][1], covariance[1][2], covariance[2][2]);
    let wald =
        (c * shift[0] * shift[0] - 2.0 * b * shift[0] * shift[1] + a * shift[1] * shift[1]) / (a * c - b * b);
    let is_significant = wald.is_finite() && f_sf(wald / 2.0, 2.0, df).is_some_and(|p| p < SIGNIFICANT);
    let explained = if before > 0.0 { (1.0 - after / before).max(0.0) } else { 0.0 };
    Some(Shift { shift, ci95, is_significant, explained })
}

fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn times(m: &[[f64; 3]; 3], v: &[f64; 3]) -> [f64; 3] {
    m.map(|row| dot(&row, v))
}

fn product(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    a.map(|row| [0, 1, 2].map(|j: usize| (0..3).map(|k| row[k] * b[k][j]).sum()))
}

/// The inverse of a symmetric matrix; none where it has none.
fn inverted(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let minor = |i: usize, j: usize| {
        let (r, c) = ([(i + 1) % 3, (i + 2) % 3], [(j + 1) % 3, (j + 2) % 3]);
        m[r[0]][c[0]] * m[r[1]][c[1]] - m[r[0]][c[1]] * m[r[1]][c[0]]
    };
    let determinant = m[0][0] * minor(0, 0) + m[0][1] * minor(0, 1) + m[0][2] * minor(0, 2);
    let inverse = [0, 1, 2].map(|i| [0, 1, 2].map(|j| minor(j, i) / determinant));
    inverse.iter().flatten().all(|value| value.is_finite()).then_some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulated::Normal;

    /// Hills of a stated steepness, with noise of which a part is shared by 5 m.
    fn hills(seed: u64, steepness: f64, shift: [f64; 2], blunders: bool) -> Vec<Sloped> {
        let mut normal = Normal::new(seed);
        let shared: Vec<f64> = (0..400).map(|_| 10_000.0 * normal.next()).collect();
        let one = |i: usize| {
            let (x, y) = (normal.uniform() * 100.0, normal.uniform() * 100.0);
            let gradient = [steepness * libm::sin(x / 7.0), steepness * libm::cos(y / 9.0)];
            let block = (x / 5.0) as usize * 20 + (y / 5.0) as usize;
            let noise = 15_000.0 * normal.next() + shared[block];
            let blunder = if blunders && i % 50 == 0 { 400_000.0 } else { 0.0 };
            let dz = noise + blunder - shift[0] * gradient[0] - shift[1] * gradient[1];
            Sloped { x: (x * 1e6) as i64, y: (y * 1e6) as i64, dz, gradient }
        };
        (0..4_000).map(one).collect()
    }

    #[test]
    fn a_shift_comes_back_within_three_sigmas_and_intervals_hold() {
        // Of 360 estimates one or two lie beyond three sigmas by chance (t with some hundred degrees of freedom: 0.3 %).
        let (mut beyond, mut site) = (0, 0);
        for steepness in [0.08, 0.2, 0.36] {
            for shift in [[20_000.0, 0.0], [-30_000.0, 40_000.0], [200_000.0, -50_000.0]] {
                let mut held = 0;
                for seed in 0..20 {
                    let found =
                        plan_shift(&hills(seed, steepness, shift, seed % 2 == 0), 10_000_000).unwrap();
                    for (i, truth) in shift.iter().enumerate() {
                        let [low, high] = found.ci95[i];
                        held += usize::from((low..=high).contains(truth));
                        beyond += usize::from((found.shift[i] - truth).abs() > 3.0 * (high - low) / 4.0);
                    }
                }
                assert!(held >= 33, "{held} of 40 intervals hold at {steepness}, {shift:?}");
            }
        }
        assert!(beyond <= 4, "{beyond} of 360 beyond three sigmas");
    }

    #[test]
    fn none_is_claimed_where_there_is_none_or_no_slope() {
        let claims = (0..60).filter(|&seed| {
            plan_shift(&hills(seed, 0.2, [0.0, 0.0], false), 10_000_000).unwrap().is_significant
        });
        assert!(claims.count() <= 1);
        assert_eq!(plan_shift(&hills(1, 0.01, [200_000.0, 0.0], false), 10_000_000), None);
        assert_eq!(plan_shift(&[], 10_000_000), None);
    }

    #[test]
    fn slopes_in_one_direction_alone_tell_nothing() {
        let flat: Vec<Sloped> = hills(3, 0.3, [50_000.0, 0.0], false)
            .into_iter()
            .map(|one| Sloped { gradient: [one.gradient[0], 0.05], ..one })
            .collect();
        assert_eq!(plan_shift(&flat, 10_000_000), None);
    }
}
