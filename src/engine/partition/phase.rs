//! The phase in which the clouds are read and their points partitioned into tiles.

use std::path::Path;

use crate::engine::partition::classes::check_classes;
use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::copies::check_copies;
use crate::engine::partition::index;
use crate::engine::partition::read::{Input, Scattered, scatter};
use crate::engine::partition::scale_check::check_surfaces;
use crate::engine::partition::share::Share;
use crate::engine::plan::budget::free_bytes;
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::forecast::Forecast;
use crate::engine::plan::inputs::{InputFile, check_unchanged, identity};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::identity::Identity;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::clock::Clock;
use crate::stages::apart::select_apart;
use crate::tile::points::Cloud;
use crate::tile::tiling::Tiling;

/// Takes up the points that an interrupted run partitioned, if it was started with the same things.
///
/// # Errors
/// Where something has changed, or the working data cannot be read.
pub fn take_up(
    job: &mut Job,
    inputs: &[InputFile],
    left_over: &Identity,
    folder: &RunFolder,
) -> Result<Partitions, EngineError> {
    let changed = left_over.differences(&identity(job, inputs, folder.may_replace()));
    if !changed.is_empty() {
        let message = format!(
            "the interrupted run cannot be continued, since what it was started with has changed:\n  {}\n\
             Undo these changes, or restart with --replace",
            changed.join("\n  ")
        );
        return Err(EngineError::RunFolder { path: folder.work().to_path_buf(), message });
    }
    job.tiling = Tiling { edge: left_over.tile_edge };
    index::read(&folder.index())
}

/// Reads the clouds and partitions their points into tiles on disk, as [`read_clouds`] does; from then on the run can be resumed.
///
/// # Errors
/// Where a cloud cannot be read, or the disk does not take the points.
pub fn partition(
    job: &Job,
    inputs: &mut [InputFile],
    folder: &RunFolder,
    clock: &mut Clock<'_>,
) -> Result<Partitions, EngineError> {
    let partitions = read_clouds(job, inputs, folder, clock)?;
    folder.write_identity(&identity(job, inputs, folder.may_replace()))?;
    index::write(&partitions, &folder.index())?;
    folder.keep_work();
    Ok(partitions)
}

/// Reads the clouds and partitions their points into tiles on disk. The hashes of the inputs are found on the way.
///
/// # Errors
/// Where a cloud cannot be read, or the disk does not take the points.
pub fn read_clouds(
    job: &Job,
    inputs: &mut [InputFile],
    folder: &RunFolder,
    clock: &mut Clock<'_>,
) -> Result<Partitions, EngineError> {
    let needed = Forecast::of(job).disk;
    if let Some(free) = free_bytes(folder.work()).filter(|free| *free < needed) {
        return Err(EngineError::Room { path: folder.work().to_path_buf(), needed, free });
    }
    let (partitions, sha256) = read_share(job, &Share::whole(), &folder.spill(), clock)?;
    take_hashes(inputs, &sha256);
    check_unchanged(inputs)?;
    check_read(job, inputs, &partitions)?;
    Ok(partitions)
}

/// Reads a share of the clouds and partitions its points into tiles, in spills in `folder`; gives the hash of each file, the
/// survey's first, that falls to the share.
///
/// # Errors
/// Where a cloud cannot be read, or the disk does not take the points.
pub fn read_share(
    job: &Job,
    share: &Share,
    folder: &Path,
    clock: &mut Clock<'_>,
) -> Result<(Partitions, Vec<Option<String>>), EngineError> {
    let halo = job.chain.halo();
    let watch = clock.watch();
    let read = |cloud, from: &CloudJob, halo, share, path: &Path| -> Result<Scattered, EngineError> {
        let (units, placing, memory) = (&from.units, &from.placing, job.resources.memory);
        let input = Input { cloud, sources: &from.sources, units, placing, halo, memory, share };
        scatter(&input, &job.chain, job.tiling, path, watch)
    };
    let survey = read(Cloud::Survey, &job.survey, halo.survey, share.clone(), &folder.join("survey"))?;
    clock.step("read the survey")?;
    if share.is_whole() {
        // Before the reference is read for nothing.
        check_classes(Cloud::Survey, &job.survey, &survey.partition.counts)?;
    }
    let reference = match &job.reference {
        Some(from) => {
            let (share, path) = (share.after_survey(job), folder.join("reference"));
            let reference = read(Cloud::Reference, from, halo.reference, share, &path)?;
            clock.step("read the reference")?;
            Some(reference)
        }
        None => None,
    };
    let (survey, mut sha256) = (survey.partition, survey.sha256);
    let reference = reference.map(|scattered| {
        sha256.extend(scattered.sha256);
        scattered.partition
    });
    Ok((Partitions { survey, reference, tiling: job.tiling }, sha256))
}

/// Gives the inputs the hashes that are known, file by file.
pub fn take_hashes(inputs: &mut [InputFile], sha256: &[Option<String>]) {
    for (input, sha256) in inputs.iter_mut().zip(sha256) {
        if let Some(sha256) = sha256 {
            input.sha256.clone_from(sha256);
        }
    }
}

/// Refuses what shows once all points have been read.
///
/// # Errors
/// A cloud without ground, copies of one file, or points scattered far apart.
pub fn check_read(job: &Job, inputs: &[InputFile], partitions: &Partitions) -> Result<(), EngineError> {
    let clouds = [(Cloud::Survey, Some(&job.survey)), (Cloud::Reference, job.reference.as_ref())];
    for (cloud, from) in clouds {
        if let Some((from, found)) = from.zip(partitions.get(cloud)) {
            check_classes(cloud, from, &found.counts)?;
        }
    }
    check_copies(inputs, select_apart(&job.pipeline.stages))?;
    // Before anything is kept: the remedy is another pipeline file.
    check_surfaces(partitions, &job.chain)
}
