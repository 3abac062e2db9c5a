//! The phase in which tiles are worked on, and the pool of workers.

use crate::cloud::STACK;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::job::Job;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::clock::Clock;
use crate::engine::work::context::Work;
use crate::engine::work::load::Allowance;
use crate::engine::work::surfaces::{Surfaces, make_surfaces};
use crate::engine::work::tiles::run_tiles;

/// Does something with so many workers.
///
/// # Errors
/// Where they cannot be had, or `work` fails or panics.
pub fn in_pool<T: Send>(
    threads: usize,
    doing: &'static str,
    work: impl FnOnce() -> Result<T, EngineError> + Send,
) -> Result<T, EngineError> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).stack_size(STACK).build();
    let pool = pool.map_err(|error| EngineError::Internal {
        doing: "starting the workers".into(),
        message: error.to_string(),
    })?;
    // Within the pool, since a panic is caught on the thread that it happens on.
    pool.install(|| guarded(|| doing.into(), work))
}

/// Makes the surfaces, and runs the chain of stages on the tiles that are not done.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn work(
    job: &Job,
    partitions: &Partitions,
    journals: &Journals,
    folder: &RunFolder,
    clock: &mut Clock<'_>,
) -> Result<(), EngineError> {
    let surfaces = make_surfaces(partitions, &job.chain, &|_| true, &folder.spill(), clock.watch())?;
    clock.step("make surfaces")?;
    let allowance = Allowance::of(&job.resources);
    run_tiles(
        &Work { partitions, surfaces: &surfaces, chain: &job.chain, allowance, journals },
        partitions.keys(),
        clock.watch(),
    )?;
    surfaces.values().for_each(Surfaces::empty);
    Ok(clock.step("work on tiles")?)
}
