//! Strip against strip and setup against setup, through the real program: sites of known offsets, not made by the demo's generator.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{in_unit, point, write_plain};
use common::random::normal;
use common::scans::{self, Scan};
use common::{codes, flat, number, run};
use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::{Value, json};
use tempfile::TempDir;

/// A flight of strips that run north, each 40 m wide and half over the next, over rolling ground with copses. Lengths in metres.
struct Site {
    seed: u64,
    /// Point source IDs and how much too high each strip lies.
    strips: Vec<(u16, f64)>,
    /// Points a square metre and strip.
    density: f64,
    /// SD of a ground point.
    noise: f64,
    /// Share of the site that is wooded, about.
    wooded: bool,
    /// Slope eastwards.
    slope: f64,
}

impl Default for Site {
    fn default() -> Self {
        let strips = vec![(101, 0.0), (102, 0.0), (103, 0.0), (104, 0.0)];
        Site { seed: 1, strips, density: 10.0, noise: 0.02, wooded: true, slope: 0.04 }
    }
}

const LENGTH: f64 = 90.0;

impl Site {
    fn ground(&self, x: f64, y: f64) -> f64 {
        300.0 + 0.8 * (x / 15.0).sin() * (y / 18.0).cos() + self.slope * x - 0.02 * y
    }

    /// Writes `survey.laz`; `unit` metres are one unit of the file.
    fn write(&self, folder: &Path, unit: f64) {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let mut points = Vec::new();
        for (i, (strip, offset)) in self.strips.iter().enumerate() {
            for _ in 0..(40.0 * LENGTH * self.density) as usize {
                let x = ((20.0 * i as f64 + 40.0 * random.random::<f64>()) * 1000.0).floor() / 1000.0;
                let y = (LENGTH * random.random::<f64>() * 1000.0).floor() / 1000.0;
                let ground = self.ground(x, y) + offset;
                let copse = self.wooded && (x / 6.0).sin() + (y / 5.0).cos() > 0.7;
                let mut add = |z: f64, (return_number, number_of_returns): (u8, u8)| {
                    let at =
                        Point { point_source_id: *strip, return_number, number_of_returns, ..point(x, y, z) };
                    points.push(in_unit(at, unit));
                };
                // Under trees second returns lie 4 cm low, and a bush keeps single returns off the ground.
                match copse {
                    true if random.random_bool(0.6) => {
                        add(ground + 4.0 + 4.0 * random.random::<f64>(), (1, 2));
                        add(ground - 0.04 + 0.03 * normal(&mut random), (2, 2));
                    }
                    true => add(ground + 0.25 * random.random::<f64>(), (1, 1)),
                    false => add(ground + self.noise * normal(&mut random), (1, 1)),
                }
            }
        }
        write_plain(&folder.join("survey.laz"), &points);
    }

    /// Points of a scan of a part of the ground.
    fn scanned(&self, seed: u64, x: (f64, f64), level: f64) -> Vec<[f64; 3]> {
        let mut random = SmallRng::seed_from_u64(seed);
        let count = ((x.1 - x.0) * 30.0 * 60.0) as usize;
        (0..count)
            .map(|_| {
                let at = [x.0 + (x.1 - x.0) * random.random::<f64>(), 20.0 + 30.0 * random.random::<f64>()];
                let [x, y] = at.map(|v| (v * 1000.0).floor() / 1000.0);
                [x, y, self.ground(x, y) + level + 0.003 * normal(&mut random)]
            })
            .collect()
    }

    fn write_scan(&self, path: &Path, seed: u64, x: (f64, f64), level: f64, unit: f64) {
        let points = self.scanned(seed, x, level);
        let points: Vec<Point> = points.iter().map(|[x, y, z]| in_unit(point(*x, *y, *z), unit)).collect();
        write_plain(path, &points);
    }
}

/// Writes a pipeline file: what stands for the reference, and more options of `summarise`.
fn pipeline(folder: &Path, unit: &str, reference: &str, more: &str) -> PathBuf {
    let compared = if reference.is_empty() { "" } else { "checkpoints: {}, compare: {within: 40 mm}, " };
    let stages = format!("[read: {{}}, ground: {{}}, {compared}summarise: {{{more}}}]");
    let text = format!("survey: {{files: [survey.laz], units: {unit}}}\n{reference}\nstages: {stages}\n");
    let path = folder.join("pipeline.yaml");
    fs::write(&path, text).unwrap();
    path
}

/// Numbers of the strips or setups that are off.
fn off(members: &Value) -> Vec<u64> {
    let all = members.as_array().unwrap().iter();
    all.filter(|one| one["off"] == json!(true)).map(|one| one["number"].as_u64().unwrap()).collect()
}

const AGREEMENT_CODES: [&str; 4] = ["strip_off", "strips_disagree", "setup_off", "setups_disagree"];

#[test]
fn one_strip_of_four_lifted_by_three_centimetres_is_the_one_named_in_metres_and_in_feet() {
    for (unit, metres, lifted) in [("m", 1.0, 2), ("ftUS", 1200.0 / 3937.0, 0), ("ft", 0.3048, 3)] {
        let folder = TempDir::new().unwrap();
        let mut site = Site { seed: lifted as u64, ..Site::default() };
        site.strips[lifted].1 = 0.03;
        site.write(folder.path(), metres);
        site.write_scan(&folder.path().join("scan.laz"), 5, (10.0, 70.0), 0.0, metres);
        let reference = format!("reference: {{files: [scan.laz], units: {unit}}}");
        let found = run(&pipeline(folder.path(), unit, &reference, ""), &[]);
        let summary = found.summary();
        let agreement = &summary["agreement"];
        let named = 101 + lifted as u64;
        assert_eq!(off(&agreement["strips"]), [named], "{agreement}");
        assert_eq!(agreement["setups"], Value::Null);
        let member = &agreement["strips"][lifted];
        assert!((number(member, "offset") * metres - 0.03).abs() < 0.002, "{member}");
        let ends = &member["offset_ci95"];
        let inside = ends[0].as_f64().unwrap() * metres < 0.03 && 0.03 < ends[1].as_f64().unwrap() * metres;
        assert!(inside, "{member}");
        for member in agreement["strips"].as_array().unwrap() {
            assert!((number(member, "smoothness") * metres / 0.02 - 1.0).abs() < 0.1, "{member}");
        }
        // Neighbours share half of their ground, and those next but one an edge at most.
        for pair in agreement["strip_pairs"].as_array().unwrap() {
            let two = [0, 1].map(|i| pair["pair"][i].as_u64().unwrap());
            assert_eq!(two[0] + 1, two[1], "{pair}");
            let expected = if two[1] == named {
                0.03
            } else if two[0] == named {
                -0.03
            } else {
                0.0
            };
            assert!((number(pair, "bias") * metres - expected).abs() < 0.0025, "{pair}");
            assert!(number(pair, "area_m2") > 600.0 && number(pair, "area_m2") < 1800.0, "{pair}");
        }
        assert!(codes(&summary).contains(&"strip_off"), "{:?}", codes(&summary));
        let said = flat(&found.stdout);
        assert!(
            said.contains(&format!("Warning: Strip {named} lies")) && said.contains("above the level"),
            "{said}"
        );
        assert!(said.contains("Strip to strip, 3 pairs over"), "{said}");
        let page = found.text("report.html");
        assert!(page.contains("<h2>Strips and setups</h2>") && page.contains("101 and 102"));
    }
}

#[test]
fn strips_need_no_reference_and_none_is_named_where_none_is_off() {
    for (seed, density, noise, slope) in [(3, 10.0, 0.02, 0.04), (4, 30.0, 0.04, 0.25), (5, 6.0, 0.01, 0.0)] {
        let folder = TempDir::new().unwrap();
        Site { seed, density, noise, slope, ..Site::default() }.write(folder.path(), 1.0);
        let summary = run(&pipeline(folder.path(), "m", "", ""), &[]).summary();
        let agreement = &summary["agreement"];
        assert!(off(&agreement["strips"]).is_empty(), "{agreement}");
        assert!(agreement["strips"].as_array().unwrap().iter().all(|one| one["off"] == json!(false)));
        assert!(codes(&summary).iter().all(|code| !AGREEMENT_CODES.contains(code)), "{:?}", codes(&summary));
        assert_eq!(agreement["limits"], Value::Null);
        for pair in agreement["strip_pairs"].as_array().unwrap() {
            let (rms, noise) = (number(pair, "rms"), number(pair, "rms_noise"));
            assert!((rms / noise - 1.0).abs() < 0.15, "{pair}");
            assert!(number(pair, "largest").abs() < 6.0 * noise + 0.02, "{pair}");
        }
    }
}

#[test]
fn with_one_point_source_id_there_are_no_strips_and_with_two_none_can_be_named() {
    let folder = TempDir::new().unwrap();
    let same = |strips: Vec<(u16, f64)>| Site { strips, ..Site::default() }.write(folder.path(), 1.0);
    same(vec![(0, 0.0), (0, 0.03)]);
    let file = pipeline(folder.path(), "m", "", "");
    let found = run(&file, &[]);
    let agreement = &found.summary()["agreement"];
    assert_eq!(agreement["strips"].as_array().unwrap().len(), 1);
    assert_eq!((&agreement["strip_pairs"], &agreement["strips"][0]["off"]), (&json!([]), &Value::Null));
    assert!(found.text("report.html").contains("there are no strips to compare"));
    // Numbers that begin with 0 are numbers like any other.
    same(vec![(0, 0.0), (1, 0.03)]);
    let found = run(&file, &[]);
    let summary = found.summary();
    assert!(off(&summary["agreement"]["strips"]).is_empty());
    assert!(codes(&summary).contains(&"strips_disagree") && !codes(&summary).contains(&"strip_off"));
    let said = flat(&found.stdout);
    assert!(
        said.contains("Strips disagree: 1 lies")
            && said.contains("With two, the one at fault cannot be told"),
        "{said}"
    );
}

/// Named setups, plain files and scans of one E57 file.
#[test]
fn places_are_in_the_unit_of_the_survey_though_the_report_has_another() {
    let folder = TempDir::new().unwrap();
    let foot = 1200.0 / 3937.0;
    Site::default().write(folder.path(), foot);
    let path = pipeline(folder.path(), "ftUS", "", "");
    fs::write(&path, fs::read_to_string(&path).unwrap() + "units: m\n").unwrap();
    let found = run(&path, &[]);
    let summary = found.summary();
    let agreement = &summary["agreement"];
    assert_eq!((&summary["units"], &agreement["horizontal_units"]), (&json!("m"), &json!("ftUS")));
    let (east, north) = common::made::CORNER;
    let pairs = agreement["strip_pairs"].as_array().unwrap();
    assert!(!pairs.is_empty());
    for pair in pairs {
        let [x, y] = [0, 1].map(|axis| pair["largest_at"][axis].as_f64().unwrap() * foot);
        assert!((east..east + 100.0).contains(&x) && (north..north + LENGTH).contains(&y), "{pair}");
        assert!(number(pair, "largest").abs() < 0.1, "{pair}");
    }
    assert!(found.text("report.html").contains("at (easting, northing), ftUS"));
}

#[test]
fn limits_are_those_of_the_class_that_the_decision_gives() {
    let folder = TempDir::new().unwrap();
    Site::default().write(folder.path(), 1.0);
    // The scan lies higher than the ground, and is stated to.
    for (level, plausible) in [(0.0, true), (0.15, true), (4.0, false)] {
        site_scan(folder.path(), level);
        let offset = format!("offset: {{value: {level} m, sigma: 1 mm, why: snow}}");
        let offset = if level > 0.0 { format!(", {offset}") } else { String::new() };
        let reference = format!("reference: {{files: [scan.laz], units: m, uncertainty: 1 mm{offset}}}");
        let out = folder.path().join("out");
        let output = common::try_run(&pipeline(folder.path(), "m", &reference, ""), &out, &["--replace"]);
        assert_eq!(output.status.success(), plausible, "{}", common::describe(&output));
        let summary = fs::read_to_string(out.join("summary.json")).unwrap();
        let summary: Value = serde_json::from_str(&summary).unwrap();
        let limits = &summary["agreement"]["limits"];
        let groups = summary["standards"]["groups"].as_array().unwrap();
        let open = groups.iter().find(|group| group["name"] == "NVA").unwrap();
        if !plausible {
            assert!(codes(&summary).contains(&"implausible_bias") && limits.is_null(), "{limits}");
            continue;
        }
        let given = if level > 0.0 { &open["offset_removed"]["class_cm"] } else { &open["class_cm"] };
        assert_eq!((&limits["class_cm"], given), (&json!(2.5), &json!(2.5)), "{open}");
        assert!(level == 0.0 || number(open, "class_cm") > 10.0, "{open}");
        assert!((number(limits, "rms") - 0.02).abs() < 1e-12, "{limits}");
    }
}

/// Writes `scan.laz`, so much higher than the ground.
fn site_scan(folder: &Path, level: f64) {
    Site::default().write_scan(&folder.join("scan.laz"), 5, (10.0, 70.0), level, 1.0);
}

#[test]
fn one_setup_of_three_lifted_by_a_centimetre_is_the_one_named() {
    let folder = TempDir::new().unwrap();
    let site = Site::default();
    site.write(folder.path(), 1.0);
    let setups = [(11, (5.0, 45.0), 0.0), (12, (30.0, 70.0), 0.01), (13, (20.0, 60.0), 0.0)];
    for (i, (seed, x, level)) in setups.iter().enumerate() {
        site.write_scan(&folder.path().join(format!("setup-{}.laz", i + 1)), *seed, *x, *level, 1.0);
    }
    let scanned = setups.map(|(seed, x, level)| {
        let points = site.scanned(seed, x, level);
        let (east, north) = common::made::CORNER;
        Scan::of(points.into_iter().map(|[x, y, z]| [east + x, north + y, z])).named(&format!("T{seed}"))
    });
    scans::write(&folder.path().join("all.e57"), &scanned, None);
    for (reference, name) in [
        (
            "scans: [{name: A, files: [setup-1.laz]}, {name: B, files: [setup-2.laz]}, {name: C, files: [setup-3.laz]}]",
            "B",
        ),
        ("files: ['setup-*.laz']", "setup-2.laz"),
        ("files: [all.e57]", "T12"),
    ] {
        let units = if reference.contains("e57") { "" } else { ", units: m" };
        let reference = format!("reference: {{{reference}{units}}}");
        let found = run(&pipeline(folder.path(), "m", &reference, ""), &[]);
        let summary = found.summary();
        let agreement = &summary["agreement"];
        assert_eq!(off(&agreement["setups"]), [2], "{agreement}");
        let member = &agreement["setups"][1];
        assert_eq!(member["name"], json!(name));
        assert!((number(member, "offset") - 0.01).abs() < 0.0015, "{member}");
        assert!((number(member, "smoothness") - 0.003).abs() < 0.001, "{member}");
        assert!(off(&agreement["strips"]).is_empty() && codes(&summary).contains(&"setup_off"));
        let said = flat(&found.stdout);
        assert!(
            said.contains(&format!("Setup {name} lies")) && said.contains("Setup to setup, 3 pairs"),
            "{said}"
        );
    }
    // Of files whose points are chosen by point source ID the setup is not the file.
    let stages = "[read: {}, select: {cloud: reference, strips: [0]}, ground: {}, checkpoints: {}, compare: {within: 40 mm}, summarise: {}]";
    let path = folder.path().join("chosen.yaml");
    let text = format!(
        "survey: {{files: [survey.laz], units: m}}\nreference: {{files: ['setup-*.laz'], units: m}}\nstages: {stages}\n"
    );
    fs::write(&path, text).unwrap();
    let summary = run(&path, &[]).summary();
    assert!(summary["all"]["compared"].as_u64().unwrap() > 100 && summary["agreement"]["setups"].is_null());
}

#[test]
fn tiles_threads_and_memory_cannot_be_told_where_tiles_cut_cells_and_setups_overlap() {
    let folder = TempDir::new().unwrap();
    let mut site = Site { density: 20.0, ..Site::default() };
    site.strips[1].1 = 0.03;
    site.write(folder.path(), 1.0);
    for (i, x) in [(5.0, 45.0), (30.0, 70.0)].into_iter().enumerate() {
        site.write_scan(&folder.path().join(format!("setup-{i}.laz")), i as u64, x, 0.004 * i as f64, 1.0);
    }
    for cell in ["1 m", "0.7 m", "2.3 ft"] {
        let reference = "reference: {files: ['setup-*.laz'], units: m}";
        let file = pipeline(folder.path(), "m", reference, &format!("agreement_cell: {cell}"));
        let text = fs::read_to_string(&file).unwrap();
        let of = |tile: u32, options: &[&str]| {
            fs::write(&file, text.replace("read: {}", &format!("read: {{tile: {tile} m}}"))).unwrap();
            run(&file, options)
        };
        let expected = of(200, &["--threads", "1"]);
        let agreement = &expected.summary()["agreement"];
        assert_eq!(off(&agreement["strips"]), [102], "{agreement}");
        assert_eq!(agreement["setups"].as_array().unwrap().len(), 2);
        for (tile, threads, memory) in [(15, "2", "512M"), (33, "7", "64M"), (47, "1", "20M")] {
            let found = of(tile, &["--threads", threads, "--memory", memory]).same_bytes();
            for (name, text) in expected.same_bytes() {
                let other = &found[name];
                let differ = text.lines().zip(other.lines()).find(|(a, b)| a != b);
                assert!(differ.is_none(), "{name}: cells of {cell}, tiles of {tile} m: {differ:?}");
                assert_eq!(other.len(), text.len(), "{name}: cells of {cell}, tiles of {tile} m");
            }
        }
    }
}
