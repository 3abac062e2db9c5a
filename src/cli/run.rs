//! `echograde run`: does the work and prints the result.

use std::path::Path;

use super::CliError;
use crate::engine::job::{Job, Means};
use crate::engine::run::run as run_job;
use crate::pipeline::load;
use crate::report::tables::summary_json;
use crate::report::text::result_text;

/// Runs a pipeline file; gives the text for standard output.
///
/// # Errors
/// Whatever is wrong with the pipeline file, its clouds, the disk or the run.
pub fn run(
    file: &Path,
    out: Option<&Path>,
    replace: bool,
    json: bool,
    means: Means,
) -> Result<String, CliError> {
    let loaded = load(file)?;
    let out = out.map_or_else(|| loaded.output_folder(), Path::to_path_buf);
    if let Some(clash) = loaded.output_clash(&out) {
        return Err(CliError::Usage(format!("the run folder {} {clash}; choose another", out.display())));
    }
    let job = Job::prepare(loaded, means)?;
    for note in &job.notes {
        tracing::warn!("{note}");
    }
    let summary = run_job(&job, &out, replace)?;
    tracing::info!("results in {}", out.display());
    Ok(if json { summary_json(&summary) } else { result_text(&summary) })
}
