//! Clouds for the tests of the gate, made with a generator of their own.
#![allow(dead_code)]

use std::path::Path;

use las::{Builder, Point, Vlr, Writer};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use crate::common::made::{point, slope};

/// Normal and uniform random numbers that a seed decides.
pub struct Normal(SmallRng);

impl Normal {
    pub fn new(seed: u64) -> Self {
        Normal(SmallRng::seed_from_u64(seed))
    }

    pub fn uniform(&mut self) -> f64 {
        self.0.random()
    }

    pub fn next(&mut self) -> f64 {
        let (a, b) = (self.uniform(), self.uniform());
        (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

/// Bytes with those from `at` on replaced.
pub fn las_with(bytes: &[u8], at: usize, new: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    bytes[at..at + new.len()].copy_from_slice(new);
    bytes
}

/// A survey of a bare slope, `side` metres square: pulses at random, noise of 30 mm, and a share of low outliers 3 to 12 m below
/// the ground.
pub fn survey_over(side: f64, density: f64, outliers: f64) -> Vec<Point> {
    let mut random = Normal::new(11);
    let count = (side * side * density) as usize;
    (0..count)
        .map(|_| {
            let [x, y] =
                [random.uniform() * side, random.uniform() * side].map(|v| (v * 1000.0).floor() / 1000.0);
            let ground = slope(x, y) + 0.03 * random.next();
            let below = if random.uniform() < outliers { 3.0 + 9.0 * random.uniform() } else { 0.0 };
            point(x, y, ground - below)
        })
        .collect()
}

/// Writes a cloud whose flagged WKT is this text, beside GeoTIFF keys with an EPSG code.
pub fn write_with_keys(path: &Path, points: &[Point], wkt: &str, code: u16) {
    let mut builder = Builder::from(las::Version::new(1, 4));
    builder.point_format = las::point::Format::new(6).unwrap();
    let transform = |offset: f64| las::Transform { scale: 0.001, offset };
    builder.transforms = las::Vector {
        x: transform(points[0].x.round()),
        y: transform(points[0].y.round()),
        z: transform(0.0),
    };
    let words: [u16; 8] = [1, 1, 0, 1, 3072, 0, 1, code];
    builder.vlrs.push(Vlr {
        user_id: "LASF_Projection".into(),
        record_id: 34735,
        data: words.iter().flat_map(|word| word.to_le_bytes()).collect(),
        ..Vlr::default()
    });
    builder.vlrs.push(Vlr {
        user_id: "LASF_Projection".into(),
        record_id: 2112,
        data: [wkt.trim().as_bytes(), b"\0"].concat(),
        ..Vlr::default()
    });
    builder.has_wkt_crs = true;
    let mut writer = Writer::from_path(path, builder.into_header().unwrap()).unwrap();
    points.iter().for_each(|point| writer.write_point(point.clone()).unwrap());
    writer.close().unwrap();
}
