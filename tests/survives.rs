//! Interrupted anywhere, a run continues from its finished tiles and gives the same bytes; and what must keep it from
//! that does.

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::{Working, describe, manifest, refused, results, root, slow_pipeline, try_run};
use tempfile::TempDir;

/// A place to work in, with a pipeline file over the demo's clouds.
fn place() -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    let pipeline = slow_pipeline(folder.path(), &root().join("demo-data"));
    (folder, pipeline)
}

/// Runs to the end, which must be good.
fn run_to_end(pipeline: &Path, out: &Path, options: &[&str]) -> BTreeMap<&'static str, String> {
    let output = try_run(pipeline, out, options);
    assert!(output.status.success(), "{}", describe(&output));
    assert!(!out.with_extension("unfinished").exists());
    results(out)
}

#[test]
fn killed_at_ten_random_moments_a_resumed_run_gives_the_same_bytes() {
    let (folder, pipeline) = place();
    let start = Instant::now();
    let expected = run_to_end(&pipeline, &folder.path().join("whole"), &[]);
    let whole = start.elapsed();
    // Random, but the same each time: one moment in each tenth of the time that a run takes.
    let mut state = 20_260_u64;
    let mut taken_over = 0;
    for tenth in 0..10 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let moment = whole.mul_f64((f64::from(tenth) + (state >> 40) as f64 / (1 << 24) as f64) / 10.0);
        let out = folder.path().join(format!("killed-{tenth}"));
        let run = Working::start(&pipeline, &out, &[]);
        std::thread::sleep(moment);
        run.kill();
        if out.exists() {
            // It was done before the moment came.
            assert!(results(&out) == expected, "finished within {moment:?}");
            continue;
        }
        let options: &[&str] =
            if tenth % 2 == 0 { &["--resume"] } else { &["--resume", "--threads", "3", "--memory", "900M"] };
        let found = run_to_end(&pipeline, &out, options);
        for (name, text) in &expected {
            assert!(&found[name] == text, "{name} differs, killed after {moment:?}");
        }
        taken_over += manifest(&out)["tiles_taken_over"].as_u64().unwrap();
    }
    println!("{taken_over} tiles taken over in all, {whole:?} a run");
}

#[test]
fn killed_again_and_again_it_takes_over_what_was_done() {
    let (folder, pipeline) = place();
    let expected = run_to_end(&pipeline, &folder.path().join("whole"), &[]);
    let out = folder.path().join("out");
    let mut size = 0;
    for options in [&[][..], &["--resume"], &["--resume"]] {
        let mut run = Working::start(&pipeline, &out, options);
        run.wait_for(|work| {
            work.join("index.json").exists()
                // Several tiles more, of which the last may be cut off.
                && fs::metadata(work.join("spill/tiles")).is_ok_and(|data| data.len() > size + 200_000)
        });
        let tiles = run.work().join("spill/tiles");
        run.kill();
        size = fs::metadata(tiles).unwrap().len();
        assert!(!out.exists());
    }
    let found = run_to_end(&pipeline, &out, &["--resume"]);
    assert!(found == expected);
    let manifest = manifest(&out);
    let (taken_over, tiles) = (&manifest["tiles_taken_over"], &manifest["tiles"]);
    assert!(taken_over.as_u64() > Some(2) && taken_over.as_u64() < tiles.as_u64(), "{manifest}");
    assert!(manifest["points_per_second"].is_null());
    let steps: Vec<&str> =
        manifest["seconds"].as_array().unwrap().iter().map(|s| s["step"].as_str().unwrap()).collect();
    assert!(steps.contains(&"work on tiles") && !steps.contains(&"read the survey"), "{steps:?}");
    // The log tells of all four.
    let log = fs::read_to_string(out.join("log.txt")).unwrap();
    assert_eq!(log.matches("continuing the interrupted run").count(), 3, "{log}");
}

#[test]
fn killed_once_the_points_are_given_back_it_goes_on_without_them() {
    let (folder, pipeline) = place();
    let expected = run_to_end(&pipeline, &folder.path().join("whole"), &[]);
    let out = folder.path().join("out");
    let mut run = Working::start(&pipeline, &out, &[]);
    run.wait_for(|work| {
        work.join("index.json").exists()
            && fs::metadata(work.join("spill/survey")).is_ok_and(|data| data.len() == 0)
    });
    run.kill();
    assert!(!out.exists(), "the study was over too soon");
    assert!(run_to_end(&pipeline, &out, &["--resume"]) == expected);
    let manifest = manifest(&out);
    assert!(manifest["tiles_taken_over"] == manifest["tiles"], "{manifest}");

    // Where tiles are missing the points are, too.
    let out = folder.path().join("lost");
    let mut run = Working::start(&pipeline, &out, &[]);
    run.wait_for_tiles();
    let survey = run.work().join("spill/survey");
    run.kill();
    fs::write(survey, "").unwrap();
    let said = refused(&try_run(&pipeline, &out, &["--resume"]), 1);
    assert!(said.contains("survey") && said.contains("--replace"), "{said}");
}

#[test]
fn a_changed_pipeline_or_input_refuses_to_resume_and_says_what_changed() {
    let folder = TempDir::new().unwrap();
    let data = folder.path().join("data");
    for cloud in ["survey", "reference"] {
        fs::create_dir_all(data.join(cloud)).unwrap();
        for entry in fs::read_dir(root().join("demo-data").join(cloud)).unwrap() {
            let entry = entry.unwrap();
            fs::copy(entry.path(), data.join(cloud).join(entry.file_name())).unwrap();
        }
    }
    let pipeline = slow_pipeline(folder.path(), &data);
    let expected = run_to_end(&pipeline, &folder.path().join("whole"), &[]);
    let out = folder.path().join("out");
    let mut run = Working::start(&pipeline, &out, &[]);
    run.wait_for_tiles();
    let work = run.work();
    run.kill();

    // Without either option, the program neither continues nor discards the work.
    let said = refused(&try_run(&pipeline, &out, &[]), 1);
    assert!(said.contains("--resume") && said.contains("--replace"), "{said}");

    let text = fs::read_to_string(&pipeline).unwrap();
    fs::write(&pipeline, text.replace("slope: 0.3", "slope: 0.4")).unwrap();
    let said = refused(&try_run(&pipeline, &out, &["--resume"]), 1);
    assert!(
        said.contains("stages[2].ground.slope of the pipeline file: it was `0.3`, now it is `0.4`"),
        "{said}"
    );
    fs::write(&pipeline, text).unwrap();

    // A byte of a name in the header: the points are as they were, but the file is another one.
    let strip = data.join("survey/strip-102.laz");
    let bytes = fs::read(&strip).unwrap();
    let mut changed = bytes.clone();
    changed[60] ^= 1;
    fs::write(&strip, &changed).unwrap();
    let said = refused(&try_run(&pipeline, &out, &["--resume"]), 1);
    assert!(said.contains("strip-102.laz: its contents are not what they were"), "{said}");
    fs::write(&strip, bytes).unwrap();

    fs::copy(&strip, data.join("survey/strip-103.laz")).unwrap();
    let said = refused(&try_run(&pipeline, &out, &["--resume"]), 1);
    assert!(said.contains("strip-103.laz is a new file of the survey"), "{said}");
    fs::remove_file(data.join("survey/strip-103.laz")).unwrap();

    // All that left the work as it was.
    assert!(work.join("index.json").exists());
    assert!(run_to_end(&pipeline, &out, &["--resume"]) == expected);
    assert!(manifest(&out)["tiles_taken_over"].as_u64() > Some(0));
}

#[test]
fn replace_starts_an_interrupted_run_anew() {
    let (folder, pipeline) = place();
    let out = folder.path().join("out");
    let mut run = Working::start(&pipeline, &out, &[]);
    run.wait_for_tiles();
    run.kill();
    run_to_end(&pipeline, &out, &["--replace"]);
    assert_eq!(manifest(&out)["tiles_taken_over"], 0);
    let said = refused(&try_run(&pipeline, &out, &["--resume"]), 1);
    assert!(said.contains("holds earlier results; add --replace"), "{said}");
}

#[test]
fn a_second_run_on_one_folder_is_refused() {
    let (folder, pipeline) = place();
    let out = folder.path().join("out");
    let mut first = Working::start(&pipeline, &out, &[]);
    first.wait_for(|work| work.join("identity.json").exists());
    for options in [&[][..], &["--resume"], &["--replace"]] {
        let said = refused(&try_run(&pipeline, &out, options), 1);
        assert!(said.contains("another run is working on it"), "{said}");
    }
    let first = first.end();
    assert!(first.status.success(), "{}", describe(&first));
}

#[cfg(unix)]
#[test]
fn ctrl_c_stops_cleanly_and_keeps_what_can_be_gone_on_with() {
    let (folder, pipeline) = place();
    let expected = run_to_end(&pipeline, &folder.path().join("whole"), &[]);
    for signal in ["-INT", "-TERM"] {
        let out = folder.path().join(format!("out{signal}"));
        let mut run = Working::start(&pipeline, &out, &[]);
        run.wait_for_tiles();
        let id = run.child.id().to_string();
        let asked = Instant::now();
        assert!(std::process::Command::new("kill").args([signal, &id]).status().unwrap().success());
        let work = run.work();
        let said = refused(&run.end(), 1);
        assert!(asked.elapsed() < Duration::from_secs(20));
        assert!(said.contains("stopped as asked") && said.contains("--resume"), "{said}");
        assert!(!out.exists() && work.join("index.json").exists());
        assert!(fs::read_to_string(work.join("log.txt")).unwrap().contains("stopped as asked"));
        assert!(run_to_end(&pipeline, &out, &["--resume"]) == expected);
        assert!(manifest(&out)["tiles_taken_over"].as_u64() > Some(0));
    }
}

#[cfg(unix)]
#[test]
fn ctrl_c_before_there_is_anything_to_keep_leaves_nothing() {
    let (folder, pipeline) = place();
    let out = folder.path().join("out");
    let mut run = Working::start(&pipeline, &out, &[]);
    run.wait_for(|work| work.join("spill").exists());
    let id = run.child.id().to_string();
    assert!(std::process::Command::new("kill").args(["-INT", &id]).status().unwrap().success());
    let work = run.work();
    let said = refused(&run.end(), 1);
    assert!(said.contains("stopped as asked"), "{said}");
    assert!(!out.exists());
    // On a busy machine the signal may come late.
    assert_eq!(work.exists(), said.contains("--resume"), "{said}");
}
