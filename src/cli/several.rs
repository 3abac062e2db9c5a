//! `echograde run` with several pipeline files: one after the other, and a table at the end.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use serde_json::{Value, json};

use crate::cli::error::CliError;
use crate::cli::output::{print, show, show_implausible};
use crate::cli::run::{NOT_ACCEPTED, Order, run};
use crate::engine::plan::inputs::hash_inputs;
use crate::engine::plan::job::Job;
use crate::engine::store::identity::Input;
use crate::engine::store::run_folder::{MANIFEST, PIPELINE, SUMMARY};
use crate::engine::watch::Watch;
use crate::engine::watch::progress::duration;
use crate::pipeline::load;
use crate::pipeline::resolved::resolved_yaml;

/// What became of one pipeline file.
struct Row {
    file: PathBuf,
    outcome: Outcome,
    seconds: f64,
}

enum Outcome {
    Done {
        folder: PathBuf,
        summary: Value,
        code: u8,
    },
    /// By an earlier command that this one continues.
    DoneBefore {
        folder: PathBuf,
        summary: Value,
        code: u8,
    },
    Failed {
        code: u8,
        error: String,
    },
    NotStarted,
}

impl Outcome {
    fn name(&self) -> &'static str {
        match self {
            Outcome::Done { code: NOT_ACCEPTED, .. } | Outcome::DoneBefore { code: NOT_ACCEPTED, .. } => {
                "limits not met"
            }
            Outcome::Done { code: 1, .. } | Outcome::DoneBefore { code: 1, .. } => "implausible",
            Outcome::Done { .. } => "done",
            Outcome::DoneBefore { .. } => "done before",
            Outcome::Failed { code: 2, .. } => "cannot be run",
            Outcome::Failed { .. } => "failed",
            Outcome::NotStarted => "not started",
        }
    }
}

/// Runs pipeline files one after the other; gives the exit code.
///
/// # Errors
/// Where two files would share a run folder. What is wrong with one file is shown, and does not stop the rest.
pub fn run_all(files: &[PathBuf], out: Option<&Path>, order: Order, watch: &Watch) -> Result<u8, CliError> {
    let outs = run_folders(files, out)?;
    // What is wrong with the files is reported before hours of work, not after.
    let checked: Vec<Option<CliError>> =
        files.iter().map(|file| load(file).err().map(CliError::from)).collect();
    checked.iter().flatten().for_each(show);
    let mut rows: Vec<Row> = Vec::with_capacity(files.len());
    for (i, ((file, out), wrong)) in files.iter().zip(&outs).zip(checked).enumerate() {
        let start = Instant::now();
        let outcome = match wrong {
            Some(error) => failed(&error),
            None if watch.is_stopped() => Outcome::NotStarted,
            None => {
                watch.info(&format!("run {} of {}: {}", i + 1, files.len(), file.display()));
                let before = finished_before(file, out.as_deref(), order, watch);
                before.unwrap_or_else(|| run_one(file, out.as_deref(), order, watch))
            }
        };
        rows.push(Row { file: file.clone(), outcome, seconds: start.elapsed().as_secs_f64() });
    }
    let end = if order.json {
        let all: Vec<Value> = rows.iter().map(as_json).collect();
        serde_json::to_string_pretty(&all).expect("plain data") + "\n"
    } else {
        table(&rows)
    };
    print(&end)?;
    Ok(exit_code(&rows))
}

/// The results of an earlier command that this one continues, where they are of the same file and inputs. Anything
/// else the run itself reports.
fn finished_before(file: &Path, out: Option<&Path>, order: Order, watch: &Watch) -> Option<Outcome> {
    if !order.claim.resume || order.claim.replace {
        return None;
    }
    let loaded = load(file).ok()?;
    let folder = out.map_or_else(|| loaded.output_folder(), Path::to_path_buf);
    let read = |name: &str| fs::read_to_string(folder.join(name)).ok();
    if read(PIPELINE)? != resolved_yaml(&loaded.pipeline) {
        return None;
    }
    let manifest: Value = serde_json::from_str(&read(MANIFEST)?).ok()?;
    let summary: Value = serde_json::from_str(&read(SUMMARY)?).ok()?;
    let job = Job::prepare(loaded, order.resources).ok()?;
    let known: Vec<Input> = serde_json::from_value(manifest["inputs"].clone()).ok()?;
    if serde_json::to_value(hash_inputs(&job, &known, watch).ok()?).ok()? != manifest["inputs"] {
        return None;
    }
    watch.info(&format!("{} is already done: its results are in {}", file.display(), folder.display()));
    let accepted = summary["accept"].as_array()?.iter().all(|limit| limit["verdict"] == "met");
    let code = match &summary["warnings"][0]["code"] {
        Value::String(code) if code == "implausible_bias" => 1,
        _ if accepted => 0,
        _ => NOT_ACCEPTED,
    };
    let summary = if order.json { summary } else { Value::Null };
    Some(Outcome::DoneBefore { folder, summary, code })
}

fn run_one(file: &Path, out: Option<&Path>, order: Order, watch: &Watch) -> Outcome {
    let printed = run(file, out, order, watch).map(|done| {
        let code = done.exit_code();
        show_implausible(&done);
        if order.json {
            let summary = serde_json::from_str(&done.text).expect("the summary is JSON");
            return Outcome::Done { folder: done.folder, summary, code };
        }
        // A reader that has gone is no reason to leave the rest undone.
        let _ = print(&format!("{}\n\n{}\n", file.display(), done.text));
        Outcome::Done { folder: done.folder, summary: Value::Null, code }
    });
    printed.unwrap_or_else(|error| {
        eprintln!("{}:", file.display());
        show(&error);
        failed(&error)
    })
}

fn failed(error: &CliError) -> Outcome {
    Outcome::Failed { code: error.exit_code(), error: error.render(false) }
}

/// The run folder of each file, where the command line says: named after the file.
fn run_folders(files: &[PathBuf], out: Option<&Path>) -> Result<Vec<Option<PathBuf>>, CliError> {
    let Some(out) = out else { return Ok(vec![None; files.len()]) };
    let mut seen: HashMap<PathBuf, &PathBuf> = HashMap::new();
    files
        .iter()
        .map(|file| {
            let folder = out.join(file.file_stem().unwrap_or(file.as_os_str()));
            match seen.insert(folder.clone(), file) {
                Some(other) => Err(CliError::Usage(format!(
                    "{} and {} would share the run folder {}; leave out --out, or rename one",
                    other.display(),
                    file.display(),
                    folder.display()
                ))),
                None => Ok(Some(folder)),
            }
        })
        .collect()
}

/// 1 if any run failed or was not started; otherwise 2 if a pipeline file is wrong; otherwise 3 if a limit is not met;
/// otherwise 0.
fn exit_code(rows: &[Row]) -> u8 {
    let codes = rows.iter().map(|row| match row.outcome {
        Outcome::Done { code, .. } | Outcome::DoneBefore { code, .. } => code,
        Outcome::Failed { code, .. } => code,
        Outcome::NotStarted => 1,
    });
    codes.filter(|code| *code != 0).min().unwrap_or(0)
}

fn table(rows: &[Row]) -> String {
    let cells: Vec<[String; 4]> =
        std::iter::once(["pipeline file", "outcome", "time", "run folder"].map(String::from))
            .chain(rows.iter().map(|row| {
                let folder = match &row.outcome {
                    Outcome::Done { folder, .. } | Outcome::DoneBefore { folder, .. } => {
                        folder.display().to_string()
                    }
                    _ => "-".to_string(),
                };
                [
                    row.file.display().to_string(),
                    row.outcome.name().to_string(),
                    duration(row.seconds),
                    folder,
                ]
            }))
            .collect();
    let width = |i: usize| cells.iter().map(|row| row[i].chars().count()).max().unwrap_or(0);
    let widths = [width(0), width(1), width(2)];
    let mut text = String::new();
    for [file, outcome, time, folder] in &cells {
        let _ = writeln!(
            text,
            "{file:<0$}  {outcome:<1$}  {time:>2$}  {folder}",
            widths[0], widths[1], widths[2]
        );
    }
    text
}

fn as_json(row: &Row) -> Value {
    let mut value = json!({
        "pipeline": row.file.display().to_string(),
        "outcome": row.outcome.name(),
        "seconds": row.seconds,
    });
    match &row.outcome {
        Outcome::Done { folder, summary, code } | Outcome::DoneBefore { folder, summary, code } => {
            value["exit_code"] = (*code).into();
            value["run_folder"] = folder.display().to_string().into();
            value["summary"] = summary.clone();
        }
        Outcome::Failed { code, error } => {
            value["exit_code"] = (*code).into();
            value["error"] = error.as_str().into();
        }
        Outcome::NotStarted => {}
    }
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(outcome: Outcome) -> Row {
        Row { file: "a.yaml".into(), outcome, seconds: 75.0 }
    }

    fn with_code(code: u8) -> Row {
        row(Outcome::Failed { code, error: "why".into() })
    }

    fn done() -> Row {
        done_with(0)
    }

    fn done_with(code: u8) -> Row {
        row(Outcome::Done { folder: "runs/a".into(), summary: Value::Null, code })
    }

    #[test]
    fn a_failed_run_weighs_more_than_a_wrong_file() {
        assert_eq!(exit_code(&[done(), done()]), 0);
        assert_eq!(exit_code(&[done(), with_code(2)]), 2);
        assert_eq!(exit_code(&[with_code(2), with_code(1), done()]), 1);
        assert_eq!(exit_code(&[done(), row(Outcome::NotStarted)]), 1);
        assert_eq!(exit_code(&[done(), done_with(NOT_ACCEPTED)]), 3);
        assert_eq!(exit_code(&[with_code(2), done_with(NOT_ACCEPTED)]), 2);
    }

    #[test]
    fn the_table_says_which() {
        assert_eq!(
            table(&[done(), with_code(2)]),
            "pipeline file  outcome              time  run folder\n\
             a.yaml         done           1 min 15 s  runs/a\n\
             a.yaml         cannot be run  1 min 15 s  -\n"
        );
    }

    #[test]
    fn two_files_of_one_name_do_not_share_a_folder() {
        let files = ["a/site.yaml", "b/site.yaml"].map(PathBuf::from);
        let error = run_folders(&files, Some(Path::new("runs"))).unwrap_err().to_string();
        assert!(error.contains("a/site.yaml and b/site.yaml"), "{error}");
        assert_eq!(run_folders(&files, None).unwrap(), [None, None]);
        let folders = run_folders(&files[..1], Some(Path::new("runs"))).unwrap();
        assert_eq!(folders, [Some(PathBuf::from("runs/site"))]);
    }
}
