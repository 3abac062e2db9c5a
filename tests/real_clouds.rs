//! Clouds that others made (see `tests/data/README.md`), and clouds in different units and systems.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{COMPARE_ALL, Stored, grid, point, slope, write};
use common::{describe, echograde, number, of_return, refused, root, run, try_run};
use echograde::cloud::{LasFile, StatedUnit};
use echograde::units::Unit;
use las::{Builder, Point, Reader, Writer};
use serde_json::{Value, json};
use tempfile::TempDir;

fn data(name: &str) -> String {
    root().join("tests/data").join(name).display().to_string().replace('\\', "/")
}

fn write_pipeline(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    fs::write(&path, text).unwrap();
    path
}

fn run_text(text: &str) -> Value {
    let folder = TempDir::new().unwrap();
    run(&write_pipeline(folder.path(), text), &[]).summary()
}

/// What `check` and `run` say about a file that they both must refuse as wrong, with nothing on standard output.
fn refusal(folder: &Path, text: &str) -> String {
    let path = write_pipeline(folder, text);
    let [check, run] = ["check", "run"].map(|command| {
        let output = echograde().arg(command).arg(&path).output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
        assert!(output.stdout.is_empty(), "{}", describe(&output));
        String::from_utf8(output.stderr).unwrap()
    });
    assert_eq!(check, run);
    assert!(!folder.join("runs").exists());
    run
}

/// For suburb and wood with about 0.17 points a square foot: windows wider than the houses, and the default
/// thresholds (0.3 m and 1 m) in round feet. Cells are given beside, a little wider than the spacing of the points.
const SUBURB: &str = "window_max: 60 ft, dh_initial: 1 ft, dh_max: 3 ft";

/// Points that autzen_trim.laz labels ground.
const LABELLED: u64 = 26_107;

#[test]
fn the_ground_filter_keeps_labelled_ground() {
    // Measured: 25,926 (99.31 %) with cells of 3 ft, 25,985 (99.53 %) with the defaults, made for ten times the density.
    for (options, least) in [(format!("cell: 3 ft, {SUBURB}"), 25_920), (String::new(), 25_980)] {
        let summary = run_text(&format!(
            "survey: {{files: ['{}'], units: ft}}\nunits: ft\n\
             stages: [read: {{}}, ground: {{{options}}}, select: {{classes: [2]}}, summarise: {{}}]",
            data("autzen_trim.laz")
        ));
        assert_eq!(summary["points"], 110_000);
        let kept = summary["survey"]["select"][0]["selected"].as_u64().unwrap();
        assert!((least..=LABELLED).contains(&kept), "{options}: {kept} of {LABELLED} labelled points kept");
    }
}

#[test]
fn what_the_filter_accepts_besides_lies_on_the_labelled_ground() {
    // The labels are sparse: much of what is not labelled is ground. Where labelled ground is near, the unlabelled
    // points accepted must lie on it: measured median 0.112 ft (the labelled points are the lowest ones), 95 % of |dz|
    // 0.588 ft, of 37,179 points; while 26,945 points, the houses and trees, are told from the ground.
    let file = data("autzen_trim.laz");
    let summary = run_text(&format!(
        "survey: {{files: ['{file}'], units: ft}}\nreference: {{files: ['{file}'], units: ft}}\nunits: ft\n\
         stages:\n- read: {{}}\n- select: {{cloud: reference, classes: [2]}}\n\
         - ground: {{cloud: survey, cell: 3 ft, {SUBURB}}}\n- select: {{cloud: survey, classes: [1]}}\n\
         - checkpoints: {{}}\n- compare: {{match: plane, within: 6 ft}}\n- summarise: {{}}\n"
    ));
    assert_eq!(summary["reference"]["ground"], LABELLED);
    let above = summary["survey"]["above_ground"].as_u64().unwrap();
    assert!(above > 26_900, "{above}");
    let all = &summary["all"];
    assert!(number(all, "compared") > 37_000.0, "{all}");
    assert!((0.0..0.12).contains(&number(all, "median")) && number(all, "abs_p95") < 0.59, "{all}");
}

/// Splits a cloud by pulse: all returns of a pulse, which share its time, go to one half.
fn split_by_pulse(path: &str, halves: [&Path; 2]) {
    let mut reader = Reader::from_path(path).unwrap();
    let header = reader.header().clone();
    let points = reader.read_all().unwrap();
    let mut writers = halves.map(|half| {
        let mut builder = Builder::from(header.version());
        builder.point_format = *header.point_format();
        builder.transforms = *header.transforms();
        builder.vlrs = header.vlrs().iter().filter(|v| v.user_id == "LASF_Projection").cloned().collect();
        Writer::from_path(half, builder.into_header().unwrap()).unwrap()
    });
    for point in points.points() {
        let point = point.unwrap();
        let hash = point.gps_time.unwrap().to_bits().wrapping_mul(0x9e37_79b9_7f4a_7c15);
        writers[(hash >> 63) as usize].write_point(point).unwrap();
    }
    writers.iter_mut().for_each(|writer| writer.close().unwrap());
    let system = |path: &Path| LasFile::open(path).unwrap().crs;
    assert!(halves.iter().all(|half| system(half) == system(Path::new(path))));
}

#[test]
fn two_halves_of_one_cloud_have_no_bias_between_them() {
    let folder = TempDir::new().unwrap();
    let halves = ["a.laz", "b.laz"].map(|name| folder.path().join(name));
    split_by_pulse(&data("autzen_trim.laz"), [&halves[0], &halves[1]]);
    for (survey, reference) in [("a", "b"), ("b", "a")] {
        // Cells a little wider than the spacing of half the points; planes through ten of them or so.
        let text = format!(
            "survey: {{files: [{survey}.laz], units: ft}}\nreference: {{files: [{reference}.laz], units: ft}}\n\
             units: ft\nstages:\n- read: {{}}\n- ground: {{cell: 4 ft, {SUBURB}}}\n- checkpoints: {{}}\n\
             - compare: {{match: plane, within: 6 ft}}\n- summarise: {{}}\n"
        );
        let summary = run(&write_pipeline(folder.path(), &text), &[]).summary();
        let total = summary["points"].as_u64().unwrap() + summary["reference"]["read"].as_u64().unwrap();
        assert_eq!(total, 110_000);
        let all = &summary["all"];
        let (n, mean, sd) = (number(all, "compared"), number(all, "bias"), number(all, "sd"));
        // Measured: bias 0.0002 ft and -0.0036 ft, SD 0.257 ft and 0.250 ft, at some 39,000 places. A point serves in
        // ten planes, so the places are not independent: five of the standard errors that they would have if they were.
        assert!(n > 38_500.0, "{all}");
        assert!(mean.abs() < 5.0 * sd / n.sqrt() && mean.abs() < 0.005, "{survey}: {all}");
        assert!((0.24..0.27).contains(&sd), "{survey}: {all}");
        assert!((0.10..0.11).contains(&number(all, "nmad")), "{survey}: {all}");
    }
}

#[test]
fn clouds_of_others_are_read_with_their_counts_units_and_systems() {
    let not_stated = StatedUnit::NotStated;
    let (metre, us_foot) = (StatedUnit::Stated(Unit::Metre), StatedUnit::Stated(Unit::UsSurveyFoot));
    for (name, by_return, horizontal, vertical, system, said, report) in [
        (
            "1_4_w_evlr.laz",
            [974, 23, 2, 1],
            &us_foot,
            &StatedUnit::Contradictory(Unit::UsSurveyFoot),
            "EPSG 2903",
            "units: ftUS",
            "ftUS",
        ),
        (
            "simple.copc.laz",
            [925, 114, 21, 5],
            &metre,
            &us_foot,
            "NAD83 / Oregon LCC (m) (EPSG 2991) + NAVD88 height (ftUS) (EPSG 6360)",
            "",
            "ftUS",
        ),
        ("simple.las", [925, 114, 21, 5], &not_stated, &not_stated, "not stated", "units: ft", "ft"),
        (
            "extrabytes.las",
            [925, 114, 21, 5],
            &not_stated,
            &not_stated,
            "not stated",
            "units: {horizontal: m, vertical: ft}",
            "ft",
        ),
    ] {
        let cloud = LasFile::open(Path::new(&data(name))).unwrap();
        let total: u64 = by_return.iter().sum();
        assert_eq!(cloud.points, total, "{name}");
        assert_eq!((&cloud.crs.horizontal_unit, &cloud.crs.vertical_unit), (horizontal, vertical), "{name}");
        assert!(cloud.crs.describe().contains(system), "{name}: {}", cloud.crs.describe());

        let summary = run_text(&format!(
            "survey: {{files: ['{}'], {said}}}\nstages: [read: {{}}, summarise: {{}}]",
            data(name)
        ));
        assert_eq!((&summary["points"], &summary["units"]), (&json!(total), &json!(report)), "{name}");
        for (n, points) in (1..).zip(by_return) {
            assert_eq!(of_return(&summary, n)["points"], points, "{name} return {n}");
        }
    }
}

#[test]
fn units_that_are_not_reliably_stated_are_asked_for() {
    let folder = TempDir::new().unwrap();
    let cases = [
        ("simple.las", "does not state its horizontal unit", "`units: {horizontal: …}`"),
        ("simple.las", "does not state its vertical unit", "`units: {vertical: …}`"),
        ("autzen_trim.laz", "does not state its vertical unit", "`units: {vertical: …}`"),
        ("1_4_w_evlr.laz", "has a contradictory vertical unit", "`units: {vertical: …}`"),
    ];
    for (name, problem, remedy) in cases {
        let said = refusal(folder.path(), &format!("survey: {{files: ['{}']}}\n", data(name)));
        assert!(said.contains(&format!("{name} {problem}")), "{said}");
        assert!(said.contains("beside `files:`") && said.contains(remedy), "{said}");
        assert!(said.contains("pipeline.yaml:1:"), "{said}");
    }
}

#[test]
fn a_file_agrees_with_its_own_copy_in_another_format() {
    // The copy states its units (metres, and US survey feet vertically); the original must be told.
    let summary = run_text(&format!(
        "survey: {{files: ['{}'], units: {{horizontal: m, vertical: ftUS}}}}\nreference: {{files: ['{}']}}\n\
         stages:\n- read: {{}}\n- ground: {{cell: 20 m, window_max: 200 m}}\n- checkpoints: {{}}\n- compare: {{}}\n- summarise: {{}}\n",
        data("simple.las"),
        data("simple.copc.laz")
    ));
    let all = &summary["all"];
    assert_eq!(summary["units"], "ftUS");
    assert!(all["compared"].as_u64().unwrap() > 100, "{all}");
    assert_eq!((&all["compared"], &all["min"], &all["max"]), (&all["ground"], &json!(0.0), &json!(0.0)));
}

/// A slope at 400 m, where a US survey foot taken for an international one is 0.8 mm off.
fn high_slope() -> Vec<Point> {
    grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + 100.0)).collect()
}

#[test]
fn elevations_in_us_survey_feet_and_in_metres_agree_to_the_micrometre() {
    let folder = TempDir::new().unwrap();
    let metres = Stored::with_system_of("metre.wkt");
    let wkt = metres.wkt.clone().unwrap();
    let (plan, height) = wkt.split_at(wkt.find("VERT_CS").unwrap());
    let unit = r#"UNIT["metre",1,AUTHORITY["EPSG","9001"]]"#;
    let foot = r#"UNIT["US survey foot",0.304800609601219,AUTHORITY["EPSG","9003"]]"#;
    assert!(height.contains(unit));
    let us_feet = Stored { wkt: Some(format!("{plan}{}", height.replace(unit, foot))), z_scale: 1e-6 };

    let points = high_slope();
    let in_feet: Vec<Point> =
        points.iter().map(|p| Point { z: p.z * 3937.0 / 1200.0, ..p.clone() }).collect();
    write(&folder.path().join("survey.laz"), &points, &metres);
    write(&folder.path().join("reference.laz"), &in_feet, &us_feet);
    let text = format!(
        "survey: {{files: [survey.laz]}}\nreference: {{files: [reference.laz]}}\nstages: {COMPARE_ALL}\n"
    );
    let summary = run(&write_pipeline(folder.path(), &text), &[]).summary();
    let all = &summary["all"];
    assert_eq!((&summary["units"], &all["compared"]), (&json!("m"), &json!(1200)));
    // Both are rounded to whole micrometres, and to the same ones.
    assert_eq!((&all["min"], &all["max"], &all["rmse"]), (&json!(0.0), &json!(0.0), &json!(0.0)));

    // The other foot, said in place of the right one, is told by what it does.
    let wrong = text.replace("[reference.laz]", "[reference.laz], units: {vertical: ft}");
    let mean = number(&run(&write_pipeline(folder.path(), &wrong), &[]).summary()["all"], "bias");
    assert!((mean - 0.0008).abs() < 1e-6, "{mean}");
}

#[test]
fn clouds_in_different_horizontal_systems_are_refused_and_both_are_named() {
    let folder = TempDir::new().unwrap();
    let points = high_slope();
    write(&folder.path().join("survey.laz"), &points, &Stored::with_system_of("metre.wkt"));
    write(&folder.path().join("second.laz"), &points, &Stored::with_system_of("foot.wkt"));
    write(&folder.path().join("silent.laz"), &points, &Stored::SILENT);
    for text in [
        "survey: {files: [survey.laz]}\nreference: {files: [second.laz]}\n",
        // Saying the unit does not make it the same system.
        "survey: {files: [survey.laz]}\nreference: {files: [second.laz], units: m}\n",
        "survey: {files: [survey.laz, second.laz]}\n",
    ] {
        let said = refusal(folder.path(), text);
        for name in [
            "survey.laz",
            "second.laz",
            "ETRS89 / UTM zone 32N (EPSG 25832)",
            "NAD83 / Oregon GIC Lambert (ft) (EPSG 2992)",
        ] {
            assert!(said.contains(name), "{name}: {said}");
        }
        assert!(said.contains("transform both to one horizontal system first"), "{said}");
    }
    // Where one is silent, the run continues and says so.
    let text = "survey: {files: [survey.laz]}\nreference: {files: [silent.laz], units: m}\n";
    let output = echograde().arg("check").arg(write_pipeline(folder.path(), text)).output().unwrap();
    assert!(output.status.success(), "{}", describe(&output));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("survey.laz and silent.laz do not both state their horizontal system"), "{said}");
}

#[test]
fn a_reference_in_feet_serves_a_survey_in_metres() {
    // 0.381 m is 1.25 ft: every coordinate is exact in both. The survey is 30 mm too high.
    let folder = TempDir::new().unwrap();
    let stored = |x: f64, y: f64, z: f64| Point { x, y, z, ..point(0.0, 0.0, 0.0) };
    let places = || (0..1200).map(|i| (f64::from(i % 40), f64::from(i / 40), f64::from(i / 400)));
    let survey: Vec<Point> = places()
        .map(|(i, j, k)| stored(352_806.0 + 0.381 * i, 762_000.0 + 0.381 * j, 381.0 + 0.381 * k + 0.030))
        .collect();
    let reference: Vec<Point> = places()
        .map(|(i, j, k)| stored(1_157_500.0 + 1.25 * i, 2_500_000.0 + 1.25 * j, 1250.0 + 1.25 * k))
        .collect();
    write(&folder.path().join("survey.laz"), &survey, &Stored::SILENT);
    write(&folder.path().join("reference.laz"), &reference, &Stored::SILENT);
    let text = |foot: &str| {
        let stages = COMPARE_ALL.replace("ground: {}", "ground: {slope: 2.5}");
        format!(
            "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: {foot}}}\nstages: {stages}\n"
        )
    };
    let all = run(&write_pipeline(folder.path(), &text("ft")), &[]).summary()["all"].clone();
    assert_eq!((&all["compared"], &all["bias"], &all["sd"]), (&json!(1200), &json!(0.03), &json!(0.0)));
    // The other foot puts the reference 0.7 m away in x: then nothing is compared, and that is no result.
    let output = try_run(&write_pipeline(folder.path(), &text("ftUS")), &folder.path().join("out"), &[]);
    assert!(refused(&output, 1).contains("no survey ground point has reference within 15 mm"));
}
