//! What carries the decision, on sites of which the truth is known: intervals that hold it, the order of returns, the
//! truncation correction, strata, verdicts and warnings.

mod common;

use std::fs;
use std::path::Path;

use common::made::pipeline;
use common::wood::{REFERENCE_SD, Wood};
use common::{describe, echograde, number, of_return, run};
use serde_json::{Value, json};
use tempfile::TempDir;

const WOOD: Wood = Wood { seed: 1, shared_sd: 0.010, shared_range: 8.0, density: 2.0 };

/// A pipeline over a wood in `folder`, with more options for `ground`.
fn stages(ground: &str) -> String {
    format!(
        "[read: {{}}, ground: {{cell: 1 m, {ground}}}, checkpoints: {{per_return: all}}, compare: {{within: 15 mm}}, \
         summarise: {{by: [return, cover]}}]"
    )
}

fn study(wood: &Wood, ground: &str) -> Value {
    let folder = TempDir::new().unwrap();
    wood.write(folder.path());
    run(&pipeline(folder.path(), &stages(ground)), &[]).summary()
}

fn interval(value: &Value, key: &str) -> [f64; 2] {
    let ends = &value[key];
    [0, 1].map(|i| ends[i].as_f64().unwrap_or_else(|| panic!("{key} of {value}")))
}

#[test]
fn intervals_hold_the_truth_on_sites_never_seen_before() {
    // 40 sites, four returns: with 95 % intervals 38 of 40 hold it on average, and fewer than 34 happen once in 70
    // times a return and figure at worst (binomial), were every return of a site independent of the others.
    let sites = 40;
    let mut held = [[0; 3]; 4];
    let mut plain = [0; 4];
    for seed in 0..sites {
        // A wide threshold, so that nothing is cut.
        let wood = Wood { seed: 1000 + seed, ..WOOD };
        let folder = TempDir::new().unwrap();
        // Six plots of 20 m, a quarter of the site.
        let within = |v: f64| (v / 10.0).rem_euclid(4.0) >= 1.0 && (v / 10.0).rem_euclid(4.0) < 3.0;
        let errors = wood.write_where(folder.path(), |x, y| within(x) && within(y));
        let summary = run(&pipeline(folder.path(), &stages("dh_initial: 0.8 m")), &[]).summary();
        for n in 1..=4 {
            let row = of_return(&summary, n as u64);
            // The truth is that of all ground that was delivered, and what the reference adds to its spread.
            let all = &errors[n - 1];
            let bias = all.iter().sum::<f64>() / all.len() as f64;
            let sd = (all.iter().map(|e| (e - bias).powi(2)).sum::<f64>() / (all.len() - 1) as f64).sqrt();
            let sd = sd.hypot(REFERENCE_SD);
            for (i, (key, truth)) in
                [("bias_ci95", bias), ("sd_ci95", sd), ("rmse_ci95", bias.hypot(sd))].into_iter().enumerate()
            {
                let [low, high] = interval(row, key);
                held[n - 1][i] += usize::from(low <= truth && truth <= high);
            }
            let n_compared = number(row, "compared");
            assert!(number(row, "n_effective") <= n_compared);
            let half = 1.96 * number(row, "sd") / n_compared.sqrt();
            plain[n - 1] += usize::from((number(row, "bias") - bias).abs() <= half);
        }
    }
    println!("held {held:?}, plain {plain:?} of {sites}");
    assert!(held.iter().flatten().all(|held| *held >= 33), "{held:?}");
    // The plain interval takes all first returns for independent.
    assert!(plain[0] < 30, "{plain:?}");
}

#[test]
fn returns_are_put_in_their_order_and_told_apart() {
    let summary = study(&WOOD, "dh_initial: 0.8 m");
    assert!(of_return(&summary, 1)["vs_first"].is_null());
    let mut ratio_before = 1.0;
    for n in 2..=4 {
        let against = &of_return(&summary, n)["vs_first"];
        assert_eq!(against["verdict"], "worse", "{against}");
        let ratio = number(against, "rmse_ratio");
        assert!(ratio > ratio_before, "{against}");
        ratio_before = ratio;
        let [low, high] = interval(against, "rmse_ratio_ci95");
        let (one, other) = (WOOD.truth(1), WOOD.truth(n as usize));
        let truth = other.0.hypot(other.1) / one.0.hypot(one.1);
        assert!(low < truth && truth < high, "return {n}: {truth} in {against}");
        let [low, high] = interval(against, "bias_ci95");
        assert!(low < other.0 - one.0 && other.0 - one.0 < high, "return {n}: {against}");
        assert!(number(&against["brown_forsythe"], "p") < 1e-3, "{against}");
    }
}

#[test]
fn a_return_like_the_first_cannot_be_told_apart() {
    // First and second returns of one spread and bias: few second returns, so nothing can be said.
    let folder = TempDir::new().unwrap();
    let (mut survey, mut reference) = (Vec::new(), Vec::new());
    for (i, (x, y)) in common::made::grid(80, 60, 0.5).enumerate() {
        let noise = |k: u64| ((i as u64 * 2_654_435_761 + k * 40_503) % 1000) as f64 / 1000.0 - 0.5;
        let z = 100.0 + 0.06 * (noise(1) + noise(7));
        let number = if i % 60 == 0 { 2 } else { 1 };
        let point = common::made::point(x, y, z);
        survey.push(las::Point { return_number: number, number_of_returns: number, ..point.clone() });
        reference.push(common::made::point(x, y, 100.0));
    }
    common::made::write_plain(&folder.path().join("survey.laz"), &survey);
    common::made::write_plain(&folder.path().join("reference.laz"), &reference);
    let summary = run(&pipeline(folder.path(), &stages("slope: 0.3")), &[]).summary();
    assert_eq!(of_return(&summary, 2)["vs_first"]["verdict"], "undecided");
}

#[test]
fn the_truncation_by_the_filter_is_corrected() {
    // Issue: within 3 % and 3 mm of the truth at 0.3 m, within 10 % and 15 mm at 0.15 m, and the interval covers it.
    let wood = Wood { density: 24.0, seed: 5, shared_sd: 0.005, ..WOOD };
    for (ground, relative, absolute) in
        [("dh_initial: 0.3 m", 0.03, 0.003), ("dh_initial: 0.15 m", 0.10, 0.015)]
    {
        let summary = study(&wood, ground);
        for n in 1..=4 {
            let row = of_return(&summary, n as u64);
            let (bias, sd) = wood.truth(n);
            let truncation_corrected = &row["truncation_corrected"];
            println!(
                "{ground} return {n}: truth {bias} {sd}, raw {} {}, truncation_corrected {} {} {} {}",
                row["bias"],
                row["sd"],
                truncation_corrected["bias"],
                truncation_corrected["sd"],
                truncation_corrected["bias_ci95"],
                truncation_corrected["sd_ci95"]
            );
            assert!(
                (number(truncation_corrected, "sd") / sd - 1.0).abs() < relative,
                "{ground}, return {n}, {sd}: {truncation_corrected}"
            );
            assert!(
                (number(truncation_corrected, "bias") - bias).abs() < absolute,
                "{ground}, return {n}, {bias}: {truncation_corrected}"
            );
            for (key, truth) in [("bias_ci95", bias), ("sd_ci95", sd)] {
                let [low, high] = interval(truncation_corrected, key);
                assert!(
                    low <= truth && truth <= high,
                    "{ground}, return {n}: {truth} in {key} of {truncation_corrected}"
                );
            }
        }
        let codes = common::codes(&summary);
        assert!(codes.contains(&"cut_tail"), "{codes:?}");
    }
}

#[test]
fn strata_are_those_of_the_site() {
    let folder = TempDir::new().unwrap();
    WOOD.write(folder.path());
    let result = run(&pipeline(folder.path(), &stages("slope: 0.3")), &[]);
    let mut judged = [0u32; 2];
    for line in result.text("checkpoints.csv").lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let at = |i: usize, corner: f64| cells[i].parse::<f64>().unwrap() - corner;
        let (x, y) = (at(0, common::made::CORNER.0), at(1, common::made::CORNER.1));
        // Along the edge of a crown either is right.
        if Wood::from_edge(x, y) < 0.7 {
            continue;
        }
        // Between the crowns a tenth of the pulses has a first echo 0.9 m up: open or low vegetation, as they fall.
        judged[usize::from((cells[12] == "canopy") == Wood::under_crown(x, y))] += 1;
    }
    let [wrong, right] = judged;
    assert!(wrong * 50 < right, "{wrong} wrong, {right} right");
    let summary = result.summary();
    let groups = summary["groups"].as_array().unwrap();
    let sum = |key: &str| groups.iter().map(|g| g[key].as_u64().unwrap()).sum::<u64>();
    assert_eq!(summary["all"]["compared"], sum("compared"));
    assert_eq!(summary["all"]["ground"], sum("ground"));
    assert_eq!(summary["all"]["points"], sum("points"));
}

/// A pipeline file over a wood with more keys at its top.
fn with_keys(folder: &Path, keys: &str, reference: &str) -> std::path::PathBuf {
    let file = pipeline(folder, &stages("dh_initial: 0.8 m"));
    let text = fs::read_to_string(&file).unwrap();
    let text = text.replace("reference: {", &format!("reference: {{{reference}"));
    fs::write(&file, format!("{text}{keys}\n")).unwrap();
    file
}

#[test]
fn limits_are_judged_and_decide_the_exit_code() {
    let folder = TempDir::new().unwrap();
    WOOD.write(folder.path());
    let judge = |accept: &str| {
        let file = with_keys(folder.path(), &format!("accept: {accept}"), "uncertainty: 5 mm, ");
        let out = folder.path().join("out");
        let output =
            echograde().arg("run").arg(&file).arg("--out").arg(&out).arg("--replace").output().unwrap();
        let summary = common::summary(&out);
        let verdicts: Vec<String> = summary["accept"]
            .as_array()
            .unwrap()
            .iter()
            .map(|limit| limit["verdict"].as_str().unwrap().to_string())
            .collect();
        (output, verdicts)
    };
    let (output, verdicts) =
        judge("[{group: {return: 1}, rmse: 5 cm, bias: 2 cm}, {group: {cover: low}, class: 5 cm}]");
    assert_eq!(
        (output.status.code(), &verdicts[..]),
        (Some(0), &["met"; 3].map(String::from)[..]),
        "{}",
        describe(&output)
    );
    let (output, verdicts) = judge("[{group: {return: 4, cover: canopy}, rmse: 50 mm}, {coverage: 0.5}]");
    assert_eq!((output.status.code(), verdicts[0].as_str()), (Some(3), "missed"), "{}", describe(&output));
    // The RMSE of return 3 is about 58 mm: a limit just there cannot be decided, and that is not "met".
    let summary = common::summary(&folder.path().join("out"));
    let rmse = number(of_return(&summary, 3), "rmse");
    let (output, verdicts) = judge(&format!("[{{group: {{return: 3}}, rmse: {rmse} m}}]"));
    assert_eq!(
        (output.status.code(), verdicts[0].as_str()),
        (Some(3), "inconclusive"),
        "{}",
        describe(&output)
    );
}

#[test]
fn an_offset_of_the_reference_is_taken_out_beside_the_raw_results_only() {
    let folder = TempDir::new().unwrap();
    WOOD.write(folder.path());
    let raw = run(&with_keys(folder.path(), "", "uncertainty: 5 mm, "), &[]).summary();
    let offset =
        "uncertainty: 5 mm, offset: {value: 40 mm, sigma: 10 mm, why: fresh snow on the scanned ground}, ";
    let told = run(&with_keys(folder.path(), "", offset), &[]).summary();
    // What is judged against the first return is judged without the offset.
    let figures = |summary: &Value| {
        let mut rows = summary["returns"].clone();
        rows.as_array_mut().unwrap().iter_mut().for_each(|row| row["vs_first"] = Value::Null);
        rows
    };
    assert_eq!(figures(&raw), figures(&told));
    let all = |summary: &Value| {
        let groups = summary["standards"]["groups"].as_array().unwrap();
        groups.iter().find(|group| group["by"] == json!({})).unwrap().clone()
    };
    assert!(all(&raw)["offset_removed"].is_null());
    let without = &all(&told)["offset_removed"];
    assert!((number(without, "bias") - number(&told["all"], "bias") - 0.040).abs() < 1e-12, "{without}");
    let combined = number(without, "rmse").hypot(0.005).hypot(0.010);
    assert!((number(without, "rmse_v") - combined).abs() < 1e-12, "{without}");
}
