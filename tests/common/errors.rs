//! Flat sites whose error is made to a plan: how it is correlated, where reference was measured, how strips lie. Everything is
//! known everywhere, so that the truth is that of all ground of the survey.

use std::path::Path;

use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::made::{Stored, point, write};
use super::random::{Wave, field_wave, normal, smooth_wave, stripe_wave, sum_of};

/// Error that places share, metres.
#[derive(Clone, Copy, Debug)]
pub enum Shared {
    /// None.
    Nothing,
    /// 15 mm, correlated over this distance: it falls to 5 % there.
    OneScale(f64),
    /// 15 mm over 2 m with 8 mm over 60 m.
    TwoScales,
    /// 10 mm in stripes 24 m wide or so that run along track, with 10 mm over 9 m.
    Stripes,
    /// An offset of 10 mm (one sigma) for each of so many strips, with 10 mm over 9 m.
    Strips(u16),
    /// 12 mm in a smooth field that falls to 5 % over this distance.
    Smooth(f64),
    /// On all scales: 4 mm over 3 m, and 1.3 times as much over each three times the distance, to 11 mm over 243 m.
    Fractal,
}

/// Where reference was measured.
#[derive(Clone, Copy, Debug)]
pub enum Cover {
    /// Nine plots over the site.
    Plots,
    /// One block in the middle.
    Block,
    /// One block in the south-west corner.
    Corner,
    /// The western part, by its share.
    West(f64),
}

/// A site.
#[derive(Clone, Copy, Debug)]
pub struct Site {
    pub seed: u64,
    /// Extent, metres.
    pub side: [f64; 2],
    pub shared: Shared,
    pub cover: Cover,
    /// Share of the site with reference, for plots and block.
    pub share: f64,
    /// Survey points a square metre.
    pub density: f64,
    /// SD of the noise of points, metres.
    pub noise: f64,
    /// Whether one point in twenty has four times the noise.
    pub heavy: bool,
    /// Direction across track, degrees from east.
    pub across: f64,
    /// Metres in the unit that the files are in.
    pub unit: f64,
}

/// 200 m × 200 m, an eighth with reference, one point a square metre.
pub const SITE: Site = Site {
    seed: 0,
    side: [200.0, 200.0],
    shared: Shared::Nothing,
    cover: Cover::Plots,
    share: 0.125,
    density: 1.0,
    noise: 0.015,
    heavy: false,
    across: 0.0,
    unit: 1.0,
};

/// Bias, SD and RMSE of all ground points, in the unit of the files.
pub type Truth = [f64; 3];

/// A sum of waves that is a Gaussian field of unit variance.
struct Waves(Vec<Wave>);

impl Waves {
    fn field(random: &mut SmallRng, range: f64) -> Waves {
        Waves((0..150).map(|_| field_wave(random, range)).collect())
    }

    fn smooth(random: &mut SmallRng, range: f64) -> Waves {
        Waves((0..150).map(|_| smooth_wave(random, range)).collect())
    }

    fn stripes(random: &mut SmallRng, range: f64, across: [f64; 2]) -> Waves {
        Waves((0..150).map(|_| stripe_wave(random, range, across)).collect())
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        sum_of(&self.0, x, y)
    }
}

impl Site {
    /// Writes `survey.las` and `reference.las`, and gives the truth.
    pub fn write(&self, folder: &Path) -> Truth {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let [wide, high] = self.side;
        let across = [self.across.to_radians().cos(), self.across.to_radians().sin()];
        let fields = match self.shared {
            Shared::Nothing => Vec::new(),
            Shared::OneScale(range) => vec![(0.015, Waves::field(&mut random, range))],
            Shared::TwoScales => {
                vec![(0.015, Waves::field(&mut random, 2.0)), (0.008, Waves::field(&mut random, 60.0))]
            }
            Shared::Stripes => {
                vec![
                    (0.010, Waves::stripes(&mut random, 24.0, across)),
                    (0.010, Waves::field(&mut random, 9.0)),
                ]
            }
            Shared::Strips(_) => vec![(0.010, Waves::field(&mut random, 9.0))],
            Shared::Smooth(range) => vec![(0.012, Waves::smooth(&mut random, range))],
            Shared::Fractal => {
                let part = |i: i32| (0.004 * 1.3f64.powi(i), Waves::field(&mut random, 3.0 * 3f64.powi(i)));
                (0..5).map(part).collect()
            }
        };
        let strips = if let Shared::Strips(strips) = self.shared { strips } else { 1 };
        let offsets: Vec<f64> =
            (0..strips).map(|_| if strips > 1 { 0.010 * normal(&mut random) } else { 0.0 }).collect();
        let [from, to] = {
            let corners = [(0.0, 0.0), (wide, 0.0), (0.0, high), (wide, high)];
            let at = |(x, y): (f64, f64)| x * across[0] + y * across[1];
            let ends = corners.map(at);
            [ends.iter().copied().fold(f64::MAX, f64::min), ends.iter().copied().fold(f64::MIN, f64::max)]
        };
        let (mut survey, mut reference): (Vec<Point>, Vec<Point>) = (Vec::new(), Vec::new());
        let (mut sum, mut squares) = (0.0, 0.0);
        let made = |x: f64, y: f64, z: f64| point(x / self.unit, y / self.unit, z / self.unit);
        let step = 1.0 / self.density.sqrt();
        for (x, y) in super::made::grid((wide / step) as usize, (high / step) as usize, step) {
            let shake = |random: &mut SmallRng| (random.random::<f64>() * 0.8 - 0.4) * step;
            let (x, y) = (x + shake(&mut random), y + shake(&mut random));
            let (x, y) = ((x * 1000.0).round() / 1000.0, (y * 1000.0).round() / 1000.0);
            let along = (x * across[0] + y * across[1] - from) / (to - from);
            let strip = ((along * f64::from(strips)) as usize).min(offsets.len() - 1);
            let mut noise = self.noise * normal(&mut random);
            if self.heavy && random.random_bool(0.05) {
                noise *= 4.0;
            }
            let shared: f64 = fields.iter().map(|(sd, field)| sd * field.at(x, y)).sum();
            let error = 0.004 + shared + offsets[strip] + noise;
            let error = (error * 10_000.0).round() / 10_000.0;
            (sum, squares) = (sum + error, squares + error * error);
            survey.push(Point { point_source_id: 101 + strip as u16, ..made(x, y, 100.0 + error) });
            if self.has_reference(x / wide, y / high) {
                reference.push(made(x, y, 100.0));
            }
        }
        let stored = Stored { z_scale: 0.0001, ..Stored::SILENT };
        write(&folder.join("survey.las"), &survey, &stored);
        write(&folder.join("reference.las"), &reference, &stored);
        let n = survey.len() as f64;
        let bias = sum / n;
        [bias, (squares / n - bias * bias).sqrt(), (squares / n).sqrt()].map(|figure| figure / self.unit)
    }

    /// Whether there is reference, at shares of the extent.
    fn has_reference(&self, x: f64, y: f64) -> bool {
        let half = self.share.sqrt() / 2.0;
        match self.cover {
            Cover::Plots => [x, y].iter().all(|v| ((v * 3.0).fract() - 0.5).abs() < half),
            Cover::Block => [x, y].iter().all(|v| (v - 0.5).abs() < half),
            Cover::Corner => x.max(y) < 2.0 * half,
            Cover::West(share) => x < share,
        }
    }
}
