//! The same bytes whatever the size of the tiles, the number of threads, and the order of files and points.

mod common;

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

use common::raw_scans::{EXACT, Site, write_flight};
use common::{RunResult, root, run, run_in_parts};
use las::point::Classification;
use las::{Builder, Point, Reader, Writer};
use proptest::prelude::*;
use tempfile::TempDir;

/// A place in that piece, far from the rest of the reference that its test keeps. A metre east of it ends its reference, just
/// inside a cell of 0.7 m whose fourteenth neighbour an edge of tiles of 15 m cuts, more than 10 m away.
const ALONE: (f64, f64) = (400_053.97, 6_100_050.0);

/// A piece of the demo small enough to run often, and large enough to have all that the demo has: 45 m × 40 m of the
/// survey around the edge of the scan.
fn piece(files: &str, thin: usize) -> (las::Header, Vec<Point>) {
    let mut all = Vec::new();
    let mut header = None;
    let mut paths: Vec<PathBuf> =
        fs::read_dir(root().join(files)).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    for path in paths {
        let mut reader = Reader::from_path(path).unwrap();
        header.get_or_insert_with(|| reader.header().clone());
        let points = reader.read_all().unwrap();
        all.extend(points.points().map(Result::unwrap));
    }
    let header = header.unwrap();
    let (x0, y0) = (400_030.0, 6_100_030.0);
    all.retain(|p| (x0..x0 + 45.0).contains(&p.x) && (y0..y0 + 40.0).contains(&p.y));
    (header, all.into_iter().step_by(thin).collect())
}

fn write(header: &las::Header, points: &[Point], path: &Path) {
    let mut builder = Builder::from(header.version());
    builder.point_format = *header.point_format();
    builder.point_format.is_compressed = true;
    builder.transforms = *header.transforms();
    builder.has_wkt_crs = true;
    builder.vlrs = header.vlrs().iter().filter(|v| v.user_id == "LASF_Projection").cloned().collect();
    let mut writer = Writer::from_path(path, builder.into_header().unwrap()).unwrap();
    for point in points {
        writer.write_point(point.clone()).unwrap();
    }
    writer.close().unwrap();
}

/// Writes a pipeline over the clouds in `folder`. All files of the reference are one setup, however many it is divided into.
fn pipeline(folder: &Path, tile: u32, stages: [&str; 3]) -> PathBuf {
    pipeline_with(folder, tile, stages, "")
}

/// The same with more stages after these.
fn pipeline_with(
    folder: &Path,
    tile: u32,
    [checkpoints, compare, summarise]: [&str; 3],
    more: &str,
) -> PathBuf {
    let file = folder.join(format!("tile-{tile}.yaml"));
    let text = format!(
        "title: the same\nsurvey: {{files: ['s*.laz']}}\nreference: {{scans: [{{name: S, files: ['r*.laz']}}]}}\noutput: unused\nseed: 3\nstages:\n  \
         - read: {{tile: {tile} m}}\n  - select: {{returns: [1, 2, 3, 4, 5]}}\n  - ground: {{}}\n  \
         - checkpoints: {{{checkpoints}}}\n  - compare: {{{compare}}}\n  - summarise: {{{summarise}}}\n{more}  - export: {{cloud: false}}\n"
    );
    fs::write(&file, text).unwrap();
    file
}

/// Has a pipeline compare other settings of the ground filter, one of them in other cells.
fn comparing(file: PathBuf) -> PathBuf {
    let text = fs::read_to_string(&file).unwrap();
    let ground = "- ground: {compare: [{dh_initial: 0.15 m}, {cell: 0.7 m, slope: 0.6}]}";
    fs::write(&file, text.replace("- ground: {}", ground)).unwrap();
    file
}

/// A shuffle that a seed decides.
fn shuffled(points: &[Point], seed: u64) -> Vec<Point> {
    let mut state = seed | 1;
    let mut next = |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    let mut points = points.to_vec();
    for i in (1..points.len()).rev() {
        points.swap(i, next(i + 1));
    }
    points
}

struct Clouds {
    survey: (las::Header, Vec<Point>),
    reference: (las::Header, Vec<Point>),
}

/// Writes both clouds in an order of points and a division into files that `seed` decides.
fn write_clouds(clouds: &Clouds, folder: &Path, seed: u64) {
    for (name, (header, points)) in [("s", &clouds.survey), ("r", &clouds.reference)] {
        let points = if seed == 0 { points.clone() } else { shuffled(points, seed) };
        let files = 1 + (seed % 4) as usize;
        for (i, part) in points.chunks(points.len().div_ceil(files)).enumerate() {
            // Later parts come first by name when the seed is odd.
            let number = if seed % 2 == 1 { files - i } else { i };
            write(header, part, &folder.join(format!("{name}{number}.laz")));
        }
    }
}

/// The page without the files that it lists: clouds may be divided into others.
fn without_files(page: &str) -> String {
    let (before, rest) = page.split_once("<h2>What was compared</h2>").expect("the list of files");
    let (_, after) = rest.split_once("<h2>").expect("a section after it");
    let is_count = |line: &&str| line.starts_with("<p class=\"kind\">Survey: ");
    assert_eq!(before.lines().filter(is_count).count(), 1);
    before.lines().filter(|line| !is_count(line)).chain(after.lines()).collect::<Vec<_>>().join("\n")
}

/// What must be the same whatever the tiles, the threads, the memory and how the clouds are divided into files.
fn comparable(run: &RunResult) -> BTreeMap<&'static str, String> {
    let mut all = run.same_bytes();
    all.entry("report.html").and_modify(|page| *page = without_files(page));
    all
}

/// Two runs left the same bytes.
fn assert_same(expected: &RunResult, found: &RunResult, differing: &str) {
    let texts = comparable(found);
    for (name, text) in comparable(expected) {
        assert!(texts[name] == text, "{name} differs: {differing}");
    }
    if cfg!(feature = "geopackage") {
        let points = |run: &RunResult| fs::read(run.out.join("points.gpkg")).ok();
        assert!(points(expected) == points(found), "points.gpkg differs: {differing}");
    }
}

#[test]
fn tiles_threads_and_order_cannot_be_told_from_the_results() {
    let clouds = Clouds { survey: piece("demo-data/survey", 1), reference: piece("demo-data/reference", 3) };
    assert!(clouds.survey.1.len() > 50_000);
    for (stages, terrain) in [
        (["per_return: all", "match: nearest, within: 25 mm", ""], "terrain: {fill: 3 m}"),
        (
            [
                "per_return: 150, spacing: 2.5 m",
                "match: plane, within: 30 cm",
                "by: [return, slope, scan_angle, return_type], slope_breaks: [0.05, 0.15]",
            ],
            "terrain: {cell: 0.7 m, method: weighted}",
        ),
        (
            [
                "per_return: all, spacing: 3 m, list: all",
                "match: nearest, within: 40 mm",
                "by: [strip, cover, return], canopy_radius: 1.7 m, block: 7 m, terrain_cell: 0.7 m",
            ],
            "terrain: {cell: 1 ftUS, returns: [1, 3]}",
        ),
    ] {
        let terrain = format!("  - {terrain}\n");
        let first = TempDir::new().unwrap();
        write_clouds(&clouds, first.path(), 0);
        let file = comparing(pipeline_with(first.path(), 100, stages, &terrain));
        let expected = run(&file, &["--threads", "1"]);
        let compared = expected.summary()["all"]["compared"].as_u64().unwrap();
        assert!(compared > 100, "{compared}");
        assert_eq!(expected.summary()["filters_compared"]["alternatives"].as_array().unwrap().len(), 2);
        assert_eq!(expected.products().matches(".tif").count(), 6);
        for (tile, threads, seed) in [(15, 2, 0), (16, 7, 1), (33, 1, 2), (47, 7, 3), (400, 2, 7)] {
            let folder = TempDir::new().unwrap();
            write_clouds(&clouds, folder.path(), seed);
            let file = comparing(pipeline_with(folder.path(), tile, stages, &terrain));
            let found = run(&file, &["--threads", &threads.to_string(), "--memory", "1G"]);
            assert_same(&expected, &found, &format!("tiles of {tile} m, {threads} threads, order {seed}"));
        }
    }
}

/// A classification as someone might deliver it: last returns are ground, but for one in eight and what lies high.
fn classified(points: &mut [Point]) {
    let lowest = points.iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
    for (i, point) in points.iter_mut().enumerate() {
        let is_ground = point.return_number == point.number_of_returns && point.z < lowest + 9.0 && i % 8 > 0;
        let class = if is_ground { Classification::Ground } else { Classification::HighVegetation };
        point.classification = class;
    }
}

#[test]
fn tiles_threads_memory_and_order_cannot_be_told_where_the_ground_is_as_delivered() {
    let mut clouds =
        Clouds { survey: piece("demo-data/survey", 1), reference: piece("demo-data/reference", 3) };
    classified(&mut clouds.survey.1);
    classified(&mut clouds.reference.1);
    let write_pipeline = |folder: &Path, tile: u32, ground: &str| {
        let file =
            pipeline(folder, tile, ["", "match: nearest, within: 25 mm", "by: [return, cover, slope]"]);
        let text = fs::read_to_string(&file).unwrap();
        fs::write(&file, text.replace("- ground: {}", ground)).unwrap();
        file
    };
    for ground in [
        "- ground: {from: classes, fill_max: 4 m}",
        "- ground: {cloud: reference}\n  - ground: {cloud: survey, from: classes, cell: 0.7 m, cross_check: true}\n  - select: {cloud: survey, scan_angle_max: 12 deg}",
    ] {
        let first = TempDir::new().unwrap();
        write_clouds(&clouds, first.path(), 0);
        let expected = run(&write_pipeline(first.path(), 100, ground), &["--threads", "1"]);
        assert!(expected.summary()["all"]["compared"].as_u64().unwrap() > 1000);
        for (tile, threads, memory, seed) in [(15, 2, "512M", 1), (47, 2, "20M", 2), (33, 7, "40M", 3)] {
            let folder = TempDir::new().unwrap();
            write_clouds(&clouds, folder.path(), seed);
            let file = write_pipeline(folder.path(), tile, ground);
            let found = run(&file, &["--threads", &threads.to_string(), "--memory", memory]);
            assert_same(
                &expected,
                &found,
                &format!("tiles of {tile} m, {threads} threads, {memory}, {ground}"),
            );
            if tile == 15 {
                assert_same(&expected, &run_in_parts(&file, 3), &format!("three parts, {ground}"));
            }
        }
    }
}

/// Little reference, in the middle of ground that the survey missed: the terrain there is made of cells as far off as it may
/// look, which lie in other tiles than the reference, are cut by the edges of tiles, and are near no other reference.
#[test]
fn tiles_cannot_be_told_where_the_terrain_looks_as_far_as_it_may() {
    let mut clouds =
        Clouds { survey: piece("demo-data/survey", 1), reference: piece("demo-data/reference", 3) };
    let (x, y) = ALONE;
    let square = |p: &Point, half: f64| (p.x - x).abs() < half && (p.y - y).abs() < half;
    clouds.survey.1.retain(|p| !square(p, 8.9));
    clouds.reference.1.retain(|p| square(p, 1.0) || p.x < x - 13.0);
    assert!(clouds.reference.1.iter().filter(|p| square(p, 1.0)).count() > 100);
    let stages = ["per_return: all", "match: nearest, within: 40 mm", "terrain_cell: 0.7 m"];
    let first = TempDir::new().unwrap();
    write_clouds(&clouds, first.path(), 0);
    let expected = run(&pipeline(first.path(), 100, stages), &[]);
    assert!(expected.summary()["all"]["compared"].as_u64().unwrap() > 100);
    for tile in [15, 16, 17, 19, 23, 31] {
        let found = run(&pipeline(first.path(), tile, stages), &[]);
        assert_same(&expected, &found, &format!("tiles of {tile} m"));
    }
}

/// The reference as scanners on three tripods would give it: millions of points a square metre at their feet, next to none
/// 20 m away. At a height h, the density on the ground at a distance r goes with h / ((h² + r²) · r).
fn from_tripods(reference: &[Point]) -> Vec<Point> {
    const HEIGHT: f64 = 1.8;
    let cell = |x: f64, y: f64| ((x / 0.5).floor() as i64, (y / 0.5).floor() as i64);
    let mut ground: HashMap<(i64, i64), &Point> = HashMap::new();
    for point in reference {
        let lowest = ground.entry(cell(point.x, point.y)).or_insert(point);
        if point.z < lowest.z {
            *lowest = point;
        }
    }
    let mut state = 1u64;
    let mut random = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut scanned = Vec::new();
    for (x, y) in [(400_038.0, 6_100_040.0), (400_051.0, 6_100_052.0), (400_062.0, 6_100_041.0)] {
        for _ in 0..60_000 {
            let r = HEIGHT * (random() * (20.0 / HEIGHT).atan()).tan();
            let (sin, cos) = (random() * std::f64::consts::TAU).sin_cos();
            let (x, y) = (x + r * cos, y + r * sin);
            if let Some(point) = ground.get(&cell(x, y)) {
                scanned.push(Point { x, y, z: point.z + 0.01 * random(), ..(*point).clone() });
            }
        }
    }
    scanned
}

#[test]
fn tiles_threads_memory_and_order_cannot_be_told_where_the_reference_was_scanned_from_tripods() {
    let (header, reference) = piece("demo-data/reference", 1);
    let reference = (header, from_tripods(&reference));
    let clouds = Clouds { survey: piece("demo-data/survey", 1), reference };
    assert!(clouds.reference.1.len() > 100_000);
    for stages in [
        ["per_return: all", "match: nearest, within: 25 mm", ""],
        ["per_return: 500, spacing: 0.5 m", "match: plane, within: 20 cm", "by: [return, cover, slope]"],
    ] {
        let first = TempDir::new().unwrap();
        write_clouds(&clouds, first.path(), 0);
        let expected = run(&comparing(pipeline(first.path(), 100, stages)), &["--threads", "1"]);
        assert!(expected.summary()["all"]["compared"].as_u64().unwrap() > 1000);
        // With little memory, tiles of some 20,000 points and more are worked on in parts.
        for (tile, threads, memory, seed) in
            [(15, 2, "512M", 1), (47, 2, "24M", 0), (47, 1, "22M", 2), (33, 7, "40M", 3)]
        {
            let folder = TempDir::new().unwrap();
            write_clouds(&clouds, folder.path(), seed);
            let file = comparing(pipeline(folder.path(), tile, stages));
            let found = run(&file, &["--threads", &threads.to_string(), "--memory", memory]);
            let what = format!("tiles of {tile} m, {threads} threads, {memory}, order {seed}");
            assert_same(&expected, &found, &what);
            if tile == 33 {
                assert_same(&expected, &run_in_parts(&file, 4), "four parts");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]
    #[test]
    fn any_tile_any_order_any_threads(
        tile in 15u32..120, threads in prop_oneof![Just(1), Just(2), Just(7)], seed in 0u64..1000,
    ) {
        static EXPECTED: std::sync::OnceLock<(Clouds, BTreeMap<&'static str, String>)> =
            std::sync::OnceLock::new();
        let stages = ["per_return: 60, spacing: 1.5 m", "match: nearest, within: 60 mm", "by: [return, cover]"];
        let (clouds, expected) = EXPECTED.get_or_init(|| {
            let clouds = Clouds { survey: piece("demo-data/survey", 4), reference: piece("demo-data/reference", 8) };
            let folder = TempDir::new().unwrap();
            write_clouds(&clouds, folder.path(), 0);
            let expected = comparable(&run(&pipeline(folder.path(), 100, stages), &[]));
            (clouds, expected)
        });
        let folder = TempDir::new().unwrap();
        write_clouds(clouds, folder.path(), seed);
        let file = pipeline(folder.path(), tile, stages);
        let found = comparable(&run(&file, &["--threads", &threads.to_string()]));
        prop_assert!(&found == expected, "tiles of {} m, {} threads, order {}", tile, threads, seed);
    }
}

#[test]
fn tiles_threads_and_memory_cannot_be_told_where_scans_are_registered_and_the_survey_is_fitted() {
    let folder = TempDir::new().unwrap();
    let site = Site { errors: Some((0.003, 0.006, 3)), e57: true, ..EXACT };
    site.write(folder.path());
    write_flight(folder.path(), 1.0, 0.008, Some(4));
    let reference = site.reference(", model: full");
    for draw in ["per_return: all", "per_return: 150, spacing: 1 m"] {
        let write = |tile: &str| {
            let text = format!(
                "title: the same\nsurvey: {{files: [survey.laz], units: m, fit: {{to: flight.csv, model: plane}}}}\n\
                 reference: {reference}\nstages: [read: {{tile: {tile}}}, ground: {{}}, checkpoints: {{{draw}}}, \
                 compare: {{match: plane, within: 1 m}}, summarise: {{}}]\n"
            );
            let file = folder.path().join("pipeline.yaml");
            fs::write(&file, text).unwrap();
            file
        };
        let with = |tile: &str, options: &[&str]| run(&write(tile), options);
        let expected = with("7 m", &[]);
        assert!(expected.summary()["fit"]["raw"]["all"]["compared"].as_u64().unwrap() > 100);
        assert_same(&expected, &with("50 m", &["--threads", "1"]), "one tile, one thread");
        assert_same(&expected, &with("13 m", &["--threads", "3", "--memory", "64M"]), "three threads");
        assert_same(&expected, &run_in_parts(&write("7 m"), 3), "three parts");
    }
}
