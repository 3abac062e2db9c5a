//! Observation equations, in the plane of the grid: what each kind of observation would be at given coordinates, and how it
//! changes with them. Metres and radians.

use std::f64::consts::PI;

use libm::{atan2, sqrt};

use crate::control::{Covariance, Observation, Row};

/// Mean radius of the earth, for curvature and refraction.
const RADIUS: f64 = 6_371_000.0;

/// A coordinate of a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Coordinate {
    /// Known, or of no concern to any observation.
    Held(f64),
    /// An unknown, by its number.
    Unknown(usize),
}

impl Coordinate {
    /// Its value.
    pub fn at(self, unknowns: &[f64]) -> f64 {
        match self {
            Coordinate::Held(value) => value,
            Coordinate::Unknown(index) => unknowns[index],
        }
    }

    /// The number of the unknown, if it is one.
    pub fn unknown(self) -> Option<usize> {
        match self {
            Coordinate::Held(_) => None,
            Coordinate::Unknown(index) => Some(index),
        }
    }
}

/// Easting, northing, elevation of a point.
pub(super) type Spot = [Coordinate; 3];

/// What was observed.
#[derive(Clone, Debug)]
pub(super) enum Observed {
    /// The height of a point above another.
    Level { from: Spot, to: Spot, dh: f64 },
    /// Coordinates of a point, by axis.
    Position { point: Spot, values: Vec<(usize, f64)> },
    /// A direction, clockwise, from the zero of its set, whose azimuth is the unknown `orientation`.
    Direction { line: Line, orientation: usize, angle: f64 },
    /// A zenith angle.
    Zenith { line: Line, angle: f64 },
    /// A slope distance.
    Slope { line: Line, distance: f64 },
    /// A horizontal distance.
    Horizontal { line: Line, distance: f64 },
    /// A withheld direction of a set that has no other: nothing predicts it.
    Alone,
}

/// A line of sight, from an instrument to a target.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    pub station: Spot,
    pub target: Spot,
    /// Height of the target over its mark minus that of the instrument.
    pub rise: f64,
    /// Distance in the grid over distance measured.
    pub scale: f64,
    /// Coefficient of refraction.
    pub refraction: f64,
}

/// A line of sight at given coordinates.
struct Sight {
    east: f64,
    north: f64,
    /// Horizontal distance in the grid, and as measured.
    grid: f64,
    ground: f64,
    /// From the instrument up to the target.
    up: f64,
}

impl Line {
    fn at(&self, at: &[f64]) -> Sight {
        let difference = |axis: usize| self.target[axis].at(at) - self.station[axis].at(at);
        let (east, north) = (difference(0), difference(1));
        let grid = sqrt(east * east + north * north);
        Sight { east, north, grid, ground: grid / self.scale, up: difference(2) + self.rise }
    }

    /// Coefficients from the derivatives by easting, northing and elevation of the target: those of the station are their
    /// opposites.
    fn coefficients(&self, by: [f64; 3]) -> Vec<(usize, f64)> {
        let mut all = Vec::with_capacity(7);
        for (axis, derivative) in by.into_iter().enumerate().filter(|(_, derivative)| *derivative != 0.0) {
            all.extend(self.target[axis].unknown().map(|index| (index, derivative)));
            all.extend(self.station[axis].unknown().map(|index| (index, -derivative)));
        }
        all
    }
}

/// An angle brought to −π … π.
pub(super) fn wrapped(angle: f64) -> f64 {
    let angle = angle.rem_euclid(2.0 * PI);
    if angle > PI { angle - 2.0 * PI } else { angle }
}

/// Observed values with their covariance.
#[derive(Clone, Debug)]
pub(super) struct NetworkObservation {
    pub observed: Observed,
    pub covariance: Covariance,
}

impl Observation for NetworkObservation {
    fn rows(&self, at: &[f64]) -> Vec<Row> {
        let one = |misclosure, coefficients| vec![Row { misclosure, coefficients }];
        match &self.observed {
            Observed::Level { from, to, dh } => {
                let up = |spot: &Spot, sign: f64| spot[2].unknown().map(|index| (index, sign));
                let coefficients = up(to, 1.0).into_iter().chain(up(from, -1.0)).collect();
                one(dh - (to[2].at(at) - from[2].at(at)), coefficients)
            }
            Observed::Position { point, values } => {
                let row = |&(axis, value): &(usize, f64)| Row {
                    misclosure: value - point[axis].at(at),
                    coefficients: point[axis].unknown().map(|index| (index, 1.0)).into_iter().collect(),
                };
                values.iter().map(row).collect()
            }
            Observed::Direction { line, orientation, angle } => {
                let sight = line.at(at);
                let square = sight.grid * sight.grid;
                let mut all = line.coefficients([sight.north / square, -sight.east / square, 0.0]);
                all.push((*orientation, -1.0));
                one(wrapped(angle + at[*orientation] - atan2(sight.east, sight.north)), all)
            }
            Observed::Alone => one(f64::NAN, Vec::new()),
            Observed::Horizontal { line, distance } => {
                let sight = line.at(at);
                let by = 1.0 / (sight.grid * line.scale);
                one(distance - sight.ground, line.coefficients([sight.east * by, sight.north * by, 0.0]))
            }
            Observed::Slope { line, distance } => {
                // Of the arc at the mean height of the line and the difference in height: correct to the first order in
                // one over the radius, so that curvature has no part in it.
                let sight = line.at(at);
                let slope = sqrt(sight.ground * sight.ground + sight.up * sight.up);
                let by = 1.0 / (slope * line.scale * line.scale);
                let by = [sight.east * by, sight.north * by, sight.up / slope];
                one(distance - slope, line.coefficients(by))
            }
            Observed::Zenith { line, angle } => {
                let sight = line.at(at);
                let bend = (1.0 - line.refraction) / RADIUS;
                // Horizontal and vertical in the frame of the instrument.
                let out = sight.ground * (1.0 + 0.5 * sight.up / RADIUS);
                let up = sight.up - 0.5 * bend * sight.ground * sight.ground;
                let square = out * out + up * up;
                // Without what curvature changes with the distance, (1 − k) / 2R or less than a ten-millionth a metre: it must not
                // seem to determine a scale that nothing else does.
                let by_ground = sight.up / square;
                let by_up = (up * 0.5 * sight.ground / RADIUS - out) / square;
                let plan = by_ground / (sight.grid * line.scale);
                one(angle - atan2(out, up), line.coefficients([sight.east * plan, sight.north * plan, by_up]))
            }
        }
    }

    fn covariance(&self) -> &Covariance {
        &self.covariance
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coefficients are the derivatives of what is computed.
    #[test]
    fn coefficients_agree_with_differences() {
        let spot = |first| {
            [Coordinate::Unknown(first), Coordinate::Unknown(first + 1), Coordinate::Unknown(first + 2)]
        };
        let line = Line { station: spot(0), target: spot(3), rise: 0.2, scale: 0.9996, refraction: 0.13 };
        let at = [100.0, 200.0, 50.0, 420.0, -310.0, 95.0, 0.3];
        let all = [
            Observed::Direction { line, orientation: 6, angle: 1.0 },
            Observed::Zenith { line, angle: 1.5 },
            Observed::Slope { line, distance: 600.0 },
            Observed::Horizontal { line, distance: 600.0 },
            Observed::Level { from: spot(0), to: spot(3), dh: 1.0 },
        ];
        for observed in all {
            let observation = NetworkObservation { observed, covariance: Covariance::independent(&[1.0]) };
            let row = &observation.rows(&at)[0];
            for unknown in 0..7 {
                let stated: f64 =
                    row.coefficients.iter().filter(|(i, _)| *i == unknown).map(|(_, c)| c).sum();
                let moved = |by: f64| {
                    let mut there = at;
                    there[unknown] += by;
                    observation.rows(&there)[0].misclosure
                };
                let measured = (moved(-0.01) - moved(0.01)) / 0.02;
                // But for what curvature changes with the distance.
                assert!((stated - measured).abs() < 1e-7, "{observation:?} {unknown}: {stated} {measured}");
            }
        }
    }

    /// Curvature and refraction lift a level sight by (1 − k) D² / 2R: 68.3 mm in 1 km with k = 0.13.
    #[test]
    fn a_level_sight_rises_over_the_earth() {
        let held = |e, u| [Coordinate::Held(e), Coordinate::Held(0.0), Coordinate::Held(u)];
        let rise = (1.0 - 0.13) * 1e6 / (2.0 * RADIUS);
        let line = Line {
            station: held(0.0, 0.0),
            target: held(1000.0, rise),
            rise: 0.0,
            scale: 1.0,
            refraction: 0.13,
        };
        let observed = Observed::Zenith { line, angle: 0.5 * PI };
        let observation = NetworkObservation { observed, covariance: Covariance::independent(&[1.0]) };
        assert!(observation.rows(&[])[0].misclosure.abs() < 1e-12);
        assert!((rise - 0.0683).abs() < 1e-4);
    }
}
