//! A run from start to end: plan, partition, work, conclude.

use std::path::Path;

use crate::cloud::STACK;
use crate::engine::conclude::conclusion::{Conclusion, conclude};
use crate::engine::conclude::files::{Cost, write_manifest, write_results};
use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::phase::{partition, take_up};
use crate::engine::plan::inputs::hash_inputs;
use crate::engine::plan::job::Job;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::{Claim, RunFolder};
use crate::engine::watch::clock::Clock;
use crate::engine::watch::log::{self, RunLog};
use crate::engine::watch::stop;
use crate::engine::work::context::Work;
use crate::engine::work::load::{Allowance, check_surfaces};
use crate::engine::work::surfaces::{Surfaces, make_surfaces};
use crate::engine::work::tiles::run_tiles;
use crate::results::summary::Summary;

/// Runs a job and leaves its results in the run folder `out`.
///
/// # Errors
/// Whatever stops the run; the run folder is then as it was before, and work that can be gone on with is kept.
pub fn run(job: Job, out: &Path, claim: Claim) -> Result<Summary, EngineError> {
    let folder = RunFolder::claim(out, claim)?;
    let log = RunLog::open(&folder.log())?;
    tracing::info!(target: log::ONLY, "{}, version {}", job.pipeline_path.display(), env!("CARGO_PKG_VERSION"));
    let result = in_pool(job, &folder);
    match &result {
        Ok(_) => tracing::info!(target: log::ONLY, "done"),
        Err(error) => tracing::error!(target: log::ONLY, "{error}"),
    }
    // It is closed before it is moved.
    drop(log);
    let (work, kept) = (folder.work().to_path_buf(), folder.is_kept());
    let finished = result.and_then(|summary| folder.finish().map(|()| summary));
    finished.map_err(|error| match error {
        // Nothing that can be gone on with: the way on is another one, which the message tells.
        error @ (EngineError::RunFolder { .. } | EngineError::Damaged { .. }) => error,
        error if kept => EngineError::Resumable { source: Box::new(error), folder: work },
        error => error,
    })
}

fn in_pool(job: Job, folder: &RunFolder) -> Result<Summary, EngineError> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(job.resources.threads).stack_size(STACK).build();
    let pool = pool.map_err(|error| EngineError::Internal {
        doing: "starting the workers".into(),
        message: error.to_string(),
    })?;
    // Within the pool, since a panic is told apart on the thread that it happens on.
    pool.install(|| guarded(|| "doing the run".into(), || phases(job, folder)))
}

/// The phases of a run. They meet only on disk.
fn phases(mut job: Job, folder: &RunFolder) -> Result<Summary, EngineError> {
    let mut clock = Clock::start();
    let inputs = hash_inputs(&job)?;
    end_step(&mut clock, "hash the inputs")?;
    let partitions = match folder.left_over() {
        Some(left_over) => take_up(&mut job, &inputs, left_over, folder)?,
        None => partition(&job, &inputs, folder, &mut clock)?,
    };
    let journals = Journals::open(&folder.journals())?;
    let (tiles, taken_over) = (partitions.keys().len(), journals.done().len());
    if folder.left_over().is_some() {
        tracing::info!("going on with the interrupted run: {taken_over} of {tiles} tiles are done");
    }
    if taken_over < tiles {
        work(&job, &partitions, &journals, folder, &mut clock)?;
    }
    let Conclusion { summary, histogram } = conclude(&job, &partitions, &journals, folder)?;
    end_step(&mut clock, "sum up")?;
    write_results(&job, &folder.results(), &summary, &histogram)?;
    end_step(&mut clock, "write results")?;
    let cost = Cost { tiles, taken_over, resumed: folder.left_over().is_some(), clock };
    write_manifest(&job, inputs, &partitions, &summary, cost, &folder.results())?;
    Ok(summary)
}

/// Makes the surfaces, and runs the chain of stages on the tiles that are not done.
fn work(
    job: &Job,
    partitions: &Partitions,
    journals: &Journals,
    folder: &RunFolder,
    clock: &mut Clock,
) -> Result<(), EngineError> {
    check_surfaces(partitions, &job.chain)?;
    let surfaces = make_surfaces(partitions, &job.chain, &folder.spill())?;
    end_step(clock, "make surfaces")?;
    let allowance = Allowance::of(&job.resources);
    run_tiles(&Work { partitions, surfaces: &surfaces, chain: &job.chain, allowance, journals })?;
    surfaces.values().for_each(Surfaces::empty);
    end_step(clock, "work on tiles")
}

/// Ends a step; between two steps is a good place to stop.
fn end_step(clock: &mut Clock, name: &'static str) -> Result<(), EngineError> {
    clock.step(name);
    stop::check()
}
