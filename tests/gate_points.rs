//! The gate against nonsense, what only the points show: damage, copies, clouds too thin, outliers: always with file, place and
//! remedy.

mod common;
#[path = "common/gate.rs"]
mod gate;

use common::made::{grid, point, slope, write_plain};
use common::random::Normal;
use common::{contains_all, describe, echograde, try_run};
use echograde::cloud::LasFile;
use gate::files::with;
use gate::{
    ALL, checked, demo, demo_file, file, hillside, moved, run_refused, run_with_results, site, survey_over,
};
use las::Point;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

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
    fs::write(&path, with(&whole, at, &0x0050_0000i32.to_le_bytes())).unwrap();
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
        fs::write(&path, with(&whole, at, &(stated - less).to_le_bytes())).unwrap();
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
    let summary = common::summary(&pipeline.with_file_name("out"));
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
            let summary = common::summary(&out);
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
        let summary = common::summary(&out);
        let low = common::warning(&summary, "low_outliers").map(str::to_string);
        (summary["survey"]["ground"].as_f64().unwrap() / summary["points"].as_f64().unwrap(), low)
    };
    let (ground, warning) = run(1.0 / 2000.0, "");
    assert!(ground < 0.7, "the filter is not broken: {ground} of the points are ground");
    let text = warning.expect("a warning");
    assert!(text.contains("`cell`") && text.contains("class 7"), "{text}");
    // The remedy that it offers, and a site without them.
    let (ground, warning) = run(1.0 / 2000.0, "cell: 0.1 m, window_max: 5 m");
    assert!(ground > 0.98 && warning.is_none(), "{ground} {warning:?}");
    let (ground, warning) = run(0.0, "");
    assert!(ground > 0.999 && warning.is_none(), "{ground} {warning:?}");
}
