//! A list of surveyed points as the reference, through the real program.

mod common;

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use common::made::{self, CORNER, grid, slope};
use common::{echograde, flat, refused, run, run_in_parts};
use serde_json::Value;
use tempfile::TempDir;

/// The survey lies so far above the surveyed points.
const TOO_HIGH: f64 = 0.012;

/// Names and places of the points, counted from the corner of the site: 36 on a grid, in the last line none can be used.
fn places() -> Vec<(String, f64, f64)> {
    let grid = (0..36).map(|i| (format!("P{i}"), 3.1 + 4.3 * f64::from(i % 6), 2.7 + 4.1 * f64::from(i / 6)));
    let poor = [("VOID", 35.0, 15.0), ("EDGE", 20.0, 29.99), ("AWAY", 500.0, 500.0)];
    grid.chain(poor.map(|(name, x, y)| (name.to_string(), x, y))).collect()
}

/// A plane flown over with a void of 10 m in the east, and a list of points on it.
fn site(header: &str, line: impl Fn(&str, f64, f64, f64) -> String) -> TempDir {
    let folder = TempDir::new().unwrap();
    let in_void = |x: f64, y: f64| (30.0..40.0).contains(&x) && (10.0..20.0).contains(&y);
    let ground = grid(90, 60, 0.5).filter(|&(x, y)| !in_void(x, y));
    let mut points: Vec<_> = ground.map(|(x, y)| made::point(x, y, slope(x, y))).collect();
    // Second returns lie 20 mm lower, in the western half alone.
    for (x, y) in grid(40, 60, 0.5) {
        let mut late = made::point(x + 0.1, y + 0.1, slope(x + 0.1, y + 0.1) - 0.020);
        (late.return_number, late.number_of_returns) = (2, 2);
        points.push(late);
    }
    for point in &mut points {
        point.point_source_id = if point.y < CORNER.1 + 15.0 { 5 } else { 6 };
    }
    made::write_plain(&folder.path().join("survey.laz"), &points);
    let mut list = format!("{header}\n");
    for (name, x, y) in places() {
        let _ = writeln!(list, "{}", line(&name, CORNER.0 + x, CORNER.1 + y, slope(x, y) - TOO_HIGH));
    }
    fs::write(folder.path().join("points.csv"), list).unwrap();
    folder
}

fn plain_site() -> TempDir {
    site("name,easting,northing,elevation,sigma", |name, x, y, z| {
        format!("{name},{x:.3},{y:.3},{z:.4},0.009")
    })
}

fn pipeline(folder: &Path, reference: &str, rest: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    fs::write(&path, format!("survey: {{files: [survey.laz], units: m}}\nreference: {reference}\n{rest}\n"))
        .unwrap();
    path
}

fn close(value: &Value, expected: f64, within: f64) {
    let value = value.as_f64().unwrap_or_else(|| panic!("no number where {expected} is due"));
    assert!((value - expected).abs() <= within, "{value} {expected}");
}

#[test]
fn a_list_is_compared_point_by_point_and_return_by_return() {
    let folder = plain_site();
    let result = run(&pipeline(folder.path(), "{points: points.csv}", ""), &[]);
    let summary = result.summary();
    let points = summary["checkpoints"].as_array().unwrap();
    assert_eq!(points.len(), places().len());
    let used: Vec<&Value> = points.iter().filter(|one| one["used"] == true).collect();
    assert_eq!((used.len(), &summary["all"]["compared"]), (36, &Value::from(36)));
    let reason =
        |name: &str| points.iter().find(|one| one["name"] == name).unwrap()["reason"].as_str().unwrap();
    assert!(
        reason("VOID").starts_with("ground too sparse") || reason("VOID").starts_with("no ground"),
        "{}",
        reason("VOID")
    );
    assert_eq!(reason("EDGE"), "ground of the survey does not lie on all sides of it");
    assert_eq!(reason("AWAY"), "outside the survey");
    // Of returns alone the ground is a plane. The elevations of the file are whole millimetres.
    close(&summary["returns"][0]["bias"], TOO_HIGH, 6e-4);
    close(&summary["returns"][1]["bias"], TOO_HIGH - 0.020, 6e-4);
    assert_eq!(summary["returns"][0]["compared"], 36);
    let second = summary["returns"][1]["compared"].as_u64().unwrap();
    let in_west = places().iter().take(36).filter(|(_, x, _)| *x < 20.0).count() as u64;
    assert!((in_west..in_west + 7).contains(&second), "{second} {in_west}");
    // The list's own sigma is that of the reference.
    close(&summary["reference_uncertainty"], 0.009, 1e-9);
    // Each point is in the table, used or not.
    assert_eq!(result.text("checkpoints.csv").lines().count(), 1 + places().len());
    assert!(result.text("report.html").contains("outside the survey"));
    assert!(result.stdout.contains("36 of 39 surveyed points are used."), "{}", result.stdout);
}

/// dz at a point of the list, from returns 1 to k.
fn up_to(point: &Value, k: u64) -> Option<f64> {
    let mut rows = point["terrain_by_returns"].as_array().unwrap().iter();
    rows.rfind(|row| row["returns_up_to"].as_u64().unwrap() <= k)?["dz"].as_f64()
}

#[test]
fn the_terrain_of_returns_1_to_k_is_their_triangulation() {
    let folder = plain_site();
    for offset in [0.0, 0.005] {
        let stated = format!("{{points: points.csv, offset: {{value: {offset} m, sigma: 1 mm, why: snow}}}}");
        let reference = if offset > 0.0 { &stated } else { "{points: points.csv}" };
        let result = run(&pipeline(folder.path(), reference, ""), &[]);
        let summary = result.summary();
        let points = summary["checkpoints"].as_array().unwrap();
        let rows = summary["terrain_by_returns"].as_array().unwrap();
        assert_eq!(rows.len(), 2);
        for (k, row) in (1..).zip(rows) {
            let dz: Vec<f64> = points.iter().filter_map(|point| up_to(point, k)).collect();
            let n = dz.len() as f64;
            let level = dz.iter().sum::<f64>() / n;
            let squares = dz.iter().map(|dz| (dz - level).powi(2)).sum::<f64>();
            assert_eq!((&row["returns_up_to"], &row["terrain_cells"]), (&Value::from(k), &Value::from(36)));
            assert_eq!((&row["common_cells"], &row["uncovered_cells"]), (&Value::from(36), &Value::from(0)));
            close(&row["level_terrain"], level + offset, 1e-9);
            close(&row["sd_terrain"], (squares / (n - 1.0)).sqrt(), 1e-9);
            close(&row["rmse_terrain"], (squares / n + (level + offset).powi(2)).sqrt(), 1e-9);
            assert!(row["weighted"].is_null() && row["rmse_points"].is_null());
            assert!(row["coverage"].is_number());
        }
        // First returns are a plane; with second returns 20 mm lower among them the facets lie lower, and scatter.
        close(&rows[0]["level_terrain"], TOO_HIGH + offset, 6e-4);
        let both = rows[1]["level_terrain"].as_f64().unwrap() - offset;
        assert!(both < TOO_HIGH - 0.002 && both > TOO_HIGH - 0.020, "{both}");
        assert!(summary["terrain_weights"].is_null());
        // The last row is the triangulation of all returns.
        close(&rows[1]["level_terrain"], summary["all"]["bias"].as_f64().unwrap() + offset, 1e-9);
        let page = result.text("report.html");
        assert!(page.contains("surveyed points, n") && !page.contains("Variance-weighted terrain, "), "page");
        let stdout = flat(&result.stdout);
        assert!(stdout.contains("At the 36 surveyed points that all of them reach"), "{stdout}");
    }
}

#[test]
fn under_thirty_points_have_figures_but_no_verdict_and_no_class() {
    let folder = plain_site();
    let all = fs::read_to_string(folder.path().join("points.csv")).unwrap();
    let with = |count: usize, accept: &str| {
        let text: Vec<&str> = all.lines().take(1 + count).collect();
        fs::write(folder.path().join("points.csv"), text.join("\n") + "\n").unwrap();
        let path = pipeline(folder.path(), "{points: points.csv}", accept);
        let out = folder.path().join(format!("out{count}"));
        let output = common::try_run(&path, &out, &[]);
        let stdout = String::from_utf8(output.stdout).unwrap();
        (output.status.code().unwrap(), common::summary(&out), flat(&stdout))
    };
    let accept = "accept: [{rmse: 1 m}, {rmse: 1 mm}, {class: 1 m}]";
    for (count, shown) in [(29, true), (3, true), (2, false)] {
        let (code, summary, stdout) = with(count, accept);
        assert_eq!((code, summary["all"]["compared"].as_u64()), (3, Some(count as u64)));
        for limit in summary["accept"].as_array().unwrap() {
            assert_eq!(limit["verdict"], "inconclusive");
            let expected =
                format!("{count} of the 30 checkpoints that the standard requires: a departure to be stated");
            assert_eq!(limit["reason"], expected);
        }
        let of_all = &summary["standards"]["groups"][0];
        assert!(of_all["rmse_v"].is_number() && of_all["class_cm"].is_null(), "{of_all}");
        assert!(of_all["quality_level"].is_null() && of_all["class_cm_95"].is_null(), "{of_all}");
        assert_eq!(of_all["enough_checkpoints"], false);
        assert_eq!(stdout.contains("on average (bias)"), shown, "{stdout}");
        assert!(
            !stdout.contains("meets the")
                && !stdout.contains("PASS ")
                && stdout.contains("INCONCLUSIVE RMSE"),
            "{stdout}"
        );
        assert!(stdout.contains(&format!("{count} of the 30 checkpoints")), "{stdout}");
    }
}

#[test]
fn a_list_knows_no_strips_and_none_is_missed() {
    let folder = plain_site();
    let stages = |by: &str| {
        format!(
            "stages: [read: {{}}, ground: {{}}, compare: {{match: triangulated}}, summarise: {{by: {by}}}]"
        )
    };
    let found = |by: &str| run(&pipeline(folder.path(), "{points: points.csv}", &stages(by)), &[]);
    let plain = found("[return]");
    assert!(!plain.stdout.contains("strip"), "{}", plain.stdout);
    let (plain, by_strip) = (plain.summary(), found("[return, strip]").summary());
    assert!(plain["all"]["bias_ci95"].is_array(), "{}", plain["all"]);
    assert_eq!(by_strip["all"]["bias_ci95"], plain["all"]["bias_ci95"]);
    // What `auto` chooses for a list.
    let auto = "stages: [read: {}, ground: {}, compare: {}, summarise: {by: [return]}]";
    let auto = run(&pipeline(folder.path(), "{points: points.csv}", auto), &[]);
    assert_eq!(auto.summary()["all"], plain["all"]);
}

#[test]
fn ground_of_the_survey_that_is_left_out_shapes_no_facet() {
    let folder = plain_site();
    let ring = [(25.0, 5.0), (28.0, 5.0), (28.0, 8.0), (25.0, 8.0), (25.0, 5.0)]
        .map(|(x, y)| [CORNER.0 + x, CORNER.1 + y]);
    let area = serde_json::json!({"type": "Polygon", "coordinates": [ring]});
    fs::write(folder.path().join("deck.geojson"), area.to_string()).unwrap();
    let mut list = "name,easting,northing,elevation\n".to_string();
    for (name, x, y) in [("BESIDE", 24.9, 6.5), ("CLEAR", 24.3, 6.6), ("INSIDE", 26.0, 6.0)] {
        let _ = writeln!(list, "{name},{:.3},{:.3},{:.4}", CORNER.0 + x, CORNER.1 + y, slope(x, y));
    }
    fs::write(folder.path().join("points.csv"), list).unwrap();
    let reasons = |cloud: &str| -> Vec<String> {
        let rest = format!(
            "exclude: [{{area: deck.geojson, why: deck, system: same, cloud: {cloud}}}]\n\
             stages: [read: {{}}, ground: {{}}, compare: {{match: triangulated, longest_edge: 2 m}}, summarise: {{}}]"
        );
        let summary = run(&pipeline(folder.path(), "{points: points.csv}", &rest), &[]).summary();
        let points = summary["checkpoints"].as_array().unwrap();
        points.iter().map(|one| one["reason"].as_str().unwrap_or("").to_string()).collect()
    };
    let [beside, clear, inside] = &reasons("survey")[..] else { panic!("three points") };
    assert!(beside.starts_with("ground too sparse"), "{beside}");
    assert!(clear.is_empty() && inside.contains("deck"), "{clear} {inside}");
    // Of the reference alone, the survey's ground counts.
    let [beside, clear, inside] = &reasons("reference")[..] else { panic!("three points") };
    assert!(beside.is_empty() && clear.is_empty() && inside.contains("deck"), "{beside} {inside}");
}

#[test]
fn tiles_and_threads_leave_no_trace() {
    let folder = plain_site();
    let mut first = None;
    let mut file = None;
    for (tile, threads) in [("7 m", "1"), ("12.5 m", "2"), ("100 m", "3")] {
        let stages = format!(
            "stages: [read: {{tile: {tile}}}, ground: {{}}, compare: {{match: triangulated, longest_edge: 2 m}}, summarise: {{}}]"
        );
        let file = file.insert(pipeline(folder.path(), "{points: points.csv}", &stages));
        let bytes = run(file, &["--threads", threads]).same_bytes();
        assert_eq!(first.get_or_insert(bytes.clone()), &bytes, "{tile}");
    }
    assert_eq!(Some(run_in_parts(&file.unwrap(), 2).same_bytes()), first, "two parts");
}

#[test]
fn other_columns_decimal_commas_and_feet_give_the_same() {
    let plain = plain_site();
    let expected = run(&pipeline(plain.path(), "{points: points.csv}", ""), &[]).summary();
    let other = site("Pt;Rechts;Hoch;H", |name, x, y, z| {
        let foot = |m: f64| format!("{:.4}", m / 0.3048).replace('.', ",");
        format!("{name};{};{};{}", foot(x), foot(y), foot(z))
    });
    let reference = "{points: {file: points.csv, columns: {name: Pt, easting: Rechts, northing: Hoch, elevation: H}}, units: ft, \
                     uncertainty: 9 mm}";
    let found = run(&pipeline(other.path(), reference, ""), &[]).summary();
    // Places to a ten thousandth of a foot, over facets between returns that lie 20 mm apart.
    assert_eq!(found["all"]["compared"], expected["all"]["compared"]);
    close(&found["all"]["bias"], expected["all"]["bias"].as_f64().unwrap(), 2e-4);
    close(&found["reference_uncertainty"], 0.009, 1e-9);
}

#[test]
fn a_steep_facet_and_a_limit_on_it() {
    let folder = plain_site();
    let stages =
        "stages: [read: {}, ground: {}, compare: {match: triangulated, steepest: 0.01}, summarise: {}]";
    let output = echograde()
        .args(["run", "--out", "out"])
        .arg(pipeline(folder.path(), "{points: points.csv}", stages))
        .current_dir(folder.path())
        .output()
        .unwrap();
    // The plane has a slope of 4.5 %: nothing is left to compare, and the reasons are counted.
    let text = refused(&output, 1);
    assert!(text.contains("none of the 39 surveyed points can be used: 36 too steep; 1 "), "{text}");
    assert!(text.contains("1 outside the survey") && text.contains("Set a larger `steepest`"), "{text}");
    assert!(!folder.path().join("out").exists());
}

#[test]
fn a_point_that_is_not_used_is_in_the_figures_of_no_return() {
    let folder = plain_site();
    // Where second returns lie 20 mm under the first, facets of both are up to 20 % steep; those of one return alone have 4.5 %.
    let stages =
        "stages: [read: {}, ground: {}, compare: {match: triangulated, steepest: 0.06}, summarise: {}]";
    let summary = run(&pipeline(folder.path(), "{points: points.csv}", stages), &[]).summary();
    let points = summary["checkpoints"].as_array().unwrap();
    let used: Vec<&Value> = points.iter().filter(|one| one["used"] == true).collect();
    assert!((12..36).contains(&used.len()), "{}", used.len());
    let with = |number: u64| {
        let has =
            |one: &&&Value| one["returns"].as_array().unwrap().iter().any(|own| own["return"] == number);
        used.iter().filter(has).count() as u64
    };
    for (row, number) in summary["returns"].as_array().unwrap().iter().zip(1..) {
        assert_eq!((&row["return"], &row["compared"]), (&Value::from(number), &Value::from(with(number))));
    }
    assert_eq!(summary["all"]["compared"], used.len());
}

#[test]
fn what_does_not_fit_a_list_is_refused_with_its_place() {
    let folder = plain_site();
    for (reference, rest, message) in [
        ("{points: none.csv}", "", "there is no file `none.csv`"),
        ("{points: points.csv, files: [survey.laz]}", "", "`reference` names both `files` and `points`"),
        ("{points: {file: points.csv, columns: {name: Id}}}", "", "there is no column `Id`"),
        (
            "{points: points.csv}",
            "stages: [read: {}, ground: {}, checkpoints: {}, compare: {}, summarise: {}]",
            "stage `checkpoints` draws from a cloud",
        ),
        (
            "{points: points.csv}",
            "stages: [read: {}, ground: {}, compare: {match: nearest}, summarise: {}]",
            "compared by triangulation only",
        ),
        (
            "{points: points.csv}",
            "stages: [read: {}, compare: {match: triangulated}, summarise: {}]",
            "`ground` is missing",
        ),
    ] {
        let path = pipeline(folder.path(), reference, rest);
        let output = echograde().arg("check").arg(&path).output().unwrap();
        let text = refused(&output, 2);
        assert!(text.contains(message), "{text}");
    }
    let survey = folder.path().join("survey.yaml");
    fs::write(&survey, "survey: {points: points.csv}\n").unwrap();
    let text = refused(&echograde().arg("check").arg(&survey).output().unwrap(), 2);
    assert!(text.contains("`survey` has no option `points`"), "{text}");
}
