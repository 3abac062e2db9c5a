//! Made-up hills of a stated steepness, whose survey, or a strip of it, lies shifted in plan against the reference. The ground is
//! a sum of waves of 20 to 120 m in all directions, known everywhere; no generator of the demo or of the meadows.

use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};

use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::made::{in_unit, point, write_plain};
use super::random::{Wave, field_wave, normal, stripe_wave};

/// Side of a site, metres.
pub const SIDE: f64 = 160.0;

/// Where the reference was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Where {
    /// Nine plots of 20 m in a grid.
    Plots,
    /// One block of 70 m.
    Block,
    /// Everywhere.
    Everywhere,
    /// Around three tripods: the more the nearer, 8 m away a third of what there is at a foot.
    Tripods,
}

/// An error of the flight, metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Error {
    /// Independent noise alone.
    White,
    /// Beside it a field of this SD that is correlated over this range.
    Field(f64, f64),
    /// Beside it the same at all places of one easting, of this SD and range.
    Stripes(f64, f64),
    /// Beside it an offset of this SD for each strip.
    Strips(f64),
    /// Beside it a rise from west to east over the side.
    Tilt(f64),
}

/// A site. Lengths in metres.
#[derive(Clone, Debug)]
pub struct Hills {
    pub seed: u64,
    /// Steepness, root mean square, degrees.
    pub slope: f64,
    /// A plane below the waves: its slope towards the north-east, degrees.
    pub plane: f64,
    pub reference: Where,
    pub error: Error,
    /// What is random in each point.
    pub noise: f64,
    /// How far the survey lies too far east and north.
    pub shift: [f64; 2],
    /// The strip that alone is shifted, of four that overlap.
    pub only: Option<u16>,
    /// Points for each square metre.
    pub density: f64,
    /// Metres in the unit of the files.
    pub unit: f64,
    /// The stages of the pipeline file.
    pub stages: &'static str,
}

/// Stages that take all of the steepest hills for ground, few points as there are.
pub const STEEP: &str = "[read: {}, ground: {cell: 1 m, slope: 1, dh_initial: 0.8 m, dh_max: 3 m}, checkpoints: {list: 10}, \
    compare: {match: nearest, within: 15 mm}, summarise: {}]";

impl Default for Hills {
    fn default() -> Self {
        Hills {
            seed: 1,
            slope: 10.0,
            plane: 0.0,
            reference: Where::Plots,
            error: Error::White,
            noise: 0.025,
            shift: [0.0; 2],
            only: None,
            density: 3.0,
            unit: 1.0,
            stages: STEEP,
        }
    }
}

/// A sum of waves: east and north wave number, phase, amplitude.
struct Waves(Vec<[f64; 4]>);

impl Waves {
    fn at(&self, x: f64, y: f64) -> f64 {
        self.0.iter().map(|[kx, ky, phase, size]| size * (kx * x + ky * y + phase).cos()).sum()
    }

    /// Hills of this root mean square slope.
    fn hills(random: &mut SmallRng, slope: f64) -> Self {
        const COUNT: usize = 30;
        let wave = |_| {
            let length = 20.0 * 6f64.powf(random.random::<f64>());
            let (k, direction) = (TAU / length, random.random::<f64>() * TAU);
            let size = slope * (2.0 / COUNT as f64).sqrt() / k;
            [k * direction.cos(), k * direction.sin(), random.random::<f64>() * TAU, size]
        };
        Waves((0..COUNT).map(wave).collect())
    }

    /// A Gaussian field of correlation exp(−3 h / range), or of that along the easting.
    fn error(random: &mut SmallRng, error: Error) -> Self {
        const COUNT: usize = 150;
        let root = (2.0 / COUNT as f64).sqrt();
        let sum = |wave: &mut dyn FnMut() -> Wave, sd: f64| {
            let sized = |[east, north, phase]: Wave| [east, north, phase, sd * root];
            Waves((0..COUNT).map(|_| sized(wave())).collect())
        };
        match error {
            Error::Field(sd, range) => sum(&mut || field_wave(random, range), sd),
            Error::Stripes(sd, range) => sum(&mut || stripe_wave(random, range, [1.0, 0.0]), sd),
            _ => Waves(Vec::new()),
        }
    }
}

impl Hills {
    /// Writes `survey.las`, `reference.las` and a pipeline file over them into `folder`, and gives that file.
    pub fn write(&self, folder: &Path) -> PathBuf {
        let mut random = SmallRng::seed_from_u64(self.seed ^ 0x5417_f7ed);
        let hills = Waves::hills(&mut random, self.slope.to_radians().tan());
        let plane = self.plane.to_radians().tan() * 0.5f64.sqrt();
        let ground = |x: f64, y: f64| 400.0 + hills.at(x, y) + plane * (x + y);
        let error = Waves::error(&mut random, self.error);
        let offsets: [f64; 4] = std::array::from_fn(|_| normal(&mut random));
        let (mut survey, mut reference) = (Vec::new(), Vec::new());
        for _ in 0..(SIDE * SIDE * self.density) as usize {
            let [x, y] = [0, 1].map(|_| random.random::<f64>() * SIDE);
            // Each strip covers the whole: neighbours overlap by far.
            let strip: u16 = random.random_range(0..4);
            let shared = match self.error {
                Error::Strips(sd) => sd * offsets[usize::from(strip)],
                Error::Tilt(rise) => rise * (x / SIDE - 0.5),
                _ => error.at(x, y),
            };
            let shifted = self.only.is_none_or(|only| only == strip);
            let [east, north] = if shifted { self.shift } else { [0.0; 2] };
            let z = ground(x, y) + shared + self.noise * normal(&mut random);
            let (x, y) = (x + east, y + north);
            survey.push(in_unit(Point { point_source_id: 101 + strip, ..point(x, y, z) }, self.unit));
            if self.is_measured(&mut random, x, y) {
                let near = |at: f64, random: &mut SmallRng| at + 0.004 * (random.random::<f64>() - 0.5);
                let (x, y) = (near(x, &mut random), near(y, &mut random));
                reference.push(in_unit(point(x, y, ground(x, y) + 0.003 * normal(&mut random)), self.unit));
            }
        }
        write_plain(&folder.join("survey.las"), &survey);
        write_plain(&folder.join("reference.las"), &reference);
        let units = if self.unit == 1.0 { "m" } else { "ft" };
        let file = folder.join("hills.yaml");
        let text = format!(
            "survey: {{files: [survey.las], units: {units}}}\nreference: {{files: [reference.las], units: {units}}}\n\
             stages: {}\n",
            self.stages
        );
        fs::write(&file, text).unwrap();
        file
    }

    fn is_measured(&self, random: &mut SmallRng, x: f64, y: f64) -> bool {
        match self.reference {
            Where::Everywhere => true,
            Where::Block => [x, y].iter().all(|v| (v - SIDE / 2.0).abs() < 35.0),
            Where::Plots => [x, y].iter().all(|v| (v - 10.0).rem_euclid(60.0) < 20.0),
            Where::Tripods => [(45.0, 40.0), (115.0, 60.0), (70.0, 120.0)].iter().any(|(east, north)| {
                let away = ((x - east).powi(2) + (y - north).powi(2)).sqrt();
                away < 40.0 && random.random::<f64>() < (-away / 8.0).exp()
            }),
        }
    }
}
