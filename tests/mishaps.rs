//! What can go wrong around a run ends in one clear message, exit code 1, and nothing that looks whole.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{Working, refused, results, root, slow_pipeline, try_run};
use echograde::engine::plan::job::{Job, Resources};
use echograde::engine::run::run;
use echograde::engine::store::run_folder::Claim;
use echograde::engine::watch::Watch;
use echograde::pipeline::load;
use echograde::stages::stage::TileStage;
use echograde::tile::at_work::Tile;
use tempfile::TempDir;

/// A place to work in, with a pipeline file over a copy of one strip and the scan of the demo.
fn place() -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    let data = folder.path().join("data");
    for file in ["survey/strip-101.laz", "reference/scan.laz"] {
        let copy = data.join(file);
        fs::create_dir_all(copy.parent().unwrap()).unwrap();
        fs::copy(root().join("demo-data").join(file), copy).unwrap();
    }
    let pipeline = slow_pipeline(folder.path(), &data);
    (folder, pipeline)
}

fn job(pipeline: &Path) -> Job {
    Job::prepare(load(pipeline).unwrap(), Resources { threads: 2, memory: 512 << 20 }).unwrap()
}

/// What lies in a folder, by name.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn an_input_that_vanishes_is_named_and_nothing_is_left() {
    let (folder, pipeline) = place();
    let job = job(&pipeline);
    fs::remove_file(folder.path().join("data/reference/scan.laz")).unwrap();
    let error =
        run(job, &folder.path().join("out"), Claim::default(), &Watch::default()).unwrap_err().to_string();
    assert!(error.contains("scan.laz") && error.contains("check the disk or the network drive"), "{error}");
    assert_eq!(names(folder.path()), ["data", "slow.yaml"]);
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let (folder, pipeline) = place();
    let said = refused(&try_run(&pipeline, &pipeline.join("out"), &[]), 1);
    assert!(said.contains("slow.yaml") && said.contains("choose another folder with --out"), "{said}");
    assert_eq!(names(folder.path()), ["data", "slow.yaml"]);
}

/// A stage with a mistake in it.
struct Panics;

impl TileStage for Panics {
    fn run(&self, tile: &mut Tile<'_>) {
        assert!(tile.key.column % 3 != 0, "this is on purpose");
    }
}

#[test]
fn a_panic_in_a_worker_is_reported_with_what_was_being_done() {
    let (folder, pipeline) = place();
    let out = folder.path().join("out");
    let mut job = job(&pipeline);
    job.chain.tiles.push(Box::new(Panics));
    let error = run(job, &out, Claim::default(), &Watch::default()).unwrap_err().to_string();
    for part in ["internal error while working on the tile at x ", "this is on purpose", "mishaps.rs:"] {
        assert!(error.contains(part), "{error}");
    }
    assert!(!out.exists());
}

#[cfg(unix)]
#[test]
fn a_disk_that_takes_no_more_is_reported_with_the_remedy_and_nothing_is_left() {
    let (folder, pipeline) = place();
    // A file may not grow beyond a megabyte, and the shell lets the program hear of it as an error.
    let output = std::process::Command::new("sh")
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 2000; exec \"$0\" \"$@\"",
            env!("CARGO_BIN_EXE_echograde"),
            "run",
        ])
        .arg(&pipeline)
        .arg("--out")
        .arg(folder.path().join("out"))
        .env_remove("RUST_LOG")
        .output()
        .unwrap();
    let said = refused(&output, 1);
    assert!(said.contains("out.unfinished") && said.contains("writing working data"), "{said}");
    assert!(said.contains("put the run folder on another disk with --out"), "{said}");
    assert_eq!(said.matches("error").count(), 2, "one message, with the number of the system's: {said}");
    assert_eq!(names(folder.path()), ["data", "slow.yaml"]);
}

/// A small disk of its own, where the machine lets one be made.
#[cfg(target_os = "linux")]
struct SmallDisk(TempDir);

#[cfg(target_os = "linux")]
impl SmallDisk {
    fn new(size: &str) -> Option<Self> {
        let folder = TempDir::new().unwrap();
        let mounted = std::process::Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(folder.path())
            .output();
        if mounted.is_ok_and(|output| output.status.success()) {
            return Some(SmallDisk(folder));
        }
        eprintln!("skipped: this machine does not let a small disk be made");
        None
    }
}

#[cfg(target_os = "linux")]
impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg(self.0.path()).status();
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_run_that_the_disk_cannot_hold_does_not_start() {
    let (_folder, pipeline) = place();
    let Some(disk) = SmallDisk::new("8m") else { return };
    let out = disk.0.path().join("out");
    let said = refused(&try_run(&pipeline, &out, &[]), 1);
    assert!(said.contains("the run needs about 25 MiB of working space on this disk, but"), "{said}");
    assert_eq!(names(disk.0.path()), [""; 0]);
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_fills_up_while_tiles_are_worked_on_keeps_the_work() {
    let (folder, pipeline) = place();
    let Some(disk) = SmallDisk::new("60m") else { return };
    let whole = folder.path().join("whole");
    assert!(try_run(&pipeline, &whole, &[]).status.success());
    let out = disk.0.path().join("out");
    let mut run = Working::start(&pipeline, &out, &[]);
    run.wait_for_tiles();
    let filler = disk.0.path().join("filler");
    let full = fs::write(&filler, vec![1; 60 << 20]).unwrap_err();
    assert_eq!(full.kind(), std::io::ErrorKind::StorageFull);
    let said = refused(&run.end(), 1);
    assert!(said.contains("Free space on that disk") && said.contains("--resume"), "{said}");
    assert!(!out.exists());
    fs::remove_file(&filler).unwrap();
    let resumed = try_run(&pipeline, &out, &["--resume"]);
    assert!(resumed.status.success(), "{}", common::describe(&resumed));
    assert!(results(&out) == results(&whole));
}
