//! Correlation of the means of cells: that of two places, averaged over the places of both.
//!
//! The difference of two even spreads falls off like a triangle, whose moments up to the fifth three nodes along each axis
//! have, and so the integral of any smooth function. Within a cell the correlation has its peak, and is averaged with more.

use rayon::prelude::*;

use crate::stats::layout::{Cell, Layout};

/// Kurtosis of the difference of two even spreads of one width (a triangle): 2.4.
const KURTOSIS: f64 = 2.4;
/// Gauss's nodes and weights of six for the integral from 0 to 1 (Abramowitz and Stegun 1972, table 25.4, halved).
const NODES: [(f64, f64); 6] = [
    (0.033_765_242_898_424, 0.085_662_246_189_585),
    (0.169_395_306_766_868, 0.180_380_786_524_069),
    (0.380_690_406_958_402, 0.233_956_967_286_346),
    (0.619_309_593_041_598, 0.233_956_967_286_346),
    (0.830_604_693_233_132, 0.180_380_786_524_069),
    (0.966_234_757_101_576, 0.085_662_246_189_585),
];

/// Averages over the cells of a layout.
pub struct Averages<'a> {
    cells: &'a [Cell],
}

/// A symmetric matrix, row by row.
pub fn symmetric(m: usize, of: &(dyn Fn(usize, usize) -> f64 + Sync)) -> Vec<f64> {
    let mut c = vec![0.0; m * m];
    c.par_chunks_mut(m).enumerate().for_each(|(i, row)| {
        row[..=i].iter_mut().enumerate().for_each(|(j, c)| *c = of(i, j));
    });
    for i in 0..m {
        for j in 0..i {
            c[j * m + i] = c[i * m + j];
        }
    }
    c
}

/// Nodes of the difference along an axis, of two spreads as wide as given, and their weights.
fn between(a: f64, b: f64) -> [(f64, f64); 3] {
    let reach = ((a * a + b * b) / 12.0 * KURTOSIS).sqrt();
    let weight = 0.5 / KURTOSIS;
    [(-reach, weight), (0.0, 1.0 - 2.0 * weight), (reach, weight)]
}

/// The same within one spread: distances.
fn within(a: f64) -> [(f64, f64); 6] {
    NODES.map(|(node, weight)| (a * node, 2.0 * (1.0 - node) * weight))
}

impl<'a> Averages<'a> {
    pub fn new(layout: &'a Layout) -> Self {
        Averages { cells: &layout.cells }
    }

    /// Of what depends on the distance.
    pub fn over_distance(&self, of: &(dyn Fn(f64) -> f64 + Sync)) -> Vec<f64> {
        let over = |x: &[(f64, f64)], y: &[(f64, f64)], dx: f64, dy: f64| -> f64 {
            let along = |&(y, wy): &(f64, f64)| -> f64 {
                let at = |&(x, wx): &(f64, f64)| wx * of(((dx + x) * (dx + x) + (dy + y) * (dy + y)).sqrt());
                wy * x.iter().map(at).sum::<f64>()
            };
            y.iter().map(along).sum()
        };
        symmetric(self.cells.len(), &|i, j| {
            let (a, b) = (&self.cells[i], &self.cells[j]);
            if i == j {
                return over(&within(a.extent[0]), &within(a.extent[1]), 0.0, 0.0);
            }
            let axis = |axis: usize| between(a.extent[axis], b.extent[axis]);
            over(&axis(0), &axis(1), a.at[0] - b.at[0], a.at[1] - b.at[1])
        })
    }

    /// Of what depends on the distance along one direction.
    pub fn along(&self, [east, north]: [f64; 2], of: &(dyn Fn(f64) -> f64 + Sync)) -> Vec<f64> {
        let extent = |cell: &Cell| {
            let (x, y) = (cell.extent[0] * east, cell.extent[1] * north);
            (x * x + y * y).sqrt()
        };
        symmetric(self.cells.len(), &|i, j| {
            let (a, b) = (&self.cells[i], &self.cells[j]);
            if i == j {
                return within(extent(a)).iter().map(|&(h, weight)| weight * of(h)).sum();
            }
            let apart = (a.at[0] - b.at[0]) * east + (a.at[1] - b.at[1]) * north;
            between(extent(a), extent(b)).iter().map(|&(h, w)| w * of((apart + h).abs())).sum()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulated::Normal;

    /// Two cells of 8 m by 8 m and 4 m by 8 m, so many metres apart.
    fn cells(east: f64, north: f64) -> [Cell; 2] {
        let cell = |at, extent| Cell { at, edge: 8.0, extent, strips: Vec::new() };
        [cell([0.0, 0.0], [8.0, 8.0]), cell([east, north], [4.0, 8.0])]
    }

    #[test]
    fn averages_are_those_over_pairs_of_places() {
        let mut normal = Normal::new(4);
        for (east, north) in [(6.0, 0.0), (8.0, 8.0), (30.0, -7.0)] {
            let cells = cells(east, north);
            let averages = Averages { cells: &cells };
            for length in [4.0, 10.0, 60.0] {
                let found = averages.over_distance(&|h| exp(h, length));
                let along = averages.along([0.6, 0.8], &|h| exp(h, length));
                for (i, j) in [(0, 0), (0, 1), (1, 1)] {
                    let (mut sum, mut sum_along) = (0.0, 0.0);
                    let pairs = 40_000;
                    for _ in 0..pairs {
                        let mut place = |cell: &Cell| {
                            [0, 1].map(|axis| cell.at[axis] + cell.extent[axis] * (normal.uniform() - 0.5))
                        };
                        let (a, b) = (place(&cells[i]), place(&cells[j]));
                        let (x, y) = (a[0] - b[0], a[1] - b[1]);
                        sum += exp((x * x + y * y).sqrt(), length) / f64::from(pairs);
                        sum_along += exp((0.6 * x + 0.8 * y).abs(), length) / f64::from(pairs);
                    }
                    // The standard error of the mean is at most 0.0015.
                    assert!((found[i * 2 + j] - sum).abs() < 0.015, "{length} {i} {j}: {found:?} {sum}");
                    // A slanted cell is no even spread along the direction.
                    assert!(
                        (along[i * 2 + j] - sum_along).abs() < 0.03,
                        "{length} {i} {j}: {along:?} {sum_along}"
                    );
                    assert_eq!(found[i * 2 + j], found[j * 2 + i]);
                }
            }
        }
    }

    fn exp(h: f64, length: f64) -> f64 {
        libm::exp(-h / length)
    }
}
