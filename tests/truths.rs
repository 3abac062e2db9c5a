//! Made-up sites of which the right answer is known exactly.

mod common;

use common::made::{COMPARE_ALL, grid, pipeline, point, slope, write_plain};
use common::{RunResult, number, of_return, refused, run, try_run};
use las::Point;
use las::point::Classification;
use serde_json::{Value, json};
use tempfile::TempDir;

const STATISTICS: [&str; 8] = ["bias", "sd", "rmse", "min", "max", "median", "nmad", "abs_p95"];

/// Runs `stages` on the points.
fn run_on(survey: &[Point], reference: &[Point], stages: &str) -> RunResult {
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("survey.laz"), survey);
    if !reference.is_empty() {
        write_plain(&folder.path().join("reference.laz"), reference);
    }
    run(&pipeline(folder.path(), stages), &[])
}

/// What is said of two clouds that give no result.
fn refused_on(survey: &[Point], reference: &[Point], stages: &str) -> String {
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("survey.laz"), survey);
    write_plain(&folder.path().join("reference.laz"), reference);
    let file = pipeline(folder.path(), stages);
    refused(&try_run(&file, &folder.path().join("out"), &[]), 1)
}

/// A point of each square of a slope, 20 m × 15 m.
fn hillside() -> Vec<Point> {
    grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect()
}

fn raised(points: &[Point], by: f64) -> Vec<Point> {
    points.iter().map(|p| Point { z: p.z + by, ..p.clone() }).collect()
}

fn assert_all_null(row: &Value) {
    for statistic in STATISTICS {
        assert!(row[statistic].is_null(), "{statistic} of {row}");
    }
}

#[test]
fn a_survey_20_mm_too_high_is_told_so_exactly() {
    let reference = hillside();
    let stages = COMPARE_ALL.replace("per_return: all", "per_return: all, spacing: 0.5 m");
    let result = run_on(&raised(&reference, 0.020), &reference, &stages);
    let summary = result.summary();
    for row in [of_return(&summary, 1), &summary["all"]] {
        for count in ["points", "ground", "compared"] {
            assert_eq!(row[count], 1200, "{count}");
        }
        for (statistic, value) in STATISTICS.iter().zip([0.02, 0.0, 0.02, 0.02, 0.02, 0.02, 0.0, 0.02]) {
            assert_eq!(row[*statistic], value, "{statistic}");
        }
    }
    let checkpoints = result.text("checkpoints.csv");
    assert_eq!(checkpoints.lines().count(), 1201);
    assert!(checkpoints.lines().skip(1).all(|line| line.split(',').nth(6) == Some("0.020")), "{checkpoints}");
}

#[test]
fn a_plane_through_an_even_slope_gives_the_slope_itself() {
    let reference = hillside();
    let stages = COMPARE_ALL.replace("nearest, within: 15 mm", "plane, within: 1 m");
    let result = run_on(&raised(&reference, -0.035), &reference, &stages);
    let row = &result.summary()["all"];
    assert_eq!((&row["compared"], &row["bias"], &row["sd"]), (&json!(1200), &json!(-0.035), &json!(0.0)));
}

#[test]
fn each_return_keeps_its_own_bias() {
    let reference = hillside();
    let mut survey = Vec::new();
    let mut expected = Vec::new();
    for (i, p) in reference.iter().enumerate() {
        // Return n lies n · 11 mm − 20 mm off; 240 points each.
        let n = (i % 5) as u8 + 1;
        let bias = f64::from(n) * 0.011 - 0.020;
        survey.push(Point { z: p.z + bias, return_number: n, number_of_returns: 5, ..p.clone() });
        expected.push(bias);
    }
    let summary = run_on(&survey, &reference, COMPARE_ALL).summary();
    assert_eq!(summary["returns"].as_array().unwrap().len(), 5);
    for n in 1..=5u8 {
        let row = of_return(&summary, n.into());
        let bias = (f64::from(n) * 11_000.0 - 20_000.0) / 1e6;
        assert_eq!(
            (&row["points"], &row["compared"], &row["share"]),
            (&json!(240), &json!(240), &json!(0.2))
        );
        assert_eq!((&row["bias"], &row["sd"], &row["rmse"]), (&json!(bias), &json!(0.0), &json!(bias.abs())));
    }
    // Of all 1,200 together: mean 13 mm; deviations of −22, −11, 0, 11 and 22 mm, 240 times each.
    let all = &summary["all"];
    assert_eq!(
        (&all["bias"], &all["median"], &all["min"], &all["max"]),
        (&json!(0.013), &json!(0.013), &json!(-0.009), &json!(0.035))
    );
    let sd = (240.0 * 2.0 * (22.0f64.powi(2) + 11.0f64.powi(2)) / 1199.0).sqrt() / 1000.0;
    assert!((number(all, "sd") - sd).abs() < 1e-15, "{all}");
    assert!((number(all, "nmad") - 1.4826 * 0.011).abs() < 1e-15, "{all}");
}

#[test]
fn unfit_points_are_counted_and_left_out() {
    let reference = hillside();
    let mut survey = raised(&reference, 0.020);
    let in_the_middle = |z: f64| point(10.25, 7.25, z);
    let labelled =
        |code: u8, z: f64| Point { classification: Classification::new(code).unwrap(), ..in_the_middle(z) };
    survey.push(Point { is_withheld: true, ..in_the_middle(250.0) });
    survey.push(Point { is_withheld: true, ..labelled(7, 250.0) });
    survey.push(labelled(7, 240.0));
    survey.push(labelled(7, 300.0));
    survey.push(labelled(18, 900.0));
    // On the ground, but of return 0, and of return 3 of 2.
    let z = slope(10.25, 7.25) + 0.020;
    survey.push(Point { return_number: 0, ..in_the_middle(z) });
    survey.push(Point { return_number: 3, number_of_returns: 2, ..in_the_middle(z) });
    let summary = run_on(&survey, &reference, COMPARE_ALL).summary();
    let counts = &summary["survey"];
    for (name, count) in [
        ("read", 1207),
        ("withheld", 2),
        ("invalid_return", 2),
        ("noise", 3),
        ("low_outlier", 0),
        ("above_ground", 0),
        ("ground", 1202),
    ] {
        assert_eq!(counts[name], count, "{name}");
    }
    assert_eq!(summary["points"], 1205);
    // Without a valid return number a point is part of the whole, and of no result by return.
    let rows = summary["returns"].as_array().unwrap();
    assert_eq!((rows.len(), &rows[0]["points"], &rows[0]["ground"]), (1, &json!(1203), &json!(1200)));
    assert_eq!((&summary["all"]["points"], &summary["all"]["ground"]), (&json!(1205), &json!(1202)));
    for row in [&rows[0], &summary["all"]] {
        assert_eq!((&row["compared"], &row["bias"], &row["sd"]), (&json!(1200), &json!(0.02), &json!(0.0)));
    }
}

#[test]
fn a_stray_echo_far_below_takes_no_ground_with_it() {
    let mut survey = hillside();
    survey.push(point(10.2, 7.2, slope(10.2, 7.2) - 5.0));
    // And two close together near the edge.
    survey.push(point(2.2, 0.3, slope(2.2, 0.3) - 5.0));
    survey.push(point(2.7, 0.3, slope(2.7, 0.3) - 4.5));
    let counts = run_on(&survey, &[], "[read: {}, ground: {}, summarise: {}]").summary()["survey"].clone();
    assert_eq!(
        (&counts["low_outlier"], &counts["above_ground"], &counts["ground"]),
        (&json!(3), &json!(0), &json!(1200))
    );
}

#[test]
fn a_ditch_keeps_its_ground_and_a_house_does_not() {
    // 40 m × 40 m, a ditch 2 m wide with upright sides along it, and a house of 8 m × 6 m, 3 m high.
    for depth in [1.0, 2.5] {
        let (mut ditch, mut house) = (0u64, 0u64);
        let survey: Vec<Point> = grid(80, 80, 0.5)
            .map(|(x, y)| {
                let z = if (10.0..12.0).contains(&x) {
                    ditch += 1;
                    -depth
                } else if (24.0..32.0).contains(&x) && (20.0..26.0).contains(&y) {
                    house += 1;
                    3.0
                } else {
                    0.0
                };
                point(x, y, slope(x, y) + z)
            })
            .collect();
        assert_eq!((ditch, house), (4 * 80, 16 * 12));
        let counts =
            run_on(&survey, &[], "[read: {}, ground: {}, summarise: {}]").summary()["survey"].clone();
        assert_eq!(counts["low_outlier"], 0, "{depth} m");
        assert_eq!(counts["above_ground"], house, "{depth} m");
        assert_eq!(counts["ground"], 6400 - house, "{depth} m");
    }
}

/// Points of many kinds, each property running at its own pace.
fn mixture() -> Vec<Point> {
    grid(30, 20, 1.0)
        .enumerate()
        .map(|(i, (x, y))| {
            let number_of_returns = (i % 4) as u8 + 1;
            Point {
                number_of_returns,
                return_number: (i / 4 % number_of_returns as usize) as u8 + 1,
                classification: Classification::new([1, 2, 6, 9][i / 7 % 4]).unwrap(),
                point_source_id: [101, 102, 65_535][i / 5 % 3],
                scan_angle: (i % 53) as f32 - 26.0,
                ..point(x, y, slope(x, y))
            }
        })
        .collect()
}

#[test]
fn keep_keeps_what_it_says() {
    let survey = mixture();
    type Holds = fn(&Point) -> bool;
    let kinds: [(&str, Holds); 9] = [
        ("returns: [1]", |p| p.return_number == 1),
        ("returns: [2, 4]", |p| matches!(p.return_number, 2 | 4)),
        ("returns: last", |p| p.return_number == p.number_of_returns),
        ("returns: single", |p| p.number_of_returns == 1),
        ("returns: [1, last]", |p| p.return_number == 1 || p.return_number == p.number_of_returns),
        ("classes: [2, 9]", |p| matches!(u8::from(p.classification), 2 | 9)),
        ("strips: [102, 65535]", |p| p.point_source_id != 101),
        ("scan_angle_max: 15.5 deg", |p| p.scan_angle.abs() < 15.5),
        // The low sides belong to the box, the high sides do not.
        ("area: {x: [500002.5 m, 500010.5 m], y: [4200003.5 m, 4200004.5 m]}", |p| {
            (500_002.5..500_010.5).contains(&p.x) && (4_200_003.5..4_200_004.5).contains(&p.y)
        }),
    ];
    for (option, holds) in kinds {
        let right = survey.iter().filter(|p| holds(p)).count();
        assert!(right > 0 && right < survey.len(), "{option}: {right}");
        // Before any ground filter and after it: the hillside is all ground.
        for stages in [
            format!("[read: {{}}, select: {{{option}}}, summarise: {{}}]"),
            format!("[read: {{}}, ground: {{}}, select: {{{option}}}, summarise: {{}}]"),
        ] {
            let summary = run_on(&survey, &[], &stages).summary();
            let counts = &summary["survey"];
            assert_eq!(summary["points"], survey.len(), "{option}");
            assert_eq!(counts["ground"], right, "{stages}");
            assert_eq!(counts["select"][0]["selected"], right, "{stages}");
            assert_eq!(counts["select"][0]["not_selected"], survey.len() - right, "{stages}");
        }
    }
}

#[test]
fn what_is_dropped_before_the_filter_does_not_shape_the_ground() {
    // Echoes of class 9 half a metre below 36 squares of the ground, which stands too far above them to be ground.
    let mut survey = hillside();
    survey.extend(
        grid(6, 6, 0.5)
            .map(|(x, y)| Point { classification: Classification::Water, ..point(x, y, slope(x, y) - 0.5) }),
    );
    let counts = |stages: &str| {
        let counts = &run_on(&survey, &[], stages).summary()["survey"];
        ["above_ground", "ground"].map(|name| counts[name].as_u64().unwrap())
    };
    assert_eq!(counts("[read: {}, select: {classes: [1]}, ground: {}, summarise: {}]"), [0, 1200]);
    assert_eq!(counts("[read: {}, ground: {}, select: {classes: [1]}, summarise: {}]"), [36, 1164]);
}

#[test]
fn so_many_checkpoints_are_drawn_as_are_asked_for_and_there() {
    // 600 places a metre apart: 540 of return 1, 60 of return 2.
    let reference: Vec<Point> = grid(30, 20, 1.0).map(|(x, y)| point(x, y, slope(x, y))).collect();
    let survey: Vec<Point> = reference
        .iter()
        .enumerate()
        .map(|(i, p)| Point {
            return_number: if i % 10 == 0 { 2 } else { 1 },
            number_of_returns: 2,
            ..p.clone()
        })
        .collect();
    for (asked, drawn) in
        [("1", [1, 1]), ("100", [100, 60]), ("540", [540, 60]), ("9999", [540, 60]), ("all", [540, 60])]
    {
        let stages = COMPARE_ALL.replace("per_return: all", &format!("per_return: {asked}, spacing: 1 m"));
        let result = run_on(&survey, &reference, &stages);
        let summary = result.summary();
        for (n, drawn) in (1..).zip(drawn) {
            assert_eq!(of_return(&summary, n)["compared"], drawn, "{asked} of return {n}");
            // Of one value there is a mean, and no spread.
            assert_eq!(of_return(&summary, n)["bias"], 0.0);
            assert_eq!(of_return(&summary, n)["sd"].is_null(), drawn == 1, "{asked} of return {n}");
        }
        assert_eq!(
            result.text("checkpoints.csv").lines().count(),
            1 + drawn.iter().sum::<usize>(),
            "{asked}"
        );
    }
    // Nothing can be closer than two metres: at most a quarter of the places, and more than a tenth.
    let stages = COMPARE_ALL.replace("per_return: all", "per_return: 9999, spacing: 2 m");
    let drawn = run_on(&survey, &reference, &stages).summary()["returns"][0]["compared"].as_u64().unwrap();
    assert!((54..=300).contains(&drawn), "{drawn}");
}

#[test]
fn a_draw_repeats_with_its_seed_and_changes_with_another() {
    let reference = hillside();
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("survey.laz"), &raised(&reference, 0.01));
    write_plain(&folder.path().join("reference.laz"), &reference);
    let stages = COMPARE_ALL.replace("per_return: all", "per_return: 50");
    let drawn = |seed: &str| {
        let file = pipeline(folder.path(), &stages);
        std::fs::write(&file, std::fs::read_to_string(&file).unwrap() + &format!("seed: {seed}\n")).unwrap();
        run(&file, &[]).text("checkpoints.csv")
    };
    let first = drawn("4");
    assert_eq!(first, drawn("4"));
    assert_ne!(first, drawn("5"));
}

#[test]
fn without_a_reference_there_are_counts_and_no_statistics() {
    let result = run_on(&hillside(), &[], "[read: {}, ground: {}, summarise: {}]");
    let summary = result.summary();
    assert!(summary["reference"].is_null() && summary["reference_uncertainty"].is_null());
    for row in [of_return(&summary, 1), &summary["all"]] {
        assert_eq!(
            (&row["points"], &row["ground"], &row["compared"]),
            (&json!(1200), &json!(1200), &json!(0))
        );
        assert_all_null(row);
    }
    assert_eq!(result.text("checkpoints.csv").lines().count(), 1);
    assert!(result.text("returns.csv").contains("\nall,1200,1.000000,1200,1.000000,0,,,,,,,,,m,,,,,,,,,\n"));
}

#[test]
fn nothing_within_reach_is_an_error_and_never_zero() {
    let survey = hillside();
    // A quarter of a metre off in plan, everywhere.
    let reference: Vec<Point> = survey.iter().map(|p| Point { x: p.x + 0.25, ..p.clone() }).collect();
    for stages in [
        COMPARE_ALL.to_string(),
        COMPARE_ALL.replace("nearest", "plane"),
        COMPARE_ALL.replace("per_return: all", "per_return: 20"),
    ] {
        let said = refused_on(&survey, &reference, &stages);
        assert!(said.contains("nothing was compared"), "{said}");
    }
}

#[test]
fn a_survey_without_ground_of_any_return_is_no_result() {
    let survey: Vec<Point> =
        hillside().into_iter().map(|p| Point { classification: Classification::LowPoint, ..p }).collect();
    let said = refused_on(&survey, &hillside(), COMPARE_ALL);
    assert!(said.contains("no ground was found in the survey: 1,200 points are labelled noise"), "{said}");
}

#[test]
fn the_uncertainty_of_the_reference_stays_apart() {
    let reference = hillside();
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("survey.laz"), &raised(&reference, 0.020));
    write_plain(&folder.path().join("reference.laz"), &reference);
    let file = pipeline(folder.path(), COMPARE_ALL);
    let text = std::fs::read_to_string(&file).unwrap();
    let text = text.replace("[reference.laz], units: m", "[reference.laz], units: m, uncertainty: 12 mm");
    std::fs::write(&file, text + "units: ft\n").unwrap();
    let summary = run(&file, &[]).summary();
    let foot = 0.3048;
    assert_eq!(summary["units"], "ft");
    assert!((number(&summary, "reference_uncertainty") - 0.012 / foot).abs() < 1e-15);
    assert!((number(&summary["all"], "bias") - 0.020 / foot).abs() < 1e-15);
    assert_eq!(summary["all"]["sd"], 0.0);
}
