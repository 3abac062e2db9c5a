//! A delivered classification graded as delivered, through the real program: `ground: {from: classes}` on made flights whose
//! classes are known, right and wrong ones, in metres and feet.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::delivered::{Delivered, FLAT, agrees};
use common::made::CORNER;
use common::scans::{Scan, write as write_scans};
use common::{echograde, number, of_return, refused, run, try_run};
use serde_json::{Value, json};
use tempfile::TempDir;

fn pipeline(folder: &Path, unit: &str, survey: &str, stages: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text = format!(
        "survey: {{files: [{survey}], units: {unit}}}\nreference: {{files: [reference.laz], units: {unit}, uncertainty: 4 mm}}\n\
         stages: {stages}\n"
    );
    fs::write(&path, text).unwrap();
    path
}

/// All that follow the ground.
const REST: &str = "checkpoints: {per_return: all}, compare: {match: nearest, within: 1 mm}, summarise: {}";
const BOTH: &str = "ground: {from: classes, cell: 1 m}";
/// The survey as delivered, against a reference that the filter classifies.
const APART: &str = "ground: {cloud: survey, from: classes, cell: 1 m}, \
                     ground: {cloud: reference, cell: 2 m, dh_initial: 2 m, dh_max: 4 m}";

fn stages(ground: &str) -> String {
    format!("[read: {{}}, {ground}, {REST}]")
}

#[test]
fn class_2_is_graded_as_delivered_with_its_mistakes_in_metres_and_feet() {
    let steep = Delivered { seed: 2, slope: 0.4, strips: 2, wrong: [0.3, 0.2, 0.9], ..FLAT };
    let sparse = Delivered { seed: 3, side: 500.0, pulses: 30_000, slope: 0.1, strips: 8, wrong: [0.0; 3] };
    for (delivered, unit, classes) in [
        (FLAT, "m", BOTH),
        (FLAT, "ftUS", BOTH),
        (steep, "m", BOTH),
        (Delivered { seed: 4, ..steep }, "ft", BOTH),
        (sparse, "m", APART),
        (Delivered { seed: 5, side: 600.0, slope: 0.02, ..sparse }, "ftUS", APART),
    ] {
        let what = format!("seed {}, {unit}", delivered.seed);
        let (folder, site) = (TempDir::new().unwrap(), delivered.make());
        site.write(folder.path(), false, 2);
        let found = run(&pipeline(folder.path(), unit, "survey.laz", &stages(classes)), &[]);
        let summary = found.summary();
        agrees(&summary["all"], &site.dz(|one| one.class == 2), &what);
        for number in 1..=3 {
            let of = site.dz(|one| one.class == 2 && one.number == number);
            agrees(of_return(&summary, u64::from(number)), &of, &format!("{what}, return {number}"));
        }
        // Each point under one reason, and none under those of a filter.
        let survey = &summary["survey"];
        let [noise, ground] = [7, 2].map(|class| site.count(|one| one.class == class));
        assert_eq!((&survey["noise"], &survey["ground"]), (&json!(noise), &json!(ground)), "{what}");
        assert_eq!(survey["other_class"], site.survey.len() as u64 - noise - ground, "{what}");
        assert_eq!((&survey["low_outlier"], &survey["above_ground"]), (&json!(0), &json!(0)), "{what}");
        assert_eq!(survey["ground_from"], "classes", "{what}");
        let of_reference = if classes == APART { "filter" } else { "classes" };
        assert_eq!(summary["reference"]["ground_from"], of_reference, "{what}");
        // No limit is known, so that nothing is corrected.
        let corrected = &summary["all"]["truncation_corrected"];
        assert_eq!((&corrected["bias"], &corrected["sd"]), (&Value::Null, &Value::Null), "{what}");
        assert!(corrected["reason"].as_str().unwrap().contains("class 2 as delivered"), "{what}");
        assert!(!summary["warnings"].to_string().contains("dh_initial"), "{what}: {}", summary["warnings"]);
        let page = found.text("report.html");
        assert!(page.contains("class 2 as delivered; nothing was filtered"), "{what}");
        assert!(page.contains("of other classes than ground (2)"), "{what}");
        assert!(page.contains("No truncation correction:"), "{what}");
        assert!(!page.contains("Truncation correction (ground-filter"), "{what}");
    }
}

#[test]
fn cover_and_slope_come_from_the_ground_delivered() {
    // Nothing but single returns on a slope of 0.25, whatever the filter would make of it, and its terrain.
    let delivered = Delivered { slope: 0.25, wrong: [0.0; 3], ..FLAT };
    let (folder, site) = (TempDir::new().unwrap(), delivered.make());
    site.write(folder.path(), false, 2);
    let stages = "[read: {}, ground: {from: classes, cell: 2 m}, checkpoints: {}, compare: {within: 1 mm}, \
                  summarise: {by: [return, cover, slope], slope_breaks: [0.15, 0.35]}]";
    let summary = run(&pipeline(folder.path(), "m", "survey.laz", stages), &[]).summary();
    let groups = summary["groups"].as_array().unwrap();
    let of = |key: &str, word: &str| -> u64 {
        groups
            .iter()
            .filter(|group| group["by"][key] == word)
            .map(|group| group["ground"].as_u64().unwrap())
            .sum()
    };
    let all = summary["all"]["ground"].as_u64().unwrap();
    assert!(of("slope", "0.15-0.35") as f64 > 0.97 * all as f64, "{groups:?}");
    // Shrubs of 0.5 to 2 m, seen by the first returns over about a third of the site.
    let low = of("cover", "low") as f64 / all as f64;
    assert!((0.2..0.6).contains(&low), "{low}");
    assert!(of("cover", "open") as f64 > 0.3 * all as f64);
    assert!(number(&summary["terrain_by_returns"][0], "coverage") > 0.3);
}

#[test]
fn a_cloud_that_nobody_classified_is_refused_with_its_file_and_the_remedy() {
    let (folder, site) = (TempDir::new().unwrap(), FLAT.make());
    site.write(folder.path(), false, 1);
    let file = pipeline(folder.path(), "m", "survey.laz", &stages(BOTH));
    let out = folder.path().join("out");
    let error = refused(&try_run(&file, &out, &[]), 1);
    assert!(
        error.contains("reference.laz: none of the ") && error.contains("is of class 2 (ground)"),
        "{error}"
    );
    assert!(error.contains("`ground: {cloud: reference}`"), "{error}");
    assert!(!out.exists() && !out.with_extension("unfinished").exists());
    // The survey is read first, and refused before the reference is read.
    let none = Delivered { wrong: [1.0, 0.0, 0.0], ..FLAT };
    none.make().write(folder.path(), true, 2);
    let file = pipeline(folder.path(), "m", "'s?.laz', 's1?.laz'", &stages(BOTH));
    let error = refused(&try_run(&file, &out, &[]), 1);
    assert!(error.contains("s10.laz and 3 other files: none of the "), "{error}");
    assert!(error.contains("Classify the survey first"), "{error}");
}

#[test]
fn a_file_without_ground_beside_others_is_warned_of() {
    let (folder, mut site) = (TempDir::new().unwrap(), FLAT.make());
    site.survey.iter_mut().filter(|one| one.strip == 8).for_each(|one| one.class = 1);
    site.write(folder.path(), true, 2);
    let file = pipeline(folder.path(), "m", "'s?.laz', 's1?.laz'", &stages(BOTH));
    let found = run(&file, &[]);
    assert!(
        found
            .stdout
            .replace('\n', " ")
            .contains("No point of s8.laz is of class 2: this file is not classified"),
        "{}",
        found.stdout
    );
    let summary = found.summary();
    assert!(common::warning(&summary, "unclassified").is_some());
    agrees(&summary["all"], &site.dz(|one| one.class == 2), "strips 7, 9, 10");
}

#[test]
fn what_cannot_go_with_delivered_classes_is_told_before_a_point_is_read() {
    let (folder, site) = (TempDir::new().unwrap(), FLAT.make());
    site.write(folder.path(), false, 2);
    let says = |stages: &str| {
        let file = pipeline(folder.path(), "m", "survey.laz", stages);
        refused(&echograde().arg("check").arg(&file).output().unwrap(), 2)
    };
    let error = says(&stages("ground: {from: classes, dh_initial: 0.2 m, slope: 0.3, cell: 1 m}"));
    assert_eq!(error.matches("does nothing with `from: classes`").count(), 2, "{error}");
    assert!(error.contains("dh_initial") && error.contains("pipeline.yaml:3:"), "{error}");
    let error =
        says(&stages("ground: {cloud: survey}, ground: {cloud: reference, from: classes, cell: 1 m}"));
    assert!(error.contains("`cell` of stage `ground` does nothing with `from: classes`"), "{error}");
    let error = says(&stages("select: {classes: [1, 4]}, ground: {from: classes}"));
    assert!(error.contains("`classes` of `select` leaves out class 2"), "{error}");
    let error = says(&stages("ground: {from: class}"));
    assert!(error.contains("`filter` or `classes`"), "{error}");
    // A scan in E57 has no classes.
    let positions = [[CORNER.0, CORNER.1, 300.0], [CORNER.0 + 140.0, CORNER.1 + 140.0, 310.0]];
    write_scans(&folder.path().join("scan.e57"), &[Scan::of(positions)], None);
    let text = fs::read_to_string(folder.path().join("pipeline.yaml")).unwrap();
    let text = text.replace("reference.laz", "scan.e57").replace("from: class}", "from: classes}");
    fs::write(folder.path().join("e57.yaml"), text).unwrap();
    let error = refused(&echograde().arg("check").arg(folder.path().join("e57.yaml")).output().unwrap(), 2);
    assert!(error.contains("scan.e57 holds no classes") && error.contains("e57.yaml:2:"), "{error}");
    assert!(error.contains("`- ground: {cloud: reference}`"), "{error}");
}

#[test]
fn the_resolved_pipeline_file_is_right_and_gives_the_same() {
    let (folder, site) = (TempDir::new().unwrap(), FLAT.make());
    site.write(folder.path(), false, 2);
    for ground in [BOTH, APART, "ground: {cloud: reference, from: classes}, ground: {cloud: survey}"] {
        let first = run(&pipeline(folder.path(), "m", "survey.laz", &stages(ground)), &[]);
        let again = folder.path().join("again.yaml");
        fs::write(&again, first.text("pipeline.yaml")).unwrap();
        let second = run(&again, &[]);
        assert_eq!(first.same_bytes(), second.same_bytes(), "{ground}");
    }
}
