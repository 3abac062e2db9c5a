//! The files of the results.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;

use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::draw::Sample;
use crate::engine::conclude::manifest::{Manifest, peak_memory};
use crate::engine::conclude::summing_up::notes_of_reading;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::inputs::InputFile;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::run_folder::MANIFEST;
use crate::engine::watch::clock::Clock;
use crate::fit::VerticalFit;
use crate::pipeline::resolved::resolved_yaml;
use crate::products::staging::Products;
use crate::report::html;
use crate::results::checkpoints::CheckpointRow;
use crate::results::pictures::Pictures;
use crate::results::summary::Summary;
use crate::results::tables::{returns_csv, summary_json, surveyed_csv};
use crate::stages::auto::Count;
use crate::stages::checkpoint_table::{write_checkpoint, write_checkpoint_header};

/// Writes `summary.json`, `returns.csv`, `report.html` and `pipeline.yaml`.
///
/// # Errors
/// Where the disk does not take them.
pub fn write_results(
    job: &Job,
    results: &Path,
    summary: &Summary,
    pictures: &Pictures,
) -> Result<(), EngineError> {
    write(&results.join("summary.json"), &summary_json(summary))?;
    write(&results.join("returns.csv"), &returns_csv(summary))?;
    write(&results.join("report.html"), &html::page(summary, pictures))?;
    write(&results.join("pipeline.yaml"), &resolved_yaml(&job.pipeline))
}

/// Writes `checkpoints.csv`, with what `fit` adds to the survey.
///
/// # Errors
/// Where the disk does not take it.
pub fn write_checkpoints(
    job: &Job,
    results: &Path,
    sample: &Sample,
    listed: Count,
    fit: Option<&VerticalFit>,
) -> Result<(), EngineError> {
    let path = results.join("checkpoints.csv");
    let failed = || EngineError::disk(path.clone(), "writing the results");
    let mut file = BufWriter::new(File::create(&path).map_err(failed())?);
    write_checkpoint_header(&mut file, fit.is_some()).map_err(failed())?;
    let horizontal = job.survey.units[0].0;
    for number in 1..=MAX_RETURN as u8 {
        sample.for_each(number, listed, &mut |drawn| {
            let added = fit.map(|fit| fit.added(drawn.x, drawn.y));
            write_checkpoint(&mut file, drawn, added, horizontal, job.units).map_err(failed())
        })?;
    }
    file.flush().map_err(failed())
}

/// Writes `checkpoints.csv` of a list of surveyed points: all of them, used or not.
///
/// # Errors
/// Where the disk does not take it.
pub fn write_surveyed(job: &Job, results: &Path, rows: &[CheckpointRow]) -> Result<(), EngineError> {
    write(&results.join("checkpoints.csv"), &surveyed_csv(rows, job.survey.units[0].0, job.units))
}

/// What a run took.
pub struct Cost<'a> {
    /// Tiles that had points.
    pub tiles: usize,
    /// Those of them that an interrupted run had done.
    pub taken_over: usize,
    /// Whether the run continued an interrupted one, or concludes parts.
    pub resumed: bool,
    /// Parts that a phase was divided into.
    pub parts: Option<u32>,
    /// Wall time of its steps.
    pub clock: Clock<'a>,
}

/// Writes `manifest.json`; `read` is how many points were read.
///
/// # Errors
/// Where the disk does not take it.
pub fn write_manifest(
    job: &Job,
    inputs: Vec<InputFile>,
    products: Products,
    partitions: &Partitions,
    read: u64,
    cost: Cost<'_>,
    results: &Path,
) -> Result<(), EngineError> {
    let mut manifest = Manifest::of(job, inputs);
    manifest.notes.extend(products.notes());
    manifest.products = products.finish();
    manifest.notes.extend(notes_of_reading(partitions, job));
    manifest.tiles = cost.tiles as u64;
    manifest.tiles_taken_over = cost.taken_over as u64;
    manifest.parts = cost.parts;
    manifest.spill_bytes = partitions.bytes();
    manifest.seconds_in_all = cost.clock.seconds();
    manifest.points_per_second = (!cost.resumed).then(|| read as f64 / manifest.seconds_in_all);
    manifest.seconds = cost.clock.steps;
    manifest.peak_memory = peak_memory();
    let text = serde_json::to_string_pretty(&manifest).expect("plain data") + "\n";
    write(&results.join(MANIFEST), &text)
}

fn write(path: &Path, text: &str) -> Result<(), EngineError> {
    fs::write(path, text).map_err(EngineError::disk(path, "writing the results"))
}
