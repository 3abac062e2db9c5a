//! Scans in E57 as the reference, through the real program: poses, setups, damage, `inspect` and `check`.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{self, COMPARE_ALL, CORNER, Stored, grid, point, slope};
use common::scans::{Scan, write};
use common::{echograde, manifest, number, refused, run, try_run};
use e57::{RecordDataType, RecordName, RecordValue};
use serde_json::Value;
use tempfile::TempDir;

/// Where a scanner stood and how it was turned, counted from the corner of the site.
const SETUPS: [(f64, [f64; 3]); 2] = [(0.7, [5.0, 4.0, 301.0]), (-2.1, [14.0, 11.0, 302.0])];

/// A scan of these ground positions from a setup, in the scanner's own frame, with the pose that takes it back.
fn scan(positions: &[(f64, f64)], (turn, at): (f64, [f64; 3]), name: &str) -> Scan {
    let (sin, cos) = turn.sin_cos();
    let local = positions.iter().map(|&(x, y)| {
        let (dx, dy) = (x - at[0], y - at[1]);
        [cos * dx + sin * dy, cos * dy - sin * dx, slope(x, y) - at[2]]
    });
    Scan::of(local).named(name).posed(turn, [CORNER.0 + at[0], CORNER.1 + at[1], at[2]])
}

/// A survey 20 mm above the slope, and its western and eastern half for two setups, which overlap.
fn site() -> (TempDir, [Vec<(f64, f64)>; 2]) {
    let folder = TempDir::new().unwrap();
    let survey: Vec<_> = grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + 0.02)).collect();
    made::write_plain(&folder.path().join("survey.laz"), &survey);
    let half = |from: f64, to: f64| grid(40, 30, 0.5).filter(|(x, _)| (from..to).contains(x)).collect();
    (folder, [half(0.0, 11.0), half(9.0, 20.0)])
}

fn pipeline(folder: &Path, reference: &str, stages: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text =
        format!("survey: {{files: [survey.laz], units: m}}\nreference: {reference}\nstages: {stages}\n");
    fs::write(&path, text).unwrap();
    path
}

fn both(folder: &Path, halves: &[Vec<(f64, f64)>; 2]) -> PathBuf {
    let path = folder.join("scan.e57");
    let scans = [scan(&halves[0], SETUPS[0], "west"), scan(&halves[1], SETUPS[1], "east")];
    write(&path, &scans, None);
    path
}

#[test]
fn scans_of_one_file_are_compared_with_their_poses_applied() {
    let (folder, halves) = site();
    both(folder.path(), &halves);
    let found = run(&pipeline(folder.path(), "{files: [scan.e57]}", COMPARE_ALL), &[]);
    let summary = found.summary();
    assert_eq!(summary["all"]["compared"], 1200);
    assert!((number(&summary["all"], "bias") - 0.02).abs() < 1e-5, "{}", summary["all"]);
    assert!(number(&summary["all"], "sd") < 1e-5, "{}", summary["all"]);
    // Each point of each scan is counted once, and the file is one input with the hash of its bytes.
    assert_eq!(summary["reference"]["read"], (halves[0].len() + halves[1].len()) as u64);
    let inputs = manifest(&found.out)["inputs"].clone();
    assert_eq!(inputs.as_array().unwrap().len(), 2);
    let bytes = fs::read(folder.path().join("scan.e57")).unwrap();
    assert_eq!(inputs[1]["size"], bytes.len() as u64);
    use sha2::Digest;
    let hash = echograde::cloud::files::hex(&sha2::Sha256::digest(&bytes));
    assert_eq!(inputs[1]["sha256"], hash);
}

#[test]
fn setups_are_named_over_several_files_of_either_kind_and_can_be_selected() {
    let (folder, halves) = site();
    write(&folder.path().join("s1.e57"), &[scan(&halves[0], SETUPS[0], "any")], None);
    let east: Vec<_> = halves[1].iter().map(|&(x, y)| point(x, y, slope(x, y) + 0.005)).collect();
    made::write_plain(&folder.path().join("s2.laz"), &east);
    let reference = "{scans: [{name: S1, files: [s1.e57]}, {name: S2, files: [s2.laz]}], units: m}";
    let bias = |strips: &str, compared: u64| {
        let stages = format!(
            "[read: {{}}, select: {{cloud: reference, strips: {strips}}}, ground: {{}}, checkpoints: {{per_return: all}}, \
             compare: {{within: 15 mm}}, summarise: {{}}]"
        );
        let all = run(&pipeline(folder.path(), reference, &stages), &[]).summary()["all"].clone();
        assert_eq!(all["compared"], compared, "{all}");
        number(&all, "bias")
    };
    assert!((bias("[1]", 660) - 0.02).abs() < 1e-5);
    assert!((bias("[2]", 660) - 0.015).abs() < 1e-5);
}

#[test]
fn results_are_the_same_over_tiles_threads_and_memory() {
    let (folder, halves) = site();
    both(folder.path(), &halves);
    let with = |tile: &str, options: &[&str]| {
        let stages = format!(
            "[read: {{tile: {tile}}}, ground: {{}}, checkpoints: {{spacing: 2 m}}, compare: {{match: plane, within: 1 m}}, summarise: {{}}]"
        );
        run(&pipeline(folder.path(), "{files: [scan.e57]}", &stages), options).same_bytes()
    };
    let first = with("7 m", &[]);
    assert_eq!(first, with("50 m", &["--threads", "1"]));
    assert_eq!(first, with("13 m", &["--threads", "3"]));
}

#[test]
fn points_flagged_invalid_are_not_used_and_counted() {
    let (folder, halves) = site();
    let mut scan = scan(&halves[0], SETUPS[0], "west");
    scan.fields.push((RecordName::CartesianInvalidState, RecordDataType::Integer { min: 0, max: 2 }));
    for (i, point) in scan.points.iter_mut().enumerate() {
        point.push(RecordValue::Integer(if i % 5 == 0 { 2 } else { 0 }));
    }
    write(&folder.path().join("scan.e57"), &[scan], None);
    let summary = run(&pipeline(folder.path(), "{files: [scan.e57]}", COMPARE_ALL), &[]).summary();
    let invalid = halves[0].len().div_ceil(5);
    assert_eq!(summary["reference"]["withheld"], invalid as u64);
    assert_eq!(summary["all"]["compared"], (halves[0].len() - invalid) as u64);
}

#[test]
fn a_damaged_page_stops_the_run_or_loses_its_block_alone() {
    let (folder, _) = site();
    // Enough for several blocks.
    let positions: Vec<_> = grid(400, 300, 0.05).collect();
    let path = folder.path().join("scan.e57");
    write(&path, &[scan(&positions, SETUPS[0], "west")], None);
    let mut bytes = fs::read(&path).unwrap();
    bytes[1_500_000] ^= 4;
    fs::write(&path, bytes).unwrap();
    let file = pipeline(
        folder.path(),
        "{files: [scan.e57]}",
        "[read: {}, ground: {}, checkpoints: {}, compare: {}, summarise: {}]",
    );
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 1);
    assert!(error.contains("scan.e57: block 2 of 3") && error.contains("read: {damaged: skip}"), "{error}");
    let skipping =
        "[read: {damaged: skip}, ground: {}, checkpoints: {}, compare: {within: 5 cm}, summarise: {}]";
    let found = run(&pipeline(folder.path(), "{files: [scan.e57]}", skipping), &[]);
    let counts = found.summary()["reference"].clone();
    assert_eq!((&counts["damaged_blocks"], &counts["read"]), (&Value::from(1), &Value::from(120_000)));
    assert!(number(&counts, "lost_points") > 10_000.0, "{counts}");
}

#[test]
fn a_file_cut_short_names_the_remedy() {
    let (folder, halves) = site();
    let path = both(folder.path(), &halves);
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let file = pipeline(folder.path(), "{files: [scan.e57]}", COMPARE_ALL);
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 1);
    assert!(error.contains("scan.e57") && error.contains("Copy or export the file again"), "{error}");
    assert!(!folder.path().join("out").exists());
}

#[test]
fn the_system_of_the_metadata_is_compared_with_that_of_the_survey() {
    let folder = TempDir::new().unwrap();
    let survey: Vec<_> = grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect();
    let system = Stored::with_system_of("metre.wkt");
    made::write(&folder.path().join("survey.laz"), &survey, &system);
    let positions: Vec<_> = grid(40, 30, 0.5).collect();
    let scans = [scan(&positions, SETUPS[0], "one")];
    let path = folder.path().join("pipeline.yaml");
    fs::write(&path, "survey: {files: [survey.laz]}\nreference: {files: [scan.e57]}\n").unwrap();
    write(&folder.path().join("scan.e57"), &scans, system.wkt.as_deref());
    assert_eq!(run(&path, &[]).summary()["all"]["compared"], 1200);
    let other = fs::read_to_string(common::root().join("demo-data/make_site/metre.wkt")).unwrap();
    write(&folder.path().join("scan.e57"), &scans, Some(&other.replace("25832", "25833")));
    let error = refused(&try_run(&path, &folder.path().join("out"), &[]), 2);
    assert!(error.contains("scan.e57 is in") && error.contains("25833"), "{error}");
}

#[test]
fn files_or_scans_but_not_both_and_no_file_in_two_setups() {
    let (folder, halves) = site();
    both(folder.path(), &halves);
    let says = |reference: &str| {
        let file = pipeline(
            folder.path(),
            reference,
            "[read: {}, ground: {}, checkpoints: {}, compare: {}, summarise: {}]",
        );
        refused(&echograde().arg("check").arg(&file).output().unwrap(), 2)
    };
    let error = says("{files: [scan.e57], scans: [{name: a, files: [scan.e57]}]}");
    assert!(error.contains("expected `files` or `scans`, not both"), "{error}");
    let error = says("{scans: [{name: a, files: [scan.e57]}, {name: b, files: ['*.e57']}]}");
    assert!(error.contains("`scan.e57` belongs to setup 1 and setup 2"), "{error}");
    let error = says("{scans: [{name: a, files: [none.e57]}, {name: a, files: []}]}");
    assert!(error.contains("there is no file `none.e57`") && error.contains("is given twice"), "{error}");
}

#[test]
fn inspect_shows_scans_points_boxes_poses_and_the_missing_system() {
    let (folder, halves) = site();
    let path = both(folder.path(), &halves);
    let output = echograde().args(["inspect", "--json"]).arg(&path).output().unwrap();
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(found["format"], "E57");
    assert_eq!(found["points"], (halves[0].len() + halves[1].len()) as u64);
    let scans = found["scans"].as_array().unwrap();
    assert_eq!((&scans[0]["name"], &scans[1]["name"]), (&Value::from("west"), &Value::from("east")));
    assert_eq!(scans[1]["pose"]["translation"][0], CORNER.0 + 14.0);
    let least = scans[1]["bounds"]["min"][0].as_f64().unwrap();
    assert!((least - (CORNER.0 + 9.25)).abs() < 1e-5, "{least}");
    assert_eq!(found["problems"], serde_json::json!(["the file states no coordinate system"]));
    let output = echograde().arg("inspect").arg(&path).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("E57, 2 scan(s)") && text.contains("west: 660 points"), "{text}");
    assert!(text.contains("pose: shift 500005.000, 4200004.000, 301.000 m"), "{text}");
}

#[test]
fn xml_nested_without_end_crashes_nothing() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("deep.e57");
    let mut writer = e57::E57Writer::from_file(&path, "file").unwrap();
    let deep = |xml: String| {
        let nested = format!("{}{}", "<a>".repeat(300_000), "</a>".repeat(300_000));
        Ok(xml.replace("</e57Root>", &format!("{nested}</e57Root>")))
    };
    writer.finalize_customized_xml(deep).unwrap();
    let output = echograde().arg("inspect").arg(&path).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", common::describe(&output));
    assert!(String::from_utf8_lossy(&output.stderr).contains("deep.e57"), "{}", common::describe(&output));
}
