//! COPC files, through the real program: of an area only the nodes it needs are decoded, with the same figures as from plain LAZ;
//! hierarchies that lie.

mod common;
#[path = "common/copc.rs"]
mod copc;
#[path = "common/files.rs"]
mod files;

use std::fs;
use std::path::{Path, PathBuf};
use std::thread;

use common::{describe, echograde, refused, root, run, try_run};
use copc::{Copc, without_copc};
use echograde::cloud::files::hex;
use echograde::cloud::{Block, Decoder, Fields, STACK, Source};
use echograde::units::Unit;
use files::{Builder, Raw, with};
use proptest::prelude::*;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::{Value, json};
use tempfile::TempDir;

/// Some 100 units of ground in raw coordinates, with second returns and a few withheld points.
fn site(seed: u64, count: usize) -> Builder {
    let mut random = SmallRng::seed_from_u64(seed);
    let mut points = Vec::new();
    for _ in 0..count {
        let [x, y] = [100_000, 10_000].map(|side| random.random_range(0..side));
        let ground = 20_000 + x / 40 + y / 4;
        let number_of_returns = random.random_range(1..=2);
        for return_number in 1..=number_of_returns {
            let above = if return_number < number_of_returns { 30_000 } else { 0 };
            points.push(Raw {
                xyz: [x, y, ground + above + random.random_range(-200..200)],
                return_number,
                number_of_returns,
                class: 1,
                withheld: random.random_range(0..50) == 0,
                strip: 3,
                ..Raw::default()
            });
        }
    }
    Builder::new(4, 6, points)
}

/// A box in the unit of the files.
type Area = [[f64; 2]; 2];

fn pipeline(folder: &Path, name: &str, unit: &str, area: Option<(&str, Area)>) -> PathBuf {
    let path = folder.join(format!("{name}.yaml"));
    let select = area.map_or(String::new(), |(cloud, [x, y])| {
        let side = |[low, high]: [f64; 2]| format!("[{low} {unit}, {high} {unit}]");
        format!("select: {{cloud: {cloud}, area: {{x: {}, y: {}}}}}, ", side(x), side(y))
    });
    let text = format!(
        "title: same\nsurvey: {{files: [{name}-survey.laz], units: {unit}}}\nreference: {{files: [{name}-reference.laz], units: {unit}}}\n\
         stages: [read: {{tile: 20 m}}, {select}ground: {{cell: 1.5 m}}, checkpoints: {{}}, compare: {{match: nearest, within: 20 cm}}, \
         summarise: {{}}]\n"
    );
    fs::write(&path, text).unwrap();
    path
}

/// Points of the chunks whose ground does not meet the box.
fn outside(copc: &Copc, [x, y]: Area) -> usize {
    let apart = |low: f64, high: f64, side: [f64; 2]| low >= side[1] || high < side[0];
    let chunks = copc.chunks.iter();
    let outside = chunks.filter(|([x0, x1, y0, y1], _)| apart(*x0, *x1, x) || apart(*y0, *y1, y));
    outside.map(|(_, points)| points.len()).sum()
}

/// Writes both clouds as COPC and as plain LAZ of the same chunks.
fn write(folder: &Path, survey: &Copc, reference: &Copc) {
    for (name, copc) in [("survey", survey), ("reference", reference)] {
        fs::write(folder.join(format!("copc-{name}.laz")), &copc.bytes).unwrap();
        fs::write(folder.join(format!("plain-{name}.laz")), without_copc(&copc.bytes)).unwrap();
    }
}

/// Everything but what counts points that were not decoded.
fn without_counts(mut summary: Value) -> Value {
    summary["points"].take();
    for row in summary["returns"].as_array_mut().unwrap() {
        row["points"].take();
        row["share"].take();
    }
    summary["all"]["points"].take();
    summary["groups"].as_array_mut().unwrap().iter_mut().for_each(|row| _ = row["share"].take());
    for cloud in ["survey", "reference"] {
        for key in ["withheld", "invalid_return", "outside_area", "select"] {
            summary[cloud][key].take();
        }
    }
    summary
}

#[test]
fn of_an_area_only_the_nodes_it_needs_are_decoded_and_the_figures_are_those_of_plain_laz() {
    let areas: [(&str, Area, &str); 4] = [
        ("both", [[1020.0, 1060.0], [-1990.0, -1930.0]], "m"),
        ("reference", [[1000.0, 1049.5], [-2000.0, -1950.25]], "m"),
        ("survey", [[1071.2, 1080.0], [-1960.0, -1900.0]], "m"),
        ("both", [[1020.0, 1080.0], [-1990.0, -1910.0]], "ftUS"),
    ];
    let (survey, reference) = (site(1, 9_000).copc(), site(2, 30_000).copc());
    assert!(survey.nodes > 40 && reference.nodes > 100, "{} {}", survey.nodes, reference.nodes);
    let folder = TempDir::new().unwrap();
    write(folder.path(), &survey, &reference);
    for (cloud, area, unit) in areas {
        let [copc, plain] =
            ["copc", "plain"].map(|name| run(&pipeline(folder.path(), name, unit, Some((cloud, area))), &[]));
        let (found, expected) = (copc.summary(), plain.summary());
        assert!(found["all"]["compared"].as_u64().unwrap() > 100, "{cloud}: {}", found["all"]);
        for (name, copc) in [("survey", &survey), ("reference", &reference)] {
            let counts = &found[name];
            let outside = if cloud == "both" || cloud == name { outside(copc, area) } else { 0 };
            assert_eq!(counts["outside_area"], outside, "{cloud}, {name}");
            assert!(cloud != "both" || outside > 1000, "{cloud}, {name}: {outside}");
            assert_eq!(expected[name]["outside_area"], 0);
            assert_eq!(counts["read"], expected[name]["read"], "{cloud}, {name}");
            // Each point once.
            let sum = |keys: &[&str]| keys.iter().map(|key| counts[*key].as_u64().unwrap()).sum::<u64>();
            let keys = [
                "outside_area",
                "withheld",
                "out_of_range",
                "noise",
                "low_outlier",
                "above_ground",
                "ground",
            ];
            let selected = counts["select"].as_array().unwrap();
            let not_selected: u64 = selected.iter().map(|one| one["not_selected"].as_u64().unwrap()).sum();
            assert_eq!(counts["read"], sum(&keys) + not_selected, "{cloud}, {name}");
        }
        let (found, expected) = (without_counts(found), without_counts(expected));
        for (key, value) in found.as_object().unwrap() {
            assert_eq!(*value, expected[key], "{cloud} {area:?}: {key}");
        }
        assert_eq!(copc.text("checkpoints.csv"), plain.text("checkpoints.csv"));
        assert!(copc.text("report.html").contains("in COPC nodes outside the area of select"));
        // The hash in the manifest is that of all bytes.
        use sha2::Digest;
        let bytes = fs::read(folder.path().join("copc-survey.laz")).unwrap();
        let hash = hex(&sha2::Sha256::digest(&bytes));
        assert_eq!(common::manifest(&copc.out)["inputs"][0]["sha256"], hash, "{cloud}");
        let parts = common::run_in_parts(&pipeline(folder.path(), "copc", unit, Some((cloud, area))), 5);
        assert!(parts.same_bytes() == copc.same_bytes(), "five parts, {cloud}");
        assert_eq!(common::manifest(&parts.out)["inputs"], common::manifest(&copc.out)["inputs"]);
    }
    // Without an area every point is read.
    let [copc, plain] = ["copc", "plain"].map(|name| run(&pipeline(folder.path(), name, "m", None), &[]));
    assert_eq!(copc.summary(), plain.summary());
}

#[test]
fn an_area_without_points_says_so() {
    let (folder, survey) = (TempDir::new().unwrap(), site(1, 3_000).copc());
    let reference = site(2, 3_000).copc();
    write(folder.path(), &survey, &reference);
    let far = Some(("reference", [[5000.0, 5001.0], [0.0, 1.0]]));
    let file = pipeline(folder.path(), "copc", "m", far);
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 1);
    let all: usize = reference.chunks.iter().map(|(_, points)| points.len()).sum();
    let all = format!("{},{:03}", all / 1000, all % 1000);
    assert!(error.contains(&format!("selects none of {all} points of the reference")), "{error}");
}

#[test]
fn check_and_inspect_say_how_many_nodes_there_are_and_are_decoded() {
    let (folder, survey) = (TempDir::new().unwrap(), site(1, 9_000).copc());
    write(folder.path(), &survey, &survey);
    let area: Area = [[1020.0, 1030.0], [-1990.0, -1980.0]];
    let file = pipeline(folder.path(), "copc", "m", Some(("reference", area)));
    let output = echograde().args(["check", "--json"]).arg(&file).output().unwrap();
    let checked: Value = serde_json::from_slice(&output.stdout).unwrap();
    let files = |cloud: &str| checked[cloud]["files"][0]["copc"].clone();
    assert_eq!(files("survey"), json!({"nodes": survey.nodes, "decoded": survey.nodes}));
    let decoded = files("reference")["decoded"].as_u64().unwrap() as usize;
    assert!(0 < decoded && decoded < survey.nodes / 2, "{decoded} of {}", survey.nodes);
    let output = echograde().arg("check").arg(&file).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains(&format!("COPC: {decoded} of {} nodes are decoded", survey.nodes)), "{text}");
    let output = echograde().arg("inspect").arg(folder.path().join("copc-survey.laz")).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains(&format!("COPC of {} nodes", survey.nodes)), "{text}");
}

#[test]
fn a_file_of_another_writer_has_the_nodes_that_its_chunks_are() {
    let path = root().join("tests/data/simple.copc.laz");
    let source = Source::open(&path, false).unwrap().remove(0);
    assert_eq!(source.nodes(), Some(source.blocks().len()));
    // Every point lies on the ground that the hierarchy states for its node.
    assert_eq!(decoded(&source, |decoder, block| assert_eq!(decoder.outside_node(block), None)), Ok(1_065));
    // The octree divides: each corner of the box is out of reach of some nodes, and within that of the root.
    let bounds = source.stated_box();
    let corner = |axis: usize, high: bool| {
        let at = if high { bounds.max[axis] } else { bounds.min[axis] };
        let um = (at * 1e6) as i64;
        um..um + 1
    };
    for (east, north) in [(false, false), (false, true), (true, false), (true, true)] {
        let ground = (corner(0, east), corner(1, north));
        let near = |block: &&Block| source.may_lie_on(block, &[&ground], Unit::Metre);
        let near = source.blocks().iter().filter(near).count();
        assert!((1..source.blocks().len() / 2).contains(&near), "{near} of {}", source.blocks().len());
    }
}

/// The points of an area are those that an independent reader finds with the octree and by reading everything
/// (`tests/oracle/clouds.py`).
#[test]
fn points_of_an_area_are_those_of_an_independent_reader() {
    let text = fs::read_to_string(root().join("tests/oracle/clouds.json")).unwrap();
    let clouds: Value = serde_json::from_str(&text).unwrap();
    let folder = TempDir::new().unwrap();
    for name in ["simple.copc.laz", "made.copc.laz"] {
        let (path, cloud) = (root().join("tests/data").join(name), &clouds["clouds"][name]);
        let source = Source::open(&path, false).unwrap().remove(0);
        let mut decoded = Vec::new();
        for area in cloud["areas"].as_array().unwrap() {
            let what = format!("{name}: {} {}", area["x"], area["y"]);
            let text = |axis: &str, end: usize| area[axis][end].as_str().unwrap().to_string();
            let um = |text: &String| (text.parse::<f64>().unwrap() * 1e6).round() as i64;
            let [x, y] = ["x", "y"].map(|axis| [text(axis, 0), text(axis, 1)]);
            let ground = (um(&x[0])..um(&x[1]), um(&y[0])..um(&y[1]));
            // Of the nodes that are decoded, the points in the area, to the micrometre.
            let blocks: Vec<&Block> = source
                .blocks()
                .iter()
                .filter(|block| source.may_lie_on(block, &[&ground], Unit::Metre))
                .collect();
            let points: Vec<_> = points_of(&source, &blocks);
            let inside: Vec<_> =
                points.iter().filter(|p| ground.0.contains(&p[0]) && ground.1.contains(&p[1])).collect();
            assert_eq!(json!(inside.len()), area["points"], "{what}");
            let sums: Vec<String> = (0..3)
                .map(|axis| inside.iter().map(|p| i128::from(p[axis])).sum::<i128>().to_string())
                .collect();
            assert_eq!(json!(sums), area["micrometres"], "{what}");
            decoded.push(blocks.len());
            // So counts the whole program, which uses no withheld points.
            let file = folder.path().join("area.yaml");
            let pipeline = format!(
                "survey: {{files: ['{}'], units: m}}\nstages: [read: {{}}, select: {{area: {{x: [{} m, {} m], y: [{} m, {} m]}}}}, \
                 summarise: {{}}]\n",
                path.display(),
                x[0],
                x[1],
                y[0],
                y[1]
            );
            fs::write(&file, pipeline).unwrap();
            let summary = run(&file, &[]).summary();
            let used = area["points"].as_u64().unwrap() - area["withheld"].as_u64().unwrap();
            assert_eq!(summary["survey"]["select"][0]["selected"], used, "{what}");
            assert_eq!(summary["survey"]["read"], cloud["points"], "{what}");
        }
        // The first area is the whole file; of the others nodes were left out.
        let all = source.blocks().len();
        assert!(decoded[0] == all && decoded[1..].iter().all(|n| *n < all), "{name}: {decoded:?} of {all}");
    }
}

/// Positions of all points in some blocks, micrometres.
fn points_of(source: &Source, blocks: &[&Block]) -> Vec<[i64; 3]> {
    let work = || {
        let mut decoder = source.decoder(Fields::default(), Unit::Metre, Unit::Metre).unwrap();
        let mut points = Vec::new();
        for block in blocks {
            decoder
                .for_each(block, |point| points.push([point.point.x, point.point.y, point.point.z]))
                .unwrap();
        }
        points
    };
    thread::scope(|scope| {
        thread::Builder::new().stack_size(STACK).spawn_scoped(scope, work).unwrap().join().unwrap()
    })
}

/// Decodes all blocks of a source, looks at the decoder after each, and counts the points; or the error.
fn decoded(source: &Source, look: impl Fn(&Decoder, &Block) + Sync) -> Result<u64, String> {
    let work = || {
        let fields = Fields { strip: true, scan_angle: true, gps_time: true };
        let mut decoder = source.decoder(fields, Unit::Metre, Unit::Metre).unwrap();
        let mut points = 0;
        for block in source.blocks() {
            decoder.for_each(block, |_| points += 1).map_err(|error| error.to_string())?;
            look(&decoder, block);
        }
        Ok(points)
    };
    thread::scope(|scope| {
        thread::Builder::new().stack_size(STACK).spawn_scoped(scope, work).unwrap().join().unwrap()
    })
}

/// Hierarchies and cubes that cannot be right: each ends in one error that names file, place and remedy.
#[test]
fn a_hierarchy_that_lies_is_refused() {
    let folder = TempDir::new().unwrap();
    let copc = site(3, 6_000).copc();
    let Copc { bytes, info, hierarchy, .. } = &copc;
    let (info, root) = (*info, *hierarchy);
    let float = |value: f64| value.to_le_bytes();
    let first_page = root + (u64::from_le_bytes(bytes[info + 48..info + 56].try_into().unwrap()) as usize);
    // The last entry of the root page is a page.
    let page = first_page - 32;
    for (what, bytes, said) in [
        ("cube without size", with(bytes, info + 24, &float(0.0)), "its cube"),
        ("cube nowhere", with(bytes, info, &float(f64::NAN)), "its cube"),
        ("root page beyond the file", with(bytes, info + 40, &u64::MAX.to_le_bytes()), "beyond the file"),
        ("root page huge", with(bytes, info + 48, &(u64::MAX - 31).to_le_bytes()), "is said to have"),
        ("root page of no size", with(bytes, info + 48, &[0; 8]), "is said to have 0 bytes"),
        ("root page cut within an entry", with(bytes, info + 48, &33u64.to_le_bytes()), "is said to have 33"),
        ("page that is its own parent", with(bytes, page + 16, &(root as u64).to_le_bytes()), "listed twice"),
        ("page of negative size", with(bytes, page + 24, &(-32i32).to_le_bytes()), "is said to have"),
        ("level without end", with(bytes, root, &77i32.to_le_bytes()), "there is no node 77-0-0-0"),
        ("negative key", with(bytes, root + 4, &(-1i32).to_le_bytes()), "there is no node 0--1-0-0"),
        ("key outside its level", with(bytes, first_page + 4, &9i32.to_le_bytes()), "there is no node"),
        ("chunk elsewhere", with(bytes, root + 16, &400u64.to_le_bytes()), "there is no such chunk"),
        ("chunk of another size", with(bytes, root + 24, &12i32.to_le_bytes()), "there is no such chunk"),
        ("count that lies", with(bytes, root + 28, &1_000_000i32.to_le_bytes()), "there is no such chunk"),
        ("count below", with(bytes, root + 28, &(-2i32).to_le_bytes()), "there is no such chunk"),
        ("chunk in no node", with(bytes, root + 28, &0i32.to_le_bytes()), "chunks with points"),
        (
            "node listed twice",
            with(bytes, first_page, &bytes[first_page + 32..first_page + 48]),
            "is listed twice",
        ),
        (
            "chunk of two nodes",
            with(bytes, first_page + 16, &bytes[first_page + 48..first_page + 64]),
            "that another node has",
        ),
    ] {
        let path = folder.path().join("strip.laz");
        fs::write(&path, bytes).unwrap();
        let output = echograde().arg("inspect").arg(&path).output().unwrap();
        let error = refused(&output, 1);
        let place = error.contains("strip.laz: the hierarchy of the COPC file is damaged")
            && error.contains("(byte ");
        assert!(place && error.contains(said), "{what}: {error}");
        assert!(error.contains("Export the file again, as COPC or as plain LAZ"), "{what}: {error}");
    }
}

#[test]
fn a_node_that_does_not_hold_its_points_is_damage_where_an_area_relies_on_it() {
    let folder = TempDir::new().unwrap();
    let copc = site(3, 6_000).copc();
    write(folder.path(), &copc, &site(2, 6_000).copc());
    // All ground is shifted by half the side: the tree says that it lies farther west.
    let centre = f64::from_le_bytes(copc.bytes[copc.info..copc.info + 8].try_into().unwrap());
    let shifted = with(&copc.bytes, copc.info, &(centre - 50.0).to_le_bytes());
    fs::write(folder.path().join("copc-survey.laz"), shifted).unwrap();
    let area = Some(("survey", [[1000.0, 1040.0], [-2000.0, -1900.0]]));
    let file = pipeline(folder.path(), "copc", "m", area);
    let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 1);
    assert!(error.contains("copc-survey.laz: block ") && error.contains("its node of the octree"), "{error}");
    let output = try_run(&pipeline(folder.path(), "copc", "m", None), &folder.path().join("all"), &[]);
    assert!(output.status.success(), "{}", describe(&output));
}

#[test]
fn where_damage_is_skipped_a_file_whose_hierarchy_alone_is_damaged_is_read_as_plain_laz() {
    let folder = TempDir::new().unwrap();
    let copc = site(3, 6_000).copc();
    write(folder.path(), &copc, &site(2, 6_000).copc());
    let area = Some(("survey", [[1000.0, 1040.0], [-2000.0, -1900.0]]));
    let skip = |name: &str| {
        let file = pipeline(folder.path(), name, "m", area);
        let text = fs::read_to_string(&file).unwrap();
        fs::write(&file, text.replace("tile: 20 m", "tile: 20 m, damaged: skip")).unwrap();
        file
    };
    let path = folder.path().join("copc-survey.laz");
    for (what, bytes) in [
        ("cut off in the root page", copc.bytes[..copc.hierarchy + 40].to_vec()),
        ("without its record", copc.bytes[..copc.hierarchy - 60].to_vec()),
        ("a node that cannot be", with(&copc.bytes, copc.hierarchy, &77i32.to_le_bytes())),
        ("a cube without size", with(&copc.bytes, copc.info + 24, &0f64.to_le_bytes())),
    ] {
        fs::write(&path, bytes).unwrap();
        let file = pipeline(folder.path(), "copc", "m", area);
        let error = refused(&try_run(&file, &folder.path().join("out"), &[]), 1);
        assert!(error.contains("the hierarchy of the COPC file is damaged"), "{what}: {error}");
        let (found, plain) = (run(&skip("copc"), &[]), run(&skip("plain"), &[]));
        assert_eq!(found.summary(), plain.summary(), "{what}");
        let notes = common::manifest(&found.out)["notes"].to_string();
        let noted = notes.contains("copc-survey.laz: the hierarchy of the COPC file is damaged");
        assert!(noted && notes.contains("it is read as plain LAZ"), "{what}: {notes}");
        assert!(!common::manifest(&plain.out)["notes"].to_string().contains("hierarchy"), "{what}");
    }
}

/// Writes `target/sample.copc.laz`, to be read back with another library: `tests/data/made.copc.laz` is one of them.
#[test]
#[ignore = "writes a file"]
fn a_sample_for_another_reader() {
    let copc = site(9, 3_000).copc();
    fs::create_dir_all(root().join("target")).unwrap();
    fs::write(root().join("target/sample.copc.laz"), &copc.bytes).unwrap();
    let [x, y]: Area = [[1010.0, 1055.0], [-1980.0, -1930.0]];
    let inside = |at: f64, side: [f64; 2]| side[0] <= at && at < side[1];
    let points = copc.chunks.iter().flat_map(|(_, points)| points);
    let places = points.map(|p| (f64::from(p.xyz[0]) * 0.001 + 1000.0, f64::from(p.xyz[1]) * 0.01 - 2000.0));
    let in_area = places.filter(|(a, b)| inside(*a, x) && inside(*b, y)).count();
    let all: usize = copc.chunks.iter().map(|(_, points)| points.len()).sum();
    println!("points {all}, nodes {}, in the area {in_area}", copc.nodes);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]
    /// The file is refused or its nodes are its blocks; where damage is skipped it opens, and all of its points are there.
    #[test]
    fn any_byte_of_record_and_hierarchy_may_be_wrong(place in 0.0..1.0f64, new in any::<[u8; 4]>(), in_record in any::<bool>()) {
        static FILE: std::sync::OnceLock<Copc> = std::sync::OnceLock::new();
        let copc = FILE.get_or_init(|| site(4, 1_000).copc());
        let (from, to) = if in_record { (copc.info, copc.info + 56) } else { (copc.hierarchy, copc.bytes.len()) };
        let at = from + (place * (to - from - 4) as f64) as usize;
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("strip.laz");
        fs::write(&path, with(&copc.bytes, at, &new)).unwrap();
        let strict = Source::open(&path, false);
        let skipped = Source::open(&path, true).unwrap().remove(0);
        match &strict {
            Ok(sources) => prop_assert_eq!(sources[0].nodes(), Some(sources[0].blocks().len())),
            Err(error) => prop_assert!(error.to_string().contains("the hierarchy of the COPC file is damaged"), "{}", error),
        }
        prop_assert_eq!(skipped.nodes().is_some(), strict.is_ok());
        let all: usize = copc.chunks.iter().map(|(_, points)| points.len()).sum();
        prop_assert_eq!(decoded(&skipped, |decoder, block| drop(decoder.outside_node(block))), Ok(all as u64));
    }
}
