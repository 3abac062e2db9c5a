//! Headers that lie about where points lie and how densely: memory and disk stay within bounds all the same.

mod common;
#[path = "common/files.rs"]
mod files;

use std::fs;
use std::path::{Path, PathBuf};

use common::{describe, echograde, run};
use files::{Builder, Raw, with};
use tempfile::TempDir;

/// So many points, evenly spread over a square of `side` metres, in a file that states a box of 20 km.
fn crowd(count: u32, side: f64) -> Vec<u8> {
    let along = f64::from(count).sqrt().ceil() as u32;
    let raw = |n: u32| (f64::from(n) / f64::from(along) * side * 100.0) as i32;
    let points = (0..count).map(|i| Raw {
        // The builder's scale factors of x and y are 1 mm and 1 cm.
        xyz: [raw(i % along) * 10, raw(i / along), (i % 7) as i32],
        return_number: 1,
        number_of_returns: 1,
        ..Raw::default()
    });
    let mut las = Builder::new(2, 0, points.collect()).las();
    for (at, value) in [(179, 20_000.0f64), (187, -10_000.0), (195, 20_000.0), (203, -10_000.0)] {
        las = with(&las, at, &value.to_le_bytes());
    }
    las
}

fn pipeline(folder: &Path, read: &str, ground: &str) -> PathBuf {
    let file = folder.join("pipeline.yaml");
    let text = format!(
        "survey: {{files: [strip.las], units: m}}\noutput: out\nstages:\n  - read: {{{read}}}\n  - ground: {{{ground}}}\n  \
         - summarise: {{}}\n"
    );
    fs::write(&file, text).unwrap();
    file
}

fn refused(file: &Path, options: &[&str]) -> String {
    let output = echograde().arg("run").arg(file).args(options).output().unwrap();
    assert!(!output.status.success(), "{}", describe(&output));
    let folder = file.parent().unwrap();
    assert!(!folder.join("out").exists() && !folder.join("out.unfinished").exists(), "{}", describe(&output));
    let message = String::from_utf8_lossy(&output.stderr).to_string();
    message.lines().skip_while(|line| !line.starts_with("error")).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_tile_too_full_for_memory_is_worked_on_in_parts_and_too_little_for_its_cells_is_refused_before_reading() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("strip.las"), crowd(400_000, 90.0)).unwrap();
    // The header states a box of 20 km: tiles are wide.
    let options = ["--memory", "40M", "--threads", "1"];
    let message = refused(&pipeline(folder.path(), "bounds: ignore", ""), &options);
    assert!(message.contains("the cells of one tile of 200 m with its margins need 84 MiB"), "{message}");
    let checked = echograde().arg("check").arg(folder.path().join("pipeline.yaml")).output().unwrap();
    let text = String::from_utf8(checked.stdout).unwrap();
    assert!(text.contains("512 MiB allowed, 84 MiB at least"), "{text}");
    let floor = run(&pipeline(folder.path(), "bounds: ignore", ""), &["--memory", "84M", "--threads", "1"]);
    let parts = run(&pipeline(folder.path(), "tile: 100 m, bounds: ignore", ""), &options);
    // A tile beyond a worker's share is worked on alone; the results are the same.
    let heavy = run(
        &pipeline(folder.path(), "tile: 100 m, bounds: ignore", ""),
        &["--memory", "40M", "--threads", "4"],
    );
    let roomy = run(
        &pipeline(folder.path(), "tile: 100 m, bounds: ignore", ""),
        &["--memory", "4G", "--threads", "2"],
    );
    for other in [&floor, &parts, &heavy] {
        assert_eq!(other.text("summary.json"), roomy.text("summary.json"));
    }
}

#[test]
fn points_strewn_by_a_wrong_scale_factor_do_not_flood_the_disk() {
    let folder = TempDir::new().unwrap();
    let mut las = crowd(40_000, 100.0);
    // Metres in place of millimetres and centimetres.
    for at in [131, 139] {
        las = with(&las, at, &1f64.to_le_bytes());
    }
    fs::write(folder.path().join("strip.las"), las).unwrap();
    // The box in the header shows it, where it is believed.
    let message = refused(&pipeline(folder.path(), "tile: 100 m", ""), &[]);
    assert!(
        message.contains("strip.las: block 1 of 1") && message.contains("but the header states"),
        "{message}"
    );
    let message = refused(&pipeline(folder.path(), "tile: 100 m, bounds: ignore", ""), &[]);
    assert!(
        message.contains("the points of the survey lie scattered over ") && message.contains("scale factor"),
        "{message}"
    );
    let options = ["--memory", "8M", "--threads", "1"];
    let message = refused(&pipeline(folder.path(), "tile: 2 m, bounds: ignore", "window_max: 2 m"), &options);
    assert!(
        message.contains("scattered over so many tiles") && message.contains("scale factor"),
        "{message}"
    );
}

#[test]
fn options_that_no_memory_could_serve_are_refused_before_reading() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("strip.las"), crowd(100, 10.0)).unwrap();
    fs::write(folder.path().join("reference.las"), crowd(100, 10.0)).unwrap();
    let message = refused(&pipeline(folder.path(), "tile: 5000 m", ""), &[]);
    assert!(message.contains("2,000 m is the most"), "{message}");
    let message = refused(&pipeline(folder.path(), "", "cell: 1 mm, window_max: 100 m"), &[]);
    assert!(message.contains("100000 cells of 1 mm"), "{message}");
    let message = refused(&pipeline(folder.path(), "tile: 500 m", "cell: 1 cm"), &["--memory", "16M"]);
    assert!(message.contains("the cells of one tile of 500 m with its margins need "), "{message}");
    let file = pipeline(folder.path(), "tile: 10 m", "");
    let text = fs::read_to_string(&file).unwrap();
    let text = text.replace("output:", "reference: {files: [reference.las], units: m}\noutput:");
    fs::write(&file, text.replace("  - summ", "  - checkpoints: {}\n  - compare: {within: 90 m}\n  - summ"))
        .unwrap();
    let message = refused(&file, &[]);
    assert!(message.contains("too small for the 9"), "{message}");
}
