//! The normal equations: gathered from rows of a few coefficients, factored, and where they are singular, why.
//!
//! Nothing here multiplies large matrices: `nalgebra` would choose instructions by processor, and the last bits with them.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, SymmetricEigen};

use crate::control::observation::Row;

/// Pivots below this, of a matrix with ones on its diagonal, are as good as zero: an unknown is then determined a hundred thousand
/// times worse than it would be were all others known (by the curvature of the earth, say).
const SMALLEST_PIVOT: f64 = 1e-10;

/// Eigenvalues below this belong to what is not determined.
const SMALLEST_EIGENVALUE: f64 = 1e-10;

/// What the observations leave undetermined.
#[derive(Clone, Debug)]
pub struct Defect {
    /// Directions in which the unknowns can move without any observation taking notice, one vector each, over all unknowns, in
    /// the caller's units. Never none.
    pub free: Vec<Vec<f64>>,
    scale: Vec<f64>,
    basis: Vec<DVector<f64>>,
}

impl Defect {
    /// Whether the unknowns can move in this direction without any observation taking notice.
    pub fn holds(&self, direction: &[f64]) -> bool {
        let scaled = self.scaled(direction);
        let length = scaled.norm();
        length > 0.0 && (self.outside(&scaled).norm() < 1e-4 * length)
    }

    /// How many directions are free beside those given, which are free too: 0 where they explain the whole defect.
    pub fn beside(&self, directions: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let mut known: Vec<DVector<f64>> = Vec::new();
        let strip = |vector: &DVector<f64>, known: &[DVector<f64>]| {
            known.iter().fold(vector.clone(), |rest, one| &rest - one * rest.dot(one))
        };
        for direction in directions {
            let scaled = self.scaled(direction);
            let rest = strip(&scaled, &known);
            if rest.norm() > 1e-6 * scaled.norm() {
                known.push(rest.normalize());
            }
        }
        let mut others = Vec::new();
        for one in &self.basis {
            let rest = strip(one, &known);
            if rest.norm() > 1e-3 {
                others.push((0..rest.len()).map(|i| rest[i] * self.scale[i]).collect());
                known.push(rest.normalize());
            }
        }
        others
    }

    fn scaled(&self, direction: &[f64]) -> DVector<f64> {
        DVector::from_fn(direction.len(), |i, _| direction[i] / self.scale[i])
    }

    /// The part of a scaled direction that is determined.
    fn outside(&self, scaled: &DVector<f64>) -> DVector<f64> {
        self.basis.iter().fold(scaled.clone(), |rest, one| &rest - one * scaled.dot(one))
    }
}

/// Normal equations N x = u in the making.
pub(super) struct Normal {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    /// The weighted sum of squares of the misclosures.
    pub square_sum: f64,
}

impl Normal {
    pub fn new(unknowns: usize) -> Self {
        Normal {
            matrix: DMatrix::zeros(unknowns, unknowns),
            right: DVector::zeros(unknowns),
            square_sum: 0.0,
        }
    }

    /// Adds the rows of one observation with their weights.
    pub fn add(&mut self, rows: &[Row], weights: &DMatrix<f64>) {
        for (a, row) in rows.iter().enumerate() {
            for (b, other) in rows.iter().enumerate() {
                let weight = weights[(a, b)];
                if weight == 0.0 {
                    continue;
                }
                self.square_sum += row.misclosure * weight * other.misclosure;
                for &(i, coefficient) in &row.coefficients {
                    self.right[i] += coefficient * weight * other.misclosure;
                    for &(j, another) in &other.coefficients {
                        self.matrix[(i, j)] += coefficient * weight * another;
                    }
                }
            }
        }
    }

    /// Whether all of it is numbers: misclosures may be, where derivatives are not.
    pub fn is_finite(&self) -> bool {
        self.square_sum.is_finite()
            && self.matrix.iter().chain(self.right.iter()).all(|value| value.is_finite())
    }

    /// Factors the matrix, scaled to ones on its diagonal: unlike units and weights then do not matter.
    pub fn factor(self) -> Result<Factored, Defect> {
        let n = self.right.len();
        let (scaled, scale) = scaled(&self.matrix);
        if scale.contains(&0.0) {
            return Err(defect(scaled, scale));
        }
        match Cholesky::new(scaled.clone()) {
            Some(cholesky) if (0..n).all(|i| cholesky.l_dirty()[(i, i)].powi(2) > SMALLEST_PIVOT) => {
                Ok(Factored { scale, cholesky, right: self.right })
            }
            _ => Err(defect(scaled, scale)),
        }
    }
}

fn defect(scaled: DMatrix<f64>, mut scale: Vec<f64>) -> Defect {
    scale.iter_mut().filter(|scale| **scale == 0.0).for_each(|scale| *scale = 1.0);
    let eigen = SymmetricEigen::new(scaled);
    let smallest = eigen.eigenvalues.iter().copied().fold(f64::INFINITY, f64::min);
    let limit = SMALLEST_EIGENVALUE.max(2.0 * smallest);
    let is_free = |&i: &usize| eigen.eigenvalues[i] <= limit;
    let basis: Vec<DVector<f64>> =
        (0..scale.len()).filter(is_free).map(|i| eigen.eigenvectors.column(i).into_owned()).collect();
    let free = basis.iter().map(|one| (0..one.len()).map(|i| one[i] * scale[i]).collect()).collect();
    Defect { free, scale, basis }
}

/// Normal equations that determine their unknowns.
pub(super) struct Factored {
    scale: Vec<f64>,
    cholesky: Cholesky<f64, Dyn>,
    right: DVector<f64>,
}

impl Factored {
    /// The unknowns, and by how much they lower the weighted sum of squares.
    pub fn step(&self) -> (Vec<f64>, f64) {
        let scaled = DVector::from_fn(self.right.len(), |i, _| self.right[i] * self.scale[i]);
        let solved = self.cholesky.solve(&scaled);
        let gain = solved.dot(&scaled);
        ((0..solved.len()).map(|i| solved[i] * self.scale[i]).collect(), gain)
    }

    /// The inverse of the matrix: the covariance of the unknowns.
    pub fn inverse(&self) -> DMatrix<f64> {
        inverse(&self.cholesky, &self.scale)
    }
}

/// The inverse of a symmetric positive definite matrix, whose entries may differ widely.
pub(crate) fn invert(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let (scaled, scale) = scaled(matrix);
    Some(inverse(&Cholesky::new(scaled)?, &scale))
}

/// A matrix with ones on its diagonal, and what rows and columns were multiplied by: 0 where nothing is on the diagonal.
fn scaled(matrix: &DMatrix<f64>) -> (DMatrix<f64>, Vec<f64>) {
    let n = matrix.nrows();
    let scale: Vec<f64> =
        (0..n).map(|i| if matrix[(i, i)] > 0.0 { 1.0 / matrix[(i, i)].sqrt() } else { 0.0 }).collect();
    (DMatrix::from_fn(n, n, |i, j| matrix[(i, j)] * scale[i] * scale[j]), scale)
}

/// The inverse of the matrix that was scaled and factored.
fn inverse(cholesky: &Cholesky<f64, Dyn>, scale: &[f64]) -> DMatrix<f64> {
    let mut inverse = cholesky.inverse();
    for j in 0..scale.len() {
        for i in j..scale.len() {
            // Both halves from one: symmetric to the last bit.
            let value = inverse[(i, j)] * scale[i] * scale[j];
            inverse[(i, j)] = value;
            inverse[(j, i)] = value;
        }
    }
    inverse
}
