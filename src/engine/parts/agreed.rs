//! What all parts of a run agree on: it is settled by the first of them and written down.

use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::engine::plan::budget::unit_bytes;
use crate::engine::plan::inputs::{identity, inputs_of, mark_by_ends};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::identity::Identity;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::MOST_PARTS;
use crate::tile::tiling::Tiling;

/// What all parts of a run agree on. All of it follows from the pipeline file and the headers, whichever machine asks.
#[derive(Serialize, Deserialize)]
pub struct Agreed {
    /// The pipeline file.
    pub pipeline_file: PathBuf,
    /// Parts of each phase.
    pub parts: u32,
    /// Bytes that a unit of work may take: a tile that takes more is cut.
    pub unit_bytes: u64,
    /// Program, pipeline, inputs (of the clouds with hashes of their ends alone) and the edge of the tiles.
    identity: Identity,
}

impl Agreed {
    /// What a job in so many parts comes to.
    fn new(job: &Job, parts: u32, may_replace: bool) -> Result<Self, EngineError> {
        let path = &job.pipeline_path;
        let mut inputs = inputs_of(job);
        mark_by_ends(&mut inputs)?;
        Ok(Agreed {
            pipeline_file: std::path::absolute(path)
                .map_err(EngineError::disk(path, "finding the pipeline file"))?,
            parts,
            unit_bytes: unit_bytes(job.tiling.edge, &job.survey.density, &job.chain),
            identity: identity(job, &inputs, may_replace),
        })
    }

    /// What the parts in a folder agree on, for one more that would do a part of `job`: it settles that if it is the first.
    ///
    /// # Errors
    /// Where the others are parts of another run, or the disk fails.
    pub fn settle(
        job: &mut Job,
        parts: u32,
        may_replace: bool,
        folder: &PartsFolder,
    ) -> Result<Self, EngineError> {
        let own = Agreed::new(job, parts, may_replace)?;
        folder.settle(&(serde_json::to_string_pretty(&own).expect("plain data") + "\n"))?;
        let agreed = Agreed::read(&folder.plan())?;
        agreed.check(job, &own, folder)?;
        Ok(agreed)
    }

    /// What is written down.
    ///
    /// # Errors
    /// Where it is not there or makes no sense.
    pub fn read(path: &Path) -> Result<Self, EngineError> {
        let text = fs::read(path).map_err(EngineError::disk(path, "reading the plan"))?;
        let agreed: Option<Agreed> = serde_json::from_slice(&text).ok();
        agreed.filter(|agreed| (1..=MOST_PARTS).contains(&agreed.parts)).ok_or_else(|| EngineError::RunFolder {
            path: path.to_path_buf(),
            message: format!(
                "the plan of the run in parts is damaged, or of another version of the program: remove {} and do all parts again",
                path.parent().unwrap_or(path).display()
            ),
        })
    }

    /// Makes sure that a job is the one that the parts are of; it takes over what is settled.
    ///
    /// # Errors
    /// What differs.
    pub fn take_up(&self, job: &mut Job, folder: &PartsFolder) -> Result<(), EngineError> {
        let own = Agreed::new(job, self.parts, self.may_replace())?;
        self.check(job, &own, folder)
    }

    fn check(&self, job: &mut Job, own: &Agreed, folder: &PartsFolder) -> Result<(), EngineError> {
        let mut differences = self.identity.differences(&own.identity);
        if self.parts != own.parts {
            differences.push(format!("the number of parts: it was {}, now it is {}", self.parts, own.parts));
        }
        if !differences.is_empty() {
            let message = format!(
                "it holds parts of a run that was started otherwise:\n  {}\nUndo these changes, or remove {} and do all parts \
                 again",
                differences.join("\n  "),
                folder.work().display()
            );
            return Err(EngineError::RunFolder { path: folder.target().to_path_buf(), message });
        }
        job.tiling = Tiling { edge: self.identity.tile_edge };
        Ok(())
    }

    /// Whether the results of an earlier run may be replaced.
    pub fn may_replace(&self) -> bool {
        self.identity.may_replace
    }
}
