//! `read: {damaged: skip}`: damaged blocks are left out whole, counted, and clearly reported.

mod common;
#[path = "common/files.rs"]
mod files;

use std::fs;
use std::path::{Path, PathBuf};

use common::{RunResult, describe, echograde, run, run_in_parts};
use echograde::cloud::LasFile;
use files::{Builder, chunks_and_table, points, with};
use serde_json::Value;
use tempfile::TempDir;

fn pipeline(folder: &Path, survey: &str, read: &str) -> PathBuf {
    let file = folder.join("pipeline.yaml");
    let text = format!(
        "title: skip\nsurvey: {{files: [{survey}], units: m}}\nreference: {{files: [reference.las], units: m}}\noutput: out\n\
         stages:\n  - read: {{{read}}}\n  - ground: {{}}\n  - checkpoints: {{per_return: all, list: all}}\n  \
         - compare: {{within: 2 m}}\n  - summarise: {{}}\n"
    );
    fs::write(&file, text).unwrap();
    file
}

fn notes(run: &RunResult) -> Vec<String> {
    let manifest: Value = serde_json::from_str(&run.text("manifest.json")).unwrap();
    let notes = manifest["notes"].as_array().unwrap();
    notes.iter().map(|note| note.as_str().unwrap().to_string()).collect()
}

/// A LAZ file of chunks of 64 points of which the second cannot be decoded, and the same without its points.
fn damaged(format: u8, minor: u8) -> (Vec<u8>, Vec<u8>) {
    let mut builder = Builder::new(minor, format, points(200, format));
    let whole = builder.laz(64);
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("whole.laz");
    fs::write(&path, &whole).unwrap();
    let block = LasFile::open(&path).unwrap().blocks[1];
    let (from, to) = (block.offset as usize, (block.offset + block.bytes) as usize);
    // The end of the chunk: most of its points are decoded before the damage shows.
    let mut broken = whole;
    if format < 6 {
        broken[to - 40..to].fill(0xff);
    } else {
        let lengths = from + usize::from(builder.record_length()) + 4;
        broken[lengths + 4..lengths + 8].fill(0x7f);
    }
    builder.points.drain(64..128);
    (broken, builder.laz(64))
}

#[test]
fn a_damaged_chunk_is_left_out_whole_whatever_the_format() {
    for (format, minor) in [(0, 2), (1, 2), (3, 3), (6, 4), (7, 4), (10, 4)] {
        let (broken, without) = damaged(format, minor);
        let folder = TempDir::new().unwrap();
        fs::write(folder.path().join("broken.laz"), broken).unwrap();
        fs::write(folder.path().join("without.laz"), without).unwrap();
        fs::write(folder.path().join("reference.las"), Builder::new(4, 6, points(200, 6)).las()).unwrap();
        let stopped = echograde().arg("run").arg(pipeline(folder.path(), "broken.laz", "")).output().unwrap();
        assert_eq!(stopped.status.code(), Some(1), "format {format}: {}", describe(&stopped));
        let message = String::from_utf8_lossy(&stopped.stderr).to_string();
        assert!(message.contains("block 2 of 4") && message.contains("`read: {damaged: skip}`"), "{message}");

        let skip = run(&pipeline(folder.path(), "broken.laz", "damaged: skip"), &["--threads", "1"]);
        let rest = run(&pipeline(folder.path(), "without.laz", "damaged: skip"), &[]);
        let (found, expected) = (skip.summary(), rest.summary());
        assert_eq!(found["returns"], expected["returns"], "format {format}");
        assert_eq!(found["all"], expected["all"]);
        assert_eq!(skip.text("checkpoints.csv"), rest.text("checkpoints.csv"));
        assert!(found["all"]["compared"].as_u64().unwrap() > 0);
        let survey = &found["survey"];
        assert_eq!((&survey["damaged_blocks"], &survey["lost_points"]), (&1.into(), &64.into()));
        assert_eq!(survey["read"], 200);
        let parts =
            ["lost_points", "withheld", "out_of_range", "noise", "low_outlier", "above_ground", "ground"];
        assert_eq!(parts.iter().map(|part| survey[part].as_u64().unwrap()).sum::<u64>(), 200);
        assert_eq!(rest.summary()["survey"]["damaged_blocks"], 0);

        assert!(
            skip.stdout
                .contains("WARNING: A damaged block of the survey was skipped: 64 of 200 points (32.0 %)"),
            "{}",
            skip.stdout
        );
        assert!(
            skip.text("report.html")
                .contains("<p class=\"data-loss\" role=\"alert\"><strong>Warning.</strong> A damaged")
        );
        assert!(!rest.stdout.contains("WARNING") && !rest.text("report.html").contains("role=\"alert\""));
        let note = notes(&skip).into_iter().find(|note| note.starts_with("skipped: ")).unwrap();
        for part in ["broken.laz: block 2 of 4 (bytes ", "points 65 to 128) is damaged: "] {
            assert!(note.contains(part), "{note}");
        }
        for (tile, threads) in [(2, "2"), (30, "4"), (300, "1")] {
            let file = pipeline(folder.path(), "broken.laz", &format!("damaged: skip, tile: {tile} m"));
            let again = run(&file, &["--threads", threads]).same_bytes();
            for (name, text) in skip.same_bytes() {
                assert!(again[name] == text, "{name} differs: tiles of {tile} m, {threads} threads");
            }
        }
        // In parts, whichever has the damage.
        let parts = run_in_parts(&pipeline(folder.path(), "broken.laz", "damaged: skip"), 3);
        assert!(parts.same_bytes() == skip.same_bytes(), "three parts, format {format}");
        assert_eq!(notes(&parts), notes(&skip));
    }
}

#[test]
fn a_las_file_that_is_cut_off_gives_the_points_that_are_there() {
    let folder = TempDir::new().unwrap();
    let las = Builder::new(4, 6, points(200, 6)).las();
    fs::write(folder.path().join("reference.las"), &las).unwrap();
    fs::write(folder.path().join("cut.las"), &las[..375 + 150 * 30 + 7]).unwrap();
    let skip = run(&pipeline(folder.path(), "cut.las", "damaged: skip"), &[]);
    let survey = &skip.summary()["survey"];
    assert_eq!((&survey["read"], &survey["lost_points"]), (&200.into(), &50.into()));
    assert!(
        notes(&skip).iter().any(|note| note.contains("cut.las: cut off: points 151 to 200 are not there"))
    );
}

#[test]
fn a_cloud_that_is_damaged_throughout_leaves_nothing_to_compare() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("reference.las"), Builder::new(4, 6, points(200, 6)).las()).unwrap();
    let mut laz = Builder::new(4, 6, points(200, 6)).laz(64);
    let (chunk, table) = chunks_and_table(&laz);
    laz[chunk..table].fill(0xff);
    fs::write(folder.path().join("junk.laz"), &laz).unwrap();
    let output =
        echograde().arg("run").arg(pipeline(folder.path(), "junk.laz", "damaged: skip")).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", describe(&output));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains("nothing was compared: all 200 points of the survey are in damaged blocks"),
        "{said}"
    );
    assert!(!folder.path().join("out").exists());
}

/// Damage to the reference is reported as well; a table that is damaged cannot be skipped.
#[test]
fn the_reference_is_judged_alike_and_a_damaged_table_stops_either_way() {
    let folder = TempDir::new().unwrap();
    let (broken, _) = damaged(6, 4);
    fs::write(folder.path().join("reference.las"), &broken).unwrap();
    fs::write(folder.path().join("whole.laz"), Builder::new(4, 6, points(200, 6)).laz(50)).unwrap();
    let skip = run(&pipeline(folder.path(), "whole.laz", "damaged: skip"), &[]);
    assert_eq!(skip.summary()["reference"]["lost_points"], 64);
    assert!(skip.stdout.contains("WARNING: A damaged block of the reference was skipped"));
    let (_, table) = chunks_and_table(&broken);
    fs::write(folder.path().join("reference.las"), with(&broken, table, &[9])).unwrap();
    let file = pipeline(folder.path(), "whole.laz", "damaged: skip");
    let output = echograde().arg("run").arg(file).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("the chunk table is damaged"));
}
