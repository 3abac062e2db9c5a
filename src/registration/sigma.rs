//! What the poses leave uncertain in the elevations that are compared.
//!
//! The error of a setup's pose moves its elevation at X, Y by Tz + ωx (Y − Y0) − ωy (X − X0), whatever the slope: a straight line in the
//! unknowns. So the variance of the mean over any set of comparisons is g'Cg / n² with g the sums of those coefficients by setup, and
//! the mean variance follows from the sums of their products: both from whole numbers that merge in any order. A shift in plan and
//! a heading leave elevations as they are on level ground; what they do on slopes is part of the spread of dz.

use std::collections::BTreeMap;

use crate::registration::Model;
use crate::registration::network::Network;
use crate::units::Micrometres;

/// Sums over comparisons of one setup: of 1, x, y, x², xy, y², micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SetupSums {
    /// How many.
    pub n: i128,
    x: i128,
    y: i128,
    xx: i128,
    xy: i128,
    yy: i128,
}

impl SetupSums {
    /// Bytes on disk.
    pub const ENCODED: usize = 6 * 16;

    /// Adds a comparison.
    #[inline]
    pub fn add(&mut self, x: Micrometres, y: Micrometres) {
        let (x, y) = (i128::from(x), i128::from(y));
        self.n += 1;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
    }

    /// Adds other sums.
    pub fn merge(&mut self, other: &SetupSums) {
        *self = SetupSums::of(&std::array::from_fn(|i| self.words()[i] + other.words()[i]));
    }

    fn words(&self) -> [i128; 6] {
        [self.n, self.x, self.y, self.xx, self.xy, self.yy]
    }

    fn of([n, x, y, xx, xy, yy]: &[i128; 6]) -> Self {
        SetupSums { n: *n, x: *x, y: *y, xx: *xx, xy: *xy, yy: *yy }
    }

    /// Adds them as bytes.
    pub fn encode(&self, to: &mut Vec<u8>) {
        self.words().iter().for_each(|word| to.extend_from_slice(&word.to_le_bytes()));
    }

    /// What [`SetupSums::encode`] turned into these bytes.
    pub fn decode(bytes: &[u8; Self::ENCODED]) -> Self {
        let word = |i: usize| i128::from_le_bytes(bytes[16 * i..16 * (i + 1)].try_into().expect("16 bytes"));
        SetupSums::of(&std::array::from_fn(word))
    }

    /// The mean position, micrometres.
    pub fn mean(&self) -> Option<[f64; 2]> {
        (self.n > 0).then(|| [self.x as f64 / self.n as f64, self.y as f64 / self.n as f64])
    }

    /// The sums about a position: of 1, dx, dy, dx², dx dy, dy², metres. The moving is exact.
    fn about(&self, [cx, cy]: [Micrometres; 2]) -> [f64; 6] {
        let (cx, cy) = (i128::from(cx), i128::from(cy));
        let SetupSums { n, x, y, xx, xy, yy } = *self;
        [
            n as f64,
            (x - n * cx) as f64 / 1e6,
            (y - n * cy) as f64 / 1e6,
            (xx - 2 * cx * x + n * cx * cx) as f64 / 1e12,
            (xy - cx * y - cy * x + n * cx * cy) as f64 / 1e12,
            (yy - 2 * cy * y + n * cy * cy) as f64 / 1e12,
        ]
    }
}

/// Standard deviations of the reference's elevation over a set of comparisons, micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Vertical {
    /// The root mean square over the comparisons, with the noise of the scan.
    pub total: f64,
    /// Of the mean of all of them: what does not average out.
    pub common: f64,
}

impl Network {
    /// Over comparisons with the setups, counted from 1; `noise` is the standard deviation of an elevation of a scan,
    /// micrometres. None where there are no comparisons.
    pub fn vertical<'a>(
        &self,
        sums: impl Iterator<Item = (u16, &'a SetupSums)>,
        noise: f64,
    ) -> Option<Vertical> {
        let (mut n, mut squares, mut g) = (0.0, 0.0, Vec::new());
        for (setup, sums) in sums {
            let Some(setup) = usize::from(setup).checked_sub(1).filter(|&at| at < self.poses.len()) else {
                continue;
            };
            let about = self.poses[setup].to;
            let whole = |axis: usize| self.origin[axis] + (about[axis] * 1e6).round() as Micrometres;
            let [count, dx, dy, xx, xy, yy] = sums.about([whole(0), whole(1)]);
            let first = self.unknown(setup);
            // The unknowns that move elevations, and the sums of their coefficients.
            let (unknowns, sum, products) = match self.observed.model {
                Model::Level => (vec![first + 3], vec![count], vec![vec![count]]),
                Model::Full => (
                    vec![first + 5, first, first + 1],
                    vec![count, dy, -dx],
                    vec![vec![count, dy, -dx], vec![dy, yy, -xy], vec![-dx, -xy, xx]],
                ),
            };
            for (i, a) in unknowns.iter().enumerate() {
                for (j, b) in unknowns.iter().enumerate() {
                    squares += self.solution.covariance[(*a, *b)] * products[i][j];
                }
            }
            g.extend(unknowns.into_iter().zip(sum));
            n += count;
        }
        let scale = self.variance_scale() * 1e12;
        (n > 0.0).then(|| Vertical {
            total: libm::hypot((squares.max(0.0) / n * scale).sqrt(), noise),
            common: (self.solution.variance_of(&g).max(0.0) * scale).sqrt() / n,
        })
    }

    /// Over the comparisons of all groups of a run, together.
    pub fn merged(sums: &BTreeMap<u16, SetupSums>) -> impl Iterator<Item = (u16, &SetupSums)> {
        sums.iter().map(|(setup, sums)| (*setup, sums))
    }
}
