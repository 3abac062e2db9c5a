//! The gate against nonsense: what cannot be compared is refused before the long run where headers show it, after it otherwise, and
//! always with file, place and remedy.

mod common;
#[path = "common/gate.rs"]
mod gate;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use common::made::{CORNER, Stored, grid, point, slope, write, write_plain};
use common::{describe, echograde, refused, root, try_run};
use echograde::cloud::LasFile;
use gate::{Normal, las_with, survey_over};
use las::Point;
use las::point::Classification;
use serde_json::Value;
use tempfile::TempDir;

/// The error that a run ends with.
fn run_refused(file: &Path, code: i32) -> String {
    let out = file.parent().unwrap().join("out");
    let said = refused(&try_run(file, &out, &[]), code);
    assert!(!out.exists() && !out.with_extension("unfinished").exists(), "{said}");
    said
}

fn checked(file: &Path) -> Output {
    echograde().arg("check").arg(file).output().unwrap()
}

/// A run that ends with results.
fn run_with_results(file: &Path, code: i32) -> (Value, String) {
    let out = file.parent().unwrap().join("out");
    let output = try_run(file, &out, &["--replace"]);
    assert_eq!(output.status.code(), Some(code), "{}", describe(&output));
    let summary = serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap();
    (summary, String::from_utf8(output.stdout).unwrap())
}

/// A pipeline file of this text in a folder.
fn file(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    fs::write(&path, text).unwrap();
    path
}

/// The message as one line, without the frame that it is drawn in.
fn flat(said: &str) -> String {
    said.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn contains_all(said: &str, parts: &[&str]) {
    let said = flat(said);
    for part in parts {
        assert!(said.contains(part), "{part:?} is missing in {said}");
    }
}

/// Copies of the demo's clouds, one strip of the survey alone, and a pipeline file over them.
fn demo(read: &str) -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    for (from, to) in [("survey/strip-101.laz", "survey.laz"), ("reference/scan.laz", "reference.laz")] {
        fs::copy(root().join("demo-data").join(from), folder.path().join(to)).unwrap();
    }
    let file = demo_file(folder.path(), read);
    (folder, file)
}

fn demo_file(folder: &Path, read: &str) -> PathBuf {
    file(
        folder,
        &format!(
            "survey: {{files: [survey.laz]}}\nreference: {{files: [reference.laz], uncertainty: 5 mm}}\nstages:\n  \
             - read: {{{read}}}\n  - ground: {{}}\n  - checkpoints: {{per_return: all}}\n  - compare: {{}}\n  - summarise: {{}}\n"
        ),
    )
}

#[test]
fn b1_damage_inside_a_chunk_that_still_decodes_stops_the_run_or_is_skipped_and_counted() {
    let (folder, pipeline) = demo("");
    let path = folder.path().join("survey.laz");
    let whole = fs::read(&path).unwrap();
    let block = LasFile::open(&path).unwrap().blocks[2];
    // A chunk in layers: the first point, their number, the lengths of the layers, the layers: positions, then elevations.
    let word = |at: usize| u32::from_le_bytes(whole[at..at + 4].try_into().unwrap()) as usize;
    let lengths = block.offset as usize + 30 + 4;
    let (positions, elevations) = (word(lengths), word(lengths + 4));
    assert!(elevations > 10_000);
    let start = lengths + 9 * 4 + positions;
    let mut silent = 0;
    for turn in 0..12 {
        let at = start + elevations * (turn + 1) / 14;
        let mut broken = whole.clone();
        broken[at..at + 8].iter_mut().for_each(|byte| *byte ^= 0x5a);
        fs::write(&path, broken).unwrap();
        let said = run_refused(&pipeline, 1);
        contains_all(&said, &["survey.laz: block 3 of ", " is damaged: ", "`read: {damaged: skip}`"]);
        // The decoder itself noticed nothing.
        silent += usize::from(!said.contains("the decoder stopped"));
    }
    assert!(silent >= 2, "{silent} of 12 still decode: the test tests nothing");
    let skip = demo_file(folder.path(), "damaged: skip");
    let (summary, text) = run_with_results(&skip, 0);
    assert_eq!(summary["survey"]["lost_points"], block.points);
    assert!(text.contains("WARNING: A damaged block of the survey was skipped"), "{text}");
    assert!(summary["all"]["bias"].as_f64().unwrap().abs() < 0.05, "{}", summary["all"]);
}

#[test]
fn b1_a_point_far_outside_the_box_of_the_header_is_damage_of_its_block() {
    let folder = TempDir::new().unwrap();
    let points: Vec<Point> = grid(300, 250, 0.1).map(|(x, y)| point(x, y, slope(x, y))).collect();
    write_plain(&folder.path().join("survey.las"), &points);
    write_plain(&folder.path().join("reference.laz"), &points);
    let path = folder.path().join("survey.las");
    let whole = fs::read(&path).unwrap();
    let first = u32::from_le_bytes(whole[96..100].try_into().unwrap()) as usize;
    let at = first + 60_000 * 30 + 8;
    fs::write(&path, las_with(&whole, at, &0x0050_0000i32.to_le_bytes())).unwrap();
    let text = |read: &str| {
        format!(
            "survey: {{files: [survey.las], units: m}}\nreference: {{files: [reference.laz], units: m}}\nstages: [read: {{{read}}}, \
             ground: {{}}, checkpoints: {{per_return: all}}, compare: {{}}, summarise: {{}}]\n"
        )
    };
    let said = run_refused(&file(folder.path(), &text("")), 1);
    contains_all(
        &said,
        &[
            "survey.las: block 2 of 2",
            "points range in z from",
            "but the header states",
            "read: {bounds: ignore}",
            "damaged: skip",
        ],
    );
    let (summary, _) = run_with_results(&file(folder.path(), &text("damaged: skip")), 0);
    assert_eq!(summary["survey"]["lost_points"], 25_000);
    let inspected = echograde().arg("inspect").arg(&path).output().unwrap();
    assert!(String::from_utf8_lossy(&inspected.stdout).contains("block 2 of 2"), "{}", describe(&inspected));
}

#[test]
fn b1_where_points_lie_outside_in_block_after_block_the_header_is_said_to_be_wrong() {
    let (folder, pipeline) = demo("");
    let (right, _) = run_with_results(&pipeline, 0);
    fs::remove_dir_all(folder.path().join("out")).unwrap();
    let path = folder.path().join("survey.laz");
    let whole = fs::read(&path).unwrap();
    // The greatest x and the greatest z, as before the last strips were added.
    for (at, less) in [(179, 60.0), (211, 9.0)] {
        let stated = f64::from_le_bytes(whole[at..at + 8].try_into().unwrap());
        fs::write(&path, las_with(&whole, at, &(stated - less).to_le_bytes())).unwrap();
        for read in ["", "damaged: skip"] {
            let said = run_refused(&demo_file(folder.path(), read), 1);
            contains_all(
                &said,
                &["survey.laz: the box in the header", "is wrong", "`read: {bounds: ignore}`"],
            );
            assert!(!said.contains("is damaged"), "{said}");
        }
        let (found, _) = run_with_results(&demo_file(folder.path(), "bounds: ignore"), 0);
        assert_eq!(found["returns"], right["returns"]);
        fs::remove_dir_all(folder.path().join("out")).unwrap();
    }
}

/// A hillside of 20 m × 15 m, one point in each quarter of a square metre.
fn hillside() -> Vec<Point> {
    grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect()
}

fn moved(points: &[Point], change: impl Fn(&mut Point)) -> Vec<Point> {
    let mut points = points.to_vec();
    points.iter_mut().for_each(change);
    points
}

/// A folder with `survey.laz` and `reference.laz`, and a pipeline file over both.
fn site(survey: &[Point], reference: &[Point], more: &str) -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("survey.laz"), survey);
    write_plain(&folder.path().join("reference.laz"), reference);
    let text = format!(
        "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m}}\n{more}"
    );
    let pipeline = file(folder.path(), &text);
    (folder, pipeline)
}

const ALL: &str =
    "stages: [read: {}, ground: {}, checkpoints: {per_return: all}, compare: {}, summarise: {}]\n";

#[test]
fn b2_a_cloud_is_not_compared_with_itself_by_path_or_by_content_and_no_file_counts_twice() {
    let low = moved(&hillside(), |point| point.z -= 0.01);
    let (folder, pipeline) = site(&hillside(), &low, ALL);
    let with = |survey: &str, reference: &str, stages: &str| {
        let text = format!(
            "survey: {{files: [{survey}], units: m}}\nreference: {{files: [{reference}], units: m}}\n{stages}"
        );
        file(folder.path(), &text)
    };
    // By path, before anything is read.
    for path in ["survey.laz", "./survey.laz"] {
        let same = with("survey.laz", path, ALL);
        assert_eq!(checked(&same).status.code(), Some(2));
        contains_all(&run_refused(&same, 2), &["survey.laz is in both clouds", "select", "strips: [102]"]);
    }
    // By content.
    fs::copy(folder.path().join("survey.laz"), folder.path().join("copy.laz")).unwrap();
    let said = run_refused(&with("survey.laz", "copy.laz", ALL), 1);
    contains_all(&said, &["copy.laz: is a copy of ", "survey.laz", "compared with itself", "`reference:`"]);
    let said = run_refused(&with("survey.laz, copy.laz", "reference.laz", ALL), 1);
    contains_all(&said, &["is a copy of ", "the points of the survey would count twice", "Remove one"]);
    // Selected apart, one file may be both.
    let apart = "stages: [read: {}, select: {cloud: survey, strips: [0]}, select: {cloud: reference, strips: [7]}, ground: {}, \
                 checkpoints: {}, compare: {}, summarise: {}]\n";
    let strips = |n: &mut Point| n.point_source_id = if (n.y * 10.0).rem_euclid(2.0) < 1.0 { 0 } else { 7 };
    let both: Vec<Point> =
        [moved(&hillside(), strips), moved(&hillside(), |n| n.point_source_id = 7)].concat();
    write_plain(&folder.path().join("survey.laz"), &both);
    fs::copy(folder.path().join("survey.laz"), folder.path().join("copy.laz")).unwrap();
    for reference in ["survey.laz", "copy.laz"] {
        run_with_results(&with("survey.laz", reference, apart), 0);
    }
    let same = apart.replace("[7]", "[0, 7]");
    fs::remove_dir_all(folder.path().join("out")).unwrap();
    run_refused(&with("survey.laz", "survey.laz", &same), 2);
    fs::write(&pipeline, "").unwrap();
}

#[test]
fn b3_boxes_that_do_not_overlap_are_refused_before_reading_with_the_cause_that_fits() {
    let hill = hillside();
    let both = |reference: Vec<Point>| {
        let (_folder, pipeline) = site(&hill, &reference, ALL);
        let output = checked(&pipeline);
        assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
        let said = run_refused(&pipeline, 2);
        contains_all(&said, &["survey and reference do not overlap", "500000", "pipeline.yaml:2"]);
        flat(&said)
    };
    let far = both(moved(&hill, |point| point.x += 5000.0));
    assert!(far.contains("one coordinate system") && !far.contains("swapped"), "{far}");
    let swapped = both(moved(&hill, |point| (point.x, point.y) = (point.y, point.x)));
    assert!(swapped.contains("x and y of the reference seem to be swapped"), "{swapped}");
    let feet = both(moved(&hill, |point| (point.x, point.y) = (point.x / 0.3048, point.y / 0.3048)));
    assert!(feet.contains("in feet, the other in metres"), "{feet}");
}

#[test]
fn b3_nothing_compared_is_an_error_with_the_reason_that_fits() {
    let hill = hillside();
    let reason = |survey: Vec<Point>, reference: Vec<Point>, stages: &str| {
        let (_folder, pipeline) = site(&survey, &reference, stages);
        let said = flat(&run_refused(&pipeline, 1));
        assert!(said.contains("nothing was compared: ") && !said.contains("--resume"), "{said}");
        said
    };
    let no_returns = moved(&hill, |point| (point.return_number, point.number_of_returns) = (0, 0));
    let said = reason(no_returns, hill.clone(), ALL);
    assert!(said.contains("every return number of the survey is 0"), "{said}");
    let noise = moved(&hill, |point| point.classification = Classification::LowPoint);
    let said = reason(hill.clone(), noise, ALL);
    assert!(said.contains("no ground was found in the reference: 1,200 points are labelled noise"), "{said}");
    let plane = ALL.replace("compare: {}", "compare: {match: plane, within: 0.6 m}");
    let said = reason(hill.clone(), moved(&hill, |point| point.x += 0.1), &plane);
    assert!(
        said.contains("the 6 reference points within 0.6 m") && said.contains("larger `within`"),
        "{said}"
    );
    let said = reason(hill.clone(), moved(&hill, |point| point.x += 0.1), ALL);
    assert!(said.contains("no survey ground point has reference within 15 mm"), "{said}");
    let (apart, ladder) =
        (moved(&hill, |point| point.x += 0.1), ALL.replace("compare: {}", "compare: {match: plane}"));
    let said = reason(hill.clone(), apart.clone(), &ladder);
    assert!(said.contains("the 12 reference points within 480 mm") && said.contains("`within`"), "{said}");
    let facets = ALL.replace("compare: {}", "compare: {match: triangulated, longest_edge: 0.2 m}");
    let said = reason(hill.clone(), apart, &facets);
    assert!(said.contains("edges up to 0.2 m") && said.contains("larger `longest_edge`"), "{said}");
    assert!(!said.contains("within"), "{said}");
    let strips = ALL.replace("ground: {}", "select: {strips: [9]}, ground: {}");
    let said = reason(hill.clone(), moved(&hill, |point| point.z += 0.01), &strips);
    assert!(
        said.contains("`select`, entry 2 of `stages`, selects none of 1,200 points of the survey"),
        "{said}"
    );
}

#[test]
fn b4_elevations_that_headers_show_to_be_far_apart_are_refused_before_reading() {
    let hill = hillside();
    let said = |change: &dyn Fn(f64) -> f64| {
        let (_folder, pipeline) = site(&moved(&hill, |point| point.z = change(point.z)), &hill, ALL);
        assert_eq!(checked(&pipeline).status.code(), Some(2));
        flat(&run_refused(&pipeline, 2))
    };
    let feet = said(&|z| z / 0.3048);
    assert!(
        feet.contains("the elevations of the survey are about 3.28 times those of the reference"),
        "{feet}"
    );
    let metres = said(&|z| z * 0.3048);
    assert!(
        metres.contains("the elevations of the reference are about 3.28 times those of the survey"),
        "{metres}"
    );
    let geoid = said(&|z| z + 46.0);
    assert!(geoid.contains("above the reference") && geoid.contains("the size of a geoid height"), "{geoid}");
    let hundreds = said(&|z| z - 250.0);
    assert!(hundreds.contains("below the reference") && hundreds.contains("check that both"), "{hundreds}");
}

#[test]
fn b4_a_bias_beyond_anything_plausible_is_said_first_with_no_class_and_no_limit_passed() {
    let limits = "accept: [{rmse: 900 m}, {coverage: 0.1}]\n";
    for (shift, cause) in
        [(20.0, "the size of a geoid height"), (700.0, "check that both"), (-4.0, "check that both")]
    {
        // A mast in the reference as high as the survey lies, and a hole in the survey as deep: the boxes overlap.
        let hill: Vec<Point> = grid(80, 60, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect();
        let survey = moved(&hill, |point| point.z += shift);
        let mast = hill[900].clone();
        let reference = [hill, vec![Point { z: mast.z + shift, ..mast }]].concat();
        let (folder, pipeline) = site(&survey, &reference, &format!("{limits}{ALL}"));
        let out = folder.path().join("out");
        let output = try_run(&pipeline, &out, &[]);
        assert_eq!(output.status.code(), Some(1), "{}", describe(&output));
        let said = flat(&String::from_utf8_lossy(&output.stderr));
        assert!(
            said.contains("error: The bias of all returns is ") && said.to_lowercase().contains(cause),
            "{said}"
        );
        let summary: Value =
            serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap();
        assert_eq!(summary["warnings"][0]["code"], "implausible_bias", "{}", summary["warnings"]);
        assert!((summary["all"]["median"].as_f64().unwrap() - shift).abs() < 0.01);
        for group in summary["standards"]["groups"].as_array().unwrap() {
            assert!(group["class_cm"].is_null() && group["quality_level"].is_null(), "{group}");
        }
        assert!(summary["accept"].as_array().unwrap().iter().all(|limit| limit["verdict"] != "met"));
        let stdout = flat(&String::from_utf8_lossy(&output.stdout));
        let first = stdout.find("WARNING: The bias of all returns").expect(&stdout);
        assert!(stdout.find("Warning: ").is_none_or(|other| first < other), "{stdout}");
        let page = fs::read_to_string(out.join("report.html")).unwrap();
        for text in [&stdout, &page] {
            assert!(!text.contains("-cm class") && !text.contains("1 PASS"), "{text}");
        }
        assert!(page.find("The bias of all returns").unwrap() < page.find("<table").unwrap());
    }
}

#[test]
fn b5_a_missing_vertical_unit_is_asked_for_with_what_each_would_make_of_the_elevations() {
    let survey = moved(&hillside(), |point| point.z *= 3.2808);
    let (folder, _) = site(&survey, &hillside(), ALL);
    let text = format!(
        "survey: {{files: [survey.laz], units: {{horizontal: m}}}}\nreference: {{files: [reference.laz], units: m}}\n{ALL}"
    );
    let said = run_refused(&file(folder.path(), &text), 2);
    contains_all(
        &said,
        &[
            "survey.laz does not state its vertical unit",
            "`units: {vertical: …}`",
            "m, ft or ftUS",
            "between 983.3 and 986.8 m if they are in metres, between 299.7 and 300.8 m if in feet",
            "those of the reference lie between 299.7 and 300.8 m",
        ],
    );
    assert!(!said.contains("vertical: ft") && !said.contains("vertical: m}"), "{said}");
    let inspected = echograde().arg("inspect").arg(folder.path().join("survey.laz")).output().unwrap();
    let text = flat(&String::from_utf8_lossy(&inspected.stdout));
    assert!(text.contains("with m, ft or ftUS") && !text.contains("vertical: ft"), "{text}");
}

#[test]
fn b6_a_cloud_too_thin_for_the_cells_of_the_filter_is_warned_of() {
    // 0.0003 points a square metre, half of them 10 m above the ground: the filter takes all for ground.
    let mut random = Normal::new(6);
    let thin: Vec<Point> = (0..300)
        .map(|i| {
            let (x, y) = (random.uniform() * 1000.0, random.uniform() * 1000.0);
            point(x, y, 300.0 + f64::from(i % 2) * 10.0)
        })
        .collect();
    let reference = moved(&thin, |point| point.z = 300.01);
    let (_folder, pipeline) = site(&thin, &reference, ALL);
    let output = try_run(&pipeline, &pipeline.with_file_name("out"), &[]);
    let summary: Value =
        serde_json::from_str(&fs::read_to_string(pipeline.with_file_name("out/summary.json")).unwrap())
            .unwrap();
    let thin_of = |summary: &Value, cloud: &str| {
        let warnings = summary["warnings"].as_array().unwrap().clone();
        let of_code = warnings.into_iter().filter(|warning| warning["code"] == "too_few_for_filter");
        of_code
            .filter(|warning| {
                warning["text"].as_str().unwrap().starts_with(&format!("The {cloud} is too thin"))
            })
            .count()
    };
    assert!(summary["survey"]["ground"].as_u64().unwrap() > 290, "{}", summary["survey"]);
    assert_eq!(
        [thin_of(&summary, "survey"), thin_of(&summary, "reference")],
        [1, 1],
        "{}",
        summary["warnings"]
    );
    assert!(
        output.status.code() == Some(1),
        "a bias of 5 m is beyond anything plausible: {}",
        describe(&output)
    );
    // Cells of the spacing: no warning, whatever the tiles.
    for (more, expected) in [("cell: 60 m, window_max: 400 m, fill_max: 100 m", 0), ("", 1)] {
        for tile in ["auto", "130 m"] {
            let text = fs::read_to_string(&pipeline).unwrap();
            let text = text.replace("ground: {}", &format!("ground: {{{more}}}"));
            let other = pipeline.with_file_name("other.yaml");
            fs::write(&other, text.replace("read: {}", &format!("read: {{tile: {tile}}}"))).unwrap();
            let out = pipeline.with_file_name("other");
            let output = try_run(&other, &out, &["--replace"]);
            assert!(out.exists(), "{}", describe(&output));
            let summary: Value =
                serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap();
            assert_eq!(thin_of(&summary, "survey"), expected, "{more} {tile}");
        }
    }
}

#[test]
fn b6_low_outliers_that_the_filter_takes_for_ground_are_warned_of_with_the_remedy() {
    // Over 30 m × 30 m: 400 pulses a square metre, of which one in 2,000 gives a point 3 to 12 m below the ground.
    let folder = TempDir::new().unwrap();
    let reference: Vec<Point> = grid(300, 300, 0.1).map(|(x, y)| point(x, y, slope(x, y))).collect();
    write_plain(&folder.path().join("reference.laz"), &reference);
    let run = |outliers: f64, ground: &str| {
        write_plain(&folder.path().join("survey.laz"), &survey_over(30.0, 400.0, outliers));
        let text = format!(
            "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m}}\nstages: [read: {{}}, \
             ground: {{{ground}}}, checkpoints: {{per_return: all}}, compare: {{match: plane, within: 0.3 m}}, summarise: {{}}]\n"
        );
        let pipeline = file(folder.path(), &text);
        let out = folder.path().join("out");
        let output = try_run(&pipeline, &out, &["--replace"]);
        assert!(out.exists(), "{}", describe(&output));
        let summary: Value =
            serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap();
        let low =
            summary["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "low_outliers").cloned();
        (summary["survey"]["ground"].as_f64().unwrap() / summary["points"].as_f64().unwrap(), low)
    };
    let (ground, warning) = run(1.0 / 2000.0, "");
    assert!(ground < 0.7, "the filter is not broken: {ground} of the points are ground");
    let text = warning.expect("a warning")["text"].as_str().unwrap().to_string();
    assert!(text.contains("`cell`") && text.contains("class 7"), "{text}");
    // The remedy that it offers, and a site without them.
    let (ground, warning) = run(1.0 / 2000.0, "cell: 0.1 m, window_max: 5 m");
    assert!(ground > 0.98 && warning.is_none(), "{ground} {warning:?}");
    let (ground, warning) = run(0.0, "");
    assert!(ground > 0.999 && warning.is_none(), "{ground} {warning:?}");
}

#[test]
fn b7_keys_and_values_are_named_as_what_they_are() {
    let (folder, _) = site(&hillside(), &moved(&hillside(), |point| point.z += 0.01), ALL);
    let said = |more: &str| {
        let text = format!(
            "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m}}\n{more}"
        );
        flat(&run_refused(&file(folder.path(), &text), 2))
    };
    let class = said("accept: [{class: 0 m}]\n");
    assert!(class.contains("`class` of entry 1 of `accept` is `0 m`") && !class.contains("stage"), "{class}");
    for number in [0, 16] {
        let said = said(&format!("accept: [{{group: {{return: {number}}}, rmse: 5 cm}}]\n"));
        assert!(said.contains("expected a return number from 1 to 15"), "{said}");
    }
    let twice = said(&ALL.replace("summarise: {}", "summarise: {by: [return, return]}"));
    assert!(twice.contains("`by` of stage `summarise` names `return` twice"), "{twice}");
}

#[cfg(unix)]
#[test]
fn b7_file_names_that_are_not_utf8_and_brackets_in_names_are_handled() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let (folder, _) = site(&hillside(), &moved(&hillside(), |point| point.z += 0.01), ALL);
    let odd = |start: &[u8]| folder.path().join(OsStr::from_bytes(&[start, b"\xff"].concat()));
    let text = |survey: &str| {
        format!(
            "survey: {{files: ['{survey}'], units: m}}\nreference: {{files: [reference.laz], units: m}}\n{ALL}"
        )
    };
    // A name that no pattern asks for is no matter; one that a pattern asks for is named.
    fs::copy(folder.path().join("survey.laz"), odd(b"other.laz")).unwrap();
    run_with_results(&file(folder.path(), &text("survey*.laz")), 0);
    fs::copy(folder.path().join("survey.laz"), odd(b"survey-2.laz")).unwrap();
    let output = checked(&file(folder.path(), &text("survey*")));
    let said = refused(&output, 2);
    contains_all(&said, &["the name `survey-2.laz", "is not UTF-8", "rename it"]);
    // Folders of such a name work.
    let inner = odd(b"folder");
    fs::create_dir(&inner).unwrap();
    for name in ["survey.laz", "reference.laz"] {
        fs::copy(folder.path().join(name), inner.join(name)).unwrap();
    }
    let (summary, _) = run_with_results(&file(&inner, &text("surv*.laz")), 0);
    assert_eq!(summary["all"]["compared"], 1200);
    // A bracket.
    let bracket = folder.path().join("flight [2024]");
    fs::create_dir(&bracket).unwrap();
    fs::copy(folder.path().join("survey.laz"), bracket.join("survey.laz")).unwrap();
    let said = refused(&checked(&file(folder.path(), &text("flight [2024]/*.laz"))), 2);
    contains_all(
        &said,
        &["no file matches", "`[` begins a set of characters", "write `flight [[]2024]/*.laz`"],
    );
    let right = file(folder.path(), &text("flight [[]2024]/*.laz"));
    assert!(checked(&right).status.success(), "{}", describe(&checked(&right)));
}

#[cfg(target_os = "linux")]
#[test]
fn b7_a_place_where_no_folder_can_be_made_is_said_to_be_that() {
    let (_folder, pipeline) = site(&hillside(), &moved(&hillside(), |point| point.z += 0.01), ALL);
    let said = refused(&try_run(&pipeline, Path::new("/proc/x"), &[]), 1);
    contains_all(&said, &["/proc/x: no folder can be made there", "--out"]);
    assert!(!said.contains("when the run began"), "{said}");
}

#[test]
fn b7_inspect_says_what_is_odd_about_scale_times_and_systems() {
    let folder = TempDir::new().unwrap();
    let inspect = |points: &[Point], stored: &Stored, change: &dyn Fn(&mut Vec<u8>)| {
        let path = folder.path().join("cloud.las");
        write(&path, points, stored);
        let mut bytes = fs::read(&path).unwrap();
        change(&mut bytes);
        fs::write(&path, bytes).unwrap();
        let output = echograde().arg("inspect").arg(&path).output().unwrap();
        assert!(output.status.success(), "{}", describe(&output));
        flat(&String::from_utf8_lossy(&output.stdout))
    };
    let hill = hillside();
    let nothing: &dyn Fn(&mut Vec<u8>) = &|_| ();
    let said = inspect(&hill, &Stored { z_scale: 1.0, ..Stored::SILENT }, nothing);
    assert!(said.contains("the scale factor of z is 1: coordinates are rounded"), "{said}");
    let odd = moved(&hill, |point| {
        point.gps_time = Some(if point.x < CORNER.0 + 0.5 { f64::NAN } else { 300_000_000.0 });
    });
    // The header's flag of adjusted standard time is taken away.
    let said = inspect(&odd, &Stored::SILENT, &|bytes| bytes[6] &= !1);
    assert!(said.contains("GPS time is not a number: 30 points"), "{said}");
    assert!(said.contains("seconds of the week (0 to 604,800"), "{said}");
    let quiet = inspect(&hill, &Stored::SILENT, nothing);
    for word in ["scale factor", "GPS time is not", "seconds of the week"] {
        assert!(!quiet.contains(word), "{word}: {quiet}");
    }
    // WKT without a code, flagged, beside keys with one.
    let mut stored = Stored::with_system_of("metre.wkt");
    let wkt = stored.wkt.take().unwrap();
    let without = wkt.replace(",\nAUTHORITY[\"EPSG\",\"25832\"]", "");
    assert!(without.len() < wkt.len());
    let path = folder.path().join("keys.las");
    gate::write_with_keys(&path, &hill, &without, 25832);
    let output = echograde().arg("inspect").arg(&path).output().unwrap();
    let said = flat(&String::from_utf8_lossy(&output.stdout));
    assert!(said.contains("the EPSG code 25832 comes from GeoTIFF keys"), "{said}");
}
