//! Elevations of two clouds counted from different surfaces, through the real program: refused unless it is stated what was
//! done about it.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{Stored, grid, point, slope, write};
use common::{echograde, number, refused, run, try_run};
use serde_json::Value;
use tempfile::TempDir;

const ORTHOMETRIC: &str = r#"VERT_CS["EVRF2007 height",VERT_DATUM["European Vertical Reference Frame 2007",2005],UNIT["metre",1],AUTHORITY["EPSG","5621"]]"#;
const ELLIPSOIDAL: &str = r#"VERT_CS["Ellipsoid (GRS 80)",VERT_DATUM["Ellipsoid",2002],UNIT["metre",1]]"#;
const OTHER_DATUM: &str = r#"VERT_CS["DHHN2016 height",VERT_DATUM["Deutsches Haupthoehennetz 2016",2005],UNIT["metre",1],AUTHORITY["EPSG","7837"]]"#;

/// A horizontal system with this vertical one.
fn system(vertical: &str) -> Stored {
    let horizontal = r#"PROJCS["ETRS89 / UTM zone 32N",UNIT["metre",1],AUTHORITY["EPSG","25832"]]"#;
    let wkt = match vertical {
        "" => horizontal.to_string(),
        _ => format!(r#"COMPD_CS["both",{horizontal},{vertical}]"#),
    };
    Stored { wkt: Some(wkt), ..Stored::SILENT }
}

/// A survey 20 mm above a reference that lies so much lower, each with its vertical system.
fn site(survey: &str, reference: &str, lower: f64) -> TempDir {
    let folder = TempDir::new().unwrap();
    let raised =
        |by: f64| -> Vec<_> { grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + by)).collect() };
    write(&folder.path().join("survey.laz"), &raised(0.02), &system(survey));
    write(&folder.path().join("reference.laz"), &raised(-lower), &system(reference));
    folder
}

fn pipeline(folder: &Path, more: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text = format!(
        "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m{more}}}\n"
    );
    fs::write(&path, text).unwrap();
    path
}

fn notes(file: &Path) -> String {
    let output = echograde().args(["check", "--json"]).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", common::describe(&output));
    serde_json::from_slice::<Value>(&output.stdout).unwrap()["notes"].to_string()
}

#[test]
fn different_systems_are_refused_with_the_remedy() {
    for (survey, reference) in
        [(ORTHOMETRIC, ELLIPSOIDAL), (ELLIPSOIDAL, ORTHOMETRIC), (ORTHOMETRIC, OTHER_DATUM)]
    {
        let folder = site(survey, reference, 0.0);
        let file = pipeline(folder.path(), "");
        let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 2);
        assert!(error.contains("different vertical systems: survey.laz is in"), "{error}");
        assert!(
            error.contains("reference.laz is in") && error.contains("vertical_shift: 0.123 m"),
            "{error}"
        );
        assert!(error.contains("pipeline.yaml:2:"), "{error}");
        assert!(!folder.path().join("out").exists());
    }
}

#[test]
fn an_offset_for_what_is_suspected_does_not_stand_in_for_the_shift() {
    let folder = site(ORTHOMETRIC, ELLIPSOIDAL, 0.0);
    let file = pipeline(folder.path(), ", offset: {value: 0.1 m, sigma: 0.02 m, why: snow}");
    assert!(refused(&try_run(&file, &folder.path().join("out"), &[]), 2).contains("vertical_shift"));
}

#[test]
fn a_shift_is_taken_out_before_anything_is_judged_and_stated() {
    // The reference counts from a surface 47.123 m higher.
    let folder = site(ORTHOMETRIC, ELLIPSOIDAL, 47.123);
    let file = pipeline(folder.path(), ", vertical_shift: 47.123 m, why: the geoid at the site");
    let found = run(&file, &[]);
    let summary = found.summary();
    assert_eq!(summary["all"]["compared"], 1200);
    assert!((number(&summary["all"], "bias") - 0.02).abs() < 1e-9, "{}", summary["all"]);
    let stated = "47.123 m was added to every elevation of the reference before all other work: the geoid at the site.";
    assert!(summary["method"].as_str().unwrap().contains(stated), "{}", summary["method"]);
    assert!(found.text("report.html").contains(stated));
    assert!(
        notes(&file).contains("47.123 m is added to the elevations of the reference: the geoid at the site")
    );
    assert!(
        fs::read_to_string(found.out.join("pipeline.yaml")).unwrap().contains("vertical_shift: 47.123 m")
    );
    // In feet it is the same shift.
    let feet = pipeline(folder.path(), ", vertical_shift: 154.603018 ft, why: the geoid at the site");
    assert!((number(&run(&feet, &[]).summary()["all"], "bias") - 0.02).abs() < 1e-6);
}

#[test]
fn a_shift_of_nothing_states_that_two_names_mean_one_system() {
    let folder = site(ORTHOMETRIC, OTHER_DATUM, 0.0);
    let file = pipeline(folder.path(), ", vertical_shift: 0 m, why: both were levelled from one mark");
    let summary = run(&file, &[]).summary();
    assert!((number(&summary["all"], "bias") - 0.02).abs() < 1e-9);
    assert!(
        summary["method"]
            .as_str()
            .unwrap()
            .contains("are stated to be the same: both were levelled from one mark.")
    );
}

#[test]
fn the_same_system_is_silent_and_one_alone_is_noted() {
    for (survey, reference) in [(ORTHOMETRIC, ORTHOMETRIC), (ELLIPSOIDAL, ELLIPSOIDAL), ("", "")] {
        let folder = site(survey, reference, 0.0);
        assert!(!notes(&pipeline(folder.path(), "")).contains("vertical system"));
    }
    for (survey, reference) in [(ORTHOMETRIC, ""), ("", ELLIPSOIDAL)] {
        let folder = site(survey, reference, 0.0);
        let file = pipeline(folder.path(), "");
        assert!(notes(&file).contains("one does not state its vertical system, and the same one is assumed"));
        let found = run(&file, &[]);
        assert!(
            common::manifest(&found.out)["notes"].to_string().contains("does not state its vertical system")
        );
    }
}

#[test]
fn files_of_one_cloud_in_two_systems_are_refused_whatever_is_stated() {
    let folder = site(ORTHOMETRIC, ORTHOMETRIC, 0.0);
    let more: Vec<_> = grid(4, 4, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect();
    write(&folder.path().join("more.laz"), &more, &system(ELLIPSOIDAL));
    let file = folder.path().join("pipeline.yaml");
    let text = "survey: {files: [survey.laz], units: m}\nreference: {files: [reference.laz, more.laz], units: m, \
                vertical_shift: 1 m, why: a test}\n";
    fs::write(&file, text).unwrap();
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 2);
    assert!(error.contains("transform the files to one vertical system first"), "{error}");
}

#[test]
fn a_shift_needs_its_reason_and_belongs_to_the_reference() {
    let folder = site(ORTHOMETRIC, ORTHOMETRIC, 0.0);
    let says =
        |more: &str| refused(&try_run(&pipeline(folder.path(), more), &folder.path().join("out"), &[]), 2);
    assert!(says(", vertical_shift: 1 m").contains("`vertical_shift` of `reference` is not explained"));
    assert!(says(", vertical_shift: 1 m, why: ' '").contains("`why` of `reference` is empty"));
    assert!(says(", why: because").contains("`why` of `reference` explains nothing"));
    assert!(says(", vertical_shift: 1, why: a").contains("vertical_shift"));
    assert!(says(", vertical_shift: 200 km, why: a").contains("vertical_shift"));
    let file = folder.path().join("pipeline.yaml");
    fs::write(&file, "survey: {files: [survey.laz], units: m, vertical_shift: 1 m, why: a}\n").unwrap();
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 2);
    assert!(error.contains("`survey` has no option `vertical_shift`"), "{error}");
}
