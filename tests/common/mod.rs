//! What the tests of the real program share: running it in a temporary folder, and making clouds to run it on.
#![allow(dead_code)]

pub mod made;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

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
        serde_json::from_str(&self.text("summary.json")).unwrap()
    }

    /// The results that must be the same to the byte, by name.
    pub fn same_bytes(&self) -> BTreeMap<&'static str, String> {
        ["summary.json", "returns.csv", "checkpoints.csv", "report.html"].map(|n| (n, self.text(n))).into()
    }
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
