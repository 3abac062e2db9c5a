//! Raw scans registered by the real program, from targets and control: the poses, what they leave uncertain, and what is refused.

mod common;

use std::fmt::Write as _;
use std::fs;

use common::made::{COMPARE_ALL, CORNER};
use common::raw_scans::{CONTROL, EXACT, FOOT, SETUPS, Site, pipeline, spoil};
use common::scans::{Scan, write};
use common::{codes, contains_all, echograde, manifest, number, refused, run, try_run};
use serde_json::Value;
use tempfile::TempDir;

/// The summary of a site with exact targets, which must be that of a scan in the system of the survey.
fn exact(site: &Site, more: &str) -> (TempDir, Value) {
    let folder = TempDir::new().unwrap();
    site.write(folder.path());
    let summary = run(&pipeline(folder.path(), &site.reference(more), COMPARE_ALL), &[]).summary();
    let all = &summary["all"];
    assert_eq!(all["compared"], 1200, "{all}");
    assert!((number(all, "bias") - 0.02).abs() < 5e-5, "{all}");
    assert!(number(all, "sd") < 1e-4, "{all}");
    (folder, summary)
}

#[test]
fn raw_scans_in_metres_and_feet_give_what_registered_ones_give() {
    for site in [EXACT, Site { e57: true, ..EXACT }, Site { unit: FOOT, ..EXACT }] {
        for model in ["level", "full"] {
            let (_folder, summary) = exact(&site, &format!(", model: {model}"));
            let found = &summary["registration"];
            assert_eq!(found["model"], model);
            for (setup, (name, turn, at)) in SETUPS.iter().enumerate() {
                let row = &found["setups"][setup];
                assert_eq!(row["setup"], *name);
                assert!((number(row, "heading") - turn.to_degrees()).abs() < 1e-5, "{row}");
                let expected = [CORNER.0 + at[0], CORNER.1 + at[1], at[2]];
                for (found, expected) in row["origin"].as_array().unwrap().iter().zip(expected) {
                    assert!((found.as_f64().unwrap() - expected).abs() < 1e-6, "{row}");
                }
            }
            let compared: u64 = (0..2).map(|i| found["setups"][i]["compared"].as_u64().unwrap()).sum();
            assert_eq!(compared, 1200);
            assert_eq!(found["suggested"].as_array().unwrap().len(), 0);
        }
    }
}

#[test]
fn control_may_be_in_other_units_and_columns_may_have_other_names() {
    let folder = TempDir::new().unwrap();
    EXACT.write(folder.path());
    let mut control = "Pt;E;N;H;sh;sv\n".to_string();
    for (name, [x, y, z]) in CONTROL {
        let feet =
            [CORNER.0 + x, CORNER.1 + y, z, 0.003, 0.0].map(|v| format!("{:.7}", v / FOOT).replace('.', ","));
        writeln!(control, "{name};{}", feet.join(";")).unwrap();
    }
    fs::write(folder.path().join("control.csv"), control).unwrap();
    let columns = "{name: Pt, easting: E, northing: N, elevation: H, sigma_h: sh, sigma_v: sv}";
    let reference = EXACT
        .reference(", units: ft")
        .replace("control.csv", &format!("{{file: control.csv, columns: {columns}}}"));
    let summary = run(&pipeline(folder.path(), &reference, COMPARE_ALL), &[]).summary();
    assert!((number(&summary["all"], "bias") - 0.02).abs() < 5e-5, "{}", summary["all"]);
    // Held elevations are no observations: five points of two coordinates.
    assert_eq!(summary["registration"]["control"][0]["components"].as_array().unwrap().len(), 2);
}

#[test]
fn lists_are_inputs_and_a_run_without_registration_says_null() {
    let folder = TempDir::new().unwrap();
    EXACT.write(folder.path());
    let found = run(&pipeline(folder.path(), &EXACT.reference(""), COMPARE_ALL), &[]);
    let inputs = manifest(&found.out)["inputs"].as_array().unwrap().clone();
    assert_eq!(inputs.len(), 5);
    use sha2::Digest;
    for (input, name) in inputs[3..].iter().zip(["targets.csv", "control.csv"]) {
        let bytes = fs::read(folder.path().join(name)).unwrap();
        let hash = echograde::cloud::files::hex(&sha2::Sha256::digest(&bytes));
        assert_eq!((&input["sha256"], &input["size"]), (&Value::from(hash), &Value::from(bytes.len())));
    }
    assert!(found.text("report.html").contains("Registration of the scans"));
    assert!(found.stdout.contains("Registration of 2 setups"), "{}", found.stdout);
    let plain = run(
        &pipeline(
            folder.path(),
            "{files: [s1.laz], units: m, vertical_shift: 1 cm, why: other file}",
            "[read: {bounds: ignore}, ground: {}, summarise: {}]",
        ),
        &[],
    );
    assert_eq!(plain.summary()["registration"], Value::Null);
}

#[test]
fn what_targets_and_control_leave_uncertain_covers_what_they_do_to_the_bias() {
    let mut standardised = Vec::new();
    for seed in 0..12 {
        let site = Site { errors: Some((0.003, 0.006, seed)), ..EXACT };
        let folder = TempDir::new().unwrap();
        site.write(folder.path());
        let model = if seed % 2 == 0 { "level" } else { "full" };
        let more = format!(", model: {model}, noise: 1 mm");
        let summary = run(&pipeline(folder.path(), &site.reference(&more), COMPARE_ALL), &[]).summary();
        let common = number(&summary["registration"], "common");
        let sigma = number(&summary, "reference_uncertainty");
        // Five control points of 6 mm, and targets of 3 mm.
        assert!((0.0025..0.0060).contains(&common) && sigma > common && sigma < 0.012, "{common} {sigma}");
        standardised.push((number(&summary["all"], "bias") - 0.02) / common);
    }
    assert!(standardised.iter().all(|one| one.abs() < 3.5), "{standardised:?}");
    let rms = (standardised.iter().map(|one| one * one).sum::<f64>() / 12.0).sqrt();
    assert!((0.5..1.6).contains(&rms), "{rms}: {standardised:?}");
}

#[test]
fn a_blunder_is_named_and_a_withheld_point_takes_no_part() {
    let site = Site { errors: Some((0.001, 0.001, 3)), ..EXACT };
    let folder = TempDir::new().unwrap();
    site.write(folder.path());
    spoil(&folder.path().join("control.csv"), "C3", 0.030);
    let with = |more: &str| run(&pipeline(folder.path(), &site.reference(more), COMPARE_ALL), &[]).summary();
    let summary = with("");
    let suggested = &summary["registration"]["suggested"][0];
    assert_eq!((&suggested["name"], &suggested["component"]), (&"C3".into(), &"up".into()), "{suggested}");
    assert!(codes(&summary).contains(&"suspected_blunder"), "{:?}", codes(&summary));
    assert!(codes(&summary).contains(&"registration_test"), "{:?}", codes(&summary));
    let bias = number(&summary["all"], "bias");
    let summary = with(", withhold: [C3]");
    let found = &summary["registration"];
    assert_eq!(found["withheld"].as_array().unwrap().len(), 2);
    for row in found["withheld"].as_array().unwrap() {
        assert!((row["residual"][2].as_f64().unwrap() + 0.030).abs() < 0.006, "{row}");
        assert!(row["standardised"][2].as_f64().unwrap() < -6.0, "{row}");
    }
    assert_eq!(found["suggested"].as_array().unwrap().len(), 0);
    assert!(!codes(&summary).contains(&"suspected_blunder"));
    let better = number(&summary["all"], "bias");
    assert!((better - 0.02).abs() < 0.003 && (bias - 0.02).abs() > 0.003, "{bias} {better}");
}

#[test]
fn what_cannot_be_registered_is_refused_with_the_place_and_the_remedy() {
    let folder = TempDir::new().unwrap();
    EXACT.write(folder.path());
    let targets = fs::read_to_string(folder.path().join("targets.csv")).unwrap();
    let control = fs::read_to_string(folder.path().join("control.csv")).unwrap();
    let said = |reference: &str| {
        let path = pipeline(folder.path(), reference, COMPARE_ALL);
        refused(&try_run(&path, &folder.path().join("out"), &[]), 2)
    };
    let plain = EXACT.reference("");
    contains_all(
        &said("{files: [s1.laz], units: m, register: {targets: targets.csv, control: control.csv}}"),
        &["needs `scans`"],
    );
    contains_all(&said("{files: [s1.laz], units: m, uncertainty: auto}"), &["`auto`", "register"]);
    contains_all(
        &said(&plain.replace("control: control.csv", "control: other.csv")),
        &["there is no file `other.csv`"],
    );
    contains_all(&said(&EXACT.reference(", withhold: [C9]")), &["C9", "withhold"]);
    contains_all(
        &said(&EXACT.reference(", withhold: [C1, C2, C3, C4]")),
        &["S1 (1 on control, 0 shared", "4 withheld", "two targets"],
    );
    contains_all(&said(&EXACT.reference(", modell: full")), &["modell"]);
    for (file, text, parts) in [
        ("targets.csv", targets.replace("S2,", "east,"), &["S2 (0 on control", "east"][..]),
        ("targets.csv", targets.replacen("0.002", "0", 1), &["targets.csv:2:", "`sigma`", "above 0"]),
        (
            "targets.csv",
            targets.replace("setup,", "station,"),
            &["targets.csv", "`setup`", "columns: {setup:"],
        ),
        ("targets.csv", targets.replacen("C2", "C1", 1), &["targets.csv:3:", "two targets named C1"]),
        ("control.csv", control.replace("sigma_h", "sh"), &["control.csv", "sigma_h"]),
        ("control.csv", control.replacen("500", "x500", 1), &["control.csv:2:", "not a number"]),
        ("control.csv", control.replace("C2", "C1"), &["control.csv:3:", "two points named C1"]),
        (
            "control.csv",
            "name,easting,northing,elevation,sigma\n".to_string(),
            &["control.csv:1:", "no line below"],
        ),
    ] {
        let whole = fs::read_to_string(folder.path().join(file)).unwrap();
        fs::write(folder.path().join(file), text).unwrap();
        contains_all(&said(&plain), parts);
        fs::write(folder.path().join(file), whole).unwrap();
    }
    // Each scan of a file has a frame of its own, and targets are in one.
    let scan = || Scan::of([[0.0, 0.0, 0.0], [1.0, 2.0, 0.5]]);
    write(&folder.path().join("two.e57"), &[scan(), scan().posed(0.5, [3.0, 0.0, 0.0])], None);
    contains_all(
        &said(&plain.replace("s2.laz", "two.e57")),
        &["two.e57 of setup S2 holds several scans", "a file of its own"],
    );
    // `check` says what came out before any point is read.
    let path = pipeline(folder.path(), &plain, COMPARE_ALL);
    let output = echograde().arg("check").arg(&path).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    contains_all(&text, &["registered S1 and S2: variance factor"]);
}
