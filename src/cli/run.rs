//! `echograde run` and `finish`: do the work, or parts of it, and print the result.

use std::path::{Path, PathBuf};

use crate::cli::error::CliError;
use crate::engine::parts::finish::Parts;
use crate::engine::parts::part::run_part;
use crate::engine::plan::job::{Job, Resources};
use crate::engine::run::run as run_job;
use crate::engine::store::phase::{PartOf, Phase};
use crate::engine::store::run_folder::Claim;
use crate::engine::watch::Watch;
use crate::pipeline::load;
use crate::report::text::result_text;
use crate::results::confidence::{Verdict, WarningCode};
use crate::results::summary::Summary;
use crate::results::tables::summary_json;

/// How runs are to be done.
#[derive(Clone, Copy, Debug)]
pub struct Order {
    /// What may be done with earlier work in the run folder.
    pub claim: Claim,
    /// Print JSON instead of text.
    pub json: bool,
    /// What a run may use of the machine.
    pub resources: Resources,
}

/// A run that is done.
pub struct Done {
    /// The text for standard output.
    pub text: String,
    /// The run folder.
    pub folder: PathBuf,
    /// Whether every limit that the file sets is met.
    pub accepted: bool,
    /// What is said of a bias beyond anything plausible.
    pub implausible: Option<String>,
}

/// The exit code of a run that is done, but an acceptance limit that the file sets is not met.
pub const NOT_ACCEPTED: u8 = 3;

impl Done {
    /// The exit code.
    pub fn exit_code(&self) -> u8 {
        match self {
            Done { implausible: Some(_), .. } => 1,
            Done { accepted: false, .. } => NOT_ACCEPTED,
            _ => 0,
        }
    }
}

/// Runs a pipeline file.
///
/// # Errors
/// Whatever is wrong with the pipeline file, its clouds, the disk or the run.
pub fn run(file: &Path, out: Option<&Path>, order: Order, watch: &Watch) -> Result<Done, CliError> {
    let (job, folder) = prepare(file, out, order.resources, watch)?;
    let summary = run_job(job, &folder, order.claim, watch)?;
    Ok(done(&summary, folder, order.json, watch))
}

/// Does a part of a phase of a run.
///
/// # Errors
/// Whatever is wrong with the pipeline file, its clouds, the disk, the other parts or the work.
pub fn run_one_part(
    file: &Path,
    out: Option<&Path>,
    part: (Phase, PartOf),
    order: Order,
    watch: &Watch,
) -> Result<(), CliError> {
    let (job, folder) = prepare(file, out, order.resources, watch)?;
    Ok(run_part(job, &folder, part, order.claim.replace, watch)?)
}

/// Concludes the parts of a run.
///
/// # Errors
/// Parts that are missing, and whatever stops the conclusion.
pub fn finish(out: &Path, order: Order, watch: &Watch) -> Result<Done, CliError> {
    let parts = Parts::find(out, order.resources)?;
    let folder = parts.target().to_path_buf();
    let summary = parts.finish(order.claim.replace, watch)?;
    Ok(done(&summary, folder, order.json, watch))
}

/// The job of a pipeline file, and its run folder.
///
/// # Errors
/// Whatever is wrong with the file, its clouds or the folder.
pub fn prepare(
    file: &Path,
    out: Option<&Path>,
    resources: Resources,
    watch: &Watch,
) -> Result<(Job, PathBuf), CliError> {
    let loaded = load(file)?;
    let folder = out.map_or_else(|| loaded.output_folder(), Path::to_path_buf);
    if let Some(clash) = loaded.output_clash(&folder) {
        return Err(CliError::Usage(format!("the run folder {} {clash}; choose another", folder.display())));
    }
    let job = Job::prepare(loaded, resources)?;
    for note in &job.notes {
        watch.warn(note);
    }
    Ok((job, folder))
}

/// What is told of a run that is done.
fn done(summary: &Summary, folder: PathBuf, json: bool, watch: &Watch) -> Done {
    watch.info(&format!("results in {}", folder.display()));
    let text = if json { summary_json(summary) } else { result_text(summary) };
    let accepted = summary.trust.accept.iter().all(|limit| limit.verdict == Verdict::Met);
    let first = summary.trust.warnings.first().filter(|warning| warning.code == WarningCode::ImplausibleBias);
    let implausible = first.map(|warning| warning.text.clone());
    Done { text, folder, accepted, implausible }
}
