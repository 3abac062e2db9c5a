use std::path::{Path, PathBuf};

use super::*;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

#[test]
fn counts_of_an_open_cloud() {
    let found = Inspection::of(data("autzen_trim.laz")).unwrap();
    assert_eq!((found.points, found.points_stated), (110_000, 110_000));
    let returns: Vec<u64> = found.returns.iter().map(|count| count.points).collect();
    assert_eq!(returns, [99_257, 9_021, 1_623, 99]);
    assert_eq!(found.classes.iter().find(|count| count.class == 2).unwrap().points, 26_107);
    assert_eq!(found.units.horizontal, Some(Unit::Foot));
    assert_eq!(found.units.vertical, None);
    let bounds = found.bounds.unwrap();
    assert_eq!(bounds.min, [636001.76, 848935.2, 406.26]);
    assert_eq!(bounds.max, [637179.22, 849497.9, 520.51]);
    let remedy = "the unit of z is not reliably stated: state it beside `files:` in the pipeline file as `units: \
                  {vertical: …}`, with m, ft or ftUS";
    assert!(found.problems.iter().any(|problem| problem == remedy), "{:?}", found.problems);
}

#[test]
fn contradictory_units_are_shown_but_not_used() {
    let found = Inspection::of(data("1_4_w_evlr.laz")).unwrap();
    assert_eq!(found.units.vertical, None);
    assert_eq!(found.units.vertical_stated, "US survey feet (contradictory)");
    assert!(found.problems.iter().any(|problem| problem.contains("vertical unit is contradictory")));
    assert!(found.density_per_ft2.is_some());
}

#[test]
fn without_a_coordinate_system_nothing_is_said_in_metres() {
    let found = Inspection::of(data("simple.las")).unwrap();
    assert_eq!((found.density_per_m2, found.crs.clone()), (None, None));
    assert!(found.density_per_square_unit.is_some());
    assert!(
        found
            .problems
            .iter()
            .any(|problem| problem.contains("the units of x, y and z are not reliably stated"))
    );
    assert!(found.to_string().contains("points per square unit (unit of the file unknown)"));
}

#[test]
fn json_is_one_object_for_one_file_and_a_list_for_several() {
    let path = data("simple.copc.laz");
    let one: serde_json::Value =
        serde_json::from_str(&inspect(&[Location::from(&path)], true).unwrap()).unwrap();
    assert_eq!(one["returns"][1]["points"], 114);
    assert_eq!(one["units"]["vertical"], "ftUS");
    assert_eq!(one["problems"], serde_json::json!([]));
    let two: serde_json::Value =
        serde_json::from_str(&inspect(&[Location::from(&path), path.into()], true).unwrap()).unwrap();
    assert_eq!(two[1], one);
}

/// A file with one changed field of its header, made of `simple.las`.
fn problems_of(at: usize, new: &[u8]) -> String {
    let mut bytes = std::fs::read(data("simple.las")).unwrap();
    bytes[at..at + new.len()].copy_from_slice(new);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("changed.las");
    std::fs::write(&path, bytes).unwrap();
    Inspection::of(&path).unwrap().problems.join("\n")
}

#[test]
fn a_header_that_disagrees_with_its_points_is_reported() {
    let found = problems_of(111, &900u32.to_le_bytes());
    assert!(
        found.contains(
            "the header counts 900 + 114 + 21 + 5 points of returns 1 to 4, but the file holds 925 + 114 + 21 + 5"
        ),
        "{found}"
    );
    let found = problems_of(179, &640000f64.to_le_bytes());
    assert!(
        found.contains("x from 635619.85 to 640000.00, but the points range from 635619.85 to 638982.55"),
        "{found}"
    );
    assert!(problems_of(6, &[8, 0]).contains("return numbers are synthetic"));
    let offset = 227;
    let found = problems_of(offset + 14, &[0]);
    assert!(
        found.contains("invalid return number (0, or above the number of returns): 1 point, left out"),
        "{found}"
    );
}

#[test]
fn duplicates_are_counted() {
    let bytes = std::fs::read(data("simple.las")).unwrap();
    let second = 227 + 34;
    let found = problems_of(second, &bytes[227..second]);
    assert!(found.contains("duplicates (same position, time and return number): 1 point"), "{found}");
}
