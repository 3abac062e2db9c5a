//! A delivered classification held against the ground filter in one run (`ground: {from: classes, cross_check: true}`), through
//! the real program: against the dz that the clouds were made with, and against a run in which the filter finds the ground.

mod common;

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};

use common::delivered::{Delivered, FLAT, Made, Site, agrees};
use common::made::CORNER;
use common::{echograde, number, refused, run};
use serde_json::{Value, json};
use tempfile::TempDir;

/// All of the reference is ground.
const REFERENCE: &str = "ground: {cloud: reference, from: classes}";
const REST: &str = "checkpoints: {per_return: all, list: all, spacing: 1 mm}, compare: {match: nearest, within: 1 mm}, \
                    summarise: {}";

fn pipeline(folder: &Path, name: &str, unit: &str, survey: &str, rest: &str) -> PathBuf {
    let path = folder.join(format!("{name}.yaml"));
    let text = format!(
        "survey: {{files: [survey.laz], units: {unit}}}\nreference: {{files: [reference.laz], units: {unit}}}\n\
         stages: [read: {{}}, ground: {{cloud: survey, cell: 1 m, {survey}}}, {REFERENCE}, {rest}]\n"
    );
    fs::write(&path, text).unwrap();
    path
}

fn made(delivered: &Delivered) -> (TempDir, Site) {
    let (folder, site) = (TempDir::new().unwrap(), delivered.make());
    site.write(folder.path(), false, 2);
    (folder, site)
}

/// Cross-checks a site with these options of the filter, and has the filter alone at work on it.
fn both_ways(folder: &Path, unit: &str, filter: &str) -> (Value, common::RunResult) {
    let crossed = format!("from: classes, cross_check: true, {filter}");
    let crossed = run(&pipeline(folder, "crossed", unit, &crossed, REST), &[]).summary();
    (crossed, run(&pipeline(folder, "filtered", unit, filter, REST), &[]))
}

/// A point by its place, elevation (thousandths of the unit) and return.
type Key = ([i64; 2], i64, u8);

fn key(one: &Made) -> Key {
    (one.at, one.z, one.number)
}

/// The ground of the filter that has reference.
fn listed(found: &common::RunResult) -> HashMap<Key, ()> {
    let text = found.text("checkpoints.csv");
    let mut lines = csv::Reader::from_reader(text.as_bytes());
    let columns = lines.headers().unwrap().clone();
    let at = |name: &str| columns.iter().position(|column| column == name).unwrap();
    let places = ["x", "y", "z", "return"].map(at);
    let lines = lines.records().map(|line| {
        let line = line.unwrap();
        let [x, y, z, number] = places.map(|place| line[place].parse::<f64>().unwrap());
        let thousandths = |v: f64| (v * 1000.0).round() as i64;
        (([thousandths(x - CORNER.0), thousandths(y - CORNER.1)], thousandths(z), number as u8), ())
    });
    lines.collect()
}

fn row(summary: &Value, of: Option<u8>) -> Value {
    let found = &summary["cross_check"];
    let Some(number) = of else { return found["all"].clone() };
    let mut rows = found["returns"].as_array().unwrap().iter();
    rows.find(|row| row["return"] == number).unwrap_or_else(|| panic!("{found}")).clone()
}

#[test]
fn each_set_has_the_points_and_the_dz_that_it_was_made_with_in_metres_and_feet() {
    // About a point per square unit or nine, slopes of 2 to 40 %; classes of which much is wrong.
    let shrubs = Delivered { wrong: [0.2, 0.3, 0.5], ..FLAT };
    for (delivered, unit, filter) in [
        (shrubs, "m", "dh_initial: 0.3 m"),
        (Delivered { seed: 2, slope: 0.4, strips: 2, ..shrubs }, "m", "dh_initial: 0.6 m"),
        (Delivered { seed: 3, side: 50.0, pulses: 22_000, slope: 0.1, ..shrubs }, "ft", "dh_initial: 0.3 ft"),
        (Delivered { seed: 4, side: 300.0, slope: 0.15, ..shrubs }, "ftUS", "dh_initial: 1 ft, dh_max: 3 ft"),
    ] {
        let what = format!("seed {}, {unit}", delivered.seed);
        let (folder, site) = made(&delivered);
        let (crossed, filtered) = both_ways(folder.path(), unit, filter);
        let by_filter = listed(&filtered);
        let filtered = filtered.summary();
        for of in [None, Some(1), Some(2), Some(3)] {
            let (what, found) = (format!("{what}, {of:?}"), row(&crossed, of));
            let dz = |chosen: &dyn Fn(bool, bool) -> bool| {
                site.dz(|one| {
                    let accepted = by_filter.contains_key(&key(one));
                    of.is_none_or(|number| number == one.number) && chosen(one.class == 2, accepted)
                })
            };
            for (set, chosen) in [
                ("both", &(|class, filter| class && filter) as &dyn Fn(bool, bool) -> bool),
                ("classes_only", &|class, filter| class && !filter),
                ("filter_only", &|class, filter| !class && filter),
                ("classes", &|class, _| class),
                ("filter", &|_, filter| filter),
            ] {
                let (found, dz, what) = (&found[set], dz(chosen), format!("{what}, {set}"));
                match dz.len() {
                    0 | 1 => assert_eq!((&found["compared"], &found["sd"]), (&json!(dz.len()), &Value::Null)),
                    _ => agrees(found, &dz, &what),
                }
            }
            // The ground of either side is that of a run which rests on it alone, to the last digit.
            let statistics = |summary: &Value| match of {
                None => summary["all"].clone(),
                Some(number) => common::of_return(summary, u64::from(number)).clone(),
            };
            for (side, alone) in [("classes", statistics(&crossed)), ("filter", statistics(&filtered))] {
                assert_eq!(found[side]["points"], alone["ground"], "{what}, {side}");
                for key in ["compared", "bias", "sd", "rmse"] {
                    assert_eq!(found[side][key], alone[key], "{what}, {side}, {key}");
                }
            }
            // Each point once.
            let points = |set: &str| found[set]["points"].as_u64().unwrap();
            assert_eq!(points("both") + points("classes_only"), points("classes"), "{what}");
            assert_eq!(points("both") + points("filter_only"), points("filter"), "{what}");
            let of_return = |one: &Made| of.is_none_or(|number| number == one.number);
            let all = site.count(|one| one.class != 7 && of_return(one));
            let neither = found["neither"].as_u64().unwrap();
            assert_eq!(points("classes") + points("filter_only") + neither, all, "{what}");
        }
        // Shrubs that were classified as ground stand out.
        let first = &row(&crossed, Some(1));
        assert!(
            number(&first["classes_only"], "bias") > number(&first["both"], "bias") + 0.15,
            "{what}: {first}"
        );
        assert_eq!(filtered["cross_check"], Value::Null);
    }
}

#[test]
fn draws_selects_and_areas_apply_as_they_do_to_the_comparisons() {
    let (folder, _) = made(&Delivered { wrong: [0.2, 0.3, 0.5], ..FLAT });
    let of = |name: &str, rest: &str, more: &str| {
        let file = pipeline(folder.path(), name, "m", "from: classes, cross_check: true", rest);
        let text = fs::read_to_string(&file).unwrap();
        fs::write(&file, format!("{text}{more}")).unwrap();
        run(&file, &[]).summary()
    };
    let all = of("all", REST, "");
    // Every point counts, however many are drawn.
    let drawn = of("drawn", &REST.replace("per_return: all, list: all", "per_return: 50"), "");
    assert_eq!((&drawn["cross_check"], &drawn["returns"][0]["compared"]), (&all["cross_check"], &json!(50)));
    // What is not selected after the ground filter is in no set.
    let selected = of("selected", &format!("select: {{cloud: survey, returns: [2, 3]}}, {REST}"), "");
    let (found, expected) =
        (&selected["cross_check"]["returns"], all["cross_check"]["returns"].as_array().unwrap());
    assert_eq!(*found, json!(expected[1..]));
    // Points in areas are counted, and not compared.
    let corner = |x: f64, y: f64| json!([CORNER.0 + x, CORNER.1 + y]);
    let ring =
        [(10.0, 10.0), (60.0, 10.0), (60.0, 90.0), (10.0, 90.0), (10.0, 10.0)].map(|(x, y)| corner(x, y));
    let area = json!({"type": "Polygon", "coordinates": [ring]});
    fs::write(folder.path().join("pond.geojson"), area.to_string()).unwrap();
    let left_out = of("left-out", REST, "exclude: [{area: pond.geojson, why: pond, system: same}]\n");
    let (found, before) = (row(&left_out, None), row(&all, None));
    assert_eq!(found["classes"]["compared"], left_out["all"]["compared"]);
    assert!(found["both"]["compared"].as_u64() < before["both"]["compared"].as_u64());
    assert_eq!(found["both"]["points"], before["both"]["points"]);
    // Without a reference, and against a list of surveyed points, there are counts alone.
    let path = folder.path().join("alone.yaml");
    let alone = "survey: {files: [survey.laz], units: m}\nstages: [read: {}, ground: {from: classes, cross_check: true, cell: 1 m}, \
                 summarise: {}]\n";
    fs::write(&path, alone).unwrap();
    let list = folder.path().join("list.yaml");
    let points = (0..9).map(|i| {
        let along = f64::from(i) * 15.0 + 8.0;
        format!("P{i},{},{},310\n", CORNER.0 + along, CORNER.1 + along)
    });
    let points = format!("name,easting,northing,elevation\n{}", points.collect::<String>());
    fs::write(folder.path().join("points.csv"), points).unwrap();
    let text = "survey: {files: [survey.laz], units: m}\nreference: {points: points.csv}\nstages: [read: {}, \
                ground: {cloud: survey, from: classes, cross_check: true, cell: 1 m}, compare: {match: triangulated}, \
                summarise: {}]\n";
    fs::write(&list, text).unwrap();
    for file in [path, list] {
        let found = row(&run(&file, &[]).summary(), None);
        assert_eq!(found["classes_only"]["points"], before["classes_only"]["points"]);
        assert_eq!((&found["both"]["compared"], &found["both"]["bias"]), (&json!(0), &Value::Null));
    }
}

#[test]
fn page_terminal_and_resolved_file_say_so() {
    let (folder, _) = made(&Delivered { wrong: [0.2, 0.3, 0.5], ..FLAT });
    let first = run(
        &pipeline(folder.path(), "first", "m", "from: classes, cross_check: true, dh_initial: 0.25 m", REST),
        &[],
    );
    let shown = first.stdout.replace('\n', " ");
    assert!(shown.contains("Cross-check of the classification: Of "), "{shown}");
    assert!(shown.contains("class 2 that the filter refuses +"), "{shown}");
    let page = first.text("report.html");
    assert!(
        page.contains("<h2>Cross-check of the classification</h2>")
            && page.contains("return 2, class 2 alone")
    );
    assert!(
        page.contains("For the cross-check alone, ground of the survey: progressive morphological filter")
    );
    let again = folder.path().join("again.yaml");
    fs::write(&again, first.text("pipeline.yaml")).unwrap();
    assert_eq!(first.same_bytes(), run(&again, &[]).same_bytes());
}

#[test]
fn what_cannot_be_held_against_the_filter_is_told_before_a_point_is_read() {
    let (folder, _) = made(&FLAT);
    let says = |survey: &str| {
        let file = pipeline(folder.path(), "wrong", "m", survey, REST);
        refused(&echograde().arg("check").arg(&file).output().unwrap(), 2)
    };
    let error = says("cross_check: true");
    assert!(error.contains("`cross_check` of stage `ground` does nothing with `from: filter`"), "{error}");
    assert!(error.contains("wrong.yaml:3:") && error.contains("write `from: classes`"), "{error}");
    let error = says("from: classes, cross_check: yes please");
    assert!(error.contains("cross_check"), "{error}");
    let error = says("from: classes, cross_check: true, dh_initial: 2 m, dh_max: 1 m");
    assert!(error.contains("`dh_initial` 2 m is above `dh_max` 1 m"), "{error}");
    let error = says("from: classes, dh_initial: 0.2 m");
    assert!(
        error.contains("does nothing with `from: classes`") && error.contains("`cross_check: true`"),
        "{error}"
    );
    let file = pipeline(folder.path(), "wrong", "m", "", REST);
    let text = fs::read_to_string(&file)
        .unwrap()
        .replace(REFERENCE, "ground: {cloud: reference, from: classes, cross_check: true}");
    fs::write(&file, text).unwrap();
    let error = refused(&echograde().arg("check").arg(&file).output().unwrap(), 2);
    assert!(error.contains("only classes of the survey are held against the filter"), "{error}");
}
