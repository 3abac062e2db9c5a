//! What the other values say of each observed value: its redundancy, its standardised residual, the blunder it could hide.
//!
//! With the weights P of an observation and the cofactors Qv of its residuals, R = Qv P and M = P Qv P. For values that are
//! independent of each other these are the textbook figures: r = R, w = v / sqrt(Qv), left out v / r, detectable δ0 σ / sqrt(r); for
//! correlated ones, the figures of a blunder in one value alone (Baarda's w = (P v) / sqrt(M)).

use nalgebra::DMatrix;

use crate::control::covariance::Covariance;
use crate::control::critical::detectable;
use crate::control::observation::{Observation, Row, ValueId, Withheld};

/// Redundancy below this is none but for rounding: no other value checks this one.
const LEAST_REDUNDANCY: f64 = 1e-8;

/// One observed value after the adjustment.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckedValue {
    /// Adjusted minus observed.
    pub residual: f64,
    /// Standard deviation of the observation, a priori.
    pub sigma: f64,
    /// Redundancy number: the share of a blunder that shows in the residual. 0: no other value checks it. They add up to the degrees
    /// of freedom. Of a withheld value 1.
    pub redundancy: f64,
    /// Standardised residual w; of a withheld value its residual over the sigma of observation and prediction.
    pub standardised: Option<f64>,
    /// Its residual from an adjustment without this value.
    pub left_out: Option<f64>,
    /// The smallest blunder that a test of this value alone finds (power 0.80, level 0.001).
    pub detectable: Option<f64>,
    /// Whether the value took no part in the adjustment.
    pub withheld: bool,
}

impl CheckedValue {
    /// Whether the value was used and other values check it.
    pub fn is_tested(&self) -> bool {
        !self.withheld && self.standardised.is_some()
    }
}

/// One observation after the adjustment.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckedObservation {
    /// Its values.
    pub values: Vec<CheckedValue>,
    /// The residuals of its values from an adjustment without the whole observation; none where the other observations do
    /// not determine them. Of values withheld, as they are.
    pub left_out: Option<Vec<f64>>,
}

/// Checks all observations at the adjusted unknowns.
pub(super) fn check<O: Observation>(
    observations: &[O],
    weights: &[DMatrix<f64>],
    at: &[f64],
    covariance: &DMatrix<f64>,
    withheld: &Withheld,
) -> Vec<CheckedObservation> {
    let each = observations.iter().zip(weights).enumerate();
    each.map(|(observation, (one, weights))| {
        let rows = one.rows(at);
        let withheld: Vec<bool> =
            (0..rows.len()).map(|value| withheld.contains(&ValueId { observation, value })).collect();
        check_one(&rows, one.covariance(), weights, &cofactors(&rows, covariance), &withheld)
    })
    .collect()
}

/// Covariance of the computed values of an observation: A Qx A'.
fn cofactors(rows: &[Row], covariance: &DMatrix<f64>) -> DMatrix<f64> {
    DMatrix::from_fn(rows.len(), rows.len(), |a, b| {
        let mut sum = 0.0;
        for &(i, one) in &rows[a].coefficients {
            for &(j, other) in &rows[b].coefficients {
                sum += one * covariance[(i, j)] * other;
            }
        }
        sum
    })
}

fn check_one(
    rows: &[Row],
    stated: &Covariance,
    weights: &DMatrix<f64>,
    computed: &DMatrix<f64>,
    withheld: &[bool],
) -> CheckedObservation {
    let n = rows.len();
    let sum = |term: &dyn Fn(usize) -> f64| (0..n).map(term).sum::<f64>();
    let residual = |i: usize| -rows[i].misclosure;
    // B P, M = P − P B P, P v.
    let share = DMatrix::from_fn(n, n, |i, j| sum(&|k| computed[(i, k)] * weights[(k, j)]));
    let test = DMatrix::from_fn(n, n, |i, j| weights[(i, j)] - sum(&|k| weights[(i, k)] * share[(k, j)]));
    // What has no weight may be of nothing known: its residual is then no number.
    let pull = |i: usize, k: usize| if weights[(i, k)] == 0.0 { 0.0 } else { weights[(i, k)] * residual(k) };
    let weighted: Vec<f64> = (0..n).map(|i| sum(&|k| pull(i, k))).collect();
    let value = |i: usize| {
        let sigma = stated.sigma(i);
        if withheld[i] {
            let predicted = (sigma * sigma + computed[(i, i)]).sqrt();
            return CheckedValue {
                residual: residual(i),
                sigma,
                redundancy: 1.0,
                standardised: Some(residual(i) / predicted),
                left_out: Some(residual(i)),
                detectable: Some(detectable() * predicted),
                withheld: true,
            };
        }
        // Of a blunder in this value alone, whatever it is correlated with: M as a share of the weight.
        let checked = test[(i, i)] > LEAST_REDUNDANCY * weights[(i, i)];
        CheckedValue {
            residual: residual(i),
            sigma,
            redundancy: if checked { 1.0 - share[(i, i)] } else { 0.0 },
            standardised: checked.then(|| weighted[i] / test[(i, i)].sqrt()),
            left_out: checked.then(|| weighted[i] / test[(i, i)]),
            detectable: checked.then(|| detectable() / test[(i, i)].sqrt()),
            withheld: false,
        }
    };
    let values: Vec<CheckedValue> = (0..n).map(value).collect();
    let used: Vec<usize> = (0..n).filter(|&i| !withheld[i]).collect();
    let left_out = leave_out(&used, &test, &weighted, weights, residual);
    CheckedObservation { values, left_out }
}

/// The residuals of an observation from an adjustment without it.
fn leave_out(
    used: &[usize],
    test: &DMatrix<f64>,
    weighted: &[f64],
    weights: &DMatrix<f64>,
    residual: impl Fn(usize) -> f64,
) -> Option<Vec<f64>> {
    if used.is_empty() {
        return None;
    }
    let scale: Vec<f64> = used.iter().map(|&i| 1.0 / weights[(i, i)].sqrt()).collect();
    let scaled =
        DMatrix::from_fn(used.len(), used.len(), |a, b| test[(used[a], used[b])] * scale[a] * scale[b]);
    let right = nalgebra::DVector::from_fn(used.len(), |a, _| weighted[used[a]] * scale[a]);
    let cholesky = scaled.cholesky()?;
    let is_sound = (0..used.len()).all(|a| cholesky.l_dirty()[(a, a)].powi(2) > LEAST_REDUNDANCY);
    let blunder = is_sound.then(|| cholesky.solve(&right))?;
    let mut left_out: Vec<f64> = (0..weighted.len()).map(residual).collect();
    used.iter().enumerate().for_each(|(a, &i)| left_out[i] = blunder[a] * scale[a]);
    Some(left_out)
}
