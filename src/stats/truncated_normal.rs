//! Moments of a normal distribution between two bounds and above one, and the greatest likelihood of a linear model whose errors are
//! normal and whose observations are seen between bounds only.
//!
//! In the natural parameters α/σ², β/σ², 1/σ² of z = α + β r + ε the logarithm of the likelihood is concave (an exponential
//! family), so that Newton's steps, halved where they go too far, find its only maximum.

use std::f64::consts::PI;

use libm::{exp, log, log1p};

use crate::stats::distributions::ln_normal_cdf;

/// Mean and SD of a normal distribution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gaussian {
    pub mean: f64,
    pub sd: f64,
}

/// What lies above a bound.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Beyond {
    /// Expected number above the bound for each one below it.
    pub odds: f64,
    /// Their mean.
    pub mean: f64,
    /// Mean of their squares.
    pub square: f64,
}

impl Gaussian {
    /// Logarithm of the probability between two bounds, and the means of z, z², z³ and z⁴ there.
    fn between(self, low: f64, high: f64) -> (f64, [f64; 4]) {
        let Gaussian { mean: m, sd: s } = self;
        let (a, b) = ((low - m) / s, (high - m) / s);
        // Differences of probabilities keep their digits in the lower tail.
        let (lower, upper) = if a > 0.0 { (-b, -a) } else { (a, b) };
        let (below, whole) = (ln_normal_cdf(lower), ln_normal_cdf(upper));
        let ln_share = whole + log1p(-exp((below - whole).min(-1e-12)));
        let density = |v: f64| exp(-0.5 * v * v - 0.5 * log(2.0 * PI) - ln_share);
        let (at_a, at_b) = (density(a), density(b));
        let t1 = at_a - at_b;
        let t2 = 1.0 + a * at_a - b * at_b;
        let t3 = 2.0 * t1 + a * a * at_a - b * b * at_b;
        let t4 = 3.0 * t2 + a * a * a * at_a - b * b * b * at_b;
        let (mm, ss) = (m * m, s * s);
        let moments = [
            m + s * t1,
            mm + 2.0 * m * s * t1 + ss * t2,
            mm * m + 3.0 * mm * s * t1 + 3.0 * m * ss * t2 + ss * s * t3,
            mm * mm + 4.0 * mm * m * s * t1 + 6.0 * mm * ss * t2 + 4.0 * m * ss * s * t3 + ss * ss * t4,
        ];
        (ln_share, moments)
    }

    /// What lies above a bound, at most `most` for each one below.
    pub fn beyond(self, bound: f64, most: f64) -> Beyond {
        let Gaussian { mean: m, sd: s } = self;
        let v = (bound - m) / s;
        let ln_above = ln_normal_cdf(-v);
        let odds = exp((ln_above - ln_normal_cdf(v)).min(50.0)).min(most);
        if odds < 1e-12 {
            return Beyond::default();
        }
        let mills = exp(-0.5 * v * v - 0.5 * log(2.0 * PI) - ln_above);
        Beyond { odds, mean: m + s * mills, square: m * m + 2.0 * m * s * mills + s * s * (1.0 + v * mills) }
    }
}

/// Observations that share a value of r and a bound.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    pub n: f64,
    pub r: f64,
    /// Bounds between which they are seen.
    pub low: f64,
    pub high: f64,
    /// Sum of the observations, and of their squares.
    pub sum: f64,
    pub squares: f64,
}

/// What the slope β may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beta {
    Free,
    Zero,
    One,
}

/// Parameters of a model: α/σ², then β/σ² where the slope is free, then 1/σ².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameters {
    pub slope: Beta,
    pub values: [f64; 3],
}

/// What an observation says of each of the parameters: its contribution to the score is this less what is expected of it.
pub type Says = [f64; 3];

impl Parameters {
    /// How many there are.
    pub fn len(&self) -> usize {
        if self.slope == Beta::Free { 3 } else { 2 }
    }

    /// The distribution at a value of r.
    pub fn at(&self, r: f64) -> Gaussian {
        let [a, b, c] = self.values;
        let (alpha, beta, tau) = match self.slope {
            Beta::Free => (a, b, c),
            Beta::Zero => (a, 0.0, b),
            Beta::One => (a, b, b),
        };
        Gaussian { mean: (alpha + beta * r) / tau, sd: 1.0 / tau.sqrt() }
    }

    /// What an observation z at r says of each parameter, given z and z²: linear in both.
    pub fn says(&self, r: f64, z: f64, square: f64) -> Says {
        match self.slope {
            Beta::Free => [z, r * z, -0.5 * square],
            Beta::Zero => [z, -0.5 * square, 0.0],
            Beta::One => [z, r * z - 0.5 * square, 0.0],
        }
    }

    fn moved(&self, step: &[f64; 3], share: f64) -> Self {
        let mut values = self.values;
        values.iter_mut().zip(step).for_each(|(value, step)| *value += share * step);
        Parameters { values, ..*self }
    }

    fn tau(&self) -> f64 {
        self.values[self.len() - 1]
    }
}

/// The model of the greatest likelihood.
pub struct Fitted {
    pub parameters: Parameters,
    /// Inverse of the information.
    pub covariance: [[f64; 3]; 3],
    /// Of each cell what an observation is expected to say.
    pub expected: Vec<Says>,
}

const MOST_STEPS: usize = 60;
/// SD and mean, in units of the observations, beyond which the likelihood is taken to have no maximum.
const MOST_SD: f64 = 4.0;
const MOST_MEAN: f64 = 40.0;

struct Likelihood {
    value: f64,
    gradient: [f64; 3],
    information: [[f64; 3]; 3],
    expected: Vec<Says>,
}

fn likelihood(cells: &[Seen], at: &Parameters) -> Option<Likelihood> {
    let tau = at.tau();
    if tau.is_nan() || tau < 1.0 / (MOST_SD * MOST_SD) {
        return None;
    }
    let count = at.len();
    let mut all = Likelihood {
        value: 0.0,
        gradient: [0.0; 3],
        information: [[0.0; 3]; 3],
        expected: Vec::with_capacity(cells.len()),
    };
    for cell in cells {
        let normal = at.at(cell.r);
        if normal.mean.is_nan() || normal.mean.abs() > MOST_MEAN {
            return None;
        }
        let (ln_share, [z1, z2, z3, z4]) = normal.between(cell.low, cell.high);
        let said = at.says(cell.r, cell.sum, cell.squares);
        let expected = at.says(cell.r, z1, z2);
        let partition = ln_share + log(normal.sd) + 0.5 * normal.mean * normal.mean * tau;
        all.value += (0..count).map(|i| at.values[i] * said[i]).sum::<f64>() - cell.n * partition;
        // Each says p z + q z²; so covariances follow from those of z and z².
        let (zz, zs, ss) = (z2 - z1 * z1, z3 - z1 * z2, z4 - z2 * z2);
        let (p, q) = (at.says(cell.r, 1.0, 0.0), at.says(cell.r, 0.0, 1.0));
        for i in 0..count {
            all.gradient[i] += said[i] - cell.n * expected[i];
            for j in 0..count {
                let covariance = p[i] * p[j] * zz + (p[i] * q[j] + q[i] * p[j]) * zs + q[i] * q[j] * ss;
                all.information[i][j] += cell.n * covariance;
            }
        }
        all.expected.push(expected);
    }
    Some(all)
}

/// The model of the greatest likelihood; nothing where SD or mean run off.
pub fn fit(cells: &[Seen], slope: Beta) -> Option<Fitted> {
    let values = if slope == Beta::Free { [0.0, 0.0, 1.0] } else { [0.0, 1.0, 0.0] };
    let mut at = Parameters { slope, values };
    let mut here = likelihood(cells, &at)?;
    for _ in 0..MOST_STEPS {
        let covariance = inverse(&here.information, at.len())?;
        let mut step = [0.0; 3];
        for (step, row) in step.iter_mut().zip(&covariance) {
            *step = row.iter().zip(&here.gradient).map(|(c, g)| c * g).sum();
        }
        let gain: f64 = step.iter().zip(&here.gradient).map(|(s, g)| s * g).sum();
        if gain < 1e-10 {
            return Some(Fitted { parameters: at, covariance, expected: here.expected });
        }
        let mut share = 1.0;
        (at, here) = loop {
            let to = at.moved(&step, share);
            match likelihood(cells, &to) {
                Some(there) if there.value >= here.value - 1e-12 * here.value.abs() => break (to, there),
                _ => share *= 0.5,
            }
            if share < 1e-4 {
                return None;
            }
        };
    }
    None
}

/// Of the first `count` rows and columns, which must be positive definite; the rest is zero.
fn inverse(matrix: &[[f64; 3]; 3], count: usize) -> Option<[[f64; 3]; 3]> {
    // Cholesky: matrix = L Lᵀ.
    let mut root = [[0.0; 3]; 3];
    for i in 0..count {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| root[i][k] * root[j][k]).sum();
            let rest = matrix[i][j] - known;
            if i != j {
                root[i][j] = rest / root[j][j];
            } else if rest > 1e-12 * matrix[i][i] {
                root[i][i] = rest.sqrt();
            } else {
                return None;
            }
        }
    }
    // Column by column, which are the rows, as it is symmetric.
    let mut inverse = [[0.0; 3]; 3];
    for (column, solution) in inverse.iter_mut().enumerate().take(count) {
        let mut forward = [0.0; 3];
        for i in 0..count {
            let known: f64 = (0..i).map(|k| root[i][k] * forward[k]).sum();
            forward[i] = (f64::from(u8::from(i == column)) - known) / root[i][i];
        }
        for i in (0..count).rev() {
            let known: f64 = (i + 1..count).map(|k| root[k][i] * solution[k]).sum();
            solution[i] = (forward[i] - known) / root[i][i];
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulated;

    /// By the midpoint rule over many strips.
    fn integrated(normal: Gaussian, low: f64, high: f64, of: impl Fn(f64) -> f64) -> f64 {
        let strips = 200_000;
        let width = (high - low) / f64::from(strips);
        let density = |z: f64| {
            let t = (z - normal.mean) / normal.sd;
            exp(-0.5 * t * t) / (normal.sd * (2.0 * PI).sqrt())
        };
        let at = |i: i32| low + (f64::from(i) + 0.5) * width;
        (0..strips).map(|i| width * density(at(i)) * of(at(i))).sum()
    }

    #[test]
    fn moments_between_bounds_and_above_are_those_of_the_integrals() {
        for (mean, sd, low, high) in
            [(0.0, 1.0, -2.5, 0.3), (1.4, 0.8, -2.5, -0.5), (-2.0, 1.5, -1.0, 2.5), (6.0, 3.0, -2.5, 1.0)]
        {
            let normal = Gaussian { mean, sd };
            let (ln_share, moments) = normal.between(low, high);
            let share = integrated(normal, low, high, |_| 1.0);
            assert!((exp(ln_share) / share - 1.0).abs() < 1e-7, "{normal:?}");
            for (k, found) in (1..).zip(moments) {
                let expected = integrated(normal, low, high, |z| z.powi(k)) / share;
                assert!(
                    (found - expected).abs() < 1e-6 * expected.abs().max(1.0),
                    "{normal:?} {k} {found} {expected}"
                );
            }
            let (top, above) = (mean + 12.0 * sd, integrated(normal, high, mean + 12.0 * sd, |_| 1.0));
            let beyond = normal.beyond(high, 1e9);
            assert!((beyond.odds * (1.0 - above) / above - 1.0).abs() < 1e-6, "{beyond:?}");
            let first = integrated(normal, high, top, |z| z) / above;
            let second = integrated(normal, high, top, |z| z * z) / above;
            assert!(
                (beyond.mean - first).abs() < 1e-6 && (beyond.square - second).abs() < 1e-5,
                "{beyond:?}"
            );
        }
        assert_eq!(Gaussian { mean: 0.0, sd: 1.0 }.beyond(-9.0, 19.0).odds, 19.0);
        assert_eq!(Gaussian { mean: 0.0, sd: 1.0 }.beyond(9.0, 19.0), Beyond::default());
    }

    #[test]
    fn the_model_is_found_whether_its_slope_is_known_or_not() {
        let mut random = simulated::Normal::new(7);
        for (slope, beta) in [(Beta::Free, 0.6), (Beta::Zero, 0.0), (Beta::One, 1.0)] {
            let mut cells: Vec<Seen> = (0..40)
                .map(|i| {
                    let r = f64::from(i) / 20.0 - 1.0;
                    Seen { n: 0.0, r, low: -2.0, high: 0.5 + 0.5 * r, sum: 0.0, squares: 0.0 }
                })
                .collect();
            for i in 0..200_000 {
                let cell = &mut cells[i % 40];
                let z = 0.2 + beta * cell.r + 0.8 * random.next();
                if cell.low < z && z <= cell.high {
                    cell.n += 1.0;
                    cell.sum += z;
                    cell.squares += z * z;
                }
            }
            let fitted = fit(&cells, slope).unwrap().parameters;
            let (middle, end) = (fitted.at(0.0), fitted.at(1.0));
            assert!(
                (middle.mean - 0.2).abs() < 0.03 && (middle.sd - 0.8).abs() < 0.02,
                "{slope:?} {middle:?}"
            );
            assert!((end.mean - middle.mean - beta).abs() < 0.05, "{slope:?} {end:?}");
        }
    }

    #[test]
    fn what_rises_to_its_bound_like_no_normal_has_no_maximum() {
        let cell = Seen { n: 1_000.0, r: 0.0, low: -2.5, high: 0.5, sum: 400.0, squares: 170.0 };
        assert!(fit(&[cell], Beta::Zero).is_none());
        // Both slopes fit one cell equally well.
        let flat = Seen { sum: -1_000.0, squares: 1_300.0, ..cell };
        assert!(fit(&[flat], Beta::Zero).is_some() && fit(&[flat], Beta::Free).is_none());
    }
}
