//! A made-up wood of which everything is known: several returns with their own bias and spread, an error of the flight
//! that places near each other share, a canopy with known crowns, a reference with its own noise.

use std::path::Path;

use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::made::{point, write_plain};
use super::random::{Wave, field_wave, normal, sum_of};

/// Extent, metres.
pub const SIDE: [f64; 2] = [120.0, 80.0];
/// Bias of a ground echo by return number, metres.
pub const BIAS: [f64; 4] = [0.004, -0.006, -0.015, -0.030];
/// What is random in a ground echo by return number, metres.
pub const SD: [f64; 4] = [0.020, 0.035, 0.055, 0.090];
/// Of the reference, metres.
pub const REFERENCE_SD: f64 = 0.005;

/// How a wood is made.
#[derive(Clone, Copy)]
pub struct Wood {
    /// Seed of the random numbers.
    pub seed: u64,
    /// SD of the error that places near each other share, metres.
    pub shared_sd: f64,
    /// Distance over which they do: its correlation falls to 5 % there, metres.
    pub shared_range: f64,
    /// Comparisons a square metre.
    pub density: f64,
}

impl Wood {
    /// Bias and SD of dz of a return.
    pub fn truth(&self, return_number: usize) -> (f64, f64) {
        let sd = SD[return_number - 1];
        let squares = sd * sd + self.shared_sd * self.shared_sd + REFERENCE_SD * REFERENCE_SD;
        (BIAS[return_number - 1], squares.sqrt())
    }

    /// Whether a place lies under a crown: crowns of 4 m in a lattice of 12 m, in the western half.
    pub fn under_crown(x: f64, y: f64) -> bool {
        let off = |v: f64| v.rem_euclid(12.0) - 6.0;
        x < SIDE[0] / 2.0 && off(x).hypot(off(y)) < 4.0
    }

    /// Distance to the edge of the nearest crown's lattice place; used to leave the fringe out.
    pub fn from_edge(x: f64, y: f64) -> f64 {
        let off = |v: f64| v.rem_euclid(12.0) - 6.0;
        (off(x).hypot(off(y)) - 4.0).abs().min((x - SIDE[0] / 2.0).abs())
    }

    /// Writes `survey.laz` and `reference.laz`.
    pub fn write(&self, folder: &Path) {
        self.write_where(folder, |_, _| true);
    }

    /// The same, with reference only where it was scanned; gives the errors of the ground of each return, all of it.
    pub fn write_where(&self, folder: &Path, is_scanned: impl Fn(f64, f64) -> bool) -> [Vec<f64>; 4] {
        let mut errors: [Vec<f64>; 4] = Default::default();
        let mut random = SmallRng::seed_from_u64(self.seed);
        let waves: Vec<Wave> = (0..400).map(|_| field_wave(&mut random, self.shared_range)).collect();
        let (mut survey, mut reference): (Vec<Point>, Vec<Point>) = (Vec::new(), Vec::new());
        let count = (SIDE[0] * SIDE[1] * self.density) as usize;
        for _ in 0..count {
            let x = (random.random::<f64>() * SIDE[0] * 1000.0).floor() / 1000.0;
            let y = (random.random::<f64>() * SIDE[1] * 1000.0).floor() / 1000.0;
            let truth = 200.0 + 1.5 * (x / 17.0).sin() * (y / 23.0).cos() + 0.03 * x;
            let shared = self.shared_sd * sum_of(&waves, x, y);
            // The last echo of each pulse is the ground; in the open most pulses have one.
            let crown = Wood::under_crown(x, y);
            let returns =
                if crown { random.random_range(1..=4) } else { 1 + usize::from(random.random_bool(0.1)) };
            for n in 1..returns {
                let z = truth + if crown { 4.0 + random.random::<f64>() * 6.0 } else { 0.9 };
                survey.push(Point { z, ..echo(x, y, n, returns) });
            }
            let error = BIAS[returns - 1] + SD[returns - 1] * normal(&mut random) + shared;
            survey.push(Point { z: truth + error, ..echo(x, y, returns, returns) });
            errors[returns - 1].push(error);
            let z = truth + REFERENCE_SD * normal(&mut random);
            if is_scanned(x, y) {
                reference.push(point(x, y, z));
            }
        }
        write_plain(&folder.join("survey.laz"), &survey);
        write_plain(&folder.join("reference.laz"), &reference);
        errors
    }
}

fn echo(x: f64, y: f64, number: usize, of: usize) -> Point {
    Point {
        return_number: number as u8,
        number_of_returns: of as u8,
        point_source_id: 101,
        ..point(x, y, 0.0)
    }
}
