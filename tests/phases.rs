//! A run in parts gives the bytes of a run in one piece, however many parts there are, on whatever machines, and whatever happens
//! to them on the way.

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use common::{contains_all, copied_demo, describe, manifest, refused, results, root, slow_pipeline, try_run};
use tempfile::TempDir;

/// A run in parts, in a folder of its own.
struct Parts<'a> {
    pipeline: &'a Path,
    out: PathBuf,
    of: u32,
}

impl Parts<'_> {
    /// Starts a part.
    fn start(&self, phase: &str, number: u32, options: &[&str]) -> Child {
        Command::new(env!("CARGO_BIN_EXE_echograde"))
            .arg("run")
            .arg(self.pipeline)
            .arg("--out")
            .arg(&self.out)
            .args(["--phase", phase, "--part", &format!("{number}/{}", self.of)])
            .args(options)
            .env_remove("RUST_LOG")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    }

    /// Does a part, which must be good, and gives what it said.
    fn part(&self, phase: &str, number: u32, options: &[&str]) -> String {
        let output = self.start(phase, number, options).wait_with_output().unwrap();
        assert!(output.status.success(), "{}", describe(&output));
        assert!(output.stdout.is_empty(), "{}", describe(&output));
        String::from_utf8(output.stderr).unwrap()
    }

    /// Does all parts of a phase.
    fn phase(&self, phase: &str, options: &[&str]) {
        (1..=self.of).for_each(|number| {
            self.part(phase, number, options);
        });
    }

    /// The working folder.
    fn work(&self) -> PathBuf {
        self.out.with_extension("unfinished")
    }

    /// Tries to conclude, from another folder than the parts were done in.
    fn try_finish(&self) -> Output {
        let mut finish = Command::new(env!("CARGO_BIN_EXE_echograde"));
        finish.arg("finish").arg(&self.out).env_remove("RUST_LOG").current_dir(self.out.parent().unwrap());
        finish.output().unwrap()
    }

    /// Concludes, which must be good; nothing but the results is left.
    fn finish(&self) -> BTreeMap<&'static str, String> {
        let output = self.try_finish();
        assert!(output.status.success(), "{}", describe(&output));
        assert!(!self.work().exists());
        results(&self.out)
    }
}

/// A run in one piece of the same pipeline.
fn in_one_piece(pipeline: &Path, folder: &Path) -> BTreeMap<&'static str, String> {
    let out = folder.join("whole");
    let output = try_run(pipeline, &out, &[]);
    assert!(output.status.success(), "{}", describe(&output));
    results(&out)
}

fn assert_same(found: &BTreeMap<&'static str, String>, expected: &BTreeMap<&'static str, String>, how: &str) {
    for (name, text) in expected {
        assert!(&found[name] == text, "{name} differs: {how}");
    }
}

/// The demo with small tiles and all products: the terrain model, the classified cloud, points for other programs.
fn with_products(folder: &Path) -> PathBuf {
    let file = slow_pipeline(folder, &root().join("demo-data"));
    let text = fs::read_to_string(&file).unwrap()
        + "  - export: {cloud: true, checkpoints: true, comparisons: true}\n";
    let file = folder.join("products.yaml");
    fs::write(&file, text).unwrap();
    file
}

#[test]
fn any_number_of_parts_gives_the_bytes_of_one_run_with_all_products() {
    let folder = TempDir::new().unwrap();
    let pipeline = with_products(folder.path());
    let expected = in_one_piece(&pipeline, folder.path());
    assert!(expected["products"].contains("cloud/") && expected["products"].contains("terrain"));
    for (of, surfaces) in [(1, false), (3, false), (3, true), (7, false)] {
        let parts = Parts { pipeline: &pipeline, out: folder.path().join(format!("in-{of}-{surfaces}")), of };
        parts.phase("deal", &[]);
        if surfaces {
            parts.phase("surface", &[]);
        }
        parts.phase("work", &[]);
        assert_same(&parts.finish(), &expected, &format!("{of} parts"));
        let manifest = manifest(&parts.out);
        assert_eq!(manifest["parts"], of);
        for input in manifest["inputs"].as_array().unwrap() {
            assert_eq!(input["sha256"].as_str().unwrap().len(), 64, "{input}");
        }
        let log = fs::read_to_string(parts.out.join("log.txt")).unwrap();
        contains_all(&log, &[&format!("deal {of}/{of} done in"), &format!("work 1/{of} done in"), "done"]);
    }
    // The hashes are those that one run finds.
    assert_eq!(
        manifest(&folder.path().join("in-7-false"))["inputs"],
        manifest(&folder.path().join("whole"))["inputs"]
    );
}

#[test]
fn machines_may_differ_in_threads_and_memory_and_parts_may_come_in_any_order_some_twice() {
    let folder = TempDir::new().unwrap();
    let pipeline = slow_pipeline(folder.path(), &root().join("demo-data"));
    let expected = in_one_piece(&pipeline, folder.path());
    let parts = Parts { pipeline: &pipeline, out: folder.path().join("out"), of: 4 };
    let machines: [&[&str]; 4] = [
        &["--threads", "1", "--memory", "300M"],
        &["--threads", "5", "--memory", "2G"],
        &["--threads", "2", "--memory", "80M"],
        &["--threads", "3"],
    ];
    for phase in ["deal", "work"] {
        for number in [3, 1, 4, 2] {
            parts.part(phase, number, machines[number as usize - 1]);
        }
        // Again on another machine: what is there stays.
        let said = parts.part(phase, 3, machines[1]);
        assert!(said.contains(&format!("{phase} 3/4 is there already")), "{said}");
    }
    // Times of files say nothing: as if a node's clock were an hour ahead.
    let ahead = std::time::SystemTime::now() + Duration::from_secs(3600);
    for number in [2, 3] {
        for entry in fs::read_dir(parts.work().join("deal").join(number.to_string())).unwrap() {
            let file = fs::File::options().append(true).open(entry.unwrap().path()).unwrap();
            file.set_modified(ahead).unwrap();
        }
    }
    assert_same(&parts.finish(), &expected, "different machines");
}

#[test]
fn what_is_missing_is_named_with_the_command_that_does_it() {
    let folder = TempDir::new().unwrap();
    let pipeline = slow_pipeline(folder.path(), &root().join("demo-data"));
    let expected = in_one_piece(&pipeline, folder.path());
    let parts = Parts { pipeline: &pipeline, out: folder.path().join("a run"), of: 3 };
    let said = refused(&parts.try_finish(), 1);
    contains_all(&said, &["there are no parts of a run", "--out"]);
    parts.part("deal", 1, &[]);
    parts.part("deal", 3, &[]);
    // Neither work nor the end begins without all points.
    let output = parts.start("work", 1, &[]).wait_with_output().unwrap();
    contains_all(&refused(&output, 1), &["deal 2 of 3", "--phase deal --part 2/3"]);
    let said = refused(&parts.try_finish(), 1);
    contains_all(
        &said,
        &["deal 2 of 3; work 1-3 of 3", "--phase deal --part 2/3", "--phase work --part 3/3"],
    );
    // The command is to be taken to the letter.
    let command = said.lines().find(|line| line.contains("--part 2/3")).unwrap().trim();
    let command = command.replacen("echograde", env!("CARGO_BIN_EXE_echograde"), 1);
    let output = Command::new("sh").args(["-c", &command]).output().unwrap();
    assert!(output.status.success(), "{command}: {}", describe(&output));
    parts.phase("work", &[]);
    // A run in one piece leaves the parts alone, and so does one that would go on.
    for option in [&[][..], &["--resume"]] {
        let said = refused(&try_run(&pipeline, &parts.out, option), 1);
        contains_all(&said, &["run in parts is under way", "finish", "--replace"]);
    }
    // Lost or damaged parts are done again alone.
    fs::remove_dir_all(parts.work().join("work/2")).unwrap();
    contains_all(&refused(&parts.try_finish(), 1), &["work 2 of 3", "--phase work --part 2/3"]);
    let spill = parts.work().join("deal/1/survey");
    let bytes = fs::read(&spill).unwrap();
    fs::write(&spill, &bytes[..bytes.len() / 2]).unwrap();
    let said = refused(&parts.start("work", 2, &[]).wait_with_output().unwrap(), 1);
    contains_all(&said, &["deal/1/survey is damaged", "do the part again", "--phase deal --part 1/3"]);
    assert!(parts.part("deal", 1, &[]).contains("damaged: it is done again"));
    parts.phase("work", &[]);
    assert_same(&parts.finish(), &expected, "after losses");
    let said = refused(&parts.try_finish(), 1);
    contains_all(&said, &["it is finished"]);
}

#[test]
fn a_part_killed_in_the_middle_leaves_nothing_and_is_done_again() {
    let folder = TempDir::new().unwrap();
    let pipeline = slow_pipeline(folder.path(), &root().join("demo-data"));
    let expected = in_one_piece(&pipeline, folder.path());
    let parts = Parts { pipeline: &pipeline, out: folder.path().join("out"), of: 2 };
    let kill_once = |phase: &str, number: u32, file: &str, bytes: u64| {
        let mut child = parts.start(phase, number, &["--threads", "1"]);
        let folder = parts.work().join(phase);
        let is_in_the_middle = || {
            let entries = fs::read_dir(&folder).into_iter().flatten().flatten();
            let name = format!("{number}-");
            let own = entries.filter(|entry| entry.file_name().to_string_lossy().starts_with(&name));
            own.into_iter()
                .any(|own| fs::metadata(own.path().join(file)).is_ok_and(|data| data.len() > bytes))
        };
        while !is_in_the_middle() {
            assert!(child.try_wait().unwrap().is_none(), "{phase} ended before it could be killed");
            std::thread::sleep(Duration::from_millis(1));
        }
        child.kill().unwrap();
        child.wait().unwrap();
        assert!(!folder.join(number.to_string()).exists());
    };
    kill_once("deal", 1, "survey", 100_000);
    parts.phase("deal", &[]);
    kill_once("work", 2, "tiles", 200_000);
    parts.phase("work", &[]);
    // The end, too.
    let mut finish = Command::new(env!("CARGO_BIN_EXE_echograde"));
    let mut finish =
        finish.arg("finish").arg(&parts.out).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let has_begun = || {
        let mut entries = fs::read_dir(parts.work()).unwrap().flatten();
        entries.any(|entry| entry.path().join("results/checkpoints.csv").exists())
    };
    while !has_begun() {
        assert!(finish.try_wait().unwrap().is_none(), "it ended before it could be killed");
        std::thread::sleep(Duration::from_millis(1));
    }
    finish.kill().unwrap();
    finish.wait().unwrap();
    assert!(!parts.out.exists());
    assert_same(&parts.finish(), &expected, "killed and done again");
}

#[test]
fn copies_of_a_part_at_once_are_no_harm_nor_is_it_to_finish_twice() {
    let folder = TempDir::new().unwrap();
    let pipeline = slow_pipeline(folder.path(), &root().join("demo-data"));
    let expected = in_one_piece(&pipeline, folder.path());
    let parts = Parts { pipeline: &pipeline, out: folder.path().join("out"), of: 2 };
    for phase in ["deal", "work"] {
        for number in [1, 2] {
            let copies = [["--threads", "1"], ["--threads", "3"], ["--threads", "2"]];
            let copies = copies.map(|options| parts.start(phase, number, &options));
            let outputs = copies.map(|copy| copy.wait_with_output().unwrap());
            assert!(outputs.iter().all(|output| output.status.success()), "{}", describe(&outputs[1]));
        }
        assert_eq!(fs::read_dir(parts.work().join(phase)).unwrap().count(), 2, "copies are cleared away");
    }
    let finish = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_echograde"));
        command.arg("finish").arg(&parts.out).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
    };
    let outputs = [finish(), finish()].map(|child| child.wait_with_output().unwrap());
    // The slower one may find that the parts are gone: the results are there, whole.
    assert!(outputs.iter().any(|output| output.status.success()), "{}", describe(&outputs[0]));
    assert_same(&results(&parts.out), &expected, "two copies at once");
}

#[test]
fn parts_of_another_run_are_refused_and_results_are_replaced_only_when_asked() {
    let folder = TempDir::new().unwrap();
    let pipeline = slow_pipeline(folder.path(), &root().join("demo-data"));
    let expected = in_one_piece(&pipeline, folder.path());
    let out = folder.path().join("whole");
    let parts = Parts { pipeline: &pipeline, out: out.clone(), of: 2 };
    let output = parts.start("deal", 1, &[]).wait_with_output().unwrap();
    contains_all(&refused(&output, 1), &["holds earlier results", "--replace"]);
    assert!(!parts.work().exists());
    parts.phase("deal", &["--replace"]);
    // Another number of parts, another pipeline.
    let other = Parts { of: 3, out: out.clone(), ..parts };
    let output = other.start("deal", 2, &["--replace"]).wait_with_output().unwrap();
    contains_all(&refused(&output, 1), &["number of parts: it was 2, now it is 3", "whole.unfinished"]);
    let text = fs::read_to_string(&pipeline).unwrap();
    fs::write(&pipeline, text.replace("40 cm", "41 cm")).unwrap();
    let output = parts.start("work", 1, &["--replace"]).wait_with_output().unwrap();
    contains_all(&refused(&output, 1), &["within", "it was `40 cm`, now it is `41 cm`"]);
    fs::write(&pipeline, text).unwrap();
    parts.phase("work", &["--replace"]);
    // What one part was allowed is settled for all.
    assert_same(&parts.finish(), &expected, "replaced");
    assert_eq!(manifest(&out)["parts"], 2);
    // An input that has changed, to the same size.
    let folder = TempDir::new().unwrap();
    let data = copied_demo(folder.path());
    let pipeline = slow_pipeline(folder.path(), &data);
    let parts = Parts { pipeline: &pipeline, out: folder.path().join("out"), of: 2 };
    parts.part("deal", 1, &[]);
    let strip = data.join("survey/strip-102.laz");
    let mut bytes = fs::read(&strip).unwrap();
    // The day that its header says it was made on.
    bytes[90] ^= 1;
    fs::write(&strip, bytes).unwrap();
    let said = refused(&parts.start("deal", 2, &[]).wait_with_output().unwrap(), 1);
    contains_all(&said, &["strip-102.laz: its contents are not what they were", "out.unfinished"]);
    // The command line is checked like any other.
    for options in [&["--phase", "deal"][..], &["--part", "1/2"], &["--phase", "deal", "--part", "3/2"]] {
        let output = try_run(&pipeline, &folder.path().join("x"), options);
        assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
    }
}
