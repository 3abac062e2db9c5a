//! Sites with residuals of known truth, for tests: a Gaussian field of known covariance, shared by all returns, and
//! white noise that differs by return.

use crate::stats::placed::Placed;
use rand::rngs::StdRng;
use rand::{Rng, RngExt, SeedableRng};

/// How the shared error correlates.
#[derive(Clone, Copy, Debug)]
pub enum Field {
    /// exp(−|Δx| / length) · exp(−|Δy| / length), exact on a grid by an autoregression along rows, then columns.
    Exponential(f64),
    /// A moving average over squares of this side: falls linearly along each axis to 0 at the side.
    MovingAverage(usize),
}

/// A square site with its side in metres; a cell of the field is a metre.
#[derive(Clone, Copy, Debug)]
pub struct Site {
    pub side: usize,
    pub field: Field,
    /// Standard deviation of the field, in µm.
    pub field_sd: f64,
    /// Bias and standard deviation of the white noise of each return, in µm.
    pub returns: [(f64, f64); 3],
    pub residuals: usize,
}

pub struct Normal(StdRng);

impl Normal {
    pub fn new(seed: u64) -> Self {
        Normal(StdRng::seed_from_u64(seed))
    }

    pub fn uniform(&mut self) -> f64 {
        self.0.random()
    }

    pub fn below(&mut self, n: usize) -> usize {
        ((u64::from(self.0.next_u32()) * n as u64) >> 32) as usize
    }

    /// A standard normal number (Box and Muller).
    pub fn next(&mut self) -> f64 {
        let (u, v) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

impl Site {
    /// Truth of mean, SD and RMSE over returns taken together: each is as frequent as any other.
    pub fn truth(&self, returns: &[u16]) -> [f64; 3] {
        let of = |f: &dyn Fn((f64, f64)) -> f64| {
            returns.iter().map(|&r| f(self.returns[usize::from(r)])).sum::<f64>() / returns.len() as f64
        };
        let mean = of(&|(bias, _)| bias);
        let square = of(&|(bias, noise)| bias * bias + noise * noise) + self.field_sd.powi(2);
        [mean, (square - mean * mean).sqrt(), square.sqrt()]
    }

    /// Residuals in clusters and gaps, sorted.
    pub fn residuals(&self, random: &mut Normal) -> Vec<Placed> {
        let field = self.field(random);
        let side = self.side as f64;
        let mut residuals = Vec::with_capacity(self.residuals);
        while residuals.len() < self.residuals {
            let (x, y) = (random.uniform() * side, random.uniform() * side);
            // Ten times fewer in some parts than in others.
            if (x / side * 9.0).sin() * (y / side * 7.0 + 1.0).sin() < 0.0 && random.uniform() > 0.1 {
                continue;
            }
            let group = random.below(3);
            let (bias, noise) = self.returns[group];
            let shared = field[y as usize * self.side + x as usize] * self.field_sd;
            let dz = (bias + shared + noise * random.next()).round() as i64;
            residuals.push(Placed {
                x: (x * 1e6) as i64,
                y: (y * 1e6) as i64,
                dz,
                limit: None,
                group: group as u16,
            });
        }
        residuals.sort_unstable();
        residuals
    }

    /// Unit variance, row by row.
    fn field(&self, random: &mut Normal) -> Vec<f64> {
        let side = self.side;
        match self.field {
            Field::Exponential(length) => {
                let keep = (-1.0 / length).exp();
                let fresh = (1.0 - keep * keep).sqrt();
                let mut field: Vec<f64> = (0..side * side).map(|_| random.next()).collect();
                for i in 0..side * side {
                    if i % side > 0 {
                        field[i] = keep * field[i - 1] + fresh * field[i];
                    }
                }
                for i in side..side * side {
                    field[i] = keep * field[i - side] + fresh * field[i];
                }
                field
            }
            Field::MovingAverage(width) => {
                let wide = side + width;
                let noise: Vec<f64> = (0..wide * wide).map(|_| random.next()).collect();
                let mut sums = vec![0.0; (wide + 1) * (wide + 1)];
                for row in 0..wide {
                    for column in 0..wide {
                        let at = (row + 1) * (wide + 1) + column + 1;
                        sums[at] = noise[row * wide + column] + sums[at - 1] + sums[at - wide - 1]
                            - sums[at - wide - 2];
                    }
                }
                let corner = |row: usize, column: usize| sums[row * (wide + 1) + column];
                let mean = |i: usize| {
                    let (row, column) = (i / side, i % side);
                    let square = corner(row + width, column + width)
                        - corner(row, column + width)
                        - corner(row + width, column)
                        + corner(row, column);
                    square / width as f64
                };
                (0..side * side).map(mean).collect()
            }
        }
    }
}
