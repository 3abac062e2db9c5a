//! Gauss–Newton: from observations and approximate unknowns to the adjusted ones.

use nalgebra::DMatrix;

use crate::control::normal::{Defect, Normal};
use crate::control::observation::{Observation, ValueId, Withheld};
use crate::control::reliability::{CheckedObservation, check};

/// Most steps before it is given up.
const MOST_STEPS: usize = 60;

/// Why there is no solution.
#[derive(Clone, Debug, thiserror::Error)]
pub enum Failure {
    /// The observations do not determine the unknowns.
    #[error("the observations do not determine the unknowns; directions left free: {}", .0.free.len())]
    Defect(Defect),
    /// The steps do not become small.
    #[error("the adjustment does not converge in {MOST_STEPS} steps")]
    NoConvergence,
    /// A number is not finite.
    #[error("the observations cannot be computed from the approximate values of the unknowns")]
    NotFinite,
}

/// An adjustment: all sigmas are a priori, those of a variance factor of 1.
#[derive(Clone, Debug)]
pub struct Solution {
    /// The adjusted unknowns.
    pub unknowns: Vec<f64>,
    /// Their covariance, a priori.
    pub covariance: DMatrix<f64>,
    /// What became of the observations, in their order.
    pub observations: Vec<CheckedObservation>,
    /// The weighted sum of squares of the residuals, v'Pv.
    pub square_sum: f64,
    /// Values used beyond those that the unknowns need.
    pub degrees_of_freedom: usize,
}

impl Solution {
    /// Standard deviation of an unknown, a priori.
    pub fn sigma(&self, unknown: usize) -> f64 {
        self.covariance[(unknown, unknown)].sqrt()
    }

    /// The variance factor s0² = v'Pv / f; none without degrees of freedom.
    pub fn variance_factor(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0).then(|| self.square_sum / self.degrees_of_freedom as f64)
    }

    /// Variance, a priori, of the sum of unknowns with these coefficients.
    pub fn variance_of(&self, coefficients: &[(usize, f64)]) -> f64 {
        let pair = |&(i, a): &(usize, f64)| -> f64 {
            coefficients.iter().map(|&(j, b)| a * b * self.covariance[(i, j)]).sum()
        };
        coefficients.iter().map(pair).sum()
    }

    /// The used values that other values check: those that a blunder can be looked for in.
    pub fn tested(&self) -> usize {
        self.observations.iter().flat_map(|one| &one.values).filter(|value| value.is_tested()).count()
    }
}

/// Adjusts the unknowns to the observations without the values `withheld`, beginning at `start`.
///
/// # Errors
/// Where the observations do not determine the unknowns, or `start` is too far off.
pub fn adjust<O: Observation>(
    observations: &[O],
    start: &[f64],
    withheld: &Withheld,
) -> Result<Solution, Failure> {
    let weights: Vec<DMatrix<f64>> = observations
        .iter()
        .enumerate()
        .map(|(observation, one)| {
            let used: Vec<bool> = (0..one.covariance().len())
                .map(|value| !withheld.contains(&ValueId { observation, value }))
                .collect();
            one.covariance().weights(&used)
        })
        .collect();
    let gather = |at: &[f64]| {
        let mut normal = Normal::new(start.len());
        for (one, weights) in observations.iter().zip(&weights) {
            normal.add(&one.rows(at), weights);
        }
        if normal.is_finite() { Ok(normal) } else { Err(Failure::NotFinite) }
    };
    let mut at = start.to_vec();
    let mut normal = gather(&at)?;
    let mut gain_before = f64::INFINITY;
    for _ in 1..=MOST_STEPS {
        let square_sum = normal.square_sum;
        let factored = normal.factor().map_err(Failure::Defect)?;
        let (step, gain) = factored.step();
        // Once a step is a hundred-thousandth of a sigma, it is the last when it no longer shrinks: only rounding is left.
        if gain == 0.0 || gain < 1e-10 && gain > 0.25 * gain_before || at.is_empty() {
            let covariance = factored.inverse();
            let observations = check(observations, &weights, &at, &covariance, withheld);
            let used: usize =
                observations.iter().flat_map(|one| &one.values).filter(|value| !value.withheld).count();
            let degrees_of_freedom = used.saturating_sub(at.len());
            return Ok(Solution { unknowns: at, covariance, observations, square_sum, degrees_of_freedom });
        }
        gain_before = gain;
        (at, normal) = stride(&at, &step, square_sum, &gather)?;
    }
    Err(Failure::NoConvergence)
}

/// The whole step or, where that is too far to lower the sum of squares, a part of it.
fn stride(
    at: &[f64],
    step: &[f64],
    square_sum: f64,
    gather: &impl Fn(&[f64]) -> Result<Normal, Failure>,
) -> Result<(Vec<f64>, Normal), Failure> {
    let go = |part: f64| -> Vec<f64> { at.iter().zip(step).map(|(x, d)| x + part * d).collect() };
    let mut part = 1.0;
    for _ in 0..12 {
        let there = go(part);
        match gather(&there) {
            Ok(normal) if normal.square_sum <= square_sum * (1.0 + 1e-6) + 1e-6 => {
                return Ok((there, normal));
            }
            _ => part *= 0.5,
        }
    }
    // None lowers it: the whole step may still lead out.
    let there = go(1.0);
    gather(&there).map(|normal| (there, normal))
}
