//! Settings of the ground filter compared in one pass (`ground: {compare: […]}`), through the real program: what is found of each must
//! be what a run with these options as its own finds.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::delivered::{Delivered, FLAT};
use common::made::CORNER;
use common::wood::Wood;
use common::{contains_all, echograde, flat, number, refused, run};
use serde_json::{Value, json};
use tempfile::TempDir;

const REST: &str = "checkpoints: {per_return: all}, compare: {match: nearest, within: 15 mm}, summarise: {}";

fn pipeline(folder: &Path, unit: &str, ground: &str, rest: &str, more: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text = format!(
        "survey: {{files: [survey.laz], units: {unit}}}\nreference: {{files: [reference.laz], units: {unit}}}\n\
         stages: [read: {{tile: 50 m}}, {ground}, {rest}]\n{more}"
    );
    fs::write(&path, text).unwrap();
    path
}

/// A setting is what a run with its options finds: counts and figures to the digit.
fn is_that_of_a_run(setting: &Value, alone: &Value, what: &str) {
    let same = |found: &Value, alone: &Value, what: &str| {
        for key in ["ground", "compared", "bias", "sd", "rmse"] {
            assert_eq!(found[key], alone[key], "{what}, {key}: {found} {alone}");
        }
        if found["compared"].as_u64().unwrap() > 1 {
            let near = number(&alone["truncation_corrected"], "within_sd_of_limit");
            assert!((number(found, "within_sd_of_limit") - near).abs() < 1e-12, "{what}: {found} {near}");
        }
    };
    same(&setting["all"], &alone["all"], &format!("{what}, all"));
    for row in alone["returns"].as_array().unwrap() {
        let mut own = setting["returns"].as_array().unwrap().iter();
        match own.find(|one| one["return"] == row["return"]) {
            Some(found) => same(found, row, &format!("{what}, return {}", row["return"])),
            None => assert_eq!(row["ground"], 0, "{what}"),
        }
    }
    let coverage = alone["terrain_by_returns"].as_array().unwrap().last().unwrap();
    assert_eq!(setting["coverage"], coverage["coverage"], "{what}");
    match setting["reference"].is_null() {
        true => assert_ne!(alone["reference"]["ground_from"], "filter", "{what}"),
        false => {
            assert_eq!(setting["reference"]["ground"], alone["reference"]["ground"], "{what}");
            assert_eq!(setting["reference"]["by_slope"], alone["reference"]["by_slope"], "{what}");
        }
    }
}

/// Compares settings in one run, and holds each against a run of its own; gives what the one run found.
fn compared(folder: &Path, unit: &str, cloud: &str, own: &str, others: &[&str], rest: &str) -> Value {
    let list: Vec<String> = others.iter().map(|other| format!("{{{other}}}")).collect();
    let ground = |options: &str| {
        // The reference's own filter, where the stage is the survey's, and the other way round.
        let other = match cloud {
            "survey" => ", ground: {cloud: reference, dh_initial: 0.25 m}",
            "reference" => ", ground: {cloud: survey, dh_initial: 0.25 m}",
            _ => "",
        };
        format!("ground: {{cloud: {cloud}, {options}}}{other}")
    };
    let file = pipeline(folder, unit, &ground(&format!("{own}, compare: [{}]", list.join(", "))), rest, "");
    let found = run(&file, &[]).summary();
    let settings = &found["filters_compared"];
    // Options that come twice: the later one counts.
    let merged = |other: &str| {
        let mut options: Vec<(&str, &str)> = Vec::new();
        for option in [own, other].iter().flat_map(|text| text.split(", ")) {
            let (key, value) = option.split_once(": ").unwrap();
            options.retain(|(known, _)| *known != key);
            options.push((key, value));
        }
        options.iter().map(|(key, value)| format!("{key}: {value}")).collect::<Vec<_>>().join(", ")
    };
    for (i, other) in [""].iter().chain(others).enumerate() {
        let options = if i == 0 { own.to_string() } else { merged(other) };
        let alone = run(&pipeline(folder, unit, &ground(&options), rest, ""), &[]).summary();
        let setting = if i == 0 { &settings["own"] } else { &settings["alternatives"][i - 1] };
        is_that_of_a_run(setting, &alone, &format!("{cloud}, {unit}, {options}"));
        if i == 0 {
            // The run itself is the same whether it compares or not.
            let mut without = found.clone();
            without.as_object_mut().unwrap().shift_remove("filters_compared");
            assert_eq!(without, alone);
        }
    }
    assert_eq!(settings["alternatives"].as_array().unwrap().len(), others.len());
    found
}

#[test]
fn each_setting_is_what_a_run_of_its_own_finds_in_metres_and_feet() {
    // About a point per square unit or nine; slopes of 2 to 40 %; one to four strips; shrubs of half a unit and more.
    for (site, unit, cloud, own, others) in [
        (
            FLAT,
            "m",
            "both",
            "cell: 1 m",
            &["dh_initial: 0.1 m", "dh_initial: 0.6 m, slope: 0.5", "cell: 1.7 m"][..],
        ),
        (
            Delivered { seed: 2, slope: 0.4, strips: 2, ..FLAT },
            "m",
            "both",
            "cell: 1 m, dh_initial: 0.3 m",
            &["local_slope: true", "window_max: 6 m", "window_growth: linear", "cell: 0.6 m"],
        ),
        (
            Delivered { seed: 3, side: 50.0, pulses: 22_000, slope: 0.1, ..FLAT },
            "ft",
            "survey",
            "cell: 1 ft, dh_initial: 0.1 ft",
            &["dh_initial: 0.05 ft", "cell: 2.5 ft, dh_max: 0.5 ft", "low_outlier: 6 ft"],
        ),
        (
            Delivered { seed: 4, side: 300.0, slope: 0.15, ..FLAT },
            "ftUS",
            "reference",
            "cell: 3 ftUS, dh_initial: 1 ft",
            &["dh_initial: 0.1 ftUS", "fill_max: 1 ft"],
        ),
    ] {
        let folder = TempDir::new().unwrap();
        site.make().write(folder.path(), false, 1);
        let found = compared(folder.path(), unit, cloud, own, others, REST);
        assert!(found["all"]["compared"].as_u64().unwrap() > 1_000, "{unit}: {}", found["all"]);
        assert_eq!(found["units"], unit);
    }
}

#[test]
fn what_a_tight_threshold_cuts_off_shows_and_the_suggestion_does_not_follow_the_error() {
    let folder = TempDir::new().unwrap();
    // Return 4 has an SD of 90 mm.
    Wood { seed: 1, shared_sd: 0.0, shared_range: 8.0, density: 2.0 }.write(folder.path());
    let others = ["dh_initial: 0.12 m", "dh_initial: 0.45 m", "dh_initial: 0.9 m"];
    let found = compared(folder.path(), "m", "both", "dh_initial: 0.2 m", &others, REST);
    let settings = &found["filters_compared"];
    let of_return = |setting: &Value| setting["returns"].as_array().unwrap().last().unwrap().clone();
    let all = [&settings["alternatives"][0], &settings["own"], &settings["alternatives"][1]].map(of_return);
    for pair in all.windows(2) {
        // The tighter, the less ground, the smaller the SD, and the more is near the limit.
        assert!(pair[0]["ground"].as_u64() < pair[1]["ground"].as_u64(), "{pair:?}");
        assert!(number(&pair[0], "sd") < number(&pair[1], "sd"), "{pair:?}");
        assert!(number(&pair[0], "within_sd_of_limit") > number(&pair[1], "within_sd_of_limit"), "{pair:?}");
    }
    let suggestion = settings["suggestion"].as_str().unwrap();
    assert!(suggestion.starts_with("dh_initial 0.45 m is the tightest setting"), "{suggestion}");
    assert!(suggestion.contains("never by how small the error comes out"), "{suggestion}");
    assert_eq!(settings["own"]["options"], json!({"dh_initial": "0.2 m"}));
}

#[test]
fn draws_selects_and_areas_apply_as_they_do_to_the_comparisons() {
    let folder = TempDir::new().unwrap();
    FLAT.make().write(folder.path(), false, 1);
    let others = ["dh_initial: 0.1 m", "dh_initial: 0.5 m"];
    let select = "select: {cloud: both, scan_angle_max: 40 deg}, select: {cloud: survey, returns: [1, 3]}";
    let selected = compared(folder.path(), "m", "both", "cell: 1 m", &others, &format!("{select}, {REST}"));
    let numbers: Vec<&Value> = selected["filters_compared"]["own"]["returns"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| &row["return"])
        .collect();
    assert_eq!(numbers, [1, 3]);
    let of = |rest: &str, more: &str| {
        let ground = "ground: {cell: 1 m, compare: [{dh_initial: 0.1 m}, {dh_initial: 0.5 m}]}";
        run(&pipeline(folder.path(), "m", ground, rest, more), &[]).summary()
    };
    let all = of(REST, "");
    // Every point counts, however many are drawn.
    let drawn = of(&REST.replace("per_return: all", "per_return: 50"), "");
    assert_eq!(drawn["returns"][0]["compared"], 50);
    assert_eq!(drawn["filters_compared"], all["filters_compared"]);
    // Areas are counted, and not compared.
    let corner = |x: f64, y: f64| json!([CORNER.0 + x, CORNER.1 + y]);
    let ring =
        [(10.0, 10.0), (60.0, 10.0), (60.0, 90.0), (10.0, 90.0), (10.0, 10.0)].map(|(x, y)| corner(x, y));
    fs::write(
        folder.path().join("pond.geojson"),
        json!({"type": "Polygon", "coordinates": [ring]}).to_string(),
    )
    .unwrap();
    let left_out = of(REST, "exclude: [{area: pond.geojson, why: pond, system: same}]\n");
    let (found, before) =
        (&left_out["filters_compared"]["own"]["all"], &all["filters_compared"]["own"]["all"]);
    assert_eq!((&found["compared"], &found["ground"]), (&left_out["all"]["compared"], &before["ground"]));
    assert!(found["compared"].as_u64() < before["compared"].as_u64());
    // Without a reference there are counts alone.
    let path = folder.path().join("alone.yaml");
    let text = "survey: {files: [survey.laz], units: m}\nstages: [read: {}, ground: {cell: 1 m, compare: [{dh_initial: 0.1 m}]}, \
                summarise: {}]\n";
    fs::write(&path, text).unwrap();
    let alone = run(&path, &[]).summary();
    let found = &alone["filters_compared"];
    assert_eq!(found["own"]["all"]["ground"], before["ground"]);
    assert_eq!(
        found["alternatives"][0]["all"]["ground"],
        all["filters_compared"]["alternatives"][0]["all"]["ground"]
    );
    assert_eq!((&found["own"]["all"]["compared"], &found["own"]["reference"]), (&json!(0), &Value::Null));
    assert!(found["suggestion"].as_str().unwrap().starts_with("Too few comparisons"));
}

#[test]
fn page_terminal_and_resolved_file_say_so() {
    let folder = TempDir::new().unwrap();
    FLAT.make().write(folder.path(), false, 1);
    let ground = "ground: {cell: 1 m, compare: [{dh_initial: 10 cm}, {dh_initial: 0.5 m, slope: 0.4}]}";
    let first = run(&pipeline(folder.path(), "m", ground, REST, ""), &[]);
    assert!(first.stdout.lines().all(|line| line.chars().count() <= 100), "{}", first.stdout);
    contains_all(
        &first.stdout,
        &["Settings of the ground filter", "own: slope 0.3, dh_initial 0.3 m", "never by how small"],
    );
    let page = first.text("report.html");
    assert!(page.contains("<h2>Settings of the ground filter</h2>") && page.contains("id=\"filters-title\""));
    assert!(flat(&page).contains("return 2, slope 0.4, dh_initial 0.5 m"));
    // Of a run that compares nothing, neither says anything.
    let plain = run(&pipeline(folder.path(), "m", "ground: {cell: 1 m}", REST, ""), &[]);
    assert!(
        !plain.stdout.contains("Settings of")
            && !plain.text("report.html").contains("Settings of the ground")
    );
    assert!(plain.summary().get("filters_compared").is_none());
    let again = folder.path().join("again.yaml");
    fs::write(&again, first.text("pipeline.yaml")).unwrap();
    assert_eq!(first.same_bytes(), run(&again, &[]).same_bytes());
}

#[test]
fn what_is_no_setting_is_told_before_a_point_is_read() {
    let folder = TempDir::new().unwrap();
    FLAT.make().write(folder.path(), false, 1);
    let says = |ground: &str, parts: &[&str]| {
        let file = pipeline(folder.path(), "m", ground, REST, "");
        contains_all(&refused(&echograde().arg("check").arg(&file).output().unwrap(), 2), parts);
    };
    says(
        "ground: {compare: [{dh_initial: 0.3 m}]}",
        &["entry 1 of `compare` is no setting of its own", "pipeline.yaml:3:"],
    );
    says("ground: {compare: [{slope: 0.2}, {slope: 0.2}]}", &["entry 2 of `compare`"]);
    says("ground: {compare: [{dh_initial: 2 m}]}", &["`dh_initial` 2 m is above `dh_max` 1 m"]);
    says("ground: {compare: [{cell: 30 m}]}", &["less than three cells"]);
    says("ground: {compare: [{dh_first: 2 m}]}", &["dh_first", "dh_initial"]);
    says("ground: {compare: {dh_initial: 2 m}}", &["compare"]);
    says("ground: {compare: [{dh_initial: 0.2}]}", &["0.2"]);
    says(
        "ground: {cloud: survey, from: classes, compare: [{slope: 0.2}]}, ground: {cloud: reference}",
        &["`compare` of stage `ground` does nothing with `from: classes`"],
    );
    says(
        "ground: {cloud: survey, from: classes, cross_check: true, compare: [{slope: 0.2}]}, ground: {cloud: reference}",
        &["does nothing with `from: classes`", "from: filter"],
    );
    says(
        "ground: {cloud: survey, compare: [{slope: 0.2}]}, ground: {cloud: reference, compare: [{slope: 0.2}]}",
        &["two `ground` stages compare settings"],
    );
    let nine: Vec<String> = (1..=9).map(|i| format!("{{slope: 1.{i}}}")).collect();
    says(&format!("ground: {{compare: [{}]}}", nine.join(", ")), &["lists 9 settings", "expected 8 at most"]);
}

#[test]
fn the_page_on_choosing_shows_what_the_program_prints() {
    let printed = run(&common::root().join("docs/ground-filter.yaml"), &[]).stdout;
    let (_, table) = printed.split_once("Settings of the ground filter").unwrap();
    let (table, _) = table.split_once("\n\n").unwrap();
    let page = fs::read_to_string(common::root().join("docs/choosing-parameters.md")).unwrap();
    let shown = page
        .split_once("```text\nSettings of the ground filter")
        .and_then(|(_, rest)| rest.split_once("\n```"));
    assert_eq!(shown.unwrap().0, table);
    // The shares of the other table, of other cells and windows.
    let found = run(&common::root().join("docs/cells-and-windows.yaml"), &[]).summary();
    let settings = &found["filters_compared"];
    for (setting, row) in [
        (&settings["alternatives"][0], "| 0.25 m | +0.8 % | 2.3 % | <0.1 % | 99.0 % |"),
        (&settings["alternatives"][1], "| 1 m | −3.2 % | 11.6 % | 0.8 % | 96.9 % |"),
        (&settings["alternatives"][2], "| 2 m | −14.6 % | 21.4 % | 2.3 % | 88.4 % |"),
    ] {
        let ground = |setting: &Value| number(&setting["all"], "ground");
        let cells: Vec<f64> = row
            .split('|')
            .skip(2)
            .filter_map(|cell| {
                cell.trim().trim_start_matches('<').trim_end_matches(" %").replace('−', "-").parse().ok()
            })
            .collect();
        let shares = [
            ground(setting) / ground(&settings["own"]) - 1.0,
            number(setting["returns"].as_array().unwrap().last().unwrap(), "within_sd_of_limit"),
            number(&setting["reference"], "share_refused"),
            number(setting, "coverage"),
        ];
        assert!(page.contains(row), "{row}");
        for (shown, share) in cells.iter().zip(shares) {
            assert!(
                (shown - 100.0 * share).abs() < if row.contains('<') { 0.1 } else { 0.05 + 1e-9 },
                "{row}: {share}"
            );
        }
        assert_eq!(cells.len(), 4, "{row}");
    }
}
