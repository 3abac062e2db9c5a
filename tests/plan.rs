//! `plan`: sites for checkpoints obey every rule on sites whose truth is known, whatever the tiles, threads and memory; what is short is
//! said.

mod common;
#[allow(dead_code)]
#[path = "../demo-data/make_site/random.rs"]
mod random;
#[allow(dead_code)]
#[path = "../demo-data/make_site/terrain.rs"]
mod terrain;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use common::made::{CORNER, in_unit, point, write_plain};
use common::{contains_all, describe, echograde, flat, refused, root};
use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use tempfile::TempDir;

/// Runs `plan` on a pipeline file.
fn plan(file: &Path, out: &Path, options: &[&str]) -> Output {
    echograde().arg("plan").arg(file).arg("--out").arg(out).args(options).output().unwrap()
}

/// The plan that it leaves.
fn planned(file: &Path, out: &Path, options: &[&str]) -> Value {
    let output = plan(file, out, options);
    assert!(output.status.success(), "{}", describe(&output));
    serde_json::from_slice(&fs::read(out.join("plan.json")).unwrap()).unwrap()
}

/// A place as a plan has it, in metres from the corner of the site.
#[derive(Clone, Copy, Debug)]
struct Spot {
    x: f64,
    y: f64,
    z: f64,
    slope: f64,
}

/// Sites and alternatives of a plan under a cover, in metres from a corner; `unit` is metres in the unit of the survey.
fn spots(plan: &Value, cover: &str, unit: f64, corner: (f64, f64)) -> (Vec<Spot>, Vec<Spot>) {
    let place = |value: &Value| Spot {
        x: value["easting"].as_f64().unwrap() * unit - corner.0,
        y: value["northing"].as_f64().unwrap() * unit - corner.1,
        z: value["elevation"].as_f64().unwrap() * unit,
        slope: value["slope"].as_f64().unwrap(),
    };
    let all = plan["sites"].as_array().unwrap().iter().filter(|site| site["cover"] == cover);
    let alternatives = all.clone().map(|site| &site["alternative"]).filter(|other| !other.is_null());
    (all.clone().map(place).collect(), alternatives.map(place).collect())
}

/// What a plan says of a cover.
fn of_cover<'a>(plan: &'a Value, cover: &str) -> &'a Value {
    plan["covers"].as_array().unwrap().iter().find(|one| one["cover"] == cover).unwrap()
}

/// Spacing, quadrants and distances that a plan states are those of its sites; gives the least distance, metres.
fn agrees_with_itself(plan: &Value, cover: &str, unit: f64, corner: (f64, f64), size: (f64, f64)) -> f64 {
    let (sites, _) = spots(plan, cover, unit, corner);
    let stated = of_cover(plan, cover);
    assert_eq!(stated["proposed"].as_u64().unwrap() as usize, sites.len());
    let mut quadrants = BTreeMap::from([("NE", 0), ("NW", 0), ("SE", 0), ("SW", 0)]);
    for site in &sites {
        let north = if site.y < size.1 / 2.0 { "S" } else { "N" };
        let east = if site.x < size.0 / 2.0 { "W" } else { "E" };
        *quadrants.get_mut(format!("{north}{east}").as_str()).unwrap() += 1;
    }
    for (name, count) in &quadrants {
        assert_eq!(stated["quadrants"][*name], *count, "{name}");
    }
    let mut least = f64::INFINITY;
    for (i, a) in sites.iter().enumerate() {
        for b in &sites[..i] {
            least = least.min((a.x - b.x).hypot(a.y - b.y));
        }
    }
    assert!((stated["spacing"].as_f64().unwrap() * unit - least).abs() < 0.01);
    let rule = 0.1 * size.0.hypot(size.1);
    assert_eq!(stated["spacing_met"], least >= rule * 0.9999, "{least} {rule}");
    let fifth = ((0.2 * sites.len() as f64).ceil() as u64).min(sites.len() as u64 / 4);
    assert_eq!(stated["quadrants_met"], quadrants.values().all(|n| *n >= fifth), "{quadrants:?}");
    least
}

/// Distance from a position to a box: west, east, south, north; negative within.
fn from_box([west, east, south, north]: [f64; 4], x: f64, y: f64) -> f64 {
    let (dx, dy) = ((west - x).max(x - east), (south - y).max(y - north));
    if dx > 0.0 && dy > 0.0 { dx.hypot(dy) } else { dx.max(dy) }
}

/// Steepest slope of the true ground, over a metre.
fn slope_of(ground: &impl Fn(f64, f64) -> f64, x: f64, y: f64) -> f64 {
    let along = |dx: f64, dy: f64| ground(x + dx, y + dy) - ground(x - dx, y - dy);
    along(0.5, 0.0).hypot(along(0.0, 0.5))
}

/// How far the true ground within 3 m departs from the plane that it has in the middle of them.
fn departs(ground: &impl Fn(f64, f64) -> f64, x: f64, y: f64) -> f64 {
    let mut most: f64 = 0.0;
    let along = |dx: f64, dy: f64| (ground(x + dx, y + dy) - ground(x - dx, y - dy)) / 4.0;
    let (a, b) = (along(2.0, 0.0), along(0.0, 2.0));
    for i in -6..=6 {
        for j in -6..=6 {
            let (dx, dy) = (f64::from(i) * 0.5, f64::from(j) * 0.5);
            if dx.hypot(dy) < 3.0 {
                most = most.max((ground(x + dx, y + dy) - ground(x, y) - a * dx - b * dy).abs());
            }
        }
    }
    most
}

#[test]
fn sites_on_the_demo_obey_the_rules_against_its_truth() {
    let folder = TempDir::new().unwrap();
    let truth: Value =
        serde_json::from_slice(&fs::read(root().join("demo-data/truth.json")).unwrap()).unwrap();
    let plot = terrain::Plot::new(truth["seed"].as_u64().unwrap(), 0, 0);
    let corner = (400_000.0, 6_100_000.0);
    let found = planned(
        &root().join("pipelines/demo.yaml"),
        &folder.path().join("plan"),
        &["--open", "30", "--canopy", "20", "--low", "3", "--class", "10 cm"],
    );
    let crown = |x: f64, y: f64| {
        plot.trees.iter().map(|tree| tree.distance(x, y) - tree.crown).fold(f64::INFINITY, f64::min)
    };
    for (cover, count) in [("open", 30), ("canopy", 20), ("low", 3)] {
        let (sites, alternatives) = spots(&found, cover, 1.0, corner);
        assert_eq!(sites.len(), count, "{cover}");
        for spot in sites.iter().chain(&alternatives) {
            let Spot { x, y, z, slope } = *spot;
            assert!(-from_box([0.0, 120.0, 0.0, 90.0], x, y) > 2.4, "{cover}: {spot:?}");
            assert!(from_box(terrain::BUILDING, x, y) > 3.0, "{cover}: {spot:?}");
            let true_slope = slope_of(&terrain::ground, x, y);
            assert!((true_slope - slope).abs() < 0.03 && slope <= 0.176, "{cover}: {spot:?} {true_slope}");
            // The class is 10 cm: a third of it, and what noise hides beside.
            assert!(
                departs(&terrain::ground, x, y) < 0.06,
                "{cover}: {spot:?} {}",
                departs(&terrain::ground, x, y)
            );
            assert!(
                (z - terrain::ground(x, y)).abs() < if cover == "low" { 0.3 } else { 0.05 },
                "{cover}: {spot:?}"
            );
            match cover {
                "open" => {
                    assert!(crown(x, y) > 2.5 && from_box([97.0, 117.0, 6.0, 40.0], x, y) > 2.5, "{spot:?}")
                }
                // Cover is told from what stands within 1 m.
                // Cover is told from what stands within 1 m.
                "canopy" => assert!(crown(x, y) < 1.0, "{spot:?} {}", crown(x, y)),
                _ => assert!(from_box([97.0, 117.0, 6.0, 40.0], x, y) < 0.5, "{spot:?}"),
            }
        }
        agrees_with_itself(&found, cover, 1.0, corner, (120.0, 90.0));
    }
}

/// Another site of which all is known: waves, a steep bank in the east, a platform with edges of 0.2 m, a house, a wood, shrubs, a
/// pond, an area left out, and control. Metres.
struct Site {
    /// Pulses a square metre.
    density: f64,
    /// Metres in the unit of the files.
    unit: f64,
}

const SIZE: (f64, f64) = (240.0, 160.0);
const PLATFORM: [f64; 4] = [20.0, 80.0, 40.0, 70.0];
const HOUSE: [f64; 4] = [100.0, 118.0, 60.0, 75.0];
const WOOD: [f64; 4] = [130.0, 190.0, 90.0, 150.0];
const SHRUBS: [f64; 4] = [20.0, 60.0, 100.0, 140.0];
const POND: (f64, f64, f64) = (160.0, 40.0, 12.0);
const LEFT_OUT: [f64; 4] = [60.0, 90.0, 10.0, 30.0];
const CONTROL: [(f64, f64); 3] = [(30.0, 20.0), (120.0, 120.0), (100.0, 40.0)];

fn ground(x: f64, y: f64) -> f64 {
    let platform = if from_box(PLATFORM, x, y) < 0.0 { 0.2 } else { 0.0 };
    100.0 + 2.0 * (x / 38.0).sin() + 1.5 * (y / 31.0).cos() + 0.35 * (x - 200.0).max(0.0) + platform
}

impl Site {
    /// Writes the survey, control, the area left out and a pipeline file with more keys; gives that file.
    fn write(&self, folder: &Path, more: &str) -> PathBuf {
        let mut random = SmallRng::seed_from_u64(11);
        let mut survey: Vec<Point> = Vec::new();
        let mut echo = |x: f64, y: f64, z: f64, number: u8, of: u8| {
            let one = Point { return_number: number, number_of_returns: of, ..point(x, y, z) };
            survey.push(in_unit(one, self.unit));
        };
        for _ in 0..(SIZE.0 * SIZE.1 * self.density) as usize {
            let (x, y) = (random.random::<f64>() * SIZE.0, random.random::<f64>() * SIZE.1);
            let noise = 0.02 * common::random::normal(&mut random);
            if (x - POND.0).hypot(y - POND.1) < POND.2 {
                continue;
            }
            if from_box(HOUSE, x, y) < 0.0 {
                echo(x, y, 108.0 + noise, 1, 1);
            } else if from_box(WOOD, x, y) < 0.0 {
                let height = 5.0 + 7.0 * random.random::<f64>();
                match random.random_range(0..10) {
                    0 => echo(x, y, ground(x, y) + height, 1, 1),
                    1..7 => {
                        echo(x, y, ground(x, y) + height, 1, 2);
                        echo(x, y, ground(x, y) + noise, 2, 2);
                    }
                    _ => echo(x, y, ground(x, y) + noise, 1, 1),
                }
            } else if from_box(SHRUBS, x, y) < 0.0 && random.random_bool(0.3) {
                echo(x, y, ground(x, y) + 1.0 + 0.3 * random.random::<f64>(), 1, 2);
                echo(x, y, ground(x, y) + noise, 2, 2);
            } else {
                echo(x, y, ground(x, y) + noise, 1, 1);
            }
        }
        write_plain(&folder.join("survey.laz"), &survey);
        let at = |x: f64, y: f64| ((CORNER.0 + x) / self.unit, (CORNER.1 + y) / self.unit);
        let mut control = "name,easting,northing,elevation,sigma\n".to_string();
        for (i, (x, y)) in CONTROL.iter().enumerate() {
            let (east, north) = at(*x, *y);
            control += &format!("K{i},{east:.4},{north:.4},{:.4},0.02\n", ground(*x, *y) / self.unit);
        }
        fs::write(folder.join("control.csv"), control).unwrap();
        let [west, east, south, north] = LEFT_OUT;
        let corners = [(west, south), (east, south), (east, north), (west, north), (west, south)];
        let ring: Vec<String> =
            corners.iter().map(|(x, y)| at(*x, *y)).map(|(x, y)| format!("[{x}, {y}]")).collect();
        let area = format!("{{\"type\": \"Polygon\", \"coordinates\": [[{}]]}}", ring.join(", "));
        fs::write(folder.join("works.geojson"), area).unwrap();
        let units = if self.unit == 1.0 { "m" } else { "ftUS" };
        let text = format!(
            "title: Tansy Rise\nsurvey: {{files: [survey.laz], units: {units}, fit: {{to: control.csv, model: shift}}}}\n\
             exclude: [{{area: works.geojson, why: works, system: same}}]\n{more}\n"
        );
        let file = folder.join("site.yaml");
        fs::write(&file, text).unwrap();
        file
    }
}

const FOOT: f64 = 1200.0 / 3937.0;

#[test]
fn sites_keep_away_from_all_that_stands_on_another_site_in_metres_and_in_feet() {
    let mut by_unit = Vec::new();
    for (density, unit) in [(5.0, 1.0), (14.0, FOOT), (14.0, 1.0)] {
        let folder = TempDir::new().unwrap();
        let file = Site { density, unit }
            .write(folder.path(), "stages: [read, ground, checkpoints, compare, summarise]");
        // The stages compare, and nothing is measured yet: a plan needs no reference.
        let found =
            planned(&file, &folder.path().join("plan"), &["--open", "10", "--low", "4", "--canopy", "4"]);
        assert_eq!(found["horizontal_units"], if unit == 1.0 { "m" } else { "ftUS" });
        for (cover, count) in [("open", 10), ("low", 4), ("canopy", 4)] {
            let (sites, alternatives) = spots(&found, cover, unit, CORNER);
            assert_eq!(
                (sites.len(), alternatives.len()),
                (count, count),
                "{cover} {density}: {}",
                found["notes"]
            );
            for spot in sites.iter().chain(&alternatives) {
                let Spot { x, y, z, slope } = *spot;
                let what = format!("{cover} at {density}/m²: {spot:?}");
                let inside = -from_box([0.0, SIZE.0, 0.0, SIZE.1], x, y);
                assert!(inside > 2.0, "{what}");
                assert!(from_box(HOUSE, x, y) >= 2.9, "{what}");
                assert!((x - POND.0).hypot(y - POND.1) - POND.2 > 2.0, "{what}");
                assert!(from_box(PLATFORM, x, y).abs() >= 2.9, "{what}");
                assert!(from_box(LEFT_OUT, x, y) >= 2.999, "{what}");
                assert!(CONTROL.iter().all(|(a, b)| (x - a).hypot(y - b) >= 9.999), "{what}");
                // The bank begins at a break.
                assert!(x < 198.0, "{what}");
                assert!((slope_of(&ground, x, y) - slope).abs() < 0.015, "{what}");
                assert!((z - ground(x, y)).abs() < 0.02, "{what}");
                let (wood, shrubs) = (from_box(WOOD, x, y), from_box(SHRUBS, x, y));
                match cover {
                    "open" => assert!(wood > 2.5 && shrubs > 2.5, "{what}"),
                    "low" => assert!(shrubs < 0.0, "{what}"),
                    _ => assert!(wood < 0.0, "{what}"),
                }
            }
            for (site, other) in sites.iter().zip(&alternatives) {
                assert!((site.x - other.x).hypot(site.y - other.y) >= 5.999);
            }
            let least = agrees_with_itself(&found, cover, unit, CORNER, SIZE);
            let stated = of_cover(&found, cover);
            if cover == "open" {
                assert!(least >= 0.1 * SIZE.0.hypot(SIZE.1) * 0.999, "{least}");
                assert!(stated["quadrants_met"] == true, "{stated}");
            }
            // Of the ground under a cover the parts add up.
            let number = |value: &Value| value.as_f64().unwrap();
            let refused: f64 = stated["unsuitable_m2"].as_object().unwrap().values().map(number).sum();
            assert!((number(&stated["suitable_m2"]) + refused - number(&stated["ground_m2"])).abs() < 1e-6);
        }
        // The wood and the shrubs lie in one quadrant each, and the standard's share is said to be missed.
        let notes = found["notes"].to_string();
        contains_all(&notes, &["The standard asks for 30 checkpoints on open ground", "--low and --canopy"]);
        by_unit.push(found);
    }
    // Feet change nothing but the numbers; a file of feet holds other thousandths, and cells other points by the edge.
    let suitable = |plan: &Value| of_cover(plan, "open")["suitable_m2"].as_f64().unwrap();
    let (feet, metres) = (suitable(&by_unit[1]), suitable(&by_unit[2]));
    assert!((feet / metres - 1.0).abs() < 0.01, "{feet} {metres}");
}

/// The files of a plan that must be the same to the byte.
fn files(out: &Path) -> BTreeMap<&'static str, Vec<u8>> {
    let names = ["sites.csv", "plan.json", "sites.gpkg"];
    let names = names.into_iter().filter(|name| cfg!(feature = "geopackage") || !name.ends_with("gpkg"));
    names.map(|name| (name, fs::read(out.join(name)).unwrap())).collect()
}

#[test]
fn tiles_threads_and_memory_cannot_be_told_from_a_plan() {
    let folder = TempDir::new().unwrap();
    let data = root().join("demo-data/survey");
    let with = |tile: &str, from: &str, options: &[&str]| {
        let file = folder.path().join("demo.yaml");
        let text = format!(
            "title: the same\nsurvey: {{files: ['{}/*.laz']}}\noutput: unused\nseed: 5\nstages: [read: {{tile: {tile}}}, \
             ground: {{cloud: survey{from}}}, summarise: {{}}]\n",
            data.display()
        );
        fs::write(&file, text).unwrap();
        let out = folder.path().join(format!("plan{}", options.len()));
        let options = [&["--open", "25", "--canopy", "12", "--low", "2", "--replace"], options].concat();
        let plan = planned(&file, &out, &options);
        assert_eq!(plan["sites"].as_array().unwrap().len(), 39);
        files(&out)
    };
    let expected = with("200 m", "", &["--threads", "1"]);
    for (tile, options) in [
        ("20 m", &["--threads", "2"][..]),
        ("37 m", &["--threads", "3", "--memory", "40M"]),
        ("90 m", &["--threads", "2", "--memory", "60M"]),
    ] {
        let found = with(tile, "", options);
        for (name, bytes) in &expected {
            assert!(found[name] == *bytes, "{name} differs: tiles of {tile}, {options:?}");
        }
    }
}

#[test]
fn what_cannot_be_had_is_said_and_nothing_is_left_behind() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    let file = Site { density: 5.0, unit: 1.0 }.write(path, "reference: {points: checkpoints.csv}");
    // The list of checkpoints is what will be measured: it is not there yet.
    let out = path.join("plan");
    let asked = plan(&file, &out, &["--open", "400", "--low", "2"]);
    assert!(asked.status.success(), "{}", describe(&asked));
    let said = flat(&String::from_utf8_lossy(&asked.stdout));
    contains_all(
        &said,
        &[
            "Of 400 sites asked for on open ground,",
            "% too steep",
            "% in or near an area left out",
            "Check",
            "safety, access and permission",
        ]
        .map(|part| if part == "Check" { "check each" } else { part }),
    );
    contains_all(&String::from_utf8_lossy(&asked.stderr), &["checkpoints.csv is not there yet"]);
    // An earlier plan is replaced only when that is asked for, and a run never.
    let said = refused(&plan(&file, &out, &[]), 1);
    contains_all(&said, &["holds earlier results", "--replace"]);
    assert!(plan(&file, &out, &["--replace", "--points", "12"]).status.success());
    let run = path.join("run");
    fs::create_dir(&run).unwrap();
    fs::write(run.join("summary.json"), "{}").unwrap();
    contains_all(&refused(&plan(&file, &run, &["--replace"]), 2), &["holds the results of a run"]);
    // Numbers and files that are wrong.
    let too_many = &["--points", "5", "--open", "4", "--canopy", "3"];
    contains_all(&refused(&plan(&file, &path.join("a"), too_many), 2), &["--points 5", "come to 7"]);
    for wrong in [&["--slope-max", "30"][..], &["--class", "5"], &["--open", "-3"], &["--points", "4000"]] {
        assert_eq!(plan(&file, &path.join("a"), wrong).status.code(), Some(2), "{wrong:?}");
    }
    fs::write(path.join("checkpoints.csv"), "name;x\n").unwrap();
    contains_all(&refused(&plan(&file, &path.join("a"), &[]), 2), &["checkpoints.csv"]);
    let bare = path.join("bare.yaml");
    fs::write(&bare, "survey: {files: [survey.laz], units: m}\nstages: [read, summarise]\n").unwrap();
    contains_all(
        &refused(&plan(&bare, &path.join("a"), &[]), 2),
        &["no stage `ground` finds it", "add `- ground:`"],
    );
    let left: Vec<_> = fs::read_dir(path).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(
        !left.iter().any(|name| name == "a" || name.to_string_lossy().contains("unfinished")),
        "{left:?}"
    );
}

#[test]
fn points_surveyed_already_are_kept_away_from_and_the_total_is_shared_by_the_ground_that_suits() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    let file = Site { density: 5.0, unit: 1.0 }.write(path, "reference: {points: checkpoints.csv}");
    let surveyed: Vec<(f64, f64)> = (0..12).map(|i| (10.0 + 18.0 * f64::from(i), 85.0)).collect();
    let mut list = "name,easting,northing,elevation\n".to_string();
    for (i, (x, y)) in surveyed.iter().enumerate() {
        list += &format!("P{i},{},{},{}\n", CORNER.0 + x, CORNER.1 + y, ground(*x, *y));
    }
    fs::write(path.join("checkpoints.csv"), list).unwrap();
    let found = planned(&file, &path.join("plan"), &["--points", "24"]);
    let mut counts = Vec::new();
    for cover in ["open", "low", "canopy"] {
        let (sites, alternatives) = spots(&found, cover, 1.0, CORNER);
        for spot in sites.iter().chain(&alternatives) {
            assert!(surveyed.iter().all(|(x, y)| (spot.x - x).hypot(spot.y - y) >= 9.999), "{spot:?}");
        }
        let share = of_cover(&found, cover)["suitable_m2"].as_f64().unwrap();
        counts.push((sites.len() as f64, share));
    }
    let all: f64 = counts.iter().map(|(_, share)| share).sum();
    assert_eq!(counts.iter().map(|(n, _)| n).sum::<f64>(), 24.0);
    for (n, share) in counts {
        assert!((n - 24.0 * share / all).abs() <= 1.0, "{n} {share} of {all}");
    }
}

#[test]
fn ground_that_the_last_run_left_open_comes_first_and_what_points_would_settle_is_told() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    let demo = root().join("demo-data");
    let file = path.join("demo.yaml");
    // The RMSE under canopy is some 46 mm, the limit close to it; that of open ground is met.
    let text = format!(
        "survey: {{files: ['{0}/survey/*.laz']}}\nreference: {{files: ['{0}/reference/*.laz'], uncertainty: 7 mm}}\noutput: run\n\
         stages: [read, select: {{returns: [1, 2, 3, 4, 5]}}, ground, checkpoints: {{per_return: 300}}, compare: {{match: nearest, within: 15 mm}}, summarise]\n\
         accept: [{{group: {{cover: open}}, class: 5 cm}}, {{group: {{cover: canopy}}, rmse: RMSE}}]\n",
        demo.display()
    );
    fs::write(&file, text.replace("RMSE", "5 cm")).unwrap();
    let run = echograde().arg("run").arg(&file).output().unwrap();
    assert!(matches!(run.status.code(), Some(0 | 3)), "{}", describe(&run));
    let summary = common::summary(&path.join("run"));
    let rmse = summary["accept"][1]["value"].as_f64().unwrap();
    fs::write(&file, text.replace("RMSE", &format!("{:.1} mm", rmse * 1000.0))).unwrap();
    let run = echograde().arg("run").arg(&file).arg("--replace").output().unwrap();
    assert_eq!(run.status.code(), Some(3), "{}", describe(&run));
    assert_eq!(common::summary(&path.join("run"))["accept"][1]["verdict"], "inconclusive");

    let output =
        echograde().arg("plan").arg(&file).args(["--open", "30", "--canopy", "20"]).output().unwrap();
    assert!(output.status.success(), "{}", describe(&output));
    let found: Value = serde_json::from_slice(&fs::read(path.join("run-plan/plan.json")).unwrap()).unwrap();
    let covers: Vec<&Value> = found["sites"].as_array().unwrap().iter().map(|site| &site["cover"]).collect();
    assert!(
        covers[..20].iter().all(|cover| *cover == "canopy")
            && covers[20..].iter().all(|cover| *cover == "open")
    );
    let first: Vec<&str> = found["sites"].as_array().unwrap()[..4]
        .iter()
        .map(|site| site["quadrant"].as_str().unwrap())
        .collect();
    assert_eq!(first, ["NE", "NW", "SE", "SW"]);
    assert!(found["sites"][0]["reason"].as_str().unwrap().contains("inconclusive in the last run: RMSE"));
    let outlook = &found["outlook"][0];
    assert_eq!((outlook["sites"].as_u64(), &outlook["expected"]), (Some(20), &Value::from("inconclusive")));
    // χ²(20): 34.17 and 9.591 are its quantiles.
    for (end, quantile) in [(0, 34.169_6), (1, 9.590_8)] {
        let expected = rmse * (20.0f64 / quantile).sqrt();
        assert!((outlook["expected_ci95"][end].as_f64().unwrap() / expected - 1.0).abs() < 1e-3, "{outlook}");
    }
    let said = flat(&String::from_utf8_lossy(&output.stdout));
    contains_all(&said, &["What they would settle", "with 20 sites", "still INCONCLUSIVE"]);
    // The JSON on standard output is the file.
    let again = plan(&file, &path.join("again"), &["--open", "30", "--canopy", "20", "--json"]);
    assert_eq!(again.stdout, fs::read(path.join("again/plan.json")).unwrap());
    assert_eq!(files(&path.join("again")), files(&path.join("run-plan")));
}
