//! `echograde diff`: what changed between two runs, and whether it matters, through the real program on sites of known truth.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{in_unit, point, write_plain};
use common::random::{Normal, Wave, field_wave, sum_of};
use common::{contains_all, describe, echograde, refused, try_run};
use las::Point;
use serde_json::{Value, json};
use tempfile::TempDir;

/// A survey whose error is known, over reference at every one of its positions.
#[derive(Clone, Copy)]
struct Survey {
    /// Seed of the positions, which the reference shares.
    places: u64,
    /// Seed of the errors.
    errors: u64,
    side: f64,
    /// Points a square metre.
    density: f64,
    /// Added to every elevation, metres.
    shift: f64,
    noise: f64,
    /// SD of the error that neighbours share, and how far.
    shared: (f64, f64),
    /// Metres east of the usual place.
    east: f64,
}

const SURVEY: Survey = Survey {
    places: 1,
    errors: 1,
    side: 60.0,
    density: 1.0,
    shift: 0.0,
    noise: 0.02,
    shared: (0.0, 1.0),
    east: 0.0,
};

impl Survey {
    fn positions(&self) -> Vec<[f64; 2]> {
        let mut random = Normal::new(self.places);
        let count = (self.side * self.side * self.density) as usize;
        let at = |v: f64| (v * self.side * 1000.0).floor() / 1000.0;
        (0..count).map(|_| [at(random.uniform()) + self.east, at(random.uniform())]).collect()
    }

    fn ground(x: f64, y: f64) -> f64 {
        300.0 + 0.6 * (x / 14.0).sin() * (y / 19.0).cos() + 0.02 * x
    }

    fn points(&self, unit: f64) -> Vec<Point> {
        let mut random = Normal::new(self.errors ^ 0x5eed);
        let (sd, range) = self.shared;
        let waves: Vec<Wave> = (0..200).map(|_| field_wave(random.generator(), range)).collect();
        let z = |random: &mut Normal, x, y| {
            Survey::ground(x, y) + self.shift + sd * sum_of(&waves, x, y) + self.noise * random.next()
        };
        let positions = self.positions().into_iter();
        positions.map(|[x, y]| in_unit(point(x, y, z(&mut random, x, y)), unit)).collect()
    }

    /// Writes survey and reference, both in files of this unit, and a pipeline file; runs it.
    fn run(&self, folder: &Path, name: &str, unit: (&str, f64), more: &str) -> PathBuf {
        let own = folder.join(name);
        fs::create_dir_all(&own).unwrap();
        write_plain(&own.join("survey.laz"), &self.points(unit.1));
        let exact = Survey { shift: 0.0, noise: 0.0, shared: (0.0, 1.0), ..*self };
        write_plain(&own.join("reference.laz"), &exact.points(unit.1));
        run_file(&own, unit.0, STAGES, more)
    }
}

const STAGES: &str = "[read: {}, ground: {dh_initial: 0.4 m}, checkpoints: {per_return: all, list: all, spacing: 1 mm}, \
                      compare: {match: nearest, within: 5 mm}, summarise: {}]";
const METRES: (&str, f64) = ("m", 1.0);
const SURVEY_FEET: (&str, f64) = ("ftUS", 1200.0 / 3937.0);
const FEET: (&str, f64) = ("ft", 0.3048);

/// Runs `survey.laz` against `reference.laz` of a folder and gives the run folder.
fn run_file(folder: &Path, unit: &str, stages: &str, more: &str) -> PathBuf {
    let file = folder.join("pipeline.yaml");
    let text = format!(
        "title: made\nsurvey: {{files: ['*urvey*.laz'], units: {unit}}}\n\
         reference: {{files: [reference.laz], units: {unit}, uncertainty: 5 mm}}\nstages: {stages}\n{more}"
    );
    fs::write(&file, text).unwrap();
    let out = folder.join("out");
    let output = try_run(&file, &out, &["--replace"]);
    assert!(matches!(output.status.code(), Some(0 | 3)), "{}", describe(&output));
    out
}

/// What `diff` finds, and the text that it prints, of which no line is too long.
fn diff(first: &Path, second: &Path) -> (Value, String) {
    let run = |options: &[&str]| {
        let output = echograde().arg("diff").args([first, second]).args(options).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", describe(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    let text = run(&[]);
    // Paths of temporary folders may be longer than a line.
    let long = |line: &&str| line.chars().count() > 100 && line.contains(' ') && !line.contains("run: ");
    assert_eq!(text.lines().find(long), None, "{text}");
    (serde_json::from_str(&run(&["--json"])).unwrap(), text)
}

#[test]
fn the_same_run_twice_has_no_difference() {
    let folder = TempDir::new().unwrap();
    let one = SURVEY.run(folder.path(), "one", METRES, "");
    let again = SURVEY.run(folder.path(), "again", METRES, "");
    let (found, text) = diff(&one, &again);
    assert_eq!(found["outcome"], "same");
    for list in ["data", "options", "limits", "figures"] {
        assert_eq!(found[list], json!([]), "{list}");
    }
    contains_all(
        &text,
        &[
            "No difference: the same data, options and program, and the same figures to the last digit.",
            "Not changed: data, options, program, figures.",
        ],
    );
    assert_eq!(found["paired"]["changed"], 0);
    assert!(found["paired"]["places"].as_u64().unwrap() > 2_000);
}

#[test]
fn a_known_shift_of_the_survey_is_found_with_its_interval() {
    // Both surveys have errors of their own, at the same positions. Shift, noise (SD), error that neighbours share (SD and range),
    // points a square metre, side, all in metres: noise 5 to 60 mm, correlation none to 20 m, 1 to 4 points a square metre.
    let cases = [
        (0.000, 0.02, (0.0, 1.0), 1.0, 60.0, METRES),
        (0.005, 0.02, (0.0, 1.0), 1.0, 60.0, METRES),
        (-0.012, 0.005, (0.01, 6.0), 2.0, 50.0, FEET),
        (0.030, 0.06, (0.0, 1.0), 0.5, 80.0, SURVEY_FEET),
        (0.000, 0.02, (0.02, 10.0), 1.0, 80.0, SURVEY_FEET),
        (0.060, 0.02, (0.02, 20.0), 0.5, 120.0, METRES),
        (-0.080, 0.03, (0.015, 8.0), 0.06, 60.0, METRES),
    ];
    let mut held = 0;
    for (i, (shift, noise, shared, density, side, unit)) in cases.into_iter().enumerate() {
        let folder = TempDir::new().unwrap();
        let survey = Survey { places: i as u64, side, density, noise, shared, ..SURVEY };
        let one = survey.run(folder.path(), "one", unit, "");
        let other = Survey { errors: 2, shift, ..survey }.run(folder.path(), "other", unit, "");
        let (found, text) = diff(&one, &other);
        let all = &found["paired"]["all"];
        let (what, metres) = (format!("{i}: {all}\n{text}"), unit.1);
        let ends = [0, 1].map(|end| all["ci95"][end].as_f64().unwrap_or_else(|| panic!("{what}")) * metres);
        println!("{i}: shift {shift}, interval {ends:?}, n {}", all["n"]);
        held += u32::from(ends[0] <= shift && shift <= ends[1]);
        // What is found is within the interval around what was put in, twice as wide at the most, and neither blind nor sharper than noise.
        let half = (ends[1] - ends[0]) / 2.0;
        let difference = all["difference"].as_f64().unwrap() * metres;
        assert!((difference - shift).abs() < 2.0 * half, "{what}");
        let n = all["n"].as_f64().unwrap();
        let white = 1.96 * noise * 2f64.sqrt() / n.sqrt();
        assert!(half > 0.8 * white && half < 6.0 * white + 2.0 * shared.0, "{half} beside {white}: {what}");
        match shift == 0.0 {
            true => contains_all(&text, &["cannot be told apart from chance"]),
            false => {
                let way = if shift < 0.0 { "lower" } else { "higher" };
                contains_all(&text, &[way, "in the second run: the change is real"]);
            }
        }
        contains_all(&text, &["survey.laz has other content", "Not changed: options, program."]);
        // At places of their own the two surveys are compared without pairs, with a wider interval.
        assert_eq!(found["paired"]["unpaired"], json!([]));
    }
    assert!(held >= 6, "{held} of {}", cases.len());
}

#[test]
fn a_shift_is_small_or_not_beside_the_class_that_is_asked_for() {
    let folder = TempDir::new().unwrap();
    let accept = "accept: [{group: {}, class: 10 cm, bias: 2 cm}]\n";
    let survey = Survey { noise: 0.01, ..SURVEY };
    let one = survey.run(folder.path(), "one", METRES, accept);
    let small = Survey { shift: 0.004, ..survey }.run(folder.path(), "small", METRES, accept);
    let (found, text) = diff(&one, &small);
    // The same errors: each place differs by the same length, but for the millimetre that the files hold.
    assert_eq!(found["outcome"], "real_but_small");
    contains_all(&text, &["4.0 mm higher", "small against the 10-cm class that is asked for"]);
    let large = Survey { shift: 0.03, ..survey }.run(folder.path(), "large", METRES, accept);
    let (found, text) = diff(&one, &large);
    assert_eq!(found["outcome"], "real");
    contains_all(&text, &["30.0 mm higher", "30 % of the 10-cm class", "PASS → FAIL"]);
    let limits = found["limits"].as_array().unwrap();
    let bias = limits.iter().find(|limit| limit["limit"].as_str().unwrap().starts_with("bias")).unwrap();
    assert_eq!((&bias["before"], &bias["after"]), (&json!("met"), &json!("missed")));
    // The other way round the second run lies lower.
    let (back, text) = diff(&large, &one);
    contains_all(&text, &["30.0 mm lower", "FAIL → PASS"]);
    let difference = |found: &Value| found["paired"]["all"]["difference"].as_f64().unwrap();
    assert!((difference(&back) + difference(&found)).abs() < 1e-12);
}

#[test]
fn options_are_shown_before_and_after_and_places_that_count_no_more() {
    let folder = TempDir::new().unwrap();
    let own = folder.path().join("one");
    let one = Survey { noise: 0.09, ..SURVEY }.run(folder.path(), "one", METRES, "");
    let kept = folder.path().join("kept");
    fs::rename(&one, &kept).unwrap();
    let tight =
        STAGES.replace("dh_initial: 0.4 m", "dh_initial: 15 cm").replace("read: {}", "read: {tile: 30 m}");
    let other = run_file(&own, "m", &tight, "seed: 9\n");
    let (found, text) = diff(&kept, &other);
    let options: Vec<_> =
        found["options"].as_array().unwrap().iter().map(|one| one["key"].as_str().unwrap()).collect();
    assert_eq!(options, ["seed", "ground.dh_initial"]);
    contains_all(&text, &["ground.dh_initial: 0.4 m → 15 cm", "Not changed: data, program."]);
    contains_all(&text, &["places are listed by the first run and not by the second; their bias there is +"]);
    let only = &found["paired"]["only"];
    assert!(only[0]["places"].as_u64().unwrap() > 50 && only[0]["bias"].as_f64().unwrap() > 0.1, "{only}");
    assert_eq!((only[1]["places"].as_u64(), &found["outcome"]), (Some(0), &json!("other_places")));
    let new: Vec<_> = found["warnings"]["new"].as_array().unwrap().iter().map(|one| &one["code"]).collect();
    assert!(new.contains(&&json!("cut_tail")), "{new:?}");
    // A seed alone changes none of the figures.
    let seeded = run_file(&own, "m", STAGES, "seed: 9\n");
    let (found, text) = diff(&kept, &seeded);
    assert_eq!(found["outcome"], "no_effect");
    contains_all(&text, &["what was changed has no effect on them", "seed: 1 → 9"]);
}

#[test]
fn files_are_told_apart_by_what_they_hold() {
    let folder = TempDir::new().unwrap();
    let own = folder.path().join("one");
    let one = SURVEY.run(folder.path(), "one", METRES, "");
    let kept = folder.path().join("kept");
    fs::rename(&one, &kept).unwrap();
    fs::rename(own.join("survey.laz"), own.join("renamed survey.laz")).unwrap();
    let (found, _) = diff(&kept, &run_file(&own, "m", STAGES, ""));
    assert_eq!((&found["data"], &found["outcome"]), (&json!([]), &json!("same")));
    // A second file of the survey, and one that is gone.
    // At a part of the same positions.
    let more = Survey { errors: 5, density: 0.3, ..SURVEY };
    write_plain(&own.join("more survey.laz"), &more.points(1.0));
    let (found, text) = diff(&kept, &run_file(&own, "m", STAGES, ""));
    contains_all(&text, &["survey: more survey.laz is new (1,080 points"]);
    assert_eq!(found["data"].as_array().unwrap().len(), 1);
    assert_ne!(found["outcome"], "same");
    fs::remove_file(own.join("renamed survey.laz")).unwrap();
    let (_, text) = diff(&kept, &run_file(&own, "m", STAGES, ""));
    contains_all(&text, &["survey: survey.laz is gone (3,600 points", "more survey.laz is new"]);
}

#[test]
fn runs_in_different_units_are_compared_in_that_of_the_first() {
    let folder = TempDir::new().unwrap();
    // What was found against limits is in the units of each report, and the same all the same.
    let accept = "accept: [{group: {}, class: 10 cm, bias: 2 cm, share: 0.5}]\n";
    let one = SURVEY.run(folder.path(), "one", METRES, accept);
    let own = folder.path().join("one");
    let kept = folder.path().join("kept");
    fs::rename(&one, &kept).unwrap();
    // The same files, reported in feet: the same figures.
    for unit in ["ft", "ftUS"] {
        let (found, text) = diff(&kept, &run_file(&own, "m", STAGES, &format!("units: {unit}\n{accept}")));
        assert_eq!((&found["outcome"], &found["units"]), (&json!("no_effect"), &json!("m")), "{text}");
        contains_all(
            &text,
            &[&format!("The first run is in m, the second in {unit}"), &format!("units: not set → {unit}")],
        );
    }
    // A survey that was converted to US survey feet, and shifted by 25 mm on the way: at the same places, but for rounding.
    let feet = Survey { shift: 0.025, ..SURVEY }.run(folder.path(), "feet", SURVEY_FEET, "");
    for (first, second, unit, sign) in [(&kept, &feet, 1.0, 1.0), (&feet, &kept, SURVEY_FEET.1, -1.0)] {
        let (found, text) = diff(first, second);
        let all = &found["paired"]["all"];
        assert!(all["n"].as_u64().unwrap() > 3_400, "{all}");
        let metres = all["difference"].as_f64().unwrap() * unit;
        assert!((metres - sign * 0.025).abs() < 0.000_2, "{text}");
        contains_all(&text, &["the change is real"]);
    }
}

#[test]
fn without_common_places_it_says_so_and_gives_an_interval_with_its_caveat() {
    let folder = TempDir::new().unwrap();
    let one = SURVEY.run(folder.path(), "one", METRES, "");
    // Flown again over the same ground, and another site.
    let again =
        Survey { places: 8, errors: 8, shift: 0.03, ..SURVEY }.run(folder.path(), "again", METRES, "");
    let (found, text) = diff(&one, &again);
    assert_eq!((&found["outcome"], &found["paired"]["places"]), (&json!("no_common_places"), &json!(0)));
    contains_all(
        &text,
        &[
            "No common places: both runs compare the same part of the country",
            "As two independent samples",
            "leaves 0 out",
            "weaker",
        ],
    );
    let ends = &found["paired"]["unpaired"][0]["ci95"];
    assert!(ends[0].as_f64().unwrap() < 0.03 && ends[1].as_f64().unwrap() > 0.03, "{ends}");
    let elsewhere = Survey { east: 500.0, ..SURVEY }.run(folder.path(), "elsewhere", METRES, "");
    let (found, text) = diff(&one, &elsewhere);
    assert_eq!(found["paired"]["boxes_overlap"], false);
    contains_all(
        &text,
        &["No common places: the two runs compare different ground.", "Different ground has its own slopes"],
    );
}

#[test]
fn surveyed_points_are_paired_by_their_position() {
    let folder = TempDir::new().unwrap();
    let run = |name: &str, survey: Survey| {
        let own = folder.path().join(name);
        fs::create_dir_all(&own).unwrap();
        write_plain(&own.join("survey.laz"), &survey.points(1.0));
        let points = (0..48).map(|i| {
            let (x, y) = (f64::from(i % 8) * 7.0 + 4.3, f64::from(i / 8) * 9.0 + 5.1);
            let (e, n) = (common::made::CORNER.0 + x, common::made::CORNER.1 + y);
            format!("P{i},{e},{n},{:.4}\n", Survey::ground(x, y))
        });
        let list = format!("name,easting,northing,elevation\n{}", points.collect::<String>());
        fs::write(own.join("points.csv"), list).unwrap();
        let file = own.join("pipeline.yaml");
        fs::write(
            &file,
            "survey: {files: [survey.laz], units: m}\nreference: {points: points.csv, uncertainty: 5 mm}\n\
             stages: [read: {}, ground: {cloud: survey}, compare: {match: triangulated}, summarise: {}]\n",
        )
        .unwrap();
        let out = own.join("out");
        let output = try_run(&file, &out, &[]);
        assert!(output.status.success(), "{}", describe(&output));
        out
    };
    let survey = Survey { density: 6.0, noise: 0.01, ..SURVEY };
    let one = run("one", survey);
    let other = run("other", Survey { errors: 3, shift: -0.02, ..survey });
    let (found, text) = diff(&one, &other);
    let all = &found["paired"]["all"];
    assert_eq!(all["n"], 48);
    let ends = [0, 1].map(|end| all["ci95"][end].as_f64().unwrap());
    assert!(ends[0] < -0.02 && -0.02 < ends[1] && ends[1] < 0.0, "{all}");
    contains_all(&text, &["At 48 common places", "lower", "the change is real"]);
}

#[test]
fn what_is_no_run_folder_or_damaged_is_one_error_with_its_remedy() {
    let folder = TempDir::new().unwrap();
    let one = SURVEY.run(folder.path(), "one", METRES, "");
    let says = |other: &Path, parts: &[&str]| {
        let output = echograde().arg("diff").args([&one, other]).output().unwrap();
        let error = refused(&output, 2);
        assert_eq!(error.matches("error:").count(), 1, "{error}");
        contains_all(&error, parts);
    };
    says(
        &folder.path().join("nowhere"),
        &["nowhere: there is no such folder", "give the folder that `echograde run` wrote"],
    );
    says(&one.join("summary.json"), &["summary.json: this is a file, not a run folder"]);
    says(folder.path(), &["this is not a run folder: there is no summary.json in it"]);
    let unfinished = folder.path().join("b.unfinished");
    fs::create_dir(&unfinished).unwrap();
    says(&unfinished, &["this run is not finished", "--resume"]);
    let copy = folder.path().join("copy");
    let damage = |name: &str, change: &dyn Fn(&str) -> Option<String>| {
        let _ = fs::remove_dir_all(&copy);
        fs::create_dir(&copy).unwrap();
        for file in ["summary.json", "manifest.json", "pipeline.yaml", "checkpoints.csv"] {
            fs::copy(one.join(file), copy.join(file)).unwrap();
        }
        let text = fs::read_to_string(copy.join(name)).unwrap();
        match change(&text) {
            Some(text) => fs::write(copy.join(name), text).unwrap(),
            None => fs::remove_file(copy.join(name)).unwrap(),
        }
    };
    for name in ["summary.json", "manifest.json", "pipeline.yaml", "checkpoints.csv"] {
        damage(name, &|_| None);
        says(
            &copy,
            &[
                &format!("{name}: the file is missing"),
                "make the run again with `echograde run FILE --replace`",
            ],
        );
    }
    damage("summary.json", &|text| Some(text[..text.len() / 2].to_string()));
    says(&copy, &["summary.json: the file is damaged", "--replace"]);
    damage("summary.json", &|text| Some(text.replace("\"warnings\"", "\"cautions\"")));
    says(&copy, &["summary.json", "missing field `warnings`"]);
    damage("checkpoints.csv", &|text| Some(text.replacen(",dz,", ",d,", 1)));
    says(&copy, &["checkpoints.csv", "no column `dz`"]);
    damage("checkpoints.csv", &|text| Some(text.replacen(",m,m,", ",yd,m,", 1)));
    says(&copy, &["checkpoints.csv", "line 2 has no position"]);
    damage("pipeline.yaml", &|_| Some("- a\n".to_string()));
    says(&copy, &["pipeline.yaml", "no list of keys and values"]);
}
