//! What matching may have added to the residuals, as sums that merge in any order.
//!
//! A plane adds the scatter of its points, divided by their number, and the bend of the ground that it does not follow. With
//! d the mean residual of the m points near its middle, of n with residual SD s, the expectation of d² − s² (1/m − 1/n) is the
//! square of what the ground bends between the two. Over a ground z = c ρ² the plane through a disc lies c r²/2 too high at
//! its middle; the inner points lie c r²/4 lower than all where their radius is r/√2, and 3 c r²/8 where it is r/2: the error
//! is 2 or 4/3 times d. The nearest point adds distance × slope, in any direction: half of its square on average.

use crate::stages::ladder::{NO_RUNG, RUNGS};
use crate::stages::plane_sums::Plane;
use crate::stages::search::{Around, Match};
use crate::tile::yields::{Sections, YieldError, Yields};

/// The section of the sums.
const SECTION: &str = "matching";

/// One sum for each rung, and one for positions where none holds enough.
pub const LEVELS: usize = RUNGS.len() + 1;

/// Bytes of the sums.
const ENCODED: usize = (2 * LEVELS + 8) * 16;

/// Sums over comparisons. Lengths in micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MatchingSums {
    /// Comparisons by rung; the last are those around which no rung holds enough points.
    pub levels: [i128; LEVELS],
    /// Points around them within that rung, or within the highest.
    pub points: [i128; LEVELS],
    /// Comparisons with a plane.
    pub planes: i128,
    /// Squares of the planes' residual SD.
    pub residual: i128,
    /// The same, each divided by the number of points.
    pub noise: i128,
    /// Comparisons whose plane has points near its middle.
    pub bent: i128,
    /// Squares of what the ground bends there.
    pub bend: i128,
    /// Comparisons with the nearest point.
    pub nearest: i128,
    /// Those of them with a slope.
    pub sloped: i128,
    /// Half the squares of distance × slope.
    pub climb: i128,
}

impl MatchingSums {
    /// Adds a comparison, and the slope of the ground there, per cent.
    pub fn add(&mut self, found: &Match, slope_percent: Option<u8>) {
        match &found.plane {
            Some(plane) => self.add_plane(plane, found.points, found.around),
            None => {
                self.add_level(found.around, found.points);
                self.add_nearest(found.around.distance, slope_percent);
            }
        }
    }

    /// Adds a comparison with a plane through so many points.
    pub fn add_plane(&mut self, plane: &Plane, points: u32, around: Around) {
        // A plane of a fixed radius has points of its own.
        match around.rung {
            NO_RUNG => self.add_to(LEVELS - 1, points),
            _ => self.add_level(around, points),
        }
        let (square, n) = (plane.residual_sd * plane.residual_sd, f64::from(points));
        self.planes += 1;
        self.residual += square.round() as i128;
        self.noise += (square / n).round() as i128;
        let inner = plane.inner;
        if inner.points > 0 {
            let by_chance = square * (1.0 / f64::from(inner.points) - 1.0 / n);
            // The inner radius is that of the rung below, or half of a fixed one.
            let factor = if around.rung == NO_RUNG { 16.0 / 9.0 } else { 4.0 };
            self.bent += 1;
            self.bend += (factor * (inner.mean * inner.mean - by_chance)).round() as i128;
        }
    }

    /// Adds a comparison with the nearest point, that far off.
    pub fn add_nearest(&mut self, distance: u32, slope_percent: Option<u8>) {
        self.nearest += 1;
        if let Some(percent) = slope_percent {
            let climb = i128::from(distance) * i128::from(percent);
            self.sloped += 1;
            // Per cent, squared, and half of it.
            self.climb += climb * climb / 20_000;
        }
    }

    /// Adds what is known of the points around a comparison.
    pub fn add_level(&mut self, around: Around, points: u32) {
        match around.rung {
            NO_RUNG if around.points == 0 => {}
            NO_RUNG => self.add_to(LEVELS - 1, around.points.into()),
            rung => self.add_to(usize::from(rung), points),
        }
    }

    fn add_to(&mut self, level: usize, points: u32) {
        self.levels[level] += 1;
        self.points[level] += i128::from(points);
    }

    /// Adds other sums.
    pub fn merge(&mut self, other: &MatchingSums) {
        let mut all = self.words();
        all.iter_mut().zip(other.words()).for_each(|(a, b)| *a += b);
        *self = MatchingSums::of(&all);
    }

    fn words(&self) -> [i128; 2 * LEVELS + 8] {
        let mut words = [0; 2 * LEVELS + 8];
        words[..LEVELS].copy_from_slice(&self.levels);
        words[LEVELS..2 * LEVELS].copy_from_slice(&self.points);
        let MatchingSums { planes, residual, noise, bent, bend, nearest, sloped, climb, .. } = *self;
        words[2 * LEVELS..].copy_from_slice(&[planes, residual, noise, bent, bend, nearest, sloped, climb]);
        words
    }

    fn of(words: &[i128; 2 * LEVELS + 8]) -> Self {
        let mut sums = MatchingSums::default();
        sums.levels.copy_from_slice(&words[..LEVELS]);
        sums.points.copy_from_slice(&words[LEVELS..2 * LEVELS]);
        let [planes, residual, noise, bent, bend, nearest, sloped, climb] =
            std::array::from_fn(|i| words[2 * LEVELS + i]);
        MatchingSums { planes, residual, noise, bent, bend, nearest, sloped, climb, ..sums }
    }

    /// Gives the sums of one tile back.
    pub fn give(&self, sections: &mut Sections) {
        if *self != MatchingSums::default() {
            sections.of(SECTION).extend(self.words().iter().flat_map(|word| word.to_le_bytes()));
        }
    }

    /// The sums of all tiles.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn conclude(yields: &dyn Yields) -> Result<Self, YieldError> {
        let mut all = MatchingSums::default();
        yields.for_each(SECTION, &mut |bytes| {
            let (each, rest) = bytes.as_chunks::<ENCODED>();
            for one in each {
                let words = one.as_chunks::<16>().0;
                all.merge(&MatchingSums::of(&std::array::from_fn(|i| i128::from_le_bytes(words[i]))));
            }
            rest.is_empty().then_some(())
        })?;
        Ok(all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::plane_sums::Inner;
    use crate::tile::given::Given;

    /// A comparison on the fifth rung.
    fn planar(mean: f64) -> Match {
        let inner = Inner { points: 8, mean };
        let plane = Plane { slope: 0.1, residual_sd: 4_000.0, inner };
        let around = Around { rung: 4, ..Around::UNKNOWN };
        Match { elevation: 0, points: 16, plane: Some(plane), around, setup: 0 }
    }

    #[test]
    fn a_plane_adds_scatter_and_bend_and_the_nearest_point_distance_on_a_slope() {
        let mut sums = MatchingSums::default();
        sums.add(&planar(3_000.0), Some(20));
        // 4 mm over 16 points; 4 · (3² − 4² · (1/8 − 1/16)) = 32 mm².
        assert_eq!((sums.residual, sums.noise, sums.bend), (16_000_000, 1_000_000, 32_000_000));
        let around = Around { points: 5, distance: 10_000, ..Around::UNKNOWN };
        sums.add(&Match { elevation: 0, points: 1, plane: None, around, setup: 0 }, Some(20));
        sums.add(&Match { elevation: 0, points: 1, plane: None, around, setup: 0 }, None);
        // 10 mm at 20 %: 2 mm, half of its square.
        assert_eq!((sums.nearest, sums.sloped, sums.climb), (2, 1, 2_000_000));
        assert_eq!((sums.levels[4], sums.points[4]), (1, 16));
        assert_eq!((sums.levels[LEVELS - 1], sums.points[LEVELS - 1]), (2, 10));
    }

    #[test]
    fn the_sums_of_all_tiles_are_added_up_and_bytes_that_are_none_are_an_error() {
        let mut one = MatchingSums::default();
        one.add(&planar(-1.0), None);
        let mut sections = Sections::default();
        one.give(&mut sections);
        one.give(&mut sections);
        MatchingSums::default().give(&mut sections);
        let mut given = Given::default();
        given.add(&sections);
        given.add(&Sections::default());
        let mut twice = one;
        twice.merge(&one);
        assert_eq!(MatchingSums::conclude(&given).unwrap(), twice);
        assert!(twice.bend < 0);
        sections.of(SECTION).push(0);
        given.add(&sections);
        assert!(MatchingSums::conclude(&given).is_err());
    }
}
