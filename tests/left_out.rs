//! Areas left out of the comparisons, through the real program; and areas against those of shapely
//! (`tests/oracle/area_values.json`).

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use common::made::{self, CORNER, Stored, grid, point, slope};
use common::{echograde, number, refused, run, run_in_parts, try_run};
use echograde::areas::{AreaFile, AreaSystem};
use echograde::cloud::Crs;
use echograde::units::Unit;
use serde_json::{Value, json};
use tempfile::TempDir;

/// A survey 20 mm above the reference, but 1 m above it on a "bridge" from x = 4 m to 8 m.
fn site(stored: &Stored) -> TempDir {
    let folder = TempDir::new().unwrap();
    let raised = |by: fn(f64) -> f64| -> Vec<_> {
        grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + by(x))).collect()
    };
    let on_bridge = |x: f64| if (4.0..8.0).contains(&x) { 0.25 } else { 0.02 };
    made::write(&folder.path().join("survey.laz"), &raised(on_bridge), stored);
    made::write(&folder.path().join("reference.laz"), &raised(|_| 0.0), stored);
    folder
}

/// A box on the ground, counted from the corner of the site.
fn square((x0, y0): (f64, f64), (x1, y1): (f64, f64)) -> Value {
    let ring: Vec<[f64; 2]> = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
        .map(|(x, y)| [CORNER.0 + x, CORNER.1 + y])
        .to_vec();
    json!({"type": "Polygon", "coordinates": [ring]})
}

fn write_area(folder: &Path, name: &str, geometry: &Value) {
    fs::write(folder.join(name), geometry.to_string()).unwrap();
}

fn pipeline(folder: &Path, exclude: &str, tile: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text = format!(
        "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m}}\nexclude: {exclude}\n\
         stages: [read: {{tile: {tile}}}, ground: {{}}, checkpoints: {{per_return: all, spacing: 1 m}}, \
         compare: {{within: 15 mm}}, summarise: {{}}]\n"
    );
    fs::write(&path, text).unwrap();
    path
}

const BRIDGE: ((f64, f64), (f64, f64)) = ((4.0, -1.0), (8.0, 20.0));

#[test]
fn an_area_takes_its_points_out_of_the_comparisons_and_out_of_nothing_else() {
    let folder = site(&Stored::SILENT);
    write_area(folder.path(), "bridge.geojson", &square(BRIDGE.0, BRIDGE.1));
    let with = run(
        &pipeline(folder.path(), "[{area: bridge.geojson, why: bridge deck, system: same}]", "50 m"),
        &[],
    );
    let without = run(&pipeline(folder.path(), "[]", "50 m"), &[]).summary();
    let summary = with.summary();
    // 8 columns of 30 rows.
    assert_eq!(
        summary["excluded"],
        json!([{"area": "bridge.geojson", "why": "bridge deck", "survey": 240, "reference": 240}])
    );
    assert_eq!(summary["all"]["compared"], 1200 - 240);
    assert!((number(&summary["all"], "bias") - 0.02).abs() < 1e-9, "{}", summary["all"]);
    assert_eq!(without["excluded"], json!([]));
    assert_eq!(without["all"]["compared"], 1200);
    // They are still points read, and ground.
    for key in ["survey", "reference", "points"] {
        assert_eq!(summary[key], without[key], "{key}");
    }
    assert_eq!(summary["all"]["ground"], without["all"]["ground"]);
    assert!(
        with.stdout.contains("Left out of the comparisons: bridge.geojson (bridge deck): 240 ground points")
    );
    let page = with.text("report.html");
    assert!(page.contains("Areas left out of the comparisons") && page.contains("bridge deck"));
    // No checkpoint lies in it.
    let csv = with.text("checkpoints.csv");
    let x = |line: &str| line.split(',').next().unwrap().parse::<f64>().unwrap() - CORNER.0;
    assert!(csv.lines().skip(1).count() > 100);
    assert!(csv.lines().skip(1).all(|line| !(4.0..8.0).contains(&x(line))));
    let manifest = common::manifest(&with.out);
    assert_eq!(manifest["areas"][0]["sha256"].as_str().unwrap().len(), 64);
}

#[test]
fn each_point_counts_under_the_first_area_and_clouds_are_chosen() {
    let folder = site(&Stored::SILENT);
    write_area(folder.path(), "a.geojson", &square((0.0, 0.0), (6.0, 15.0)));
    write_area(folder.path(), "b.geojson", &square((4.0, 0.0), (8.0, 15.0)));
    write_area(folder.path(), "c.geojson", &square((10.0, 0.0), (12.0, 15.0)));
    let exclude = "[{area: a.geojson, why: works, system: same, cloud: survey}, \
                   {area: b.geojson, why: deck, system: same}, \
                   {area: c.geojson, why: a parked lorry, system: same, cloud: reference}]";
    let summary = run(&pipeline(folder.path(), exclude, "50 m"), &[]).summary();
    let taken: Vec<(u64, u64)> = summary["excluded"]
        .as_array()
        .unwrap()
        .iter()
        .map(|area| (area["survey"].as_u64().unwrap(), area["reference"].as_u64().unwrap()))
        .collect();
    assert_eq!(taken, [(360, 0), (120, 240), (0, 120)]);
    assert_eq!(summary["all"]["compared"], 1200 - 480 - 120);
}

#[test]
fn areas_that_leave_nothing_are_an_error_that_says_so() {
    let folder = site(&Stored::SILENT);
    write_area(folder.path(), "all.geojson", &square((-5.0, -5.0), (50.0, 50.0)));
    let file =
        pipeline(folder.path(), "[{area: all.geojson, why: a, system: same, cloud: reference}]", "50 m");
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 1);
    assert!(
        error.contains("the areas of `exclude` hold all 1,200 ground points of the reference"),
        "{error}"
    );
}

#[test]
fn results_are_the_same_over_tiles_and_threads() {
    let folder = site(&Stored::SILENT);
    write_area(folder.path(), "bridge.geojson", &square((3.9, 2.2), (8.1, 11.7)));
    write_area(folder.path(), "other.geojson", &square((7.0, 5.0), (16.0, 9.0)));
    let exclude = "[{area: bridge.geojson, why: deck, system: same, cloud: reference}, \
                   {area: other.geojson, why: works, system: same}]";
    let with = |tile: &str, threads: &str| -> BTreeMap<&str, String> {
        run(&pipeline(folder.path(), exclude, tile), &["--threads", threads]).same_bytes()
    };
    let first = with("50 m", "1");
    for (tile, threads) in [("7 m", "2"), ("10 m", "1"), ("23 m", "3")] {
        assert_eq!(with(tile, threads), first, "{tile}");
    }
    assert_eq!(run_in_parts(&pipeline(folder.path(), exclude, "7 m"), 3).same_bytes(), first, "three parts");
}

#[test]
fn a_resumed_run_sees_that_an_area_has_changed() {
    let folder = TempDir::new().unwrap();
    let file = common::slow_pipeline(folder.path(), &common::root().join("demo-data"));
    let text = fs::read_to_string(&file).unwrap();
    let exclude = "exclude: [{area: works.geojson, why: works, system: same}]\n";
    fs::write(&file, exclude.to_string() + &text).unwrap();
    let area = |east: f64| {
        let (x, y) = (400_050.0, 6_100_050.0);
        json!({"type": "Polygon", "coordinates": [[[x, y], [x + east, y], [x + east, y + 20.0], [x, y + 20.0], [x, y]]]})
    };
    write_area(folder.path(), "works.geojson", &area(20.0));
    let out = folder.path().join("out");
    let mut working = common::Working::start(&file, &out, &[]);
    working.wait_for_tiles();
    working.kill();
    write_area(folder.path(), "works.geojson", &area(21.0));
    let error = refused(&try_run(&file, &out, &["--resume"]), 1);
    assert!(error.contains("works.geojson"), "{error}");
}

#[test]
fn what_cannot_be_known_of_the_system_is_refused_with_the_way_on() {
    let folder = site(&Stored::with_system_of("metre.wkt"));
    let says = |name: &str, geometry: &Value, more: &str| {
        write_area(folder.path(), name, geometry);
        let file = pipeline(folder.path(), &format!("[{{area: {name}, why: a{more}}}]"), "50 m");
        refused(&echograde().arg("check").arg(&file).output().unwrap(), 2)
    };
    let bridge = square(BRIDGE.0, BRIDGE.1);
    let with_crs = |name: &str| {
        let mut with = json!({"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": bridge}]});
        with["crs"] = json!({"type": "name", "properties": {"name": name}});
        with
    };
    let error = says("a.geojson", &bridge, "");
    assert!(
        error.contains("longitude and latitude (RFC 7946)") && error.contains("`system: same`"),
        "{error}"
    );
    assert!(error.contains("pipeline.yaml:3:"), "{error}");
    let error = says("a.geojson", &with_crs("urn:ogc:def:crs:OGC:1.3:CRS84"), "");
    assert!(error.contains("longitude and latitude") && error.contains("transform the areas"), "{error}");
    let error = says("a.geojson", &with_crs("urn:ogc:def:crs:EPSG::25833"), "");
    assert!(
        error.contains("is in EPSG 25833, but the survey is in ETRS89 / UTM zone 32N (EPSG 25832)"),
        "{error}"
    );
    let error =
        says("a.geojson", &json!({"type": "LineString", "coordinates": [[0, 0], [1, 1]]}), ", system: same");
    assert!(error.contains("it holds a LineString"), "{error}");
    let error = says("a.geojson", &json!({"type": "FeatureCollection", "features": []}), ", system: same");
    assert!(error.contains("it holds no polygons"), "{error}");
    let file = pipeline(folder.path(), "[{area: none.geojson, why: ''}]", "50 m");
    let error = refused(&echograde().arg("check").arg(&file).output().unwrap(), 2);
    assert!(
        error.contains("there is no file `none.geojson`")
            && error.contains("`why` of entry 1 of `exclude` is empty"),
        "{error}"
    );
    // The survey's own system, stated.
    write_area(folder.path(), "a.geojson", &with_crs("urn:ogc:def:crs:EPSG::25832"));
    let file = pipeline(folder.path(), "[{area: a.geojson, why: a}]", "50 m");
    assert_eq!(run(&file, &[]).summary()["excluded"][0]["survey"], 240);
}

#[test]
fn without_a_reference_there_is_nothing_to_leave_out() {
    let folder = site(&Stored::SILENT);
    write_area(folder.path(), "a.geojson", &square(BRIDGE.0, BRIDGE.1));
    let file = folder.path().join("pipeline.yaml");
    fs::write(
        &file,
        "survey: {files: [survey.laz], units: m}\nexclude: [{area: a.geojson, why: a, system: same}]\n",
    )
    .unwrap();
    let error = refused(&echograde().arg("check").arg(&file).output().unwrap(), 2);
    assert!(error.contains("the file names no reference"), "{error}");
}

#[cfg(feature = "geopackage")]
mod geopackage {
    use super::*;
    use rusqlite::Connection;

    /// A GeoPackage with one table of features in this system; geometries are well-known binary.
    pub fn write(path: &Path, system: i32, geometries: &[Vec<u8>]) {
        let file = Connection::open(path).unwrap();
        file.execute_batch(
            "PRAGMA application_id = 0x47504B47;
             CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT, srs_id INTEGER PRIMARY KEY, organization TEXT,
                 organization_coordsys_id INTEGER, definition TEXT, description TEXT);
             CREATE TABLE gpkg_geometry_columns (table_name TEXT, column_name TEXT, geometry_type_name TEXT,
                 srs_id INTEGER, z TINYINT, m TINYINT);
             INSERT INTO gpkg_spatial_ref_sys VALUES ('Undefined', -1, 'NONE', -1, 'undefined', NULL),
                 ('WGS 84', 4326, 'EPSG', 4326, 'GEOGCS[\"WGS 84\",UNIT[\"degree\",0.0174532925199433]]', NULL),
                 ('ETRS89 / UTM zone 32N', 25832, 'EPSG', 25832, 'PROJCS[\"ETRS89 / UTM zone 32N\",UNIT[\"metre\",1]]', NULL),
                 ('ETRS89 / UTM zone 33N', 25833, 'EPSG', 25833, 'undefined', NULL);
             CREATE TABLE \"no \"\"go\" (fid INTEGER PRIMARY KEY, \"the geom\" BLOB);",
        )
        .unwrap();
        let columns =
            "INSERT INTO gpkg_geometry_columns VALUES ('no \"go', 'the geom', 'GEOMETRY', ?1, 0, 0)";
        file.execute(columns, [system]).unwrap();
        for geometry in geometries {
            // No box, little-endian.
            let blob = [&b"GP\0\x01"[..], &system.to_le_bytes(), geometry].concat();
            file.execute("INSERT INTO \"no \"\"go\" (\"the geom\") VALUES (?1)", [blob]).unwrap();
        }
        file.execute("INSERT INTO \"no \"\"go\" (\"the geom\") VALUES (NULL)", []).unwrap();
    }

    /// A box as well-known binary.
    fn square_bytes() -> Vec<u8> {
        let square = square(BRIDGE.0, BRIDGE.1);
        let mut bytes = [&[1u8][..], &3u32.to_le_bytes(), &1u32.to_le_bytes(), &5u32.to_le_bytes()].concat();
        for corner in square["coordinates"][0].as_array().unwrap() {
            (0..2).for_each(|i| bytes.extend(corner[i].as_f64().unwrap().to_le_bytes()));
        }
        bytes
    }

    #[test]
    fn a_file_that_is_none_is_refused() {
        let folder = site(&Stored::SILENT);
        fs::write(folder.path().join("b.gpkg"), b"SQLite format 3\0 and then nothing").unwrap();
        let file = pipeline(folder.path(), "[{area: b.gpkg, why: a}]", "50 m");
        let error = refused(&echograde().arg("check").arg(&file).output().unwrap(), 2);
        assert!(error.contains("b.gpkg: it cannot be read as a GeoPackage"), "{error}");
    }

    #[test]
    fn areas_of_a_geopackage_are_left_out_where_its_system_is_that_of_the_survey() {
        let folder = site(&Stored::with_system_of("metre.wkt"));
        let says = |system: i32, more: &str| {
            let path = folder.path().join("areas.gpkg");
            let _ = fs::remove_file(&path);
            write(&path, system, &[square_bytes()]);
            let file = pipeline(folder.path(), &format!("[{{area: areas.gpkg, why: deck{more}}}]"), "50 m");
            try_run(&file, &folder.path().join(format!("out{system}{}", more.len())), &[])
        };
        for (system, more) in [(25832, ""), (-1, ", system: same"), (25833, ", system: same")] {
            let output = says(system, more);
            assert!(output.status.success(), "{}", common::describe(&output));
            let summary = common::summary(&folder.path().join(format!("out{system}{}", more.len())));
            assert_eq!(summary["excluded"][0]["survey"], 240);
            assert!((number(&summary["all"], "bias") - 0.02).abs() < 1e-9);
        }
        for (system, expected) in [
            (25833, "is in EPSG 25833, but the survey is in"),
            (4326, "is in longitude and latitude"),
            (-1, "does not state the system of its coordinates"),
        ] {
            let error = refused(&says(system, ""), 2);
            assert!(error.contains(expected), "{error}");
        }
    }

    #[test]
    fn areas_in_well_known_binary_agree_with_shapely() {
        for case in cases() {
            let folder = TempDir::new().unwrap();
            let path = folder.path().join("areas.gpkg");
            let hex = case["wkb"].as_str().unwrap();
            let bytes = (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap());
            write(&path, 25832, &[bytes.collect()]);
            agrees(&path, &case);
        }
    }
}

fn cases() -> Vec<Value> {
    let all: Value = serde_json::from_str(include_str!("oracle/area_values.json")).unwrap();
    all["cases"].as_array().unwrap().clone()
}

/// Compares the areas of a file with the answers of a case.
fn agrees(path: &Path, case: &Value) {
    let file = AreaFile::read(path).unwrap();
    let (area, _) = file.place(&Crs::default(), Unit::Metre, Some(AreaSystem::Same)).unwrap();
    let positions = case["positions"].as_array().unwrap();
    let mut inside = 0;
    for position in positions {
        let [x, y] = [0, 1].map(|i| (position[i].as_f64().unwrap() * 1e6).round() as i64);
        let expected = position[2].as_bool().unwrap();
        assert_eq!(area.holds(x, y), expected, "{}: {x} {y}", case["name"]);
        inside += usize::from(expected);
    }
    assert!(inside > 100 && positions.len() - inside > 100, "{}", case["name"]);
}

#[test]
fn areas_in_geojson_agree_with_shapely() {
    for case in cases() {
        let folder = TempDir::new().unwrap();
        write_area(folder.path(), "area.geojson", &case["geojson"]);
        agrees(&folder.path().join("area.geojson"), &case);
    }
}
