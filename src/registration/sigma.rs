//! What the poses leave uncertain in the elevations that are compared.
//!
//! The error of a setup's pose moves the elevation of its surface at a place by a straight line in the unknowns: a shift up as it is, a
//! tilt by the distance from the setup's targets, a shift in plan by the slope of the ground, and an error of the heading by both. So
//! the variance of the mean over any set of comparisons is g'Cg / n² with g the sums of those coefficients by setup, and the mean
//! variance follows from the sums of their products: both from whole numbers that merge in any order. What a tilt moves sideways, by
//! the height over the targets, is left out.

use std::collections::BTreeMap;

use crate::registration::Model;
use crate::registration::network::Network;
use crate::tile::gradient::Gradient;
use crate::units::Micrometres;

/// What of a comparison the unknowns of a pose act on: 1, the place east and north of the middle of the setup's targets, the rise of the
/// ground east and north, and what a turn about the vertical does by both.
const PARTS: usize = 6;

/// Products of two of them, each pair once.
const PRODUCTS: usize = PARTS * (PARTS + 1) / 2;

/// Micrometres in a step of place: far below what the error of a turn could show.
const PLACE_STEP: Micrometres = 1_000;

/// Sums over comparisons of one setup of all products of their parts: places in millimetres from the middle of the setup's targets, rises
/// in steps of [`Gradient::STEP`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SetupSums([i128; PRODUCTS]);

impl SetupSums {
    /// Bytes on disk.
    pub const ENCODED: usize = PRODUCTS * 16;

    /// Adds a comparison so far east and north of the middle of the targets; without a gradient the ground is taken for level.
    #[inline]
    pub fn add(&mut self, east: Micrometres, north: Micrometres, gradient: Option<Gradient>) {
        let [x, y] = [east, north].map(|um| i128::from(um.div_euclid(PLACE_STEP)));
        let [p, q] = gradient.map_or([0; 2], |g| [i128::from(g.east), i128::from(g.north)]);
        let parts = [1, x, y, p, q, p * y - q * x];
        let mut sums = self.0.iter_mut();
        for (i, one) in parts.iter().enumerate() {
            // The sums second: a zip takes one more of its first than it has pairs.
            for (other, sum) in parts[i..].iter().zip(sums.by_ref()) {
                *sum += one * other;
            }
        }
    }

    /// Adds other sums.
    pub fn merge(&mut self, other: &SetupSums) {
        self.0.iter_mut().zip(&other.0).for_each(|(own, other)| *own += other);
    }

    /// Adds them as bytes.
    pub fn encode(&self, to: &mut Vec<u8>) {
        self.0.iter().for_each(|word| to.extend_from_slice(&word.to_le_bytes()));
    }

    /// What [`SetupSums::encode`] turned into these bytes.
    pub fn decode(bytes: &[u8; Self::ENCODED]) -> Self {
        let word = |i: usize| i128::from_le_bytes(bytes[16 * i..16 * (i + 1)].try_into().expect("16 bytes"));
        SetupSums(std::array::from_fn(word))
    }

    /// How many comparisons.
    pub fn count(&self) -> u64 {
        self.0[0] as u64
    }

    /// Their mean place, metres east and north of the middle of the targets.
    pub fn mean(&self) -> Option<[f64; 2]> {
        let n = self.0[0];
        (n > 0).then(|| [1, 2].map(|i| self.0[i] as f64 / n as f64 * PLACE_STEP as f64 / 1e6))
    }

    /// The sum of the products of two parts, in metres and rise over run.
    fn product(&self, i: usize, j: usize) -> f64 {
        let metres = PLACE_STEP as f64 / 1e6;
        let scale = [1.0, metres, metres, Gradient::STEP, Gradient::STEP, metres * Gradient::STEP];
        let (i, j) = (i.min(j), i.max(j));
        let at = (0..i).map(|row| PARTS - row).sum::<usize>() + j - i;
        self.0[at] as f64 * scale[i] * scale[j]
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
            // Each unknown moves the surface by one part of the comparison: the turns, then the shifts.
            let turns: &[(usize, f64)] = match self.observed.model {
                Model::Level => &[(5, 1.0)],
                Model::Full => &[(2, 1.0), (1, -1.0), (5, 1.0)],
            };
            let first = self.unknown(setup);
            let by = turns.iter().chain(&[(3, -1.0), (4, -1.0), (0, 1.0)]).enumerate();
            for (a, (i, sign)) in by.clone() {
                g.push((first + a, sign * sums.product(0, *i)));
                for (b, (j, other)) in by.clone() {
                    let covariance = self.solution.covariance[(first + a, first + b)];
                    squares += covariance * sign * other * sums.product(*i, *j);
                }
            }
            n += sums.count() as f64;
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
