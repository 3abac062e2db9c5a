//! The clouds of `tests/data` against what an independent reader finds in them: `tests/oracle/clouds.py` wrote
//! `tests/oracle/clouds.json`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

use echograde::cloud::{Crs, Decoded, Fields, GpsTimeType, LasDecoder, LasFile, StatedUnit};
use echograde::units::Unit;
use serde_json::Value;

const ALL: Fields = Fields { strip: true, scan_angle: true, gps_time: true };

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

fn oracle() -> serde_json::Map<String, Value> {
    let text = include_str!("oracle/clouds.json");
    let value: Value = serde_json::from_str(text).unwrap();
    value["clouds"].as_object().unwrap().clone()
}

fn decode(cloud: &LasFile, unit: Unit) -> Vec<Decoded> {
    let mut decoder = LasDecoder::new(cloud, ALL, unit, unit).unwrap();
    let mut points = Vec::new();
    for block in &cloud.blocks {
        decoder.for_each(block, |point| points.push(*point)).unwrap();
    }
    points
}

/// Floats as the oracle writes them: text, to be parsed by the standard library.
fn floats(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(float).collect()
}

fn float(value: &Value) -> f64 {
    value.as_str().unwrap().parse().unwrap()
}

fn counts(values: impl Iterator<Item = u64>) -> Value {
    let mut counts = BTreeMap::new();
    for value in values {
        *counts.entry(value).or_insert(0u64) += 1;
    }
    counts
        .into_iter()
        .map(|(value, count)| (value.to_string(), count.into()))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

#[test]
fn all_fields_agree_with_the_independent_reader() {
    let oracle = oracle();
    assert_eq!(oracle.len(), 6);
    for (name, expected) in oracle {
        let cloud = LasFile::open(data(&name)).unwrap();
        assert_eq!(format!("{}.{}", cloud.version.0, cloud.version.1), expected["version"], "{name}");
        assert_eq!(Value::from(cloud.format), expected["format"], "{name}");
        assert_eq!(Value::from(cloud.record_length), expected["record_length"], "{name}");
        assert_eq!(Value::from(cloud.points), expected["points"], "{name}");
        assert_eq!(Value::from(cloud.points_by_return.to_vec()), expected["points_by_return"], "{name}");
        assert_eq!(cloud.scale.to_vec(), floats(&expected["scales"]), "{name}");
        assert_eq!(cloud.stated_min.to_vec(), floats(&expected["min"]), "{name}");
        assert_eq!(cloud.stated_max.to_vec(), floats(&expected["max"]), "{name}");

        let points = decode(&cloud, Unit::Metre);
        assert!(points.iter().all(|p| p.in_range), "{name}");
        let of = |value: fn(&Decoded) -> u64| counts(points.iter().map(value));
        assert_eq!(of(|p| p.point.return_number.into()), expected["returns"], "{name}");
        assert_eq!(of(|p| p.point.number_of_returns.into()), expected["numbers_of_returns"], "{name}");
        assert_eq!(of(|p| p.point.class.into()), expected["classes"], "{name}");
        assert_eq!(of(|p| p.point.strip.into()), expected["strips"], "{name}");
        assert_eq!(Value::from(points.iter().filter(|p| p.withheld).count()), expected["withheld"], "{name}");
        let angle = |p: &Decoded| {
            let angle = i64::from(p.point.scan_angle);
            // The oracle has whole degrees for the old formats.
            if cloud.format < 6 { (angle as f64 * 0.006).round() as i64 } else { angle }
        };
        assert_eq!(Value::from(points.iter().map(angle).sum::<i64>()), expected["scan_angle_sum"], "{name}");
        let times = || points.iter().map(|p| p.gps_time);
        let span = [times().fold(f64::INFINITY, f64::min), times().fold(f64::NEG_INFINITY, f64::max)];
        assert_eq!(span.to_vec(), floats(&expected["gps_time"]), "{name}");

        // Raw coordinates, taken back out of the micrometres.
        let raw = |micrometres: i64, axis: usize| {
            ((micrometres as f64 / 1e6 - cloud.offset[axis]) / cloud.scale[axis]).round() as i64
        };
        let sum = |axis: usize, of: fn(&Decoded) -> i64| points.iter().map(|p| raw(of(p), axis)).sum::<i64>();
        assert_eq!(Value::from(sum(0, |p| p.point.x)), expected["raw_sum"]["x"], "{name}");
        assert_eq!(Value::from(sum(1, |p| p.point.y)), expected["raw_sum"]["y"], "{name}");
        assert_eq!(Value::from(sum(2, |p| p.point.z)), expected["raw_sum"]["z"], "{name}");
        for (point, first) in points.iter().zip(expected["first_points"].as_array().unwrap()) {
            let found: Vec<Value> = vec![
                raw(point.point.x, 0).into(),
                raw(point.point.y, 1).into(),
                raw(point.point.z, 2).into(),
                point.point.return_number.into(),
            ];
            assert_eq!(found, first.as_array().unwrap()[..4], "{name}");
            assert_eq!(point.gps_time, float(&first[4]), "{name}");
        }
    }
}

#[test]
fn coordinates_agree_to_the_micrometre_in_every_unit() {
    for (name, expected) in oracle() {
        let cloud = LasFile::open(data(&name)).unwrap();
        for unit in Unit::ALL {
            let points = decode(&cloud, unit);
            for (axis, of) in [("x", 0), ("y", 1), ("z", 2)] {
                let values = || points.iter().map(|p| [p.point.x, p.point.y, p.point.z][of]);
                let expected = &expected["micrometres"][unit.symbol()][axis];
                let sum = values().map(i128::from).sum::<i128>().to_string();
                assert_eq!(sum, expected["sum"], "{name} {unit} {axis}");
                assert_eq!(Value::from(values().min().unwrap()), expected["min"], "{name} {unit} {axis}");
                assert_eq!(Value::from(values().max().unwrap()), expected["max"], "{name} {unit} {axis}");
            }
        }
    }
}

#[test]
fn the_systems_and_units_are_read_as_stated() {
    let crs = |name: &str| -> Crs { LasFile::open(data(name)).unwrap().crs };

    let autzen = crs("autzen_trim.laz");
    assert_eq!(autzen.horizontal_unit, StatedUnit::Stated(Unit::Foot));
    assert_eq!(autzen.vertical_unit, StatedUnit::NotStated);
    assert_eq!(autzen.describe(), "NAD_1983_HARN_Lambert_Conformal_Conic; vertical system not stated");
    assert_eq!(autzen.problems, Vec::<String>::new());

    let contradictory = crs("1_4_w_evlr.laz");
    assert_eq!(contradictory.horizontal_unit, StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(contradictory.vertical_unit, StatedUnit::Contradictory(Unit::UsSurveyFoot));
    assert_eq!(contradictory.horizontal_code, Some(2903));
    assert_eq!(contradictory.vertical_code, Some(5703));
    assert_eq!(contradictory.problems.len(), 1);

    let compound = crs("simple.copc.laz");
    assert_eq!(compound.horizontal_unit, StatedUnit::Stated(Unit::Metre));
    assert_eq!(compound.vertical_unit, StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(compound.describe(), "NAD83 / Oregon LCC (m) (EPSG 2991) + NAVD88 height (ftUS) (EPSG 6360)");

    for name in ["simple.las", "extrabytes.las"] {
        assert_eq!(crs(name), Crs::default(), "{name}");
    }
    assert_eq!(autzen.same_horizontal(&compound), Some(false));
    assert_eq!(autzen.same_horizontal(&crs("simple.las")), None);
}

#[test]
fn the_header_is_read_as_stated() {
    let cloud = LasFile::open(data("autzen_trim.laz")).unwrap();
    assert!(cloud.compressed && !cloud.synthetic_returns);
    assert_eq!(cloud.gps_time_type, GpsTimeType::WeekSeconds);
    assert_eq!(cloud.creation_date.as_deref(), Some("2015-09-10"));
    assert_eq!(cloud.blocks.iter().map(|block| block.points).collect::<Vec<_>>(), [50_000, 50_000, 10_000]);
    let cloud = LasFile::open(data("1_4_w_evlr.laz")).unwrap();
    assert_eq!(cloud.gps_time_type, GpsTimeType::AdjustedStandard);
    assert_eq!(LasFile::open(data("simple.las")).unwrap().notes, Vec::<String>::new());
}

/// Points a second and core, for the cloud that `CLOUD` names:
/// `CLOUD=file.laz cargo test --release --test clouds -- --ignored --nocapture speed`.
#[test]
#[ignore = "a measurement: needs the release profile and a large cloud"]
fn speed() {
    let path = std::env::var_os("CLOUD").map_or_else(|| data("autzen_trim.laz"), PathBuf::from);
    let cloud = LasFile::open(&path).unwrap();
    for (what, fields) in [("least", Fields::default()), ("all", ALL)] {
        let mut decoder = LasDecoder::new(&cloud, fields, Unit::Metre, Unit::Metre).unwrap();
        let (mut points, mut sum) = (0u64, 0i64);
        let start = Instant::now();
        while start.elapsed().as_secs() < 3 {
            for block in &cloud.blocks {
                decoder.for_each(block, |point| sum = sum.wrapping_add(point.point.z)).unwrap();
                points += block.points;
            }
        }
        let rate = points as f64 / start.elapsed().as_secs_f64();
        println!("{what} fields: {:.2} million points a second (check {sum})", rate / 1e6);
    }
}

/// Time of an inspection of the cloud that `CLOUD` names, run as [`speed`] is.
#[test]
#[ignore = "a measurement: needs the release profile and a large cloud"]
fn inspection() {
    let path = std::env::var_os("CLOUD").map_or_else(|| data("autzen_trim.laz"), PathBuf::from);
    let start = Instant::now();
    let found = echograde::cli::inspect::Inspection::of(&path).unwrap();
    println!("{found}{:.3} s", start.elapsed().as_secs_f64());
}
