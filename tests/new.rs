//! `echograde new`: from folders of clouds to a pipeline file that runs as it is.

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use common::describe;
use common::made::{Stored, grid, point, write};
use tempfile::TempDir;

fn new_in(folder: &Path, arguments: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_echograde"))
        .arg("new")
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

/// A slope with a hall 24 m wide, in two folders.
fn site(folder: &Path, stored: &Stored) {
    let ground = |x: f64, y: f64| 100.0 + 0.1 * x + 0.02 * y;
    let roofed = |x: f64, y: f64| (30.0..54.0).contains(&x) && (20.0..60.0).contains(&y);
    let survey: Vec<_> = grid(400, 320, 0.25)
        .map(|(x, y)| point(x, y, if roofed(x, y) { 112.0 } else { ground(x, y) }))
        .collect();
    let reference: Vec<_> = grid(400, 320, 0.25)
        .filter(|(x, y)| *x > 60.0 && *y > 5.0)
        .map(|(x, y)| point(x, y, ground(x, y) - 0.02))
        .collect();
    for (name, points) in [("flight [1]", survey), ("scan", reference)] {
        fs::create_dir(folder.join(name)).unwrap();
        write(&folder.join(name).join("a.las"), &points, stored);
    }
}

#[test]
fn from_two_folders_to_a_result_without_a_word_of_yaml() {
    let folder = TempDir::new().unwrap();
    site(folder.path(), &Stored::with_system_of("metre.wkt"));
    let arguments = ["flight [1]", "--reference", "scan", "--out", "site.yaml"];
    let made = new_in(folder.path(), &arguments);
    assert!(made.status.success(), "{}", describe(&made));
    let said = String::from_utf8_lossy(&made.stdout).into_owned();
    assert!(said.contains("echograde run site.yaml") && !said.contains("confirm"), "{said}");
    let text = fs::read_to_string(folder.path().join("site.yaml")).unwrap();
    let window: f64 = text.split("window_max: ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((28.0..40.0).contains(&window), "{text}");
    assert!(text.contains("widest roof") && text.contains("cell: 0.5 m"), "{text}");
    let run = Command::new(env!("CARGO_BIN_EXE_echograde"))
        .args(["run", "site.yaml", "--json"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", describe(&run));
    let summary: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert!((summary["all"]["bias"].as_f64().unwrap() - 0.02).abs() < 1e-3, "{}", summary["all"]);
    // A second time it is not overwritten.
    let again = new_in(folder.path(), &arguments);
    assert_eq!(again.status.code(), Some(2), "{}", describe(&again));
    assert!(String::from_utf8_lossy(&again.stderr).contains("add --replace"), "{}", describe(&again));
}

#[test]
fn units_that_are_not_stated_are_left_to_the_person() {
    let folder = TempDir::new().unwrap();
    site(folder.path(), &Stored::SILENT);
    let made = new_in(folder.path(), &["flight [1]/a.las"]);
    assert!(made.status.success(), "{}", describe(&made));
    assert!(
        String::from_utf8_lossy(&made.stdout).contains("confirm the `units:` lines"),
        "{}",
        describe(&made)
    );
    let text = fs::read_to_string(folder.path().join("pipeline.yaml")).unwrap();
    assert!(text.contains("CONFIRM") && !text.contains("compare"), "{text}");
}

#[test]
fn an_empty_folder_or_a_file_that_is_no_cloud_is_named() {
    let folder = TempDir::new().unwrap();
    fs::create_dir(folder.path().join("empty")).unwrap();
    fs::write(folder.path().join("a.laz"), "no cloud").unwrap();
    let empty = new_in(folder.path(), &["empty"]);
    assert_eq!(empty.status.code(), Some(2), "{}", describe(&empty));
    assert!(
        String::from_utf8_lossy(&empty.stderr).contains("holds no .laz, .las or .e57 file"),
        "{}",
        describe(&empty)
    );
    let wrong = new_in(folder.path(), &["a.laz"]);
    assert_eq!(wrong.status.code(), Some(1), "{}", describe(&wrong));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("a.laz"), "{}", describe(&wrong));
    assert!(!folder.path().join("pipeline.yaml").exists());
}
