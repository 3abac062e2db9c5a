//! A made-up flight over rolling ground with copses: returns that lie apart by known offsets, an error of the flight that
//! neighbours share, and a scan of part of the site whose level is off. The ground is known everywhere.

use std::path::Path;

use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::made::{in_unit, point, write_plain};
use super::random::{Wave, field_wave, normal, sum_of};

/// How a flight is made; lengths in metres.
#[derive(Clone, Copy, Debug)]
pub struct Flight {
    /// Seed of the random numbers.
    pub seed: u64,
    /// Extent.
    pub side: [f64; 2],
    /// Pulses a square metre.
    pub density: f64,
    /// How much lower return 2 lies than return 1; return 3 half as much again.
    pub offset: f64,
    /// What is random in a ground echo, by return.
    pub noise: [f64; 3],
    /// SD of the error that neighbours share.
    pub shared_sd: f64,
    /// Distance over which they do: its correlation falls to 5 % there; 0 for none.
    pub shared_range: f64,
}

/// How part of the ground was scanned; lengths in metres.
#[derive(Clone, Copy, Debug)]
pub struct Scan {
    /// Share of the site.
    pub share: f64,
    /// Nine plots over the site; else one block in the middle.
    pub plots: bool,
    /// How much too high.
    pub level: f64,
    /// What is random in a point.
    pub noise: f64,
}

/// Points of a scan for each square metre.
const SCAN_DENSITY: f64 = 60.0;

impl Flight {
    /// The true ground.
    pub fn ground(&self, x: f64, y: f64) -> f64 {
        300.0 + 1.2 * (x / 14.0).sin() * (y / 19.0).cos() + 0.04 * x - 0.02 * y
    }

    fn in_copse(x: f64, y: f64) -> bool {
        (x / 2.3).sin() + (y / 1.9).cos() + 0.6 * (x / 23.0 + y / 17.0).sin() > 0.4
    }

    /// Bias of a ground echo by return.
    pub fn bias(&self) -> [f64; 3] {
        [0.0, -self.offset, -1.5 * self.offset]
    }

    /// Writes the survey; `unit` metres are one unit of the file.
    pub fn write(&self, path: &Path, unit: f64) {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let field = self.field(&mut random);
        let mut survey = Vec::new();
        for _ in 0..(self.side[0] * self.side[1] * self.density) as usize {
            let [x, y] = self.side.map(|side| (random.random::<f64>() * side * 1000.0).floor() / 1000.0);
            let ground = self.ground(x, y);
            let copse = Flight::in_copse(x, y);
            let returns = if copse { random.random_range(1..=3) } else { 1 };
            for n in 1..returns {
                survey.push(echo(x, y, ground + 3.0 + 5.0 * random.random::<f64>(), (n, returns), unit));
            }
            // Leaves hold back part of the pulses.
            if copse && random.random_bool(0.4) {
                continue;
            }
            let of = returns - 1;
            let error = self.bias()[of] + self.noise[of] * normal(&mut random) + field.at(x, y);
            survey.push(echo(x, y, ground + error, (returns, returns), unit));
        }
        write_plain(path, &survey);
    }

    /// Writes a scan of the ground: the same places whatever level and noise.
    pub fn write_scan(&self, path: &Path, scan: &Scan, unit: f64) {
        let mut random = SmallRng::seed_from_u64(self.seed ^ 0x5ca1_ab1e);
        let along = scan.share.sqrt();
        let inside = |v: f64, side: f64| {
            let (part, period) = if scan.plots { (v.rem_euclid(side / 3.0), side / 3.0) } else { (v, side) };
            (part / period - 0.5).abs() < along / 2.0
        };
        let mut points = Vec::new();
        for _ in 0..(self.side[0] * self.side[1] * SCAN_DENSITY) as usize {
            let [x, y] = self.side.map(|side| (random.random::<f64>() * side * 1000.0).floor() / 1000.0);
            let error = scan.level + scan.noise * normal(&mut random);
            if inside(x, self.side[0]) && inside(y, self.side[1]) {
                points.push(echo(x, y, self.ground(x, y) + error, (1, 1), unit));
            }
        }
        write_plain(path, &points);
    }

    /// What neighbours share, on a lattice: a sum of waves that is a Gaussian field of correlation exp(−3 h / range).
    fn field(&self, random: &mut SmallRng) -> Field {
        let waves: Vec<Wave> = (0..300).map(|_| field_wave(random, self.shared_range)).collect();
        let columns = (self.side[0] / Field::STEP) as usize + 2;
        let rows = (self.side[1] / Field::STEP) as usize + 2;
        let value = |i: usize| {
            if self.shared_range == 0.0 {
                return 0.0;
            }
            let (x, y) = ((i % columns) as f64 * Field::STEP, (i / columns) as f64 * Field::STEP);
            self.shared_sd * sum_of(&waves, x, y)
        };
        Field { columns, values: (0..columns * rows).map(value).collect() }
    }
}

/// Values on a lattice, linear between.
struct Field {
    columns: usize,
    values: Vec<f64>,
}

impl Field {
    const STEP: f64 = 0.5;

    fn at(&self, x: f64, y: f64) -> f64 {
        let (u, v) = (x / Self::STEP, y / Self::STEP);
        let at = |column: usize, row: usize| self.values[row * self.columns + column];
        let (column, row) = (u as usize, v as usize);
        let (u, v) = (u.fract(), v.fract());
        let south = at(column, row) * (1.0 - u) + at(column + 1, row) * u;
        let north = at(column, row + 1) * (1.0 - u) + at(column + 1, row + 1) * u;
        south * (1.0 - v) + north * v
    }
}

fn echo(x: f64, y: f64, z: f64, (number, of): (usize, usize), unit: f64) -> Point {
    let at = in_unit(point(x, y, z), unit);
    Point { return_number: number as u8, number_of_returns: of as u8, ..at }
}
