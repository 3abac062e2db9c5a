//! The demonstration: its truth comes back, an independent in-memory study agrees, and every pipeline file runs.

mod common;

use std::collections::BTreeSet;
use std::fs;

use common::{manifest, number, of_return, root, run};
use serde_json::Value;

fn json(path: &str) -> Value {
    serde_json::from_str(&fs::read_to_string(root().join(path)).unwrap()).unwrap()
}

/// The figures of a run against those of an independent study of the same site: all counts and extremes are the
/// same. Of reference points equally near, program and study may take different ones, which shows far behind the
/// decimal point; a plane leaves no such choice.
fn assert_agrees(summary: &Value, study: &Value, metres_per_unit: f64, plane: bool) {
    let rows = |v: &Value| -> Vec<Value> {
        let mut rows = v["returns"].as_array().unwrap().clone();
        rows.push(v["all"].clone());
        rows
    };
    let (largest_shift, largest_ratio) = if plane { (1e-12, 1e-12) } else { (1e-5, 5e-4) };
    assert_eq!(summary["points"], study["points"]);
    assert_eq!(rows(summary).len(), rows(study).len());
    for (mine, theirs) in rows(summary).iter().zip(&rows(study)) {
        let at = format!("\n{mine}\n{theirs}");
        for count in ["points", "ground", "compared"] {
            assert_eq!(mine[count], theirs[count], "{count}{at}");
        }
        for statistic in ["bias", "sd", "rmse", "min", "max", "median", "nmad", "abs_p95"] {
            assert_eq!(mine[statistic].is_null(), theirs[statistic].is_null(), "{statistic}{at}");
        }
        if theirs["sd"].is_null() {
            continue;
        }
        for spread in ["sd", "rmse"] {
            assert!(
                (number(mine, spread) / number(theirs, spread) - 1.0).abs() <= largest_ratio,
                "{spread}{at}"
            );
        }
        let bias = (number(mine, "bias") - number(theirs, "bias")) * metres_per_unit;
        assert!(bias.abs() <= largest_shift, "mean{at}");
        for extreme in ["min", "max"] {
            let shift = (number(mine, extreme) - number(theirs, extreme)) * metres_per_unit;
            assert!(shift.abs() <= 1e-12, "{extreme}{at}");
        }
    }
}

#[test]
fn the_truth_of_the_demo_comes_back() {
    let summary = run(&root().join("pipelines/demo.yaml"), &[]).summary();
    let truth = json("demo-data/truth.json");
    let (offset, scan_sd) = (number(&truth["reference"], "offset_m"), number(&truth["reference"], "sd_m"));
    for n in 1..=5u64 {
        let row = of_return(&summary, n);
        let true_bias = truth["survey"]["bias_by_return_m"][n as usize - 1].as_f64().unwrap() - offset;
        let true_sd = truth["survey"]["sd_by_return_m"][n as usize - 1].as_f64().unwrap().hypot(scan_sd);
        let count = number(row, "compared");
        assert!(count > 1000.0, "return {n} is compared at {count} places only");
        let (bias_error, sd_error) = (true_sd / count.sqrt(), true_sd / (2.0 * count).sqrt());
        let (bias, sd) = (number(row, "bias"), number(row, "sd"));
        // Three standard errors; the filter cuts the upper tail of the last return, which lowers both.
        assert!(
            (bias - true_bias).abs() < 3.0 * bias_error,
            "return {n}: bias {bias}, true {true_bias} ± {bias_error}"
        );
        assert!((sd - true_sd).abs() < 3.0 * sd_error, "return {n}: SD {sd}, true {true_sd} ± {sd_error}");
    }
    let counts = &truth["survey"]["counts"];
    assert_eq!(summary["survey"]["withheld"], counts["withheld"]);
    assert_eq!(summary["survey"]["invalid_return"], counts["invalid_return"]);
    assert_eq!(summary["survey"]["noise"], counts["class_7"]);
    for n in 0..5 {
        assert_eq!(summary["returns"][n]["points"], counts["by_return"][n]);
    }
    // Every low outlier that is not labelled noise is found.
    assert_eq!(
        summary["survey"]["low_outlier"].as_u64().unwrap() + counts["class_7"].as_u64().unwrap(),
        counts["low_outliers"].as_u64().unwrap()
    );
}

#[test]
fn independent_studies_agree() {
    let us_foot = 1200.0 / 3937.0;
    for (pipeline, study, metres_per_unit, plane) in [
        ("demo.yaml", "demo_study.json", 1.0, false),
        ("feet.yaml", "feet_study.json", us_foot, false),
        ("two-strips.yaml", "two_strips_study.json", 1.0, true),
    ] {
        let summary = run(&root().join("pipelines").join(pipeline), &[]).summary();
        assert_agrees(&summary, &json(&format!("tests/oracle/{study}")), metres_per_unit, plane);
    }
}

#[test]
fn independent_studies_of_other_settings_agree() {
    let demo = fs::read_to_string(root().join("pipelines/demo.yaml")).unwrap();
    let data = root().join("demo-data").display().to_string().replace('\\', "/");
    for (from, to, study, plane) in [
        ("match: nearest, within: 15 mm", "match: plane, within: 20 cm", "plane_study.json", true),
        ("dh_initial: 0.3 m", "dh_initial: 0.15 m", "tight_threshold_study.json", false),
    ] {
        assert!(demo.contains(from));
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("changed.yaml");
        fs::write(&file, demo.replace(from, to).replace("../demo-data", &data)).unwrap();
        assert_agrees(&run(&file, &[]).summary(), &json(&format!("tests/oracle/{study}")), 1.0, plane);
    }
}

#[test]
fn every_point_is_counted_once() {
    for pipeline in ["demo.yaml", "two-strips.yaml"] {
        let summary = run(&root().join("pipelines").join(pipeline), &[]).summary();
        for cloud in ["survey", "reference"] {
            let counts = &summary[cloud];
            let sum: u64 = ["withheld", "out_of_range", "noise", "low_outlier", "above_ground", "ground"]
                .iter()
                .map(|name| counts[name].as_u64().unwrap())
                .chain(
                    counts["select"].as_array().unwrap().iter().map(|k| k["not_selected"].as_u64().unwrap()),
                )
                .sum();
            assert_eq!(counts["read"].as_u64().unwrap(), sum, "{pipeline} {cloud}: {counts}");
        }
    }
}

#[test]
fn every_pipeline_file_runs_and_leaves_a_whole_run_folder() {
    let expected: BTreeSet<String> = [
        "summary.json",
        "returns.csv",
        "checkpoints.csv",
        "report.html",
        "pipeline.yaml",
        "manifest.json",
        "log.txt",
    ]
    .map(String::from)
    .into();
    let mut ran = 0;
    for entry in fs::read_dir(root().join("pipelines")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|extension| extension != "yaml") {
            continue;
        }
        let result = run(&path, &[]);
        // And what the manifest lists as handed over.
        let listed = manifest(&result.out)["products"].as_array().unwrap().clone();
        let first =
            |product: &Value| product["file"].as_str().unwrap().split('/').next().unwrap().to_string();
        let expected: BTreeSet<String> = expected.iter().cloned().chain(listed.iter().map(first)).collect();
        let found: BTreeSet<String> = fs::read_dir(&result.out)
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        assert_eq!(found, expected, "{}", path.display());
        assert!(result.stdout.contains("By return"), "{}", result.stdout);
        assert!(number(&result.summary()["all"], "compared") > 100.0, "{}", path.display());
        ran += 1;
    }
    assert!(ran >= 4);
}

#[test]
fn drawn_checkpoints_keep_their_distance_and_their_number() {
    let result = run(&root().join("pipelines/scan-reference.yaml"), &[]);
    let summary = result.summary();
    let text = result.text("checkpoints.csv");
    let mut rows: Vec<(u64, f64, f64, f64)> = Vec::new();
    for line in text.lines().skip(1) {
        let cell: Vec<&str> = line.split(',').collect();
        let value = |i: usize| cell[i].parse::<f64>().unwrap();
        assert!((value(2) - value(5) - value(6)).abs() < 1e-9, "dz is survey minus reference: {line}");
        rows.push((value(3) as u64, value(0), value(1), value(6)));
    }
    for n in 1..=5 {
        let of: Vec<_> = rows.iter().filter(|r| r.0 == n).collect();
        // What is listed is what the statistics are about: the file asks for at most 400 a return.
        assert!(!of.is_empty() && of.len() <= 400);
        assert_eq!(of.len() as u64, of_return(&summary, n)["compared"].as_u64().unwrap());
        let mean = of.iter().map(|r| r.3).sum::<f64>() / of.len() as f64;
        assert!((mean - number(of_return(&summary, n), "bias")).abs() < 1e-9);
        for (i, a) in of.iter().enumerate() {
            for b in &of[..i] {
                assert!((a.1 - b.1).hypot(a.2 - b.2) >= 1.0 - 1e-9, "return {n}: {a:?} {b:?}");
            }
        }
    }
}

#[test]
fn profiles_of_the_page_hold_the_ground_that_the_classified_cloud_has_there() {
    let result = run(&root().join("pipelines/demo.yaml"), &[]);
    let page = result.text("report.html");
    for part in ["map-ground", "map-reference", "map-strips", "measured 2024-05-17", "2 strips"] {
        assert!(page.contains(part), "{part}");
    }
    assert!(result.stdout.contains("Next: open report.html"), "{}", result.stdout);
    // The export judged all points a second time, while it read the files again.
    let mut ground = Vec::new();
    for entry in fs::read_dir(result.out.join("cloud")).unwrap() {
        let mut reader = las::Reader::from_path(entry.unwrap().path()).unwrap();
        let points = reader.read_all().unwrap();
        let is_ground = |p: &las::Point| p.classification == las::point::Classification::Ground;
        ground.extend(points.points().map(Result::unwrap).filter(is_ground).map(|p| (p.x, p.y)));
    }
    let captions: Vec<&str> = page.split("Middle at E ").skip(1).collect();
    assert_eq!(captions.len(), 4);
    for caption in captions {
        let plain = caption.split("</figcaption>").next().unwrap().replace(',', "");
        let between = |from: &str, to: &str| -> f64 {
            let rest = plain.split(from).nth(1).unwrap();
            rest.split(to).next().unwrap().trim().parse().unwrap()
        };
        let east: f64 = plain.split(' ').next().unwrap().parse().unwrap();
        let north = between(" N ", " m;");
        let (long, wide) = (between(" m; ", " m long"), between("m long ", " m wide"));
        let said = plain.split("Drawn: ").nth(1).unwrap().split(" ground points").next().unwrap();
        let said: u64 = said.split(' ').next_back().unwrap().parse().unwrap();
        let within = |at: f64, middle: f64, size: f64| {
            (-size / 2.0 - 1e-7..size / 2.0 - 1e-7).contains(&(at - middle))
        };
        let there = ground.iter().filter(|(x, y)| within(*x, east, long) && within(*y, north, wide)).count();
        assert!(there >= 150 && said == there as u64, "{plain}: {there}");
    }
}
