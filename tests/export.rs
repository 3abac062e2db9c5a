//! `export`: the classified cloud is the survey but for its classes, agrees with the counts of the run, and comes out the same
//! however it is made.

mod common;
#[path = "common/files.rs"]
mod files;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{grid, point, slope, write_plain};
use common::{Working, describe, echograde, flat, manifest, refused, root, run, summary, try_run};
use echograde::cloud::{Fields, LasDecoder, LasFile};
use echograde::units::Unit;
use files::{Builder, Raw};
use las::Point;
use las::point::Classification;
use serde_json::Value;
use tempfile::TempDir;

const GROUND: u8 = 2;

/// All records of a file, one after another, and the length of one.
fn records(path: &Path) -> (LasFile, Vec<Vec<u8>>) {
    let file = LasFile::open(path).unwrap();
    let mut decoder = LasDecoder::new(&file, Fields::default(), Unit::Metre, Unit::Metre).unwrap();
    let mut all = Vec::new();
    for block in &file.blocks {
        decoder
            .for_each_record_batch(block, |some, _| {
                all.extend(some.chunks_exact(file.record_length.into()).map(<[u8]>::to_vec));
            })
            .unwrap();
    }
    (file, all)
}

/// The class in a record.
fn class(file: &LasFile, record: &[u8]) -> u8 {
    if file.format < 6 { record[15] & 0x1f } else { record[16] }
}

/// Return number and number of returns in a record.
fn returns(file: &LasFile, record: &[u8]) -> (u8, u8) {
    if file.format < 6 { (record[14] & 7, record[14] >> 3 & 7) } else { (record[14] & 15, record[14] >> 4) }
}

fn is_withheld(file: &LasFile, record: &[u8]) -> bool {
    if file.format < 6 { record[15] & 0x80 != 0 } else { record[15] & 4 != 0 }
}

/// What is to be seen of a pair of files, the survey's and its copy: points of class 2 by return, those of class 7 that had
/// another class, and those whose class has changed.
#[derive(Default, Debug, PartialEq)]
struct Seen {
    ground_by_return: [u64; 16],
    low: u64,
    changed: u64,
}

/// Asserts that a copy is its source but for the class, bit for bit, and that points which cannot have been judged kept it.
fn compare(source: &Path, copy: &Path, added: usize, seen: &mut Seen) {
    let ((from, was), (to, is)) = (records(source), records(copy));
    assert_eq!((was.len(), usize::from(from.record_length) + added), (is.len(), to.record_length.into()));
    assert!(to.compressed && (from.version, from.format) == (to.version, to.format));
    assert_eq!((from.scale, from.offset), (to.scale, to.offset));
    let byte = if from.format < 6 { 15 } else { 16 };
    for (was, is) in was.iter().zip(&is) {
        let (before, after) = (class(&from, was), class(&to, is));
        let mut expected = was.clone();
        expected[byte] = is[byte];
        assert_eq!(expected, is[..was.len()]);
        if from.format < 6 {
            assert_eq!(was[15] & 0xe0, is[15] & 0xe0);
        }
        let judged = !is_withheld(&from, was) && !matches!(before, 7 | 18);
        assert!(judged || before == after);
        assert!(
            before == after || matches!((before, after), (_, 2) | (_, 7) | (2, 1)),
            "{before} to {after}"
        );
        let (number, of) = returns(&from, was);
        if judged && after == GROUND {
            seen.ground_by_return[usize::from(if (1..=of).contains(&number) { number } else { 0 })] += 1;
        }
        seen.low += u64::from(judged && after == 7);
        seen.changed += u64::from(before != after);
    }
}

/// Points on a slope with low bushes of several returns, two pits, and points that are not to be judged.
fn raw_points(format: u8, first_row: i32) -> Vec<Raw> {
    let mut all = Vec::new();
    for i in 0..6000i32 {
        let (column, row) = (i % 100, first_row + i / 100);
        let ground = 40 * column + (i * 7919 % 60);
        let returns = (i % 3 + 1) as u8;
        for number in 1..=returns {
            // The builder's files are in thousandths east, hundredths north, ten thousandths up.
            let above = if number < returns { 20_000 * i32::from(returns - number) } else { 0 };
            let pit = if i == 2950 || i == 3333 { -60_000 } else { 0 };
            all.push(Raw {
                xyz: [250 * column + 3 * i32::from(number), 25 * row, 10 * ground + above + pit],
                return_number: number,
                number_of_returns: returns,
                class: [0, 1, 2, 5, 2, 7, 1, 2, 2, 18][(i % 10) as usize],
                withheld: i % 37 == 5,
                scan_angle: (i % 20) as i16,
                strip: 7 + (i % 2) as u16,
                gps_time: f64::from(i) * 0.001 + if format < 6 { 5.0 } else { 7.0 },
            });
        }
    }
    all
}

/// A survey of files of several formats and versions, side by side.
fn survey_of_many_formats(folder: &Path) -> Vec<String> {
    let mut names = Vec::new();
    for (number, (minor, format, extra_bytes, compressed)) in [
        (0, 0, 0, false),
        (2, 1, 2, true),
        (2, 3, 0, false),
        (3, 4, 0, false),
        (4, 6, 0, true),
        (4, 7, 5, false),
        (4, 10, 0, true),
    ]
    .into_iter()
    .enumerate()
    {
        let points = raw_points(format, 60 * number as i32);
        let builder = Builder { extra_bytes, ..Builder::new(minor, format, points) };
        let name = format!("s{number}.{}", if compressed { "LAZ" } else { "las" });
        let bytes = if compressed { builder.laz(1000) } else { builder.las() };
        // No box is stated.
        fs::write(folder.join(&name), bytes).unwrap();
        names.push(name);
    }
    names
}

fn pipeline(folder: &Path, name: &str, stages: &str) -> PathBuf {
    let file = folder.join(name);
    let text = format!("title: t\nsurvey: {{files: ['s*.*'], units: m}}\noutput: out\nstages: [{stages}]\n");
    fs::write(&file, text).unwrap();
    file
}

/// What the manifest says of the products but their hashes is the same as well.
fn products(out: &Path) -> Vec<Value> {
    manifest(out)["products"].as_array().unwrap().clone()
}

#[test]
fn every_format_comes_back_but_for_its_classes_and_ground_by_return_is_as_counted() {
    let folder = TempDir::new().unwrap();
    let names = survey_of_many_formats(folder.path());
    for (more, dimensions, added) in [
        ("ground: {}, summarise: {}", "", 0),
        (
            "select: {strips: [7]}, ground: {local_slope: true}, summarise: {}",
            "extra_bytes: [ground_limit]",
            4,
        ),
        ("ground: {}, select: {returns: 1}, summarise: {}", "", 0),
    ] {
        let stages = format!("read: {{tile: 20 m, bounds: ignore}}, {more}, export: {{{dimensions}}}");
        let done = run(&pipeline(folder.path(), "p.yaml", &stages), &[]);
        let found = done.summary();
        let mut seen = Seen::default();
        for name in &names {
            let copy = done.out.join("cloud").join(format!("{}.laz", &name[..2]));
            let mut of_file = Seen::default();
            compare(&folder.path().join(name), &copy, added, &mut of_file);
            assert!(of_file.changed > 100, "{name}: {of_file:?}");
            seen.low += of_file.low;
            seen.ground_by_return.iter_mut().zip(of_file.ground_by_return).for_each(|(a, b)| *a += b);
        }
        let counted = |key: &str| found["survey"][key].as_u64().unwrap();
        // Points that `select` left out beforehand keep class 2 where they came with it.
        if more.starts_with("ground: {}, summarise") {
            for row in found["returns"].as_array().unwrap() {
                let number = row["return"].as_u64().unwrap() as usize;
                assert_eq!(row["ground"].as_u64().unwrap(), seen.ground_by_return[number], "return {number}");
            }
            assert_eq!(counted("ground"), seen.ground_by_return.iter().sum::<u64>());
            assert!(seen.low > 0 && counted("low_outlier") == seen.low, "{seen:?}");
        } else if more.contains("returns: 1") {
            let left_out = found["survey"]["select"][0]["not_selected"].as_u64().unwrap();
            assert!(left_out > 1000);
            assert_eq!(counted("ground") + left_out, seen.ground_by_return.iter().sum::<u64>());
        }
        let listed = products(&done.out);
        assert_eq!(
            listed.iter().filter(|one| one["file"].as_str().unwrap().starts_with("cloud/")).count(),
            names.len()
        );
        for product in &listed {
            let bytes = fs::read(done.out.join(product["file"].as_str().unwrap())).unwrap();
            assert_eq!(product["bytes"].as_u64().unwrap(), bytes.len() as u64);
            assert_eq!(product["stage"], "export");
        }
    }
}

#[test]
fn points_of_a_cell_that_are_ground_are_those_up_to_its_limit() {
    let folder = TempDir::new().unwrap();
    let builder = Builder::new(4, 7, raw_points(7, 0));
    fs::write(folder.path().join("s.las"), builder.las()).unwrap();
    let stages = "read: {bounds: ignore}, ground: {low_outlier: 50 m}, summarise: {}, export: {extra_bytes: [ground_limit]}";
    let done = run(&pipeline(folder.path(), "p.yaml", stages), &[]);
    let (file, all) = records(&done.out.join("cloud/s.laz"));
    let (mut ground, mut above, mut none) = (0, 0, 0);
    for record in &all {
        let word = |at: usize| i32::from_le_bytes(record[at..at + 4].try_into().unwrap());
        let (z, limit) = (word(8), word(36));
        if limit == i32::MIN {
            assert!(is_withheld(&file, record) || matches!(class(&file, record), 7 | 18));
            none += 1;
        } else {
            assert_eq!(class(&file, record) == GROUND, z <= limit);
            *(if z <= limit { &mut ground } else { &mut above }) += 1;
        }
    }
    assert!(ground > 1000 && above > 1000 && none > 100, "{ground} {above} {none}");
}

/// The survey of the demo, with a pipeline that exports.
fn demo(folder: &Path, tile: &str) -> PathBuf {
    let data = root().join("demo-data").display().to_string().replace('\\', "/");
    let text = format!(
        "title: t\nsurvey: {{files: ['{data}/survey/*.laz']}}\nreference: {{files: ['{data}/reference/*.laz']}}\n\
         stages:\n  - read: {{tile: {tile}}}\n  - ground: {{slope: 0.3}}\n  - checkpoints: {{per_return: all}}\n  \
         - compare: {{match: plane, within: 40 cm}}\n  - summarise: {{}}\n  - export: {{extra_bytes: [dz, ground_limit], comparisons: true}}\n"
    );
    let file = folder.join("demo.yaml");
    fs::write(&file, text).unwrap();
    file
}

#[test]
fn the_bytes_are_the_same_for_all_tiles_threads_memory_and_interruptions() {
    let folder = TempDir::new().unwrap();
    let whole = run(&demo(folder.path(), "50 m"), &[]);
    let expected = products(&whole.out);
    let files: Vec<&str> = expected.iter().map(|product| product["file"].as_str().unwrap()).collect();
    assert_eq!(files, ["cloud/strip-101.laz", "cloud/strip-102.laz", "comparisons.csv", "points.gpkg"]);
    let again = run(&demo(folder.path(), "17 m"), &["--threads", "3", "--memory", "300M"]);
    assert_eq!(products(&again.out), expected);
    let one = run(&demo(folder.path(), "400 m"), &["--threads", "1"]);
    assert_eq!(products(&one.out), expected);
    // Killed while tiles are worked on, and while the cloud is written.
    for wait in ["tiles", "cloud"] {
        let (pipeline, out) = (demo(folder.path(), "9 m"), folder.path().join(format!("killed-{wait}")));
        let mut work = Working::start(&pipeline, &out, &["--threads", "1"]);
        match wait {
            "tiles" => work.wait_for_tiles(),
            _ => work.wait_for(|folder| {
                let copies = fs::read_dir(folder.join("results/cloud")).into_iter().flatten().flatten();
                copies.filter_map(|copy| copy.metadata().ok()).any(|data| data.len() > 0)
            }),
        }
        work.kill();
        // Nothing that looks whole is left where the results will be.
        assert!(!out.exists());
        let output = try_run(&pipeline, &out, &["--resume"]);
        assert!(output.status.success(), "{}", describe(&output));
        assert_eq!(products(&out), expected, "killed at {wait}");
        assert!(manifest(&out)["tiles_taken_over"].as_u64().unwrap() > 0);
    }
}

#[test]
fn dz_of_the_points_of_the_cloud_is_that_of_the_comparisons() {
    let folder = TempDir::new().unwrap();
    let done = run(&demo(folder.path(), "50 m"), &[]);
    let mut found = Vec::new();
    for name in ["cloud/strip-101.laz", "cloud/strip-102.laz"] {
        let (file, all) = records(&done.out.join(name));
        let added = usize::from(file.record_length) - 8;
        for record in &all {
            let word = |at: usize| i32::from_le_bytes(record[at..at + 4].try_into().unwrap());
            let dz = word(added);
            if dz == i32::MIN {
                continue;
            }
            assert_eq!(class(&file, record), GROUND);
            assert!(word(8) <= word(added + 4));
            let micrometres = |axis: usize| {
                ((f64::from(word(4 * axis)) * file.scale[axis] + file.offset[axis]) * 1e6).round() as i64
            };
            found.push((micrometres(1), micrometres(0), returns(&file, record).0, dz));
        }
    }
    let mut expected = Vec::new();
    let mut table = csv::Reader::from_path(done.out.join("comparisons.csv")).unwrap();
    for row in table.records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let dz = (number(2) * 1e4).round() as i32;
        expected.push((
            (number(1) * 1e6).round() as i64,
            (number(0) * 1e6).round() as i64,
            row[3].parse().unwrap(),
            dz,
        ));
    }
    let from_south = expected.clone();
    found.sort_unstable();
    expected.sort_unstable();
    assert_eq!(done.summary()["all"]["compared"].as_u64().unwrap(), expected.len() as u64);
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(&expected) {
        assert_eq!((found.0, found.1, found.2), (expected.0, expected.1, expected.2));
        // Halves of a step may be rounded either way.
        assert!((found.3 - expected.3).abs() <= 1, "{found:?} {expected:?}");
    }
    assert!(from_south.windows(2).all(|pair| (pair[0].0, pair[0].1) <= (pair[1].0, pair[1].1)));
}

/// A sloping square of ground under bushes, in LAS 1.4 format 6.
fn meadow() -> Vec<Point> {
    grid(60, 60, 0.5)
        .flat_map(|(x, y)| {
            let ground = point(x, y, slope(x, y));
            let bush = Point {
                z: ground.z + 2.0,
                classification: Classification::MediumVegetation,
                ..ground.clone()
            };
            [ground, bush]
        })
        .collect()
}

#[test]
fn files_of_one_name_are_told_apart_and_copc_becomes_plain_laz() {
    let folder = TempDir::new().unwrap();
    for (number, sub) in ["a", "b"].into_iter().enumerate() {
        fs::create_dir(folder.path().join(sub)).unwrap();
        let mut points = meadow();
        points.iter_mut().for_each(|point| point.x += number as f64 * 40.0);
        write_plain(&folder.path().join(sub).join("strip.laz"), &points);
    }
    let file = folder.path().join("p.yaml");
    let text = "survey: {files: ['*/strip.laz'], units: m}\nstages: [read: {}, ground: {}, summarise: {}, export: {}]\n";
    fs::write(&file, text).unwrap();
    let done = run(&file, &[]);
    for (source, copy) in [("a/strip.laz", "strip.laz"), ("b/strip.laz", "strip-2.laz")] {
        compare(&folder.path().join(source), &done.out.join("cloud").join(copy), 0, &mut Seen::default());
    }

    fs::copy(root().join("tests/data/simple.copc.laz"), folder.path().join("s.copc.laz")).unwrap();
    let done = run(
        &pipeline(
            folder.path(),
            "copc.yaml",
            "read: {}, ground: {cell: 5 m, window_max: 30 m}, summarise: {}, export: {}",
        ),
        &[],
    );
    let copy = done.out.join("cloud/s.laz");
    compare(&folder.path().join("s.copc.laz"), &copy, 0, &mut Seen::default());
    assert!(!fs::read(&copy).unwrap().windows(4).any(|bytes| bytes == b"copc"));
    let notes = manifest(&done.out)["notes"].to_string();
    assert!(notes.contains("COPC") && notes.contains("plain LAZ"), "{notes}");
}

#[test]
fn what_cannot_be_classified_is_refused_before_the_run() {
    let folder = TempDir::new().unwrap();
    write_plain(&folder.path().join("s.laz"), &meadow());
    for (stages, expected) in [
        ("read: {}, ground: {from: classes}, summarise: {}, export: {}", "`export: {cloud: false}`"),
        ("read: {}, summarise: {}, export: {}", "stage `ground` is missing"),
        ("read: {}, ground: {}, export: {}, summarise: {}", "wrong place"),
        (
            "read: {}, ground: {}, summarise: {}, export: {cloud: false, extra_bytes: [ground_limit]}",
            "no cloud is written",
        ),
        ("read: {}, ground: {}, summarise: {}, export: {extra_bytes: [height]}", "ground_limit"),
        (
            "read: {}, ground: {}, summarise: {}, export: {extra_bytes: [dz]}",
            "no comparisons beside the checkpoints",
        ),
        (
            "read: {}, ground: {}, summarise: {}, export: {comparisons: true}",
            "no comparisons beside the checkpoints",
        ),
    ] {
        let output =
            echograde().arg("check").arg(pipeline(folder.path(), "p.yaml", stages)).output().unwrap();
        let said = refused(&output, 2);
        assert!(flat(&said).contains(expected), "{stages}: {said}");
    }
    // A cloud that was exported with the dimension cannot be exported with it again.
    let stages = "read: {}, ground: {}, summarise: {}, export: {extra_bytes: [ground_limit]}";
    let done = run(&pipeline(folder.path(), "p.yaml", stages), &[]);
    fs::copy(done.out.join("cloud/s.laz"), folder.path().join("s.laz")).unwrap();
    let output = echograde().arg("check").arg(pipeline(folder.path(), "p.yaml", stages)).output().unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
    assert!(String::from_utf8_lossy(&output.stderr).contains("`ground_limit` already"));
}

#[cfg(unix)]
#[test]
fn a_disk_that_does_not_take_the_cloud_leaves_nothing_that_looks_whole_and_the_run_continues_from_there() {
    let folder = TempDir::new().unwrap();
    let builder = Builder { extra_bytes: 300, ..Builder::new(4, 6, raw_points(6, 0)) };
    let mut bytes = builder.las();
    // Extra bytes that no encoder makes shorter: the cloud takes far more than the working data.
    let mut state = 1u32;
    for record in bytes[375..].chunks_exact_mut(usize::from(builder.record_length())) {
        for byte in &mut record[30..] {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *byte = (state >> 24) as u8;
        }
    }
    fs::write(folder.path().join("s.las"), bytes).unwrap();
    let stages = "read: {bounds: ignore}, ground: {}, summarise: {}, export: {}";
    let (file, out) = (pipeline(folder.path(), "p.yaml", stages), folder.path().join("limited"));
    let limited = std::process::Command::new("sh")
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 2000; exec \"$0\" \"$@\"",
            env!("CARGO_BIN_EXE_echograde"),
            "run",
        ])
        .arg(&file)
        .arg("--out")
        .arg(&out)
        .output()
        .unwrap();
    let said = refused(&limited, 1);
    assert!(
        said.contains("cloud/s.laz: writing the classified cloud") && said.contains("--resume"),
        "{said}"
    );
    assert!(!out.exists());
    let output = try_run(&file, &out, &["--resume"]);
    assert!(output.status.success(), "{}", describe(&output));
    compare(&folder.path().join("s.las"), &out.join("cloud/s.laz"), 0, &mut Seen::default());
}

#[test]
fn damage_leaves_the_cloud_out_and_is_told() {
    let folder = TempDir::new().unwrap();
    let builder = Builder::new(4, 7, raw_points(7, 0));
    let laz = builder.laz(1000);
    let path = folder.path().join("s.laz");
    let stages = "read: {bounds: ignore, damaged: skip}, ground: {}, summarise: {}, export: {}";
    let clouds = |out: &Path| fs::read_dir(out.join("cloud")).into_iter().flatten().count();
    let notes = |out: &Path| manifest(out)["notes"].to_string();

    fs::write(&path, &laz).unwrap();
    let whole = run(&pipeline(folder.path(), "p.yaml", stages), &[]);
    assert_eq!(clouds(&whole.out), 1);
    let block = LasFile::open(&path).unwrap().blocks[1];
    let lengths = block.offset as usize + usize::from(builder.record_length()) + 4;
    let length =
        |layer: usize| u32::from_le_bytes(laz[lengths + 4 * layer..][..4].try_into().unwrap()) as usize;

    // Elevations that cannot be: the block is skipped, and no cloud is whole.
    fs::write(&path, files::with(&laz, lengths + 4, &[0x7f; 4])).unwrap();
    let skipped = run(&pipeline(folder.path(), "p.yaml", stages), &[]);
    assert_eq!(
        (clouds(&skipped.out), summary(&skipped.out)["survey"]["lost_points"].as_u64()),
        (0, Some(1000))
    );
    assert!(notes(&skipped.out).contains("no classified cloud is written"), "{}", notes(&skipped.out));

    // Times with a stretch of 0xFF, which no run looks at but for a copy: the figures are there, that file is not.
    let times = lengths + 4 * 10 + (0..8).map(length).sum::<usize>();
    fs::write(&path, files::with(&laz, times + 100, &[0xff; 20])).unwrap();
    let unseen = run(&pipeline(folder.path(), "p.yaml", stages), &[]);
    assert_eq!(unseen.text("returns.csv"), whole.text("returns.csv"));
    assert_eq!(clouds(&unseen.out), 0);
    assert!(notes(&unseen.out).contains("cloud/s.laz is not written: "), "{}", notes(&unseen.out));
}
