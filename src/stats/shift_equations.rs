//! The equations of a shift in plan and a tilt: four unknowns, with instruments.

/// A difference of two cells: what it is explained by (shift east and north, tilt east and north), and weight.
pub struct Difference {
    /// Differences of gradients, not smoothed, and of places in metres.
    pub by: [f64; 4],
    /// The instruments.
    pub on: [f64; 4],
    /// Micrometres.
    pub dz: f64,
    /// As cells hold many comparisons.
    pub weight: f64,
}

/// Four by four.
pub type Matrix = [[f64; 4]; 4];

/// Normal equations: instruments × what dz is explained by, instruments × dz, and instruments × themselves.
#[derive(Clone, Copy, Debug, Default)]
pub struct Normal {
    a: Matrix,
    c: [f64; 4],
    /// Instruments × themselves.
    pub on: Matrix,
    weight: f64,
}

impl Normal {
    /// Adds a difference with a weight.
    pub fn add(&mut self, one: &Difference, weight: f64) {
        for i in 0..4 {
            let times = weight * one.on[i];
            self.c[i] += times * one.dz;
            for j in 0..4 {
                self.a[i][j] += times * one.by[j];
                self.on[i][j] += times * one.on[j];
            }
        }
        self.weight += weight;
    }

    /// With those of others added, or with sign −1 taken out.
    pub fn plus(&self, other: &Normal, sign: f64) -> Normal {
        let mut all = *self;
        for i in 0..4 {
            all.c[i] += sign * other.c[i];
            for j in 0..4 {
                all.a[i][j] += sign * other.a[i][j];
                all.on[i][j] += sign * other.on[i][j];
            }
        }
        all.weight += sign * other.weight;
        all
    }

    /// Shift east and north, tilt east and north; nothing where they cannot be told apart.
    pub fn solve(&self) -> Option<[f64; 4]> {
        let inverse = inverse(&self.a)?;
        Some(inverse.map(|row| row.iter().zip(self.c).map(|(a, c)| a * c).sum()))
    }

    /// SD of the gradients within reach, but for what a tilt explains, in the direction in which they differ least.
    pub fn steepness(&self) -> f64 {
        // The block of the inverse is the inverse of what the tilt leaves of the gradients.
        let Some([[p, q, ..], [_, r, ..], ..]) = inverse(&self.on) else { return 0.0 };
        let widest = (p + r) / 2.0 + ((p - r) * (p - r) / 4.0 + q * q).sqrt();
        // A difference has twice the variance.
        if widest > 0.0 { (1.0 / widest / self.weight / 2.0).sqrt() } else { 0.0 }
    }
}

/// Inverse of a matrix with a positive diagonal; nothing where it has none to speak of.
pub fn inverse(a: &Matrix) -> Option<Matrix> {
    let scale: [f64; 4] = std::array::from_fn(|i| a[i][i].sqrt());
    if scale.iter().any(|s| s.is_nan() || *s <= 0.0) {
        return None;
    }
    // Gauss and Jordan on the matrix scaled to ones; it is nearly a matrix of squares, so that no pivot need be looked for.
    let mut m: [[f64; 8]; 4] = [[0.0; 8]; 4];
    for (i, row) in m.iter_mut().enumerate() {
        (0..4).for_each(|j| row[j] = a[i][j] / (scale[i] * scale[j]));
        row[4 + i] = 1.0;
    }
    for i in 0..4 {
        let pivot = m[i][i];
        if pivot.is_nan() || pivot < 1e-9 {
            return None;
        }
        m[i].iter_mut().for_each(|v| *v /= pivot);
        let row = m[i];
        for (k, other) in m.iter_mut().enumerate() {
            if k != i {
                let times = other[i];
                other.iter_mut().zip(row).for_each(|(v, r)| *v -= times * r);
            }
        }
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|j| m[i][4 + j] / (scale[i] * scale[j]))))
}
