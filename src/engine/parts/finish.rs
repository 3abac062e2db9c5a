//! The end of a run in parts: what they have done is put together, and concluded.

use std::fs;
use std::path::Path;

use crate::engine::conclude::end::{Before, Found, write_all};
use crate::engine::parts::agreed::Agreed;
use crate::engine::parts::dealt::Dealt;
use crate::engine::parts::missing::{check_parts, with_remedy};
use crate::engine::plan::job::{Job, JobError, Resources};
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::Phase;
use crate::engine::store::run_folder::{JOURNAL, MANIFEST, SUMMARY};
use crate::engine::watch::Watch;
use crate::engine::watch::clock::Clock;
use crate::engine::work::phase::in_pool;
use crate::pipeline::{PipelineError, load};
use crate::results::summary::Summary;

/// Why the parts of a run cannot be concluded.
#[derive(Debug, thiserror::Error)]
pub enum FinishError {
    /// The pipeline file is not as it was.
    #[error(transparent)]
    Pipeline(#[from] PipelineError),
    /// Its clouds are not as they were.
    #[error(transparent)]
    Job(#[from] JobError),
    /// The conclusion failed.
    #[error(transparent)]
    Engine(#[from] EngineError),
}

/// The job that the parts beside the run folder `out` are of, ready to be concluded.
pub struct Parts {
    /// The job.
    pub job: Job,
    agreed: Agreed,
    folder: PartsFolder,
}

impl Parts {
    /// Finds them.
    ///
    /// # Errors
    /// Where there are none, one is missing, or pipeline or inputs have changed.
    pub fn find(out: &Path, resources: Resources) -> Result<Self, FinishError> {
        let folder = PartsFolder::of(out)?;
        if !folder.plan().exists() {
            let message = match folder.target().join(MANIFEST).exists() {
                true => "holds results, and no parts of a run are there: it is finished".to_string(),
                false => format!(
                    "there are no parts of a run: {} is not there. Name the run folder that the parts were given with --out",
                    folder.plan().display()
                ),
            };
            return Err(EngineError::RunFolder { path: folder.target().to_path_buf(), message }.into());
        }
        let agreed = Agreed::read(&folder.plan())?;
        check_parts(&[Phase::Deal, Phase::Work], &agreed, &folder)?;
        let mut job = Job::prepare(load(&agreed.pipeline_file)?, resources)?;
        agreed.take_up(&mut job, &folder)?;
        Ok(Parts { job, agreed, folder })
    }

    /// Concludes them and leaves the results in the run folder.
    ///
    /// # Errors
    /// Whatever stops the conclusion; the parts are then still there.
    pub fn finish(self, replace: bool, watch: &Watch) -> Result<Summary, EngineError> {
        let Parts { job, agreed, folder } = self;
        let results = folder.conclude(agreed.parts, replace || agreed.may_replace())?;
        let log = results.log();
        let watch = watch.with_log(&log).map_err(EngineError::disk(log, "making the log"))?;
        let concluded = in_pool(job.resources.threads, "finishing the run", || {
            let mut clock = Clock::start(&watch);
            let Dealt { partitions, inputs } = Dealt::read(&job, &agreed, &folder)?;
            let journals: Vec<_> =
                folder.parts(Phase::Work, agreed.parts).map(|part| part.join(JOURNAL)).collect();
            let journals = Journals::of_parts(&journals)?;
            let done = journals.done();
            // A part is put into place once all its tiles are in it: that none is missing is certain, unless files were lost.
            if let Some(key) = partitions.keys().into_iter().find(|key| done.binary_search(key).is_err()) {
                let message = format!(
                    "no part has worked on {}: remove {} and do all parts of `work` again",
                    partitions.tiling.place(key),
                    folder.work().join(Phase::Work.name()).display()
                );
                return Err(EngineError::RunFolder { path: folder.target().to_path_buf(), message });
            }
            clock.step("read what the parts have done")?;
            let found = Found { partitions: &partitions, journals: &journals };
            let before = Before { taken_over: done.len(), resumed: true, parts: Some(agreed.parts) };
            write_all(&job, inputs, found, before, &results, clock)
        });
        let summary = concluded.map_err(|error| with_remedy(error, &agreed, &folder))?;
        // The log is closed before it is moved.
        drop(watch);
        let own = fs::read(results.results().join(SUMMARY)).ok();
        match results.finish() {
            Ok(()) => {}
            // Another copy of this has been faster.
            Err(_) if own.is_some() && fs::read(folder.target().join(SUMMARY)).ok() == own => {}
            Err(error) => return Err(error),
        }
        folder.remove();
        Ok(summary)
    }

    /// The run folder.
    pub fn target(&self) -> &Path {
        self.folder.target()
    }
}
