//! Two run folders compared: what changed in data, options and figures, and whether it matters at the places that both compare.

mod contents;
mod data;
mod figures;
mod found;
mod options;
mod paired;
mod places;
mod run_folder;
mod text;
mod verdict;

use std::path::Path;

use crate::diff::found::{Diff, Outcome, RunHead};
pub use crate::diff::run_folder::DiffError;
use crate::diff::run_folder::RunFolder;

/// Compares two run folders.
///
/// # Errors
/// The first folder or file that is not what a run leaves.
pub fn diff(first: &Path, second: &Path) -> Result<Diff, DiffError> {
    let runs = [RunFolder::read(first)?, RunFolder::read(second)?];
    let [one, two] = &runs;
    let units = one.summary.units;
    let head = |run: &RunFolder| RunHead {
        folder: run.path.clone(),
        title: run.summary.title.clone(),
        version: run.manifest.version.clone(),
        units: run.summary.units,
        pipeline_sha256: run.manifest.pipeline_sha256.clone(),
        all: run.summary.all.clone().in_unit(run.summary.units, units),
    };
    let mut found = Diff {
        runs: [head(one), head(two)],
        units,
        outcome: Outcome::Same,
        verdict: Vec::new(),
        data: data::changes(&one.manifest, &two.manifest),
        options: options::changes(&one.pipeline, &two.pipeline),
        limits: figures::limits(one, two),
        warnings: figures::warnings(one, two),
        figures: figures::changes(one, two),
        paired: paired::paired(one, two),
    };
    (found.outcome, found.verdict) = verdict::outcome(&found, verdict::class(one, two).as_ref());
    Ok(found)
}

/// The comparison for people: no line longer than 100 columns.
pub fn text(found: &Diff) -> String {
    text::text(found)
}
