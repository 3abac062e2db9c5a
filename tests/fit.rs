//! The survey fitted to control by the real program: what is added, what stands beside, what is refused; and the whole chain from a
//! control network to the comparison.

mod common;

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use common::made::{self, COMPARE_ALL, CORNER, Stored, grid, in_unit, point, slope};
use common::random::Normal;
use common::raw_scans::{CONTROL as AROUND, EXACT, FOOT, ON_GROUND as CONTROL, Site, spoil, write_flight};
use common::{codes, contains_all, describe, echograde, number, refused, run, try_run};
use serde_json::Value;
use tempfile::TempDir;

/// How far the survey lies too high, at a place counted from the corner.
type Error = fn(f64, f64) -> f64;

fn shifted(_: f64, _: f64) -> f64 {
    0.05
}

fn tilted(x: f64, y: f64) -> f64 {
    0.03 + 0.002 * (x - 10.0) - 0.001 * (y - 7.5)
}

/// A survey with an error, a scan of its ground, and lists of control, in a unit of so many metres.
fn site(error: Error, unit: f64, sigma: f64, seed: Option<u64>) -> TempDir {
    let folder = TempDir::new().unwrap();
    let cloud = |name: &str, error: Error| {
        let points = grid(40, 30, 0.5).map(|(x, y)| in_unit(point(x, y, slope(x, y) + error(x, y)), unit));
        let points: Vec<_> = points.collect();
        made::write(&folder.path().join(name), &points, &Stored { z_scale: 1e-6, ..Stored::SILENT });
    };
    cloud("survey.laz", error);
    cloud("reference.laz", |_, _| 0.0);
    write_flight(folder.path(), unit, sigma, seed);
    folder
}

fn pipeline(folder: &Path, fit: &str, reference: &str, more: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text = format!("survey: {{files: [survey.laz], fit: {fit}{more}}}\nreference: {reference}\n");
    fs::write(&path, text).unwrap();
    path
}

fn scan(folder: &Path, fit: &str, unit: &str) -> PathBuf {
    let more = format!(", units: {unit}");
    let path = pipeline(folder, fit, &format!("{{files: [reference.laz], units: {unit}}}"), &more);
    let text = fs::read_to_string(&path).unwrap();
    // Four points of the scan in a terrain cell, at which terrain is tested.
    let stages = COMPARE_ALL.replace("summarise: {}", "summarise: {terrain_cell: 1 m}");
    fs::write(&path, format!("{text}stages: {stages}\n")).unwrap();
    path
}

fn close(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} instead of {expected}");
}

#[test]
fn a_shift_and_a_tilt_are_taken_out_of_dz_and_terrain_and_raw_figures_stand_beside() {
    for (unit, symbol) in [(1.0, "m"), (FOOT, "ft")] {
        for (error, model, is_tilted) in
            [(shifted as Error, "shift", false), (shifted, "plane", false), (tilted, "plane", true)]
        {
            let folder = site(error, unit, 0.01, None);
            let fit = format!("{{to: flight.csv, model: {model}}}");
            let found = run(&scan(folder.path(), &fit, symbol), &[]);
            let summary = found.summary();
            let fit = &summary["fit"];
            let metres = |value: &Value, key: &str| number(value, key) * unit;
            assert_eq!((&summary["all"]["compared"], &fit["model"]), (&1200.into(), &model.into()));
            close(metres(&summary["all"], "bias"), 0.0, 3e-5);
            assert!(metres(&summary["all"], "sd") < 3e-5, "{}", summary["all"]);
            let mean = grid(40, 30, 0.5).map(|(x, y)| error(x, y)).sum::<f64>() / 1200.0;
            close(metres(&fit["raw"]["all"], "bias"), mean, 3e-5);
            close(metres(&fit["raw"]["returns"][0], "bias"), mean, 3e-5);
            close(metres(&fit["added"], "mean"), -mean, 3e-5);
            close(metres(&summary["terrain_by_returns"][0], "level_terrain"), 0.0, 2e-3);
            // What is added at the centre, and its rise.
            let centre = [0, 1].map(|axis| fit["centre"][axis].as_f64().unwrap() * unit);
            let expected = -error(centre[0] - CORNER.0, centre[1] - CORNER.1);
            close(metres(&fit["parameters"][0], "value"), expected, 3e-5);
            if is_tilted {
                close(number(&fit["parameters"][1], "value"), -0.002, 2e-6);
                close(number(&fit["parameters"][2], "value"), 0.001, 2e-6);
            }
            for row in fit["points"].as_array().unwrap() {
                assert_eq!(row["status"], "used");
                close(metres(row, "after"), 0.0, 3e-5);
            }
            // z is that of the cloud; dz has what the fit adds.
            let table = found.text("checkpoints.csv");
            let header: Vec<&str> = table.lines().next().unwrap().split(',').collect();
            let at = |name: &str| header.iter().position(|one| *one == name).unwrap();
            for line in table.lines().skip(1) {
                let value = |name: &str| -> f64 { line.split(',').nth(at(name)).unwrap().parse().unwrap() };
                // Each is written to 0.01 mm, or to 0.00001 ft.
                close(value("z") + value("fit") - value("reference_z"), value("dz"), 2.1e-5);
                let place = [value("x") * unit - CORNER.0, value("y") * unit - CORNER.1];
                close(value("fit") * unit, -error(place[0], place[1]), 5e-5);
            }
            assert!(found.text("report.html").contains("Fit of the survey to control"));
            let said = found.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(said.contains("The survey was fitted to 6 control points"), "{said}");
            assert!(said.contains("the airborne ground, as fitted to control, lies"), "{said}");
        }
    }
}

#[test]
fn nothing_is_added_with_none_and_without_a_fit_there_is_none() {
    let folder = site(shifted, 1.0, 0.01, None);
    let summary = run(&scan(folder.path(), "{to: flight.csv, model: none}", "m"), &[]).summary();
    close(number(&summary["all"], "bias"), 0.05, 3e-5);
    close(number(&summary["fit"]["before"], "mean"), 0.05, 3e-5);
    assert_eq!(summary["fit"]["parameters"].as_array().unwrap().len(), 0);
    assert_eq!(summary["fit"]["suggested"].as_array().unwrap().len(), 0);
    let path = scan(folder.path(), "{to: flight.csv}", "m");
    let text = fs::read_to_string(&path).unwrap().replace("fit: {to: flight.csv}, ", "");
    fs::write(&path, text).unwrap();
    assert_eq!(run(&path, &[]).summary()["fit"], Value::Null);
}

#[test]
fn the_truth_lies_within_three_sigmas_of_the_fit() {
    for seed in 0..6 {
        let (error, model, sigma) =
            if seed % 2 == 0 { (shifted as Error, "shift", 0.01) } else { (tilted as Error, "plane", 0.02) };
        let folder = site(error, 1.0, sigma, Some(seed));
        let fit = format!("{{to: flight.csv, model: {model}}}");
        let summary = run(&scan(folder.path(), &fit, "m"), &[]).summary();
        let added = &summary["fit"]["added"];
        let off = number(&summary["all"], "bias") / number(added, "sigma_of_mean");
        assert!(off.abs() < 3.0, "seed {seed}: {off}");
        for (at, truth) in [(1, -0.002), (2, 0.001)].into_iter().filter(|_| model == "plane") {
            let one = &summary["fit"]["parameters"][at];
            let off = (number(one, "value") - truth) / number(one, "sigma");
            assert!(off.abs() < 3.0, "seed {seed}: {off}");
        }
        close(
            number(added, "mean") + number(&summary["fit"]["raw"]["all"], "bias"),
            number(&summary["all"], "bias"),
            2e-6,
        );
    }
}

#[test]
fn a_blunder_is_named_and_a_withheld_point_takes_no_part() {
    let folder = site(shifted, 1.0, 0.004, Some(3));
    spoil(&folder.path().join("flight.csv"), "K3", 0.040);
    let summary = run(&scan(folder.path(), "{to: flight.csv}", "m"), &[]).summary();
    assert_eq!(summary["fit"]["suggested"][0]["name"], "K3", "{}", summary["fit"]);
    let found = codes(&summary);
    assert!(found.contains(&"suspected_blunder") && found.contains(&"fit_test"), "{found:?}");
    let spoilt = number(&summary["all"], "bias");
    let summary = run(&scan(folder.path(), "{to: flight.csv, withhold: [K3]}", "m"), &[]).summary();
    let row = &summary["fit"]["points"][2];
    assert_eq!(
        (&row["status"], &summary["fit"]["suggested"]),
        (&"withheld".into(), &Value::Array(Vec::new()))
    );
    close(number(row, "after"), -0.040, 0.015);
    close(number(&summary["fit"]["withheld"], "mean"), number(row, "after"), 1e-9);
    assert!(number(row, "standardised") < -5.0, "{row}");
    let better = number(&summary["all"], "bias");
    assert!(better.abs() < 0.006 && spoilt > better + 0.004, "{spoilt} {better}");
}

/// A list of checkpoints away from the control, but for those given.
fn checkpoints(folder: &Path, more: &[(&str, f64, f64)]) {
    let mut list = "name,easting,northing,elevation,sigma\n".to_string();
    let own =
        (0..8).map(|i| (format!("P{i}"), 4.0 + 1.6 * f64::from(i), if i % 2 == 0 { 5.9 } else { 10.1 }));
    let own = own.chain(more.iter().map(|(name, x, y)| ((*name).to_string(), *x, *y)));
    for (name, x, y) in own {
        writeln!(list, "{name},{:.4},{:.4},{:.6},0.005", CORNER.0 + x, CORNER.1 + y, slope(x, y)).unwrap();
    }
    fs::write(folder.join("points.csv"), list).unwrap();
}

#[test]
fn surveyed_checkpoints_have_the_fit_added_and_say_how_near_control_is() {
    let folder = site(tilted, 1.0, 0.01, None);
    checkpoints(folder.path(), &[]);
    let path =
        pipeline(folder.path(), "{to: flight.csv, model: plane}", "{points: points.csv}", ", units: m");
    let found = run(&path, &[]);
    let summary = found.summary();
    close(number(&summary["all"], "bias"), 0.0, 5e-5);
    let raw = &summary["fit"]["raw"];
    assert_eq!((&raw["all"]["compared"], &raw["returns"][0]["compared"]), (&8.into(), &8.into()));
    for row in summary["checkpoints"].as_array().unwrap() {
        let place = [number(row, "easting") - CORNER.0, number(row, "northing") - CORNER.1];
        close(number(row, "fit"), -tilted(place[0], place[1]), 5e-5);
        close(
            number(row, "dz"),
            number(row, "survey_elevation") + number(row, "fit") - number(row, "elevation"),
            1e-9,
        );
        close(number(&row["terrain_by_returns"][0], "dz"), 0.0, 5e-5);
        let apart = |(_, x, y): &(&str, f64, f64)| (x - place[0]).hypot(y - place[1]);
        let nearest = CONTROL.iter().min_by(|a, b| apart(a).total_cmp(&apart(b))).unwrap();
        assert_eq!(row["nearest_control"]["name"], nearest.0);
        close(number(&row["nearest_control"], "distance"), apart(nearest), 1e-3);
        // On a site of 20 m all lie within 10 m of some control.
        let siting = row["siting"].as_array().unwrap();
        assert!(siting.iter().any(|one| one.as_str().unwrap().contains(nearest.0)), "{row}");
    }
    assert!(found.text("checkpoints.csv").lines().next().unwrap().ends_with(",fit"));
}

#[test]
fn control_of_the_fit_is_no_checkpoint_by_name_and_by_place() {
    let folder = site(shifted, 1.0, 0.01, None);
    let said = |fit: &str, code: i32| {
        let path = pipeline(folder.path(), fit, "{points: points.csv}", ", units: m");
        let output = try_run(&path, &folder.path().join("out"), &[]);
        if code == 0 {
            assert!(output.status.success(), "{}", describe(&output));
            fs::remove_dir_all(folder.path().join("out")).unwrap();
            return String::new();
        }
        refused(&output, code)
    };
    // K5 by its name though elsewhere, and K2 by its place though under another name.
    checkpoints(folder.path(), &[("K5", 13.0, 3.0), ("Q2", 18.2, 2.4)]);
    contains_all(
        &said("{to: flight.csv}", 2),
        &[
            "K5 (points.csv line 10) is control K5 of the fit (flight.csv line 6)",
            "Q2 (points.csv line 11), 0.4",
            "control K2",
            "withhold",
        ],
    );
    said("{to: flight.csv, withhold: [K2, K5]}", 0);
    said("{to: flight.csv, model: none}", 0);
    checkpoints(folder.path(), &[("Q2", 19.0, 2.4)]);
    said("{to: flight.csv}", 0);
}

#[test]
fn what_cannot_be_fitted_is_refused_with_the_place_and_the_remedy() {
    let folder = site(shifted, 1.0, 0.01, None);
    let list = fs::read_to_string(folder.path().join("flight.csv")).unwrap();
    let said = |fit: &str, code: i32| {
        refused(&try_run(&scan(folder.path(), fit, "m"), &folder.path().join("out"), &["--replace"]), code)
    };
    contains_all(&said("{model: shift}", 2), &["`to`", "control/flight.csv"]);
    contains_all(&said("{to: other.csv}", 2), &["there is no file `other.csv`"]);
    contains_all(&said("{to: flight.csv, model: line}", 2), &["line", "shift"]);
    contains_all(&said("{to: flight.csv, withhold: [K9]}", 2), &["flight.csv has no point K9", "withhold"]);
    contains_all(&said("{to: flight.csv, withhold: [K1, K1]}", 2), &["names `K1` twice"]);
    contains_all(
        &said("{to: flight.csv, model: plane, withhold: [K1, K2, K3, K4]}", 2),
        &["leaves 2 points", "3 at least"],
    );
    contains_all(&said("{to: flight.csv, noise: -1 mm}", 2), &["noise"]);
    let with = |text: &str, fit: &str, code: i32, parts: &[&str]| {
        fs::write(folder.path().join("flight.csv"), text).unwrap();
        contains_all(&said(fit, code), parts);
        fs::write(folder.path().join("flight.csv"), &list).unwrap();
    };
    let no_sigma: String =
        list.lines().map(|line| line.rsplit_once(',').unwrap().0.to_string() + "\n").collect();
    with(&no_sigma, "{to: flight.csv}", 2, &["flight.csv line 2: K1 has no sigma", "noise"]);
    with(&list.replace("K2", "K1"), "{to: flight.csv}", 2, &["flight.csv", "line 3", "two points named K1"]);
    // Once the points are read: control beside the survey, and a survey of another vertical system.
    with(
        &list.replace("500", "600"),
        "{to: flight.csv}",
        1,
        &["flight.csv", "0 of its points", "K1 (outside the survey)"],
    );
    with(&list.replace(",30", ",34"), "{to: flight.csv}", 1, &["−39.9", "geoid"]);
    let on_line = "name,easting,northing,elevation,sigma\n".to_string()
        + &(1..6).fold(String::new(), |all, i| {
            let (x, y) = (2.0 * f64::from(i), 1.5 * f64::from(i));
            all + &format!("L{i},{},{},{},0.01\n", CORNER.0 + x, CORNER.1 + y, slope(x, y))
        });
    with(&on_line, "{to: flight.csv, model: plane}", 1, &["flight.csv", "in line"]);
    // What can be said before any point is read.
    let output = echograde()
        .arg("check")
        .arg(scan(folder.path(), "{to: flight.csv, withhold: [K6]}", "m"))
        .output()
        .unwrap();
    contains_all(
        &String::from_utf8(output.stdout).unwrap(),
        &["fits a shift of the survey to 5 points of flight.csv, 1 withheld"],
    );
    // Without sigmas in the list the noise of the survey stands for them.
    fs::write(folder.path().join("flight.csv"), &no_sigma).unwrap();
    let summary = run(&scan(folder.path(), "{to: flight.csv, noise: 20 mm}", "m"), &[]).summary();
    close(number(&summary["fit"]["parameters"][0], "sigma"), 0.020 / 6f64.sqrt(), 1e-9);
    // Nothing to compare with, and a reference that is fitted.
    let path = folder.path().join("pipeline.yaml");
    fs::write(&path, "survey: {files: [survey.laz], units: m, fit: {to: flight.csv}}\n").unwrap();
    contains_all(
        &refused(&try_run(&path, &folder.path().join("out"), &[]), 2),
        &["`fit`", "names no reference"],
    );
    let swapped = "survey: {files: [survey.laz], units: m}\nreference: {files: [reference.laz], units: m, fit: {to: flight.csv}}\n";
    fs::write(&path, swapped).unwrap();
    contains_all(
        &refused(&try_run(&path, &folder.path().join("out"), &[]), 2),
        &["`fit`", "belongs under `survey`"],
    );
}

/// Levels and positions around the points of a site, from which `echograde adjust` makes its control.
fn network(folder: &Path) {
    let ground = CONTROL.iter().map(|(name, x, y)| (*name, [*x, *y, slope(*x, *y)]));
    let all: Vec<(&str, [f64; 3])> = AROUND.into_iter().chain(ground).collect();
    let mut random = Normal::new(11);
    let mut gnss = "name,easting,northing,elevation,sigma_e,sigma_n,sigma_u\n".to_string();
    let mut levels = "from,to,dh,sigma\n".to_string();
    for (i, (name, [x, y, z])) in all.iter().enumerate() {
        for _ in 0..2 {
            let [x, y, z] = [(CORNER.0 + x, 0.004), (CORNER.1 + y, 0.004), (*z, 0.008)]
                .map(|(value, sigma)| value + sigma * random.next());
            writeln!(gnss, "{name},{x:.5},{y:.5},{z:.5},0.004,0.004,0.008").unwrap();
        }
        for step in [1, 3] {
            let (to, [_, _, other]) = all[(i + step) % all.len()];
            writeln!(levels, "{name},{to},{:.5},0.001", other - z + 0.001 * random.next()).unwrap();
        }
    }
    fs::write(folder.join("gnss.csv"), gnss).unwrap();
    fs::write(folder.join("levels.csv"), levels).unwrap();
    fs::write(
        folder.join("network.yaml"),
        "units: m\npositions: gnss.csv\nlevels: levels.csv\noutput: adjusted\n",
    )
    .unwrap();
    let output = echograde().arg("adjust").arg(folder.join("network.yaml")).output().unwrap();
    assert!(output.status.success(), "{}", describe(&output));
}

/// A rectangle, counted from the corner, as GeoJSON in the survey's own system.
fn area(folder: &Path, name: &str, [x0, x1, y0, y1]: [f64; 4]) {
    let ring = [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]];
    let ring = ring.map(|[x, y]| format!("[{},{}]", CORNER.0 + x, CORNER.1 + y)).join(",");
    let text = format!(r#"{{"type":"Polygon","coordinates":[[{ring}]]}}"#);
    fs::write(folder.join(name), text).unwrap();
}

#[test]
fn one_file_goes_from_raw_setups_and_adjusted_control_to_the_comparison() {
    let folder = TempDir::new().unwrap();
    let site = Site { errors: Some((0.002, 0.003, 5)), e57: true, ..EXACT };
    site.write(folder.path());
    network(folder.path());
    // The flight is fitted to the points on the ground, the scans to those around.
    let adjusted = fs::read_to_string(folder.path().join("adjusted/adjusted.csv")).unwrap();
    let pick = |letter: char| -> String {
        let lines = adjusted.lines().enumerate().filter(|(i, line)| *i == 0 || line.starts_with(letter));
        lines.map(|(_, line)| format!("{line}\n")).collect()
    };
    fs::write(folder.path().join("flight.csv"), pick('K')).unwrap();
    fs::write(folder.path().join("adjusted.csv"), pick('C')).unwrap();
    area(folder.path(), "bridge.geojson", [1.0, 4.0, 5.0, 8.0]);
    area(folder.path(), "works.geojson", [15.0, 17.0, 9.0, 11.0]);
    // Fresh snow of 30 mm on the ground that was scanned: the survey seems lower by it.
    let text = "title: From control to comparison\n\
        survey: {files: [survey.laz], units: m, fit: {to: flight.csv, model: shift, noise: 2 mm, withhold: [K6]}}\n\
        reference:\n  \
          scans: [{name: S1, files: [s1.laz]}, {name: S2, files: [s2.e57]}]\n  \
          units: m\n  \
          register: {targets: targets.csv, control: adjusted.csv, withhold: [C3]}\n  \
          offset: {value: 30 mm, sigma: 5 mm, why: fresh snow}\n\
        exclude:\n  \
          - {area: bridge.geojson, why: bridge deck, system: same}\n  \
          - {area: works.geojson, why: works between the dates, system: same}\n";
    let path = folder.path().join("pipeline.yaml");
    fs::write(&path, format!("{text}stages: {COMPARE_ALL}\n")).unwrap();
    let found = run(&path, &[]);
    let summary = found.summary();
    let (registration, fit) = (&summary["registration"], &summary["fit"]);
    assert_eq!(registration["setups"].as_array().unwrap().len(), 2);
    assert_eq!(registration["withheld"].as_array().unwrap().len(), 2);
    let sigma = number(&summary, "reference_uncertainty");
    let common = number(registration, "common");
    assert!((0.001..0.010).contains(&sigma) && common < sigma, "{sigma} {common}");
    // The survey lies 20 mm too high, which the fit takes out to its own sigma and that of the network.
    let shift = &fit["parameters"][0];
    close(number(shift, "value"), -0.02, 3.0 * number(shift, "sigma").max(0.003));
    let bias = number(&summary["all"], "bias");
    close(number(&fit["raw"]["all"], "bias"), bias - number(shift, "value"), 2e-6);
    close(bias, 0.0, 3.0 * common.hypot(number(shift, "sigma")).max(0.004));
    assert_eq!(fit["withheld"]["points"], 1);
    // Both areas are left out of the comparisons.
    let inside = |x: f64, y: f64, [x0, x1, y0, y1]: [f64; 4]| (x0..x1).contains(&x) && (y0..y1).contains(&y);
    let left = grid(40, 30, 0.5)
        .filter(|&(x, y)| inside(x, y, [1.0, 4.0, 5.0, 8.0]) || inside(x, y, [15.0, 17.0, 9.0, 11.0]))
        .count();
    assert_eq!(summary["all"]["compared"], 1200 - left);
    let offset = summary["standards"]["offset"].as_array().unwrap();
    assert_eq!(offset[0].as_f64().unwrap(), 0.03);
    let page = found.text("report.html");
    let mut from = page.find("From control to comparison</h2>").expect("the chain");
    for link in [
        "Control",
        "Registration",
        "Sigma of the reference",
        "Offset",
        "Fit of the survey",
        "Left out",
        "Comparison",
    ] {
        let at = page[from..].find(&format!("<strong>{link}</strong>"));
        from += at.unwrap_or_else(|| panic!("{link} does not follow"));
    }
    assert!(page.contains("bridge deck; works between the dates"));
    // Fitted to what also registers the scans, a comparison proves less, and the report says so.
    fs::copy(folder.path().join("adjusted/adjusted.csv"), folder.path().join("adjusted.csv")).unwrap();
    let more = "K1,K2,K3,K4,K5,K6".split(',').map(|name| {
        let (_, x, y) = CONTROL.iter().find(|one| one.0 == name).unwrap();
        let at = common::raw_scans::own([*x, *y, slope(*x, *y)], common::raw_scans::SETUPS[0]);
        format!("S1,{name},{:.6},{:.6},{:.6},0.002\n", at[0], at[1], at[2])
    });
    let targets = fs::read_to_string(folder.path().join("targets.csv")).unwrap() + &more.collect::<String>();
    fs::write(folder.path().join("targets.csv"), targets).unwrap();
    let summary = run(&path, &[]).summary();
    assert!(codes(&summary).contains(&"shared_control"), "{:?}", codes(&summary));
}

#[test]
fn what_is_handed_over_has_the_fit_in_terrain_and_dz_and_not_in_the_cloud() {
    for (unit, symbol) in [(1.0, "m"), (FOOT, "ft")] {
        let folder = site(tilted, unit, 0.01, None);
        let path = scan(folder.path(), "{to: flight.csv, model: plane}", symbol);
        let text = fs::read_to_string(&path).unwrap();
        let products = "terrain: {cell: 1 m}, export: {cloud: true, checkpoints: false, comparisons: true, extra_bytes: [dz]}]";
        let end = text.rfind(']').unwrap();
        fs::write(&path, format!("{}, {products}\n", &text[..end])).unwrap();
        let found = run(&path, &[]);
        let table = found.text("comparisons.csv");
        let dz: Vec<f64> =
            table.lines().skip(1).map(|line| line.split(',').nth(2).unwrap().parse().unwrap()).collect();
        assert_eq!(dz.len(), 1200);
        dz.iter().for_each(|dz| close(dz * unit, 0.0, 1e-4));
        // Means of rasters stand in their metadata.
        let mean = |name: &str| -> f64 {
            let bytes = fs::read(found.out.join(name)).unwrap();
            let text = String::from_utf8_lossy(&bytes).into_owned();
            let (_, rest) = text.split_once("STATISTICS_MEAN").expect("statistics");
            let (_, rest) = rest.split_once('>').unwrap();
            rest.split_once('<').unwrap().0.parse().unwrap()
        };
        close(mean("terrain-dz.tif") * unit, 0.0, 1e-3);
        let ground = grid(40, 30, 0.5).map(|(x, y)| slope(x, y)).sum::<f64>() / 1200.0;
        close(mean("terrain.tif") * unit, ground, 0.05);
        // The cloud is as it came.
        let read = |path: PathBuf| -> Vec<f64> {
            let points = las::Reader::from_path(path).unwrap().read_all().unwrap();
            points.points().map(|point| point.unwrap().z).collect()
        };
        assert_eq!(read(found.out.join("cloud/survey.laz")), read(folder.path().join("survey.laz")));
    }
}
