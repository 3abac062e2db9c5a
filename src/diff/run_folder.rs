//! What is read of a run folder.

use std::fs;
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use serde_json::Value;

use crate::diff::contents::{Manifest, Summary};
use crate::diff::places::{Place, places};
use crate::pipeline::resolved::read_resolved;

/// Why two folders cannot be compared.
#[derive(Debug, thiserror::Error)]
#[error("{}: {why}; {remedy}", path.display())]
pub struct DiffError {
    path: PathBuf,
    why: String,
    remedy: String,
}

/// One run folder.
pub struct RunFolder {
    /// The folder.
    pub path: PathBuf,
    /// Of `summary.json`.
    pub summary: Summary,
    /// Of `manifest.json`.
    pub manifest: Manifest,
    /// `pipeline.yaml`.
    pub pipeline: Value,
    /// The rows of `checkpoints.csv` that have a dz.
    pub places: Vec<Place>,
}

/// The files that are read of a run folder.
const FILES: [&str; 4] = ["summary.json", "manifest.json", "pipeline.yaml", "checkpoints.csv"];

impl RunFolder {
    /// Reads a run folder.
    ///
    /// # Errors
    /// Where it is none, or a file of it is missing or damaged.
    pub fn read(path: &Path) -> Result<Self, DiffError> {
        check_folder(path)?;
        let [summary, manifest, pipeline, checkpoints] = FILES.map(|name| path.join(name));
        let document = read_resolved(&read(&pipeline)?);
        Ok(RunFolder {
            path: path.to_path_buf(),
            summary: json(&summary)?,
            manifest: json(&manifest)?,
            pipeline: document.ok_or_else(|| damaged(&pipeline, "it is no list of keys and values"))?,
            places: places(&read(&checkpoints)?).map_err(|why| damaged(&checkpoints, &why))?,
        })
    }
}

/// Makes sure that a folder is one that a run leaves.
fn check_folder(path: &Path) -> Result<(), DiffError> {
    let wrong = |why: &str, remedy: &str| {
        Err(DiffError { path: path.to_path_buf(), why: why.to_string(), remedy: remedy.to_string() })
    };
    let run_folder = "give the folder that `echograde run` wrote";
    match fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return wrong("there is no such folder", run_folder);
        }
        Err(error) => return wrong(&format!("the folder cannot be read: {error}"), run_folder),
        Ok(data) if !data.is_dir() => return wrong("this is a file, not a run folder", run_folder),
        Ok(_) => {}
    }
    let has = |name: &str| path.join(name).exists();
    if !FILES.iter().any(|name| has(name)) {
        if path.extension().is_some_and(|ending| ending == "unfinished") {
            return wrong("this run is not finished", "end it with `echograde run FILE --resume`");
        }
        if has("adjustment.json") {
            return wrong("these are results of `echograde adjust`", run_folder);
        }
        return wrong("this is not a run folder: there is no summary.json in it", run_folder);
    }
    Ok(())
}

fn json<T: DeserializeOwned>(path: &Path) -> Result<T, DiffError> {
    serde_json::from_str(&read(path)?).map_err(|error| damaged(path, &error.to_string()))
}

fn read(path: &Path) -> Result<String, DiffError> {
    let bytes = fs::read(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => problem(path, "the file is missing".to_string()),
        _ => problem(path, format!("the file cannot be read: {error}")),
    })?;
    String::from_utf8(bytes).map_err(|_| damaged(path, "it is not UTF-8 text"))
}

fn damaged(path: &Path, why: &str) -> DiffError {
    problem(path, format!("the file is damaged or of another version of the program: {why}"))
}

/// A problem of a file, for which there is one remedy.
fn problem(path: &Path, why: String) -> DiffError {
    let remedy = "make the run again with `echograde run FILE --replace`".to_string();
    DiffError { path: path.to_path_buf(), why, remedy }
}
