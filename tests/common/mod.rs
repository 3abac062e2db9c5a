//! What the tests of the real program share: running it in a temporary folder, and making clouds to run it on.
#![allow(dead_code)]

pub mod delivered;
pub mod errors;
pub mod flight;
pub mod hills;
pub mod made;
pub mod meadow;
pub mod random;
pub mod raw_scans;
pub mod scans;
pub mod untidy;
pub mod wood;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::Duration;

use assert_cmd::Command;
use serde_json::Value;
use tempfile::TempDir;

/// The root of the package.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The program, with an environment that cannot leak in.
pub fn echograde() -> Command {
    let mut command = Command::cargo_bin("echograde").expect("the binary is built with the tests");
    command.env_remove("RUST_LOG").env("NO_COLOR", "1");
    command
}

/// Runs a pipeline file into a folder of its own and gives that folder.
pub fn run(pipeline: &Path, options: &[&str]) -> RunResult {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("out");
    let output = echograde().arg("run").arg(pipeline).arg("--out").arg(&out).args(options).output().unwrap();
    assert!(output.status.success(), "{}", describe(&output));
    RunResult { _folder: folder, out, stdout: String::from_utf8(output.stdout).unwrap() }
}

/// Runs a pipeline file in so many parts, one after another with one thread more each, and gives what is left.
pub fn run_in_parts(pipeline: &Path, of: usize) -> RunResult {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("out");
    let done = |command: &mut Command| {
        let output = command.output().unwrap();
        assert!(output.status.success(), "{}", describe(&output));
        String::from_utf8(output.stdout).unwrap()
    };
    for phase in ["deal", "work"] {
        for number in 1..=of {
            let (part, threads) = (format!("{number}/{of}"), number.to_string());
            let options = ["--phase", phase, "--part", &part, "--threads", &threads];
            done(echograde().arg("run").arg(pipeline).arg("--out").arg(&out).args(options));
        }
    }
    let stdout = done(echograde().arg("finish").arg(&out));
    RunResult { _folder: folder, out, stdout }
}

/// A finished run.
pub struct RunResult {
    _folder: TempDir,
    /// The run folder.
    pub out: PathBuf,
    /// What the program printed.
    pub stdout: String,
}

impl RunResult {
    /// The text of a result.
    pub fn text(&self, name: &str) -> String {
        fs::read_to_string(self.out.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }

    /// summary.json.
    pub fn summary(&self) -> Value {
        summary(&self.out)
    }

    /// What is handed over beside the results, each with its hash.
    pub fn products(&self) -> String {
        products(&self.out)
    }

    /// The results that must be the same to the byte, by name.
    pub fn same_bytes(&self) -> BTreeMap<&'static str, String> {
        let files =
            ["summary.json", "returns.csv", "checkpoints.csv", "report.html"].map(|n| (n, self.text(n)));
        files.into_iter().chain([("products", self.products())]).collect()
    }
}

/// A pipeline file in `folder` over the demo's clouds or a copy of them in `data`, with small tiles and costly
/// matching, so that there is time to interrupt it.
pub fn slow_pipeline(folder: &Path, data: &Path) -> PathBuf {
    let file = folder.join("slow.yaml");
    let data = data.display().to_string().replace('\\', "/");
    let text = format!(
        "survey: {{files: ['{data}/survey/*.laz']}}\nreference: {{files: ['{data}/reference/*.laz']}}\n\
         stages:\n  - read: {{tile: 9 m}}\n  - ground: {{slope: 0.3}}\n  - checkpoints: {{per_return: all}}\n  \
         - compare: {{match: plane, within: 40 cm}}\n  - summarise: {{}}\n  - terrain: {{}}\n"
    );
    fs::write(&file, text).unwrap();
    file
}

/// A copy of the demo's clouds within a folder.
pub fn copied_demo(folder: &Path) -> PathBuf {
    let data = folder.join("data");
    for cloud in ["survey", "reference"] {
        fs::create_dir_all(data.join(cloud)).unwrap();
        for file in fs::read_dir(root().join("demo-data").join(cloud)).unwrap().map(Result::unwrap) {
            fs::copy(file.path(), data.join(cloud).join(file.file_name())).unwrap();
        }
    }
    data
}

/// A run that is under way.
pub struct Working {
    /// The process.
    pub child: Child,
    /// The run folder to be.
    pub out: PathBuf,
}

impl Working {
    /// Starts `echograde run`.
    pub fn start(pipeline: &Path, out: &Path, options: &[&str]) -> Self {
        let child = std::process::Command::new(env!("CARGO_BIN_EXE_echograde"))
            .arg("run")
            .arg(pipeline)
            .arg("--out")
            .arg(out)
            .args(options)
            .env_remove("RUST_LOG")
            .env("NO_COLOR", "1")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        Working { child, out: out.to_path_buf() }
    }

    /// The working folder.
    pub fn work(&self) -> PathBuf {
        self.out.with_extension("unfinished")
    }

    /// Waits until several tiles are done: the last of them may be cut off by a kill.
    pub fn wait_for_tiles(&mut self) {
        self.wait_for(|work| fs::metadata(work.join("spill/tiles")).is_ok_and(|data| data.len() > 200_000));
    }

    /// Waits until the working folder is as wanted, while the run works.
    pub fn wait_for(&mut self, wanted: impl Fn(&Path) -> bool) {
        while !wanted(&self.work()) {
            assert!(self.child.try_wait().unwrap().is_none(), "the run ended before it could be interrupted");
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    /// Kills the run, as a power cut would, and waits until it is gone.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits for the end.
    pub fn end(self) -> Output {
        self.child.wait_with_output().unwrap()
    }
}

/// Runs a pipeline file into `out` and gives what came of it, good or bad.
pub fn try_run(pipeline: &Path, out: &Path, options: &[&str]) -> Output {
    Working::start(pipeline, out, options).end()
}

/// Asserts that a command failed with `code`, and gives what it said.
pub fn refused(output: &Output, code: i32) -> String {
    assert_eq!(output.status.code(), Some(code), "{}", describe(output));
    assert!(output.stdout.is_empty(), "{}", describe(output));
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The results in a run folder that must be the same to the byte, by name.
pub fn results(out: &Path) -> BTreeMap<&'static str, String> {
    let text = |name| fs::read_to_string(out.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
    let files = ["summary.json", "returns.csv", "checkpoints.csv", "report.html", "pipeline.yaml"];
    files.into_iter().map(|name| (name, text(name))).chain([("products", products(out))]).collect()
}

/// What a run hands over beside its results, each with the hash that `manifest.json` states.
pub fn products(out: &Path) -> String {
    let manifest = fs::read_to_string(out.join("manifest.json")).unwrap();
    serde_json::from_str::<Value>(&manifest).unwrap()["products"].to_string()
}

/// summary.json of a run folder.
pub fn summary(out: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap()
}

/// manifest.json of a run folder.
pub fn manifest(out: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(out.join("manifest.json")).unwrap()).unwrap()
}

/// All that a person needs to see of a failed command.
pub fn describe(output: &Output) -> String {
    format!(
        "{}\n--- stdout\n{}\n--- stderr\n{}",
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// The text as one line, without the lines or the frame that it is broken into.
pub fn flat(said: &str) -> String {
    said.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Asserts that all parts are in a text, wherever its lines are broken.
pub fn contains_all(said: &str, parts: &[&str]) {
    let said = flat(said);
    for part in parts {
        assert!(said.contains(part), "{part:?} is missing in {said}");
    }
}

/// The codes of the warnings in summary.json.
pub fn codes(summary: &Value) -> Vec<&str> {
    summary["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect()
}

/// The text of the first warning of a code in summary.json.
pub fn warning<'a>(summary: &'a Value, code: &str) -> Option<&'a str> {
    let found = summary["warnings"].as_array().unwrap().iter().find(|warning| warning["code"] == code)?;
    Some(found["text"].as_str().unwrap())
}

/// The entry of a return in summary.json.
pub fn of_return(summary: &Value, number: u64) -> &Value {
    summary["returns"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["return"] == number)
        .expect("the return is there")
}

/// A number of a JSON object.
pub fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} of {value}"))
}
