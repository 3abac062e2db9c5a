//! Differences between returns at the same place, and the scatter of each about its place.
//!
//! dz of a point is taken for the sum of an effect of its cell, whatever it is, an effect of its return, and scatter: two-way
//! classification with unequal numbers, fitted by least squares with the inverse of each return's variance for weight
//! (Searle 1987, Linear Models for Unbalanced Data; citation not verified). The variance is that within cell and return. Cells
//! are as small as leaves enough pairs of returns and of points in them: the smaller, the less of an error that neighbours
//! share is taken for a return's.
//!
//! A difference that is small against its own standard error would do more harm than good when it is taken out: each is
//! shrunk by 1 − (standard error / difference)², to nothing where that is negative (the positive part of the estimator of
//! James and Stein 1961; citation not verified).

use std::collections::BTreeMap;

use crate::stats::blocks::DzSums;

/// Fewest residuals that a return is known from. At 30 an SD has a standard error of 1/√(2 · 29) = 13 % (normal
/// distribution).
pub const LEARN_FROM: u64 = 30;

/// A return against the first, as learned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Learned {
    /// How much higher than the first return it lies at the same place, micrometres.
    pub difference: f64,
    /// Standard deviation of dz about its place, micrometres: the scatter of the survey and of the reference together.
    pub sd: f64,
}

/// What is learned by return number.
pub type ByReturn = [Option<Learned>; 16];

/// Sums of dz by return, which are sorted, by column and row of the place.
pub type SumsByPlace = BTreeMap<(i64, i64), Vec<(u8, DzSums)>>;

/// Edges of cells that are tried, in places; then all together.
const EDGES: [i64; 5] = [1, 2, 4, 8, 16];

/// As many points of a return that have others of their cell to be held against are enough, and so is half of all: at
/// 1,000 the standard error of a difference is 3 % of the scatter. This program's own choice.
const ENOUGH: f64 = 1000.0;

/// Smallest scatter, micrometres: no return may silence all others.
pub const LEAST_SD: f64 = 1000.0;

/// One return in one cell: number of points, and mean and sum of squared deviations of dz, micrometres. The mean is about a
/// whole number close to all of the cell.
struct InCell {
    index: usize,
    n: f64,
    mean: f64,
    squares: f64,
}

/// What the places teach of the returns that are `known`.
pub fn learn(places: &SumsByPlace, known: &[bool; 16]) -> ByReturn {
    let returns: Vec<u8> = (0..16).filter(|r| known[usize::from(*r)]).collect();
    let mut learned = [None; 16];
    if returns.is_empty() {
        return learned;
    }
    let edges = EDGES.into_iter().map(Some).chain([None]);
    let found = edges.map(|edge| Fit::new(&cells(places, &returns, edge), returns.len()));
    let mut found = found.filter(Fit::is_enough).filter_map(|fit| Some((fit.differences()?, fit.variance)));
    // All together are enough at any rate.
    let Some((differences, variance)) = found.next() else { return learned };
    for ((number, (difference, standard_error)), variance) in returns.iter().zip(differences).zip(variance) {
        let shrunk = 1.0 - (standard_error / difference).powi(2);
        let difference = if shrunk > 0.0 { difference * shrunk } else { 0.0 };
        learned[usize::from(*number)] = Some(Learned { difference, sd: variance.sqrt() });
    }
    learned
}

/// The cells of that edge, in order; of all together without an edge.
fn cells(places: &SumsByPlace, returns: &[u8], edge: Option<i64>) -> Vec<Vec<InCell>> {
    let mut joined: BTreeMap<(i64, i64), BTreeMap<usize, DzSums>> = BTreeMap::new();
    for (&(column, row), of_place) in places {
        let cell = edge.map_or((0, 0), |edge| (column.div_euclid(edge), row.div_euclid(edge)));
        for (number, sums) in of_place {
            if let Ok(index) = returns.binary_search(number) {
                joined.entry(cell).or_default().entry(index).or_default().merge(sums);
            }
        }
    }
    let in_cell = |of_cell: BTreeMap<usize, DzSums>| {
        let (n, sum) = of_cell.values().fold((0, 0), |(n, sum), of| (n + i128::from(of.n), sum + of.sum));
        // What is left moves by no digit when all dz do.
        let base = sum.div_euclid(n);
        let about = |(index, of): (usize, DzSums)| {
            let n = i128::from(of.n);
            let sum = of.sum - n * base;
            let squares = of.squares - 2 * base * of.sum + n * base * base;
            let n = n as f64;
            InCell {
                index,
                n,
                mean: sum as f64 / n,
                squares: (squares as f64 - sum as f64 * (sum as f64 / n)).max(0.0),
            }
        };
        of_cell.into_iter().map(about).collect()
    };
    joined.into_values().map(in_cell).collect()
}

/// The normal equations, by return known.
struct Fit {
    /// Number of points.
    n: Vec<f64>,
    /// Number of those that have others of their own return in their cell, less one a cell.
    within: Vec<f64>,
    /// Number of those that have other returns in their cell, as far as these have as many.
    paired: Vec<f64>,
    /// Variance within cell and return.
    variance: Vec<f64>,
    /// Coefficients and right-hand side.
    matrix: Vec<Vec<f64>>,
    right: Vec<f64>,
}

impl Fit {
    fn new(cells: &[Vec<InCell>], returns: usize) -> Self {
        let none = || vec![0.0; returns];
        let (mut n, mut within, mut paired, mut squares) = (none(), none(), none(), none());
        for cell in cells {
            let all: f64 = cell.iter().map(|of| of.n).sum();
            for of in cell {
                n[of.index] += of.n;
                within[of.index] += of.n - 1.0;
                paired[of.index] += of.n * (1.0 - of.n / all);
                squares[of.index] += of.squares;
            }
        }
        let variance = squares.iter().zip(&within);
        let variance: Vec<f64> = variance
            .map(|(squares, within)| if *within > 0.0 { squares / within } else { 0.0 })
            .map(|variance| variance.max(LEAST_SD * LEAST_SD))
            .collect();
        let (mut matrix, mut right) = (vec![none(); returns], none());
        for cell in cells {
            let weight = |of: &InCell| of.n / variance[of.index];
            let all: f64 = cell.iter().map(weight).sum();
            let mean = cell.iter().map(|of| weight(of) * of.mean).sum::<f64>() / all;
            for of in cell {
                right[of.index] += weight(of) * (of.mean - mean);
                matrix[of.index][of.index] += weight(of);
                cell.iter()
                    .for_each(|other| matrix[of.index][other.index] -= weight(of) * weight(other) / all);
            }
        }
        Fit { n, within, paired, variance, matrix, right }
    }

    fn is_enough(&self) -> bool {
        let total: f64 = self.n.iter().sum();
        (0..self.n.len()).all(|i| {
            // Were all one cell, these would be the numbers.
            let (within, paired) = (self.n[i] - 1.0, self.n[i] * (1.0 - self.n[i] / total));
            self.within[i] >= ENOUGH.min(within / 2.0) && self.paired[i] >= ENOUGH.min(paired / 2.0)
        })
    }

    /// By return: the difference from the first of them, and its standard error. Nothing where some returns never meet the
    /// others, not even by way of a third.
    fn differences(&self) -> Option<Vec<(f64, f64)>> {
        let count = self.n.len();
        // The first has none; for the others the equations are solved together with the inverse, by Gauss and Jordan. The
        // matrix is symmetric and positive where returns meet, so that no pivot need be sought.
        let mut rows: Vec<Vec<f64>> = (1..count)
            .map(|i| {
                let unit = (1..count).map(|j| f64::from(i == j));
                self.matrix[i][1..].iter().copied().chain(unit).chain([self.right[i]]).collect()
            })
            .collect();
        for i in 0..rows.len() {
            let pivot = rows[i][i];
            if pivot <= self.matrix[i + 1][i + 1] * 1e-9 {
                return None;
            }
            rows[i].iter_mut().for_each(|value| *value /= pivot);
            let row = rows[i].clone();
            for (_, other) in rows.iter_mut().enumerate().filter(|(j, _)| *j != i) {
                let factor = other[i];
                other.iter_mut().zip(&row).for_each(|(value, own)| *value -= factor * own);
            }
        }
        let solved =
            rows.iter().enumerate().map(|(i, row)| (row[row.len() - 1], row[rows.len() + i].max(0.0).sqrt()));
        Some([(0.0, 0.0)].into_iter().chain(solved).collect())
    }
}
