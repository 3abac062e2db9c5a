//! Made-up meadows, with woods where asked for, of which the error is known at every delivered ground point: also where there is
//! no reference. Another generator than that of the demo and of the woods: sums of waves, a plane, offsets of strips.

use std::fs;
use std::path::{Path, PathBuf};

use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::made::{point, write_plain};
use super::random::{Wave, field_wave, normal, stripe_wave, sum_of};

/// Side of the site, metres.
pub const SIDE: f64 = 200.0;
/// Width of a flight strip, which runs north.
const STRIP: f64 = 25.0;
/// What is random in a reference point, metres.
pub const REFERENCE_SD: f64 = 0.003;

/// Where the reference was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Layout {
    /// Nine plots of 20 m over the site: a ninth of it or so.
    Plots,
    /// One block of 70 m in the middle: an eighth.
    Block,
    /// All of it.
    Everywhere,
}

impl Layout {
    fn holds(self, x: f64, y: f64) -> bool {
        match self {
            Layout::Plots => [x, y].iter().all(|v| *v < 198.0 && v % 66.0 < 20.0),
            Layout::Block => [x, y].iter().all(|v| (v - 100.0).abs() < 35.0),
            Layout::Everywhere => true,
        }
    }
}

/// An error of the flight that comparisons share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shared {
    /// A field of this SD, whose correlation exp(−3 h / range) falls to 5 % at the range.
    Field(f64, f64),
    /// Along the track: the same at all places of one easting.
    Stripes(f64, f64),
    /// Each strip has its own.
    Strips(f64),
}

/// How a meadow is made. Lengths in metres.
#[derive(Clone, Debug)]
pub struct Meadow {
    /// Seed of the random numbers.
    pub seed: u64,
    /// Where the reference is.
    pub layout: Layout,
    /// Errors that places share.
    pub shared: Vec<Shared>,
    /// Bias of returns 1 and 2.
    pub bias: [f64; 2],
    /// What is random in returns 1 and 2 on open ground.
    pub sd: [f64; 2],
    /// What is added to bias, and the factor to SD, under trees.
    pub under_trees: (f64, f64),
    /// Share of the site that is wooded, in bands that run east; second returns are ground there alone, or everywhere
    /// where there is no wood.
    pub wood: f64,
    /// Share of the ground points that are second returns where those are.
    pub seconds: f64,
    /// Rise of the error from west to east, over the whole side.
    pub tilt: f64,
    /// How far the reference lies too high.
    pub reference_high: f64,
    /// Points a square metre.
    pub density: f64,
}

impl Default for Meadow {
    fn default() -> Self {
        Meadow {
            seed: 1,
            layout: Layout::Plots,
            shared: Vec::new(),
            bias: [0.0; 2],
            sd: [0.020; 2],
            under_trees: (0.0, 1.0),
            wood: 0.0,
            seconds: 0.3,
            tilt: 0.0,
            reference_high: 0.0,
            density: 0.5,
        }
    }
}

/// The figures of all delivered ground against the true ground with the reference's noise, as dz of it would have.
#[derive(Clone, Copy, Debug)]
pub struct Truth {
    pub bias: f64,
    pub sd: f64,
    pub rmse: f64,
}

/// Waves, and the SD of their sum.
struct Waves(Vec<Wave>, f64);

impl Waves {
    const COUNT: usize = 250;

    fn new(random: &mut SmallRng, shared: Shared) -> Option<Self> {
        let mut waves =
            |wave: &dyn Fn(&mut SmallRng) -> Wave| (0..Self::COUNT).map(|_| wave(random)).collect();
        match shared {
            Shared::Field(sd, range) => Some(Waves(waves(&|random| field_wave(random, range)), sd)),
            Shared::Stripes(sd, range) => {
                Some(Waves(waves(&|random| stripe_wave(random, range, [1.0, 0.0])), sd))
            }
            Shared::Strips(_) => None,
        }
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        self.1 * sum_of(&self.0, x, y)
    }
}

impl Meadow {
    /// Whether a place lies under trees: bands of 20 m.
    pub fn is_wood(&self, y: f64) -> bool {
        y % 40.0 < 40.0 * self.wood
    }

    /// Writes `survey.las` and `reference.las`, and says what is true of all delivered ground.
    pub fn write(&self, folder: &Path) -> Truth {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let waves: Vec<Waves> = self.shared.iter().filter_map(|s| Waves::new(&mut random, *s)).collect();
        let of_strips: Vec<f64> = self
            .shared
            .iter()
            .filter_map(|s| if let Shared::Strips(sd) = s { Some(*sd) } else { None })
            .collect();
        let strips: Vec<f64> =
            (0..8).map(|_| of_strips.iter().map(|sd| sd * normal(&mut random)).sum()).collect();
        let (mut survey, mut reference) = (Vec::new(), Vec::new());
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for _ in 0..(SIDE * SIDE * self.density) as usize {
            let [x, y] = [0, 1].map(|_| (random.random::<f64>() * SIDE * 1000.0).floor() / 1000.0);
            let ground = 200.0 + 1.2 * (x / 29.0).sin() * (y / 37.0).cos() + 0.02 * x;
            let wooded = self.is_wood(y);
            let second = (wooded || self.wood == 0.0) && random.random::<f64>() < self.seconds;
            let strip = (x / STRIP) as usize;
            let (more_bias, times) = if wooded { self.under_trees } else { (0.0, 1.0) };
            let shared: f64 = waves.iter().map(|waves| waves.at(x, y)).sum::<f64>() + strips[strip];
            let error = self.bias[usize::from(second)]
                + more_bias
                + shared
                + self.tilt * (x / SIDE - 0.5)
                + times * self.sd[usize::from(second)] * normal(&mut random);
            let echo = |number: u8, of: u8, z: f64| Point {
                return_number: number,
                number_of_returns: of,
                point_source_id: 101 + strip as u16,
                ..point(x, y, z)
            };
            // What stands over a second return: a crown, or a tuft that is too low for one.
            if second {
                survey.push(echo(
                    1,
                    2,
                    ground + if wooded { 5.0 + 4.0 * random.random::<f64>() } else { 1.5 },
                ));
            }
            let number = 1 + u8::from(second);
            survey.push(echo(number, number, ground + error));
            (n, sum, squares) = (n + 1.0, sum + error, squares + error * error);
            if self.layout.holds(x, y) {
                reference.push(point(
                    x,
                    y,
                    ground + self.reference_high + REFERENCE_SD * normal(&mut random),
                ));
            }
        }
        write_plain(&folder.join("survey.las"), &survey);
        write_plain(&folder.join("reference.las"), &reference);
        let bias = sum / n;
        let noise = REFERENCE_SD * REFERENCE_SD;
        let (sd, rmse) = ((squares / n - bias * bias + noise).sqrt(), (squares / n + noise).sqrt());
        Truth { bias, sd, rmse }
    }
}

/// A pipeline file in `folder` over a meadow; `reference` are more keys of the reference, `more` more keys of the file.
pub fn pipeline(folder: &Path, reference: &str, more: &str) -> PathBuf {
    let file = folder.join("meadow.yaml");
    let text = format!(
        "survey: {{files: [survey.las], units: m}}\nreference: {{files: [reference.las], units: m{reference}}}\n\
         stages: [read: {{}}, ground: {{cell: 2 m, dh_initial: 0.8 m}}, checkpoints: {{}}, \
         compare: {{match: nearest, within: 15 mm}}, summarise: {{}}]\n{more}\n"
    );
    fs::write(&file, text).unwrap();
    file
}
