//! A run from start to end: plan, partition, work, conclude.

use std::path::Path;

use tracing::Level;

use crate::engine::conclude::end::{Before, Found, write_all};
use crate::engine::partition::phase::{partition, take_up};
use crate::engine::plan::inputs::{hash_inputs, inputs_of};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::{Claim, RunFolder};
use crate::engine::watch::Watch;
use crate::engine::watch::clock::Clock;
use crate::engine::work::phase::{in_pool, work};
use crate::results::summary::Summary;

/// Runs a job and leaves its results in the run folder `out`; its log is there, too, whatever `watch` is used for besides.
///
/// # Errors
/// Whatever stops the run; the run folder is then as it was before, and finished work that can be resumed is kept.
pub fn run(job: Job, out: &Path, claim: Claim, watch: &Watch) -> Result<Summary, EngineError> {
    let folder = RunFolder::claim(out, claim)?;
    let started = format!("{}, version {}", job.pipeline_path.display(), env!("CARGO_PKG_VERSION"));
    let threads = job.resources.threads;
    let result = logged(&folder, &started, watch, |watch| {
        in_pool(threads, "doing the run", || phases(job, &folder, watch))
    });
    if matches!(result, Err(EngineError::NothingCompared { .. })) {
        // The remedy is other options or other clouds.
        folder.drop_work();
    }
    let (work, kept) = (folder.work().to_path_buf(), folder.is_kept());
    let finished = result.and_then(|summary| folder.finish().map(|()| summary));
    finished.map_err(|error| match error {
        // Resuming would not help; the message states the remedy.
        error @ (EngineError::RunFolder { .. } | EngineError::Damaged { .. }) => error,
        error if kept => EngineError::Resumable { source: Box::new(error), folder: work },
        error => error,
    })
}

/// Does what makes the results of a folder, with a log of its own there, which is closed after it.
///
/// # Errors
/// Those of `work`, and where the log cannot be made.
pub fn logged<T>(
    folder: &RunFolder,
    started: &str,
    watch: &Watch,
    work: impl FnOnce(&Watch) -> Result<T, EngineError>,
) -> Result<T, EngineError> {
    let log = folder.log();
    let watch = watch.with_log(&log).map_err(EngineError::disk(log, "making the log"))?;
    watch.log(Level::INFO, started);
    let result = work(&watch);
    match &result {
        Ok(_) => watch.log(Level::INFO, "done"),
        Err(error) => watch.log(Level::ERROR, &error.to_string()),
    }
    result
}

/// The phases of a run. They meet only on disk.
fn phases(mut job: Job, folder: &RunFolder, watch: &Watch) -> Result<Summary, EngineError> {
    let mut clock = Clock::start(watch);
    let (inputs, partitions) = match folder.left_over() {
        Some(left_over) => {
            let inputs = hash_inputs(&job, &left_over.inputs, watch)?;
            clock.step("hash the inputs")?;
            let partitions = take_up(&mut job, &inputs, left_over, folder)?;
            (inputs, partitions)
        }
        None => {
            let mut inputs = inputs_of(&job);
            let partitions = partition(&job, &mut inputs, folder, &mut clock)?;
            (inputs, partitions)
        }
    };
    let journals = Journals::open(&[folder.journal()])?;
    let (tiles, taken_over) = (partitions.keys().len(), journals.done().len());
    if folder.left_over().is_some() {
        watch.info(&format!("continuing the interrupted run: {taken_over} of {tiles} tiles are done"));
    }
    if taken_over < tiles {
        work(&job, &partitions, &journals, folder, &mut clock)?;
    }
    let before = Before { taken_over, resumed: folder.left_over().is_some(), parts: None };
    write_all(&job, inputs, Found { partitions: &partitions, journals: &journals }, before, folder, clock)
}
