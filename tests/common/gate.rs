//! What the tests of the gate share: clouds made with a generator of their own, and runs that end with an error or with results.
#![allow(dead_code)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use las::{Builder, Point, Vlr, Writer};
use serde_json::Value;
use tempfile::TempDir;

#[path = "files.rs"]
pub mod files;

use crate::common::made::{grid, point, slope, write_plain};
use crate::common::random::Normal;
use crate::common::{describe, echograde, refused, root, summary, try_run};

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

/// The error that a run ends with.
pub fn run_refused(file: &Path, code: i32) -> String {
    let out = file.parent().unwrap().join("out");
    let said = refused(&try_run(file, &out, &[]), code);
    assert!(!out.exists() && !out.with_extension("unfinished").exists(), "{said}");
    said
}

pub fn checked(file: &Path) -> Output {
    echograde().arg("check").arg(file).output().unwrap()
}

/// A run that ends with results.
pub fn run_with_results(file: &Path, code: i32) -> (Value, String) {
    let out = file.parent().unwrap().join("out");
    let output = try_run(file, &out, &["--replace"]);
    assert_eq!(output.status.code(), Some(code), "{}", describe(&output));
    (summary(&out), String::from_utf8(output.stdout).unwrap())
}

/// A pipeline file of this text in a folder.
pub fn file(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    fs::write(&path, text).unwrap();
    path
}

/// Copies of the demo's clouds, one strip of the survey alone, and a pipeline file over them.
pub fn demo(read: &str) -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    for (from, to) in [("survey/strip-101.laz", "survey.laz"), ("reference/scan.laz", "reference.laz")] {
        fs::copy(root().join("demo-data").join(from), folder.path().join(to)).unwrap();
    }
    let file = demo_file(folder.path(), read);
    (folder, file)
}

pub fn demo_file(folder: &Path, read: &str) -> PathBuf {
    file(
        folder,
        &format!(
            "survey: {{files: [survey.laz]}}\nreference: {{files: [reference.laz], uncertainty: 5 mm}}\nstages:\n  \
             - read: {{{read}}}\n  - ground: {{}}\n  - checkpoints: {{per_return: all}}\n  - compare: {{}}\n  - summarise: {{}}\n"
        ),
    )
}

/// A hillside of 20 m × 15 m, one point in each quarter of a square metre.
pub fn hillside() -> Vec<Point> {
    grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect()
}

pub fn moved(points: &[Point], change: impl Fn(&mut Point)) -> Vec<Point> {
    let mut points = points.to_vec();
    points.iter_mut().for_each(change);
    points
}

/// A folder with `survey.laz` and `reference.laz`, and a pipeline file over both.
pub fn site(survey: &[Point], reference: &[Point], more: &str) -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("survey.laz"), survey);
    write_plain(&folder.path().join("reference.laz"), reference);
    let text = format!(
        "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m}}\n{more}"
    );
    let pipeline = file(folder.path(), &text);
    (folder, pipeline)
}

pub const ALL: &str =
    "stages: [read: {}, ground: {}, checkpoints: {per_return: all}, compare: {}, summarise: {}]\n";
