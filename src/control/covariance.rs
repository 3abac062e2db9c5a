//! The covariance of the values of one observation.

use nalgebra::DMatrix;

/// The covariance of the values of one observation, positive definite: sigmas alone, or a full matrix.
#[derive(Clone, Debug)]
pub struct Covariance {
    matrix: DMatrix<f64>,
}

impl Covariance {
    /// Values independent of each other, with these standard deviations.
    ///
    /// # Panics
    /// Where a sigma is not a number above zero.
    pub fn independent(sigmas: &[f64]) -> Self {
        assert!(
            sigmas.iter().all(|sigma| *sigma > 0.0 && sigma.is_finite()),
            "a sigma is above zero: {sigmas:?}"
        );
        let variance = |i: usize, j: usize| if i == j { sigmas[i] * sigmas[i] } else { 0.0 };
        Covariance { matrix: DMatrix::from_fn(sigmas.len(), sigmas.len(), variance) }
    }

    /// Correlated values: the full matrix by rows, of which the lower half counts. `None` where it is not positive definite.
    pub fn full(rows: &[&[f64]]) -> Option<Self> {
        let matrix = DMatrix::from_fn(rows.len(), rows.len(), |i, j| rows[i.max(j)][i.min(j)]);
        // Scaled to correlations, so that unlike units do not matter.
        let scale = |i: usize| 1.0 / matrix[(i, i)].sqrt();
        let correlations =
            DMatrix::from_fn(rows.len(), rows.len(), |i, j| matrix[(i, j)] * scale(i) * scale(j));
        let lower = correlations.cholesky()?.unpack();
        (0..rows.len()).all(|i| lower[(i, i)] > 1e-6).then_some(Covariance { matrix })
    }

    /// How many values it is of.
    pub fn len(&self) -> usize {
        self.matrix.nrows()
    }

    /// Whether it is of no value at all.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Standard deviation of value `i`.
    pub fn sigma(&self, i: usize) -> f64 {
        self.matrix[(i, i)].sqrt()
    }

    /// The weights (the inverse) of the values that are `used`; zero for the others.
    pub(super) fn weights(&self, used: &[bool]) -> DMatrix<f64> {
        let kept: Vec<usize> = (0..self.len()).filter(|&i| used[i]).collect();
        let part = DMatrix::from_fn(kept.len(), kept.len(), |i, j| self.matrix[(kept[i], kept[j])]);
        let mut weights = DMatrix::zeros(self.len(), self.len());
        let is_diagonal = (0..kept.len()).all(|i| (0..i).all(|j| part[(i, j)] == 0.0));
        if is_diagonal {
            kept.iter().enumerate().for_each(|(i, &at)| weights[(at, at)] = 1.0 / part[(i, i)]);
        } else {
            let inverse = part.cholesky().expect("part of a positive definite matrix is one").inverse();
            for (i, &row) in kept.iter().enumerate() {
                for (j, &column) in kept.iter().enumerate() {
                    weights[(row, column)] = inverse[(i, j)];
                }
            }
        }
        weights
    }
}
