//! Clouds that are broken: what the program says of each, and that it leaves nothing behind.

mod common;
#[path = "common/files.rs"]
mod files;

use std::fs;
use std::path::Path;
use std::process::Output;

use common::{describe, echograde};
use files::{Builder, chunks_and_table, points, with};
use tempfile::TempDir;

/// Runs a survey of one file alone.
fn run(folder: &Path, name: &str, options: &str) -> Output {
    let text = format!(
        "survey: {{files: [{name}], units: m}}\noutput: out\nstages:\n  - read: {{{options}}}\n  - ground: {{}}\n  \
         - summarise: {{}}\n"
    );
    let pipeline = folder.join("pipeline.yaml");
    fs::write(&pipeline, text).unwrap();
    echograde().arg("run").arg(&pipeline).output().unwrap()
}

/// The error alone, without the folder that it happened in.
fn error(output: &Output, folder: &Path) -> String {
    let message = String::from_utf8_lossy(&output.stderr).replace(&format!("{}/", folder.display()), "");
    message.lines().skip_while(|line| !line.starts_with("error")).collect::<Vec<_>>().join("\n")
}

fn broken() -> Vec<(&'static str, Vec<u8>)> {
    let las = Builder::new(4, 6, points(200, 6)).las();
    let old = Builder::new(2, 3, points(2000, 3)).laz(500);
    let laz = Builder::new(4, 7, points(200, 7)).laz(64);
    let variable = Builder::new(4, 6, points(200, 6)).laz(0);
    let (chunk, table) = chunks_and_table(&laz);
    let (old_chunk, old_table) = chunks_and_table(&old);
    let float = |value: f64| value.to_le_bytes();
    let mut wiped = old.clone();
    wiped[old_chunk + (old_table - old_chunk) / 2..old_table].fill(0xff);
    vec![
        ("empty", Vec::new()),
        ("text", b"x,y,z\n400000.00,6100000.00,12.3\n".to_vec()),
        ("cut off in the header", las[..300].to_vec()),
        ("cut off in the points, LAS", las[..1000].to_vec()),
        ("cut off in the points, LAZ", laz[..table - 100].to_vec()),
        ("cut off in the chunk table", laz[..table + 9].to_vec()),
        ("version to come", with(&las, 25, &[9])),
        ("header size", with(&las, 94, &[100, 0])),
        ("place of the points inside the header", with(&las, 96, &[10, 0, 0, 0])),
        ("place of the points outside", with(&las, 96, &u32::MAX.to_le_bytes())),
        ("point format to come", with(&las, 104, &[33])),
        ("point too small", with(&las, 105, &[20, 0])),
        ("point too large", with(&las, 105, &[200, 0])),
        ("no points", with(&las, 247, &[0; 8])),
        ("too many points, LAS", with(&las, 247, &[0xff; 8])),
        ("too many points, LAZ", with(&laz, 247, &300u64.to_le_bytes())),
        ("too few points, LAZ", with(&laz, 247, &100u64.to_le_bytes())),
        ("too few points, chunks of any size", with(&variable, 247, &150u64.to_le_bytes())),
        ("scale factor not a number", with(&las, 131, &float(f64::NAN))),
        ("scale factor zero", with(&las, 139, &float(0.0))),
        ("scale factor huge", with(&las, 147, &float(1e9))),
        ("scale factor tiny", with(&las, 131, &float(1e-300))),
        ("offset infinite", with(&las, 155, &float(f64::INFINITY))),
        ("offset huge", with(&las, 171, &float(1e30))),
        ("chunk table missing", with(&laz[..table], chunk - 8, &[0xff; 8])),
        ("chunk table outside", with(&laz, chunk - 8, &(1u64 << 40).to_le_bytes())),
        ("chunk table in the header", with(&laz, chunk - 8, &90u64.to_le_bytes())),
        ("chunk table of an unknown kind", with(&laz, table, &[7])),
        ("chunk table with too many chunks", with(&laz, table + 4, &u32::MAX.to_le_bytes())),
        ("chunk table of no sense", with(&laz, table + 8, &[0x5a; 6])),
        ("compression record missing", with(&laz, 377, b"something else")),
        ("compression of another format", with(&laz, 104, &[0x83])),
        ("damaged chunk, layers", with(&laz, chunk + 40, &[0xff; 40])),
        ("damaged chunk, number of points", with(&laz, chunk + 36, &[1, 2, 3, 4])),
        ("damaged chunk, old kind", with(&old, old_chunk + 60, &[0x5a; 60])),
        ("wiped chunks, old kind", wiped),
    ]
}

#[test]
fn each_is_reported_with_file_place_and_remedy_and_nothing_is_left() {
    let mut message = String::new();
    for (what, bytes) in broken() {
        let folder = TempDir::new().unwrap();
        fs::write(folder.path().join("strip.laz"), bytes).unwrap();
        let output = run(folder.path(), "strip.laz", "");
        assert_eq!(output.status.code(), Some(1), "{what}: {}", describe(&output));
        let error = error(&output, folder.path());
        assert!(error.starts_with("error: strip.laz: "), "{what}: {error}");
        assert!(output.stdout.is_empty());
        let mut left: Vec<_> =
            fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        left.sort();
        assert_eq!(left, ["pipeline.yaml", "strip.laz"], "{what}");
        message += &format!("{what}\n  {error}\n");
    }
    insta::assert_snapshot!(message);
}

#[test]
fn a_folder_named_like_a_cloud_is_a_mistake_in_the_pipeline_file() {
    let folder = TempDir::new().unwrap();
    fs::create_dir(folder.path().join("strip.laz")).unwrap();
    for files in ["strip.laz", "'*.laz'"] {
        let output = run(folder.path(), files, "");
        assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
        assert!(error(&output, folder.path()).contains("a folder"), "{}", describe(&output));
    }
    let output = echograde().arg("inspect").arg(folder.path().join("strip.laz")).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("it is a folder"), "{}", describe(&output));
}

#[test]
fn the_folder_is_checked_before_the_clouds_are_read_and_a_file_there_is_refused() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("strip.las"), Builder::new(4, 6, points(200, 6)).las()).unwrap();
    fs::write(folder.path().join("out"), "a letter").unwrap();
    let output = run(folder.path(), "strip.las", "");
    assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
    assert_eq!(fs::read_to_string(folder.path().join("out")).unwrap(), "a letter");
}

/// A header whose counts by return are wrong, or whose box is known to be, is no reason to stop; the manifest says so.
#[test]
fn lies_that_do_no_harm_become_notes() {
    let folder = TempDir::new().unwrap();
    let mut builder = Builder::new(4, 6, points(200, 6));
    builder.points.iter_mut().for_each(|point| point.withheld = false);
    let honest = builder.honest_las();
    let box_too_small = with(&honest, 179, &1000f64.to_le_bytes());
    fs::write(folder.path().join("strip.las"), with(&box_too_small, 263, &77u64.to_le_bytes())).unwrap();
    let output = run(folder.path(), "strip.las", "");
    assert_eq!(output.status.code(), Some(1), "{}", describe(&output));
    assert!(error(&output, folder.path()).contains("set `read: {bounds: ignore}`"), "{}", describe(&output));
    let output = run(folder.path(), "strip.las", "bounds: ignore");
    assert!(output.status.success(), "{}", describe(&output));
    let manifest = fs::read_to_string(folder.path().join("out/manifest.json")).unwrap();
    assert!(
        manifest.contains("points of the survey lie outside the box that its headers state"),
        "{manifest}"
    );
    assert!(manifest.contains("other numbers of points than were read for return 2;"), "{manifest}");
    fs::write(folder.path().join("honest.las"), honest).unwrap();
    fs::remove_dir_all(folder.path().join("out")).unwrap();
    let output = run(folder.path(), "honest.las", "");
    assert!(output.status.success(), "{}", describe(&output));
    let manifest: serde_json::Value =
        serde_json::from_slice(&fs::read(folder.path().join("out/manifest.json")).unwrap()).unwrap();
    assert_eq!(manifest["notes"].as_array().unwrap().len(), 0, "{manifest}");
}
