//! The end of a run, whether one process or many have done the work before: conclusions, products, files.

use crate::engine::conclude::conclusion::{Conclusion, conclude};
use crate::engine::conclude::files::{Cost, write_manifest, write_results};
use crate::engine::conclude::products::make_products;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::inputs::{InputFile, check_unchanged, compared_files};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::clock::Clock;
use crate::results::summary::Summary;

/// What was read and what the tiles gave back.
#[derive(Clone, Copy)]
pub struct Found<'a> {
    /// The points, of which only counts and shares are looked at.
    pub partitions: &'a Partitions,
    /// What the tiles gave back.
    pub journals: &'a Journals,
}

/// What other processes have done before.
pub struct Before {
    /// Tiles that this process took over.
    pub taken_over: usize,
    /// Whether the run continued an interrupted one, or concludes parts.
    pub resumed: bool,
    /// Parts that a phase was divided into.
    pub parts: Option<u32>,
}

/// Draws the conclusions and writes all that a run leaves.
///
/// # Errors
/// Where the disk fails, an input has changed, nothing was compared, or the run is asked to stop.
pub fn write_all(
    job: &Job,
    inputs: Vec<InputFile>,
    found: Found<'_>,
    before: Before,
    folder: &RunFolder,
    mut clock: Clock<'_>,
) -> Result<Summary, EngineError> {
    let (Found { partitions, journals }, watch) = (found, clock.watch());
    let mut conclusion = conclude(job, partitions, journals, folder, watch)?;
    clock.step("sum up")?;
    let products = make_products(job, partitions, journals, folder, &mut conclusion, watch)?;
    // Some of them are made of the inputs once more.
    check_unchanged(&inputs)?;
    if !products.is_empty() {
        clock.step("write products")?;
    }
    let Conclusion { summary, mut pictures, .. } = conclusion;
    pictures.files = compared_files(job, &inputs);
    write_results(job, &folder.results(), &summary, &pictures)?;
    clock.step("write results")?;
    let Before { taken_over, resumed, parts } = before;
    let cost = Cost { tiles: partitions.keys().len(), taken_over, resumed, parts, clock };
    let read = summary.survey.read + summary.reference.as_ref().map_or(0, |r| r.read);
    write_manifest(job, inputs, products, partitions, read, cost, &folder.results())?;
    Ok(summary)
}
