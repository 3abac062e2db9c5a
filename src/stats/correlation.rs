//! How residuals correlate by distance, and what that makes of sums over square blocks.

use libm::exp;

/// The correlation of residuals by distance: white noise (nugget) plus a part that falls off exponentially.
///
/// Covariance at distance h: `sill` · exp(−3 h / `range`), and the nugget besides at h = 0.
#[derive(Clone, Debug, PartialEq)]
pub struct CorrelationModel {
    /// Variance of the residuals about the mean of their own group, in µm² (residuals beyond five robust standard
    /// deviations count as at five).
    pub variance: f64,
    /// Variance of the correlated part, in µm²; 0 if no correlation is detected.
    pub sill: f64,
    /// Share of the variance that is white noise: 1 − `sill` / `variance`.
    pub nugget_share: f64,
    /// Practical range in micrometres: where the correlated part has fallen to 5 % (three times the distance of the
    /// exponential). Nothing if no correlation is detected.
    pub range_um: Option<i64>,
    /// The empirical variogram, by rising distance.
    pub lags: Vec<Lag>,
}

/// One bin of distances of the empirical variogram.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
    /// Mean distance of the pairs, in micrometres.
    pub distance: f64,
    /// Number of pairs looked at.
    pub pairs: u64,
    /// Semivariance in µm²: `variance` less the covariance of the pairs.
    pub semivariance: f64,
    /// Its standard error, in µm².
    pub standard_error: f64,
}

impl CorrelationModel {
    /// What is known without looking: nothing, so that residuals count as uncorrelated.
    pub fn unknown() -> Self {
        CorrelationModel { variance: 0.0, sill: 0.0, nugget_share: 1.0, range_um: None, lags: Vec::new() }
    }
}

/// Mean of exp(−distance / length) between a point of one square block and a point of another, by how many rows and
/// columns of blocks lie between the two; the blocks' side is the unit of length.
///
/// Integrals over the distribution of the difference of two places (a triangle on each axis), by Gauss-Legendre quadrature
/// with nodes drawn together towards distance zero, where the exponential has its peak.
pub struct BlockMeans {
    reach: usize,
    means: Vec<f64>,
}

/// Nodes and weights of ten-point Gauss-Legendre quadrature between −1 and 1; the negative nodes weigh the same.
const GAUSS: [(f64, f64); 5] = [
    (0.1488743389816312, 0.2955242247147529),
    (0.4333953941292472, 0.2692667193099963),
    (0.6794095682990244, 0.219086362515982),
    (0.8650633666889845, 0.1494513491505806),
    (0.9739065285171717, 0.0666713443086881),
];

impl BlockMeans {
    /// For a given length, up to `reach` rows and columns away.
    pub fn new(length: f64, reach: usize) -> Self {
        let cells = reach + 1;
        let pieces: Vec<[[f64; 2]; 2]> =
            (0..cells * cells).map(|i| unit_cell(i / cells, i % cells, length)).collect();
        // On each axis a triangle around the offset: rising in the cell before it, falling in the cell after it.
        let sides = |offset: usize| match offset {
            0 => [(0, FALLING, 2.0), (0, FALLING, 0.0)],
            _ => [(offset - 1, RISING, 1.0), (offset, FALLING, 1.0)],
        };
        let mean = |i: usize| {
            let mut sum = 0.0;
            for (row, row_side, a) in sides(i / cells) {
                for (column, column_side, b) in sides(i % cells) {
                    sum += a * b * pieces[row * cells + column][row_side][column_side];
                }
            }
            sum
        };
        BlockMeans { reach, means: (0..cells * cells).map(mean).collect() }
    }

    /// The mean for blocks that many rows and columns apart; 0 beyond the reach.
    pub fn at(&self, rows: usize, columns: usize) -> f64 {
        if rows.max(columns) > self.reach { 0.0 } else { self.means[rows * (self.reach + 1) + columns] }
    }
}

const RISING: usize = 0;
const FALLING: usize = 1;

/// Integrals of exp(−distance / length) over one unit cell of differences, weighted by what rises or falls along it.
fn unit_cell(row: usize, column: usize, length: f64) -> [[f64; 2]; 2] {
    let nodes = |cell: usize| {
        GAUSS.into_iter().flat_map(|(at, weight)| [(-at, weight), (at, weight)]).map(move |(at, weight)| {
            let t = 0.5 + 0.5 * at;
            if cell == 0 { (t * t, weight * t) } else { (t, 0.5 * weight) }
        })
    };
    let mut sums = [[0.0; 2]; 2];
    for (v, row_weight) in nodes(row) {
        for (u, column_weight) in nodes(column) {
            let (down, across) = (row as f64 + v, column as f64 + u);
            let value = row_weight * column_weight * exp(-(down * down + across * across).sqrt() / length);
            sums[RISING][RISING] += v * u * value;
            sums[RISING][FALLING] += v * (1.0 - u) * value;
            sums[FALLING][RISING] += (1.0 - v) * u * value;
            sums[FALLING][FALLING] += (1.0 - v) * (1.0 - u) * value;
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn all_blocks_together_catch_the_whole_integral() {
        for (length, within) in [(0.05, 1e-3), (0.2, 1e-4), (1.0, 1e-3)] {
            let means = BlockMeans::new(length, 12);
            let all: f64 =
                (0..25 * 25).map(|i: usize| means.at((i / 25).abs_diff(12), (i % 25).abs_diff(12))).sum();
            let integral = 2.0 * PI * length * length;
            assert!((all / integral - 1.0).abs() < within, "{length}: {all} of {integral}");
        }
    }

    #[test]
    fn long_correlation_makes_of_a_block_one_value() {
        // Mean distance of two places in a unit square: 0.521405 (a known constant, from memory).
        let means = BlockMeans::new(1_000.0, 1);
        assert!((means.at(0, 0) - (1.0 - 0.000_521_405)).abs() < 2e-6, "{}", means.at(0, 0));
        assert_eq!(means.at(2, 0), 0.0);
        assert_eq!(means.at(1, 0), means.at(0, 1));
    }
}
