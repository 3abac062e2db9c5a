//! Unattended work: several pipeline files, the log, where the time went, and what `check` says beforehand.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{describe, echograde, manifest, root};
use serde_json::Value;
use tempfile::TempDir;

/// A pipeline file that runs, one with a mistake, and one over a cloud that is none.
fn files(folder: &Path) -> [PathBuf; 3] {
    let demo = fs::read_to_string(root().join("pipelines/demo.yaml")).unwrap();
    let data = root().join("demo-data").display().to_string().replace('\\', "/");
    let good = demo.replace("../demo-data", &data);
    fs::write(folder.join("broken.laz"), "no cloud").unwrap();
    let texts = [
        ("good", good.clone()),
        ("wrong", good.replace("units: m ", "units: furlong ")),
        ("broken", good.replace(&format!("{data}/survey/*.laz"), "broken.laz")),
    ];
    texts.map(|(name, text)| {
        let file = folder.join(name).with_extension("yaml");
        fs::write(&file, text).unwrap();
        file
    })
}

#[test]
fn one_failure_does_not_stop_the_rest_and_the_table_says_which() {
    let folder = TempDir::new().unwrap();
    let [good, wrong, broken] = files(folder.path());
    let again = folder.path().join("again.yaml");
    fs::copy(&good, &again).unwrap();
    let out = folder.path().join("runs");
    let run = |files: &[&PathBuf], options: &[&str]| {
        echograde().arg("run").args(files).arg("--out").arg(&out).args(options).output().unwrap()
    };

    let output = run(&[&broken, &good, &wrong, &again], &[]);
    assert_eq!(output.status.code(), Some(1), "{}", describe(&output));
    let text = String::from_utf8(output.stdout.clone()).unwrap();
    let table: Vec<&str> = text.lines().skip_while(|line| !line.starts_with("pipeline file")).collect();
    assert_eq!(table.len(), 5, "{text}");
    for (line, name, outcome) in
        [(1, "broken", "failed"), (2, "good", "done"), (3, "wrong", "cannot be run"), (4, "again", "done")]
    {
        assert!(table[line].contains(name) && table[line].contains(outcome), "{}", table[line]);
    }
    assert!(text.contains("By return"), "{text}");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("broken.laz") && said.contains("furlong"), "{said}");
    // What is wrong with a file is reported before anything is run.
    assert!(said.find("furlong") < said.find("run 1 of 4"), "{said}");
    for name in ["good", "again"] {
        assert!(out.join(name).join("summary.json").exists());
    }
    assert_eq!(fs::read_dir(&out).unwrap().count(), 2, "nothing else is left");

    // Nothing but a wrong file is wrong: exit code 2. The same as JSON.
    let output = run(&[&wrong, &good], &["--replace", "--json"]);
    assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
    let rows: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(rows[0]["outcome"], "cannot be run");
    assert!(rows[0]["error"].as_str().unwrap().contains("furlong"));
    assert_eq!(rows[1]["outcome"], "done");
    assert_eq!(rows[1]["summary"], common::summary(&out.join("good")));
}

#[test]
fn going_on_after_an_interruption_counts_what_is_finished_as_done() {
    let folder = TempDir::new().unwrap();
    let [good, _, broken] = files(folder.path());
    let again = folder.path().join("again.yaml");
    fs::copy(&good, &again).unwrap();
    let out = folder.path().join("runs");
    let run = |files: &[&PathBuf], options: &[&str]| {
        let output =
            echograde().arg("run").args(files).arg("--out").arg(&out).args(options).output().unwrap();
        let rows: Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
        (output.status.code(), rows)
    };
    let outcomes = |rows: &Value| -> Vec<String> {
        rows.as_array().unwrap().iter().map(|row| row["outcome"].as_str().unwrap().to_string()).collect()
    };
    let (code, first) = run(&[&good, &broken], &["--json"]);
    assert_eq!((code, outcomes(&first)), (Some(1), vec!["done".into(), "failed".into()]));
    let manifest = fs::read(out.join("good/manifest.json")).unwrap();

    let (code, rows) = run(&[&good, &again], &["--resume", "--json"]);
    assert_eq!((code, outcomes(&rows)), (Some(0), vec!["done before".into(), "done".into()]));
    assert_eq!(rows[0]["summary"], first[0]["summary"]);
    assert_eq!(fs::read(out.join("good/manifest.json")).unwrap(), manifest, "it was not run again");

    // Another pipeline of the same name: its results are not there, and those that are must stay.
    fs::write(&good, fs::read_to_string(&good).unwrap().replace("seed: ", "seed: 9")).unwrap();
    let (code, rows) = run(&[&good, &again], &["--resume", "--json"]);
    assert_eq!((code, outcomes(&rows)), (Some(1), vec!["failed".into(), "done before".into()]));
    assert_eq!(fs::read(out.join("good/manifest.json")).unwrap(), manifest);
}

#[test]
fn the_log_and_the_manifest_tell_what_was_done_and_where_the_time_went() {
    let folder = TempDir::new().unwrap();
    let [good, ..] = files(folder.path());
    let out = folder.path().join("out");
    // However little standard error is to show, the log tells all.
    let output =
        echograde().arg("run").arg(&good).arg("--out").arg(&out).env("RUST_LOG", "error").output().unwrap();
    assert!(output.status.success() && output.stderr.is_empty(), "{}", describe(&output));
    let log = fs::read_to_string(out.join("log.txt")).unwrap();
    let steps = ["read the survey", "read the reference", "make surfaces", "work on tiles", "sum up"];
    let places: Vec<usize> = steps.iter().map(|step| log.find(step).expect(step)).collect();
    assert!(places.is_sorted(), "{log}");
    for line in log.lines() {
        assert!(line.starts_with("20") && line[..30].contains("Z"), "every line has its time: {line}");
    }
    assert!(log.trim_end().ends_with("done"), "{log}");

    let manifest = manifest(&out);
    let seconds = manifest["seconds"].as_array().unwrap();
    let named: Vec<&str> = seconds.iter().map(|step| step["step"].as_str().unwrap()).collect();
    assert_eq!(named[..5], steps);
    let sum: f64 = seconds.iter().map(|step| step["seconds"].as_f64().unwrap()).sum();
    let all = manifest["seconds_in_all"].as_f64().unwrap();
    assert!(sum <= all && sum > 0.9 * all, "{sum} of {all}");
    assert!(manifest["points_per_second"].as_f64() > Some(0.0));
    assert_eq!(manifest["tiles_taken_over"], 0);
    assert_eq!(manifest["inputs"][0]["sha256"].as_str().unwrap().len(), 64);
}

#[test]
fn check_says_how_much_disk_and_about_how_long() {
    let check = |options: &[&str]| {
        let output =
            echograde().arg("check").arg(root().join("pipelines/demo.yaml")).args(options).output().unwrap();
        assert!(output.status.success(), "{}", describe(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    let checked: Value = serde_json::from_str(&check(&["--json"])).unwrap();
    // 7 to 11 bytes a point, copies for neighbours, surfaces, comparisons and terrain cells.
    let disk = checked["disk_needed"].as_u64().unwrap();
    assert!((8 * (498_702 + 1_101_901)..18 * (498_702 + 1_101_901)).contains(&disk), "{disk}");
    assert!(checked["disk_free"].as_u64() > Some(0) && checked["rough_seconds"].as_f64() > Some(0.0));
    let text = check(&[]);
    assert!(
        text.contains(&format!("disk needed: {} MiB, ", disk.div_ceil(1 << 20)))
            && text.contains("time: roughly "),
        "{text}"
    );
}
