//! Made-up sites whose errors are not tidy: noise of any shape that places share or not, blunders, slopes. All is known of them.

use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};

use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::made::{point, write_plain};
use super::random::{normal, sum_of};

/// How noise is distributed; the SD is the same.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Tail {
    Normal,
    /// Student's t with so many degrees of freedom.
    T(u32),
    Laplace,
}

/// How a site is made; metres.
#[derive(Clone, Copy, Debug)]
pub struct Site {
    pub seed: u64,
    /// Points of the survey's ground, and how many a square metre.
    pub points: usize,
    pub density: f64,
    /// SD of what is random in a point; return k has (1 + k) / 2 times it.
    pub noise: f64,
    pub tail: Tail,
    /// SD of the error that places share, and the distance at which its correlation is 1/e.
    pub shared: f64,
    pub range: f64,
    /// Share of low and high blunders, 0.2 to 0.9 m off.
    pub low: f64,
    pub high: f64,
    /// Rise over run, and height of waves 10 m long.
    pub slope: f64,
    pub relief: f64,
    /// The highest return number.
    pub returns: u8,
    /// `dh_initial` and `slope` of the ground filter.
    pub threshold: f64,
    pub filter_slope: f64,
    /// Coordinates in international feet.
    pub feet: bool,
}

/// Flat ground under white noise of 60 mm, with a threshold of 0.15 m: more than a third is refused.
pub const PLAIN: Site = Site {
    seed: 0,
    points: 20_000,
    density: 50.0,
    noise: 0.06,
    tail: Tail::Normal,
    shared: 0.0,
    range: 8.0,
    low: 0.0,
    high: 0.0,
    slope: 0.0,
    relief: 0.0,
    returns: 1,
    threshold: 0.15,
    filter_slope: 0.3,
    feet: false,
};

/// Bias and SD of the errors of all ground points of a site, before any filter: noise and shared error alone, and with the blunders.
#[derive(Clone, Copy, Debug)]
pub struct Truth {
    pub noise: (f64, f64),
    pub with_blunders: (f64, f64),
}

impl Site {
    /// Writes `survey.las` and `reference.las`; the reference has no error of its own.
    pub fn write(&self, folder: &Path) -> Truth {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let side = (self.points as f64 / self.density).sqrt();
        let waves: Vec<[f64; 3]> = (0..300)
            .map(|_| {
                // Wave numbers of a Gaussian correlation exp(−(h / range)²).
                let k = 2f64.sqrt() / self.range;
                [k * normal(&mut random), k * normal(&mut random), TAU * random.random::<f64>()]
            })
            .collect();
        let unit = if self.feet { 0.3048 } else { 1.0 };
        let round = |metres: f64| (metres / unit * 1_000.0).floor() / 1_000.0;
        let (mut survey, mut reference): (Vec<Point>, Vec<Point>) = (Vec::new(), Vec::new());
        let (mut noise, mut with_blunders) = (Vec::new(), Vec::new());
        for _ in 0..self.points {
            let (x, y) = (side * random.random::<f64>(), side * random.random::<f64>());
            let truth = 200.0 + self.slope * x + self.relief * (TAU * x / 9.0).sin() * (TAU * y / 11.0).cos();
            let number = random.random_range(1..=self.returns);
            let own = 0.5 * (1.0 + f64::from(number)) * self.noise * self.tail.draw(&mut random);
            let shared = if self.shared > 0.0 { self.shared * sum_of(&waves, x, y) } else { 0.0 };
            let (kind, off) = (random.random::<f64>(), 0.2 + 0.7 * random.random::<f64>());
            let blunder = match kind {
                kind if kind < self.low => -off,
                kind if kind < self.low + self.high => off,
                _ => 0.0,
            };
            noise.push(own + shared);
            with_blunders.push(own + shared + blunder);
            let (x, y) = (round(x), round(y));
            let at = |z: f64, n: u8| Point {
                return_number: n,
                number_of_returns: number,
                ..point(x, y, z / unit)
            };
            (1..number).for_each(|n| survey.push(at(truth + 4.0 + f64::from(n), n)));
            survey.push(at(truth + own + shared + blunder, number));
            reference.push(point(x, y, truth / unit));
        }
        write_plain(&folder.join("survey.las"), &survey);
        write_plain(&folder.join("reference.las"), &reference);
        Truth { noise: bias_and_sd(&noise), with_blunders: bias_and_sd(&with_blunders) }
    }

    /// Writes the pipeline file.
    pub fn pipeline(&self, folder: &Path) -> PathBuf {
        let unit = if self.feet { "ft" } else { "m" };
        let text = format!(
            "survey: {{files: [survey.las], units: {unit}}}\nreference: {{files: [reference.las], units: {unit}}}\n\
             stages:\n  - read: {{}}\n  - ground: {{dh_initial: {} m, slope: {}, window_max: 8 m}}\n  - checkpoints: {{per_return: all}}\n  \
             - compare: {{match: nearest, within: 15 mm}}\n  - summarise: {{by: [return]}}\n",
            self.threshold, self.filter_slope
        );
        let path = folder.join("pipeline.yaml");
        fs::write(&path, text).unwrap();
        path
    }
}

impl Tail {
    fn draw(self, random: &mut SmallRng) -> f64 {
        match self {
            Tail::Normal => normal(random),
            Tail::T(df) => {
                let squares: f64 = (0..df).map(|_| normal(random).powi(2)).sum();
                normal(random) / (squares / f64::from(df)).sqrt() / (f64::from(df) / f64::from(df - 2)).sqrt()
            }
            Tail::Laplace => {
                let (a, b): (f64, f64) = (random.random(), random.random());
                ((1.0 - a).ln() - (1.0 - b).ln()) / 2f64.sqrt()
            }
        }
    }
}

fn bias_and_sd(errors: &[f64]) -> (f64, f64) {
    let n = errors.len() as f64;
    let bias = errors.iter().sum::<f64>() / n;
    (bias, (errors.iter().map(|e| (e - bias).powi(2)).sum::<f64>() / n).sqrt())
}
