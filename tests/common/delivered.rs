//! Made flights whose classes are known, right and wrong ones, with reference points at the same places.

use std::collections::HashMap;
use std::path::Path;

use las::Point;
use las::point::Classification;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::Value;

use super::made::{self, CORNER, Stored};
use super::number;
use super::random::normal;

/// A classified flight; lengths in the unit of its files.
#[derive(Clone, Copy)]
pub struct Delivered {
    pub seed: u64,
    pub side: f64,
    /// Pulses, and reference points at the same places on half of the site.
    pub pulses: usize,
    /// Rise eastwards.
    pub slope: f64,
    pub strips: u16,
    /// Share of the ground that is not classified as such; of what stands a metre or so above it that is; and of stray
    /// returns far below that are.
    pub wrong: [f64; 3],
}

/// A point of the survey: thousandths of the unit, counted from the corner of the site.
pub struct Made {
    pub at: [i64; 2],
    pub z: i64,
    pub number: u8,
    pub of: u8,
    pub class: u8,
    pub strip: u16,
}

/// What is delivered, and the reference by place.
pub struct Site {
    pub survey: Vec<Made>,
    pub reference: HashMap<[i64; 2], i64>,
}

impl Delivered {
    pub fn make(&self) -> Site {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let (mut survey, mut reference) = (Vec::new(), HashMap::new());
        let thousandths = |v: f64| (v * 1000.0).round() as i64;
        for _ in 0..self.pulses {
            let at = [0, 1].map(|_| random.random_range(0..thousandths(self.side)));
            let [x, y] = at.map(|v| v as f64 / 1000.0);
            let ground = 310.0 + self.slope * x + 0.6 * (x / 31.0).sin() * (y / 23.0).cos();
            let strip = 7 + (x / self.side * f64::from(self.strips)) as u16;
            // Shrubs of some height, in clumps.
            let under = (x / 9.0).sin() + (y / 7.0).cos() > 0.7;
            let returns = if under { random.random_range(1..=3) } else { 1 };
            for number in 1..returns {
                let z = thousandths(ground + 0.5 + 1.5 * random.random::<f64>());
                let class = if random.random::<f64>() < self.wrong[1] { 2 } else { 4 };
                survey.push(Made { at, z, number, of: returns, class, strip });
            }
            let stray = random.random::<f64>() < 0.01;
            let error = [0.0, -0.02, 0.05][usize::from(returns) - 1] + 0.03 * normal(&mut random);
            let (z, class) = match (stray, random.random::<f64>()) {
                (true, chance) => (ground - 4.0, if chance < self.wrong[2] { 2 } else { 7 }),
                (false, chance) => (ground + error, if chance < self.wrong[0] { 1 } else { 2 }),
            };
            survey.push(Made { at, z: thousandths(z), number: returns, of: returns, class, strip });
            if (x / 25.0) as i64 % 2 == 0 {
                reference.insert(at, thousandths(ground + 0.004 * normal(&mut random)));
            }
        }
        Site { survey, reference }
    }
}

impl Site {
    /// Writes `survey.laz`, or a file for each strip, and `reference.laz`, in which each point has a class.
    pub fn write(&self, folder: &Path, by_strip: bool, class_of_reference: u8) {
        let echo = |at: [i64; 2], z: i64| Point {
            x: CORNER.0 + at[0] as f64 / 1000.0,
            y: CORNER.1 + at[1] as f64 / 1000.0,
            ..made::point(0.0, 0.0, z as f64 / 1000.0)
        };
        let class = |code: u8| Classification::new(code).unwrap();
        let mut files: HashMap<String, Vec<Point>> = HashMap::new();
        for one in &self.survey {
            let name = if by_strip { format!("s{}.laz", one.strip) } else { "survey.laz".to_string() };
            files.entry(name).or_default().push(Point {
                return_number: one.number,
                number_of_returns: one.of,
                classification: class(one.class),
                point_source_id: one.strip,
                ..echo(one.at, one.z)
            });
        }
        for (name, points) in files {
            made::write(&folder.join(name), &points, &Stored::SILENT);
        }
        let mut reference: Vec<_> = self.reference.iter().collect();
        reference.sort();
        let reference: Vec<Point> = reference
            .into_iter()
            .map(|(at, z)| Point { classification: class(class_of_reference), ..echo(*at, *z) })
            .collect();
        made::write(&folder.join("reference.laz"), &reference, &Stored::SILENT);
    }

    /// dz, in thousandths, of what `chosen` takes of the points that have reference at their place.
    pub fn dz(&self, chosen: impl Fn(&Made) -> bool) -> Vec<f64> {
        let chosen = self.survey.iter().filter(|one| chosen(one));
        chosen.filter_map(|one| Some((one.z - self.reference.get(&one.at)?) as f64)).collect()
    }

    pub fn count(&self, chosen: impl Fn(&Made) -> bool) -> u64 {
        self.survey.iter().filter(|one| chosen(one)).count() as u64
    }
}

/// Number, mean and sample SD.
pub fn figures(dz: &[f64]) -> (u64, f64, f64) {
    let n = dz.len() as f64;
    let mean = dz.iter().sum::<f64>() / n;
    (dz.len() as u64, mean, (dz.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

/// On nearly flat ground, about a point per square unit: a tenth of the ground is not classified as such.
pub const FLAT: Delivered =
    Delivered { seed: 1, side: 150.0, pulses: 20_000, slope: 0.02, strips: 4, wrong: [0.1, 0.02, 0.2] };

/// Compares a group of a summary with dz in thousandths. A thousandth of a foot is no whole number of micrometres: each dz is
/// rounded by one at the most.
pub fn agrees(found: &Value, dz: &[f64], what: &str) {
    let (n, bias, sd) = figures(dz);
    let close = |a: f64, b: f64| (a * 1000.0 - b).abs() < if what.contains("ft") { 3.3e-3 } else { 1e-6 };
    assert_eq!(found["compared"], n, "{what}");
    assert!(close(number(found, "bias"), bias), "{what}: {found} {bias}");
    assert!(close(number(found, "sd"), sd), "{what}: {found} {sd}");
}
