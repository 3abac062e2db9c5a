//! Raw scans registered by the real program, from targets and control: the poses, what they leave uncertain, and what is refused.

mod common;

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use common::made::{self, COMPARE_ALL, CORNER, Stored, grid, point, slope};
use common::random::Normal;
use common::scans::{Scan, write};
use common::{echograde, manifest, number, refused, run, try_run};
use las::Point;
use serde_json::Value;
use tempfile::TempDir;

const FOOT: f64 = 0.3048;

/// A setup: its name, how it was turned about the vertical, and where it stood, counted from the corner of the site.
const SETUPS: [(&str, f64, [f64; 3]); 2] =
    [("S1", 0.7, [5.0, 4.0, 301.0]), ("S2", -2.1, [14.0, 11.0, 302.0])];

/// Control points, counted from the corner, around the site.
const CONTROL: [(&str, [f64; 3]); 5] = [
    ("C1", [-3.0, -2.0, 301.5]),
    ("C2", [23.0, -4.0, 302.0]),
    ("C3", [25.0, 18.0, 300.5]),
    ("C4", [-2.0, 17.0, 303.0]),
    ("C5", [10.0, 20.0, 301.0]),
];

/// A place counted from the corner in the frame of a setup.
fn own(at: [f64; 3], (_, turn, stood): (&str, f64, [f64; 3])) -> [f64; 3] {
    let (sin, cos) = turn.sin_cos();
    let (dx, dy) = (at[0] - stood[0], at[1] - stood[1]);
    [cos * dx + sin * dy, cos * dy - sin * dx, at[2] - stood[2]]
}

/// What differs between the sites of the tests.
struct Site {
    /// Unit of the scans, metres.
    unit: f64,
    /// Standard deviations of targets and of control, metres, and the seed of their errors.
    errors: Option<(f64, f64, u64)>,
    /// Whether the second scan is an E57 file with a pose that is not its own.
    e57: bool,
}

const EXACT: Site = Site { unit: 1.0, errors: None, e57: false };

impl Site {
    /// A survey 20 mm above the slope, and its halves as two raw scans, which overlap, with the lists to register them.
    fn write(&self, folder: &Path) {
        let survey: Vec<_> = grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + 0.02)).collect();
        made::write_plain(&folder.join("survey.laz"), &survey);
        for (setup, (from, to)) in SETUPS.into_iter().zip([(0.0, 11.0), (9.0, 20.0)]) {
            let half = grid(40, 30, 0.5).filter(|(x, _)| (from..to).contains(x));
            let local = half.map(|(x, y)| own([x, y, slope(x, y)], setup));
            let scaled = local.map(|at| at.map(|v| v / self.unit));
            if self.e57 && setup.0 == "S2" {
                let scan = Scan::of(scaled).named("east").posed(1.0, [7.0, 8.0, 9.0]);
                write(&folder.join("s2.e57"), &[scan], None);
            } else {
                let to_point = |[x, y, z]: [f64; 3]| Point { x, y, z, ..point(0.0, 0.0, 0.0) };
                let stored = Stored { z_scale: 1e-6, ..Stored::SILENT };
                let name = format!("{}.laz", setup.0.to_lowercase());
                made::write(&folder.join(name), &scaled.map(to_point).collect::<Vec<_>>(), &stored);
            }
        }
        self.write_lists(folder);
    }

    fn write_lists(&self, folder: &Path) {
        let (of_target, of_control, seed) = self.errors.unwrap_or((0.0, 0.0, 1));
        let mut random = Normal::new(seed);
        let stated = |sigma: f64, otherwise: f64| if sigma > 0.0 { sigma } else { otherwise };
        let mut targets = "setup,name,x,y,z,sigma\n".to_string();
        for setup in SETUPS {
            for (name, at) in CONTROL {
                let at = own(at, setup).map(|v| (v + of_target * random.next()) / self.unit);
                let sigma = stated(of_target, 0.002) / self.unit;
                writeln!(targets, "{},{name},{:.7},{:.7},{:.7},{sigma}", setup.0, at[0], at[1], at[2])
                    .unwrap();
            }
        }
        fs::write(folder.join("targets.csv"), targets).unwrap();
        let mut control = "name,easting,northing,elevation,sigma_h,sigma_v,note\n".to_string();
        for (name, [x, y, z]) in CONTROL {
            let [x, y, z] = [CORNER.0 + x, CORNER.1 + y, z].map(|v| v + of_control * random.next());
            let sigma = stated(of_control, 0.003);
            writeln!(control, "{name},{x:.6},{y:.6},{z:.6},{sigma},{sigma},nail").unwrap();
        }
        fs::write(folder.join("control.csv"), control).unwrap();
    }

    fn reference(&self, more: &str) -> String {
        let second = if self.e57 { "s2.e57" } else { "s2.laz" };
        let units = if self.unit == FOOT { "ft" } else { "m" };
        format!(
            "{{scans: [{{name: S1, files: [s1.laz]}}, {{name: S2, files: [{second}]}}], units: {units}, \
             register: {{targets: targets.csv, control: control.csv{more}}}}}"
        )
    }
}

fn pipeline(folder: &Path, reference: &str, stages: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text =
        format!("survey: {{files: [survey.laz], units: m}}\nreference: {reference}\nstages: {stages}\n");
    fs::write(&path, text).unwrap();
    path
}

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
        let hash: String = sha2::Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!((&input["sha256"], &input["size"]), (&Value::from(hash), &Value::from(bytes.len())));
    }
    assert!(found.text("report.html").contains("Registration of the scans"));
    assert!(found.stdout.contains("Registration of 2 setups"), "{}", found.stdout);
    let survey = "{files: [survey.laz], units: m, vertical_shift: 1 cm, why: other file}";
    fs::copy(folder.path().join("survey.laz"), folder.path().join("other.laz")).unwrap();
    let plain = run(
        &pipeline(
            folder.path(),
            &survey.replace("survey.laz", "s1.laz"),
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
fn results_are_the_same_over_tiles_threads_and_memory() {
    let site = Site { errors: Some((0.003, 0.006, 3)), e57: true, ..EXACT };
    let folder = TempDir::new().unwrap();
    site.write(folder.path());
    for draw in ["per_return: all", "{per_return: 150, spacing: 1 m}"] {
        let draw = draw.trim_matches(['{', '}']);
        let with = |tile: &str, options: &[&str]| {
            let stages = format!(
                "[read: {{tile: {tile}}}, ground: {{}}, checkpoints: {{{draw}}}, compare: {{match: plane, within: 1 m}}, summarise: {{}}]"
            );
            run(&pipeline(folder.path(), &site.reference(", model: full"), &stages), options).same_bytes()
        };
        let strip = |mut all: std::collections::BTreeMap<&'static str, String>| {
            all.remove("pipeline.yaml");
            all
        };
        let first = strip(with("7 m", &[]));
        assert_eq!(first, strip(with("50 m", &["--threads", "1"])));
        assert_eq!(first, strip(with("13 m", &["--threads", "3", "--memory", "64M"])));
    }
}

#[test]
fn a_blunder_is_named_and_a_withheld_point_takes_no_part() {
    let site = Site { errors: Some((0.001, 0.001, 3)), ..EXACT };
    let folder = TempDir::new().unwrap();
    site.write(folder.path());
    let path = folder.path().join("control.csv");
    let text = fs::read_to_string(&path).unwrap();
    let line = text.lines().find(|line| line.starts_with("C3")).unwrap().to_string();
    let mut fields: Vec<String> = line.split(',').map(str::to_string).collect();
    fields[3] = format!("{:.6}", fields[3].parse::<f64>().unwrap() + 0.030);
    fs::write(&path, text.replace(&line, &fields.join(","))).unwrap();
    let with = |more: &str| run(&pipeline(folder.path(), &site.reference(more), COMPARE_ALL), &[]).summary();
    let codes = |summary: &Value| -> Vec<String> {
        let warnings = summary["warnings"].as_array().unwrap().iter();
        warnings.map(|one| one["code"].as_str().unwrap().to_string()).collect()
    };
    let summary = with("");
    let suggested = &summary["registration"]["suggested"][0];
    assert_eq!((&suggested["name"], &suggested["component"]), (&"C3".into(), &"up".into()), "{suggested}");
    assert!(codes(&summary).contains(&"suspected_blunder".to_string()), "{:?}", codes(&summary));
    assert!(codes(&summary).contains(&"registration_test".to_string()), "{:?}", codes(&summary));
    let bias = number(&summary["all"], "bias");
    let summary = with(", withhold: [C3]");
    let found = &summary["registration"];
    assert_eq!(found["withheld"].as_array().unwrap().len(), 2);
    for row in found["withheld"].as_array().unwrap() {
        assert!((row["residual"][2].as_f64().unwrap() + 0.030).abs() < 0.006, "{row}");
        assert!(row["standardised"][2].as_f64().unwrap() < -6.0, "{row}");
    }
    assert_eq!(found["suggested"].as_array().unwrap().len(), 0);
    assert!(!codes(&summary).contains(&"suspected_blunder".to_string()));
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
    let contains = |said: &str, parts: &[&str]| {
        parts.iter().for_each(|part| assert!(said.contains(part), "`{part}` is not in:\n{said}"));
    };
    contains(
        &said("{files: [s1.laz], units: m, register: {targets: targets.csv, control: control.csv}}"),
        &["needs `scans`"],
    );
    contains(&said("{files: [s1.laz], units: m, uncertainty: auto}"), &["`auto`", "register"]);
    contains(
        &said(&plain.replace("control: control.csv", "control: other.csv")),
        &["there is no file `other.csv`"],
    );
    contains(&said(&EXACT.reference(", withhold: [C9]")), &["C9", "withhold"]);
    contains(
        &said(&EXACT.reference(", withhold: [C1, C2, C3, C4]")),
        &["S1 (1 on control, 0 shared", "4 withheld", "two targets"],
    );
    contains(&said(&EXACT.reference(", modell: full")), &["modell"]);
    for (file, text, parts) in [
        ("targets.csv", targets.replace("S2,", "east,"), &["S2 (0 on control", "east"][..]),
        ("targets.csv", targets.replacen("0.002", "0", 1), &["targets.csv", "line 2", "sigma", "above 0"]),
        (
            "targets.csv",
            targets.replace("setup,", "station,"),
            &["targets.csv", "`setup`", "columns: {setup:"],
        ),
        ("targets.csv", targets.replacen("C2", "C1", 1), &["line 3", "two targets named C1"]),
        ("control.csv", control.replace("sigma_h", "sh"), &["control.csv", "sigma_h"]),
        ("control.csv", control.replacen("500", "x500", 1), &["line 2", "not a number"]),
        ("control.csv", control.replace("C2", "C1"), &["line 3", "two points named C1"]),
        ("control.csv", "name,easting,northing,elevation,sigma\n".to_string(), &["no point below"]),
    ] {
        let whole = fs::read_to_string(folder.path().join(file)).unwrap();
        fs::write(folder.path().join(file), text).unwrap();
        contains(&said(&plain), parts);
        fs::write(folder.path().join(file), whole).unwrap();
    }
    // `check` says what came out before any point is read.
    let path = pipeline(folder.path(), &plain, COMPARE_ALL);
    let output = echograde().arg("check").arg(&path).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    contains(&text, &["registered S1 and S2: variance factor"]);
}
