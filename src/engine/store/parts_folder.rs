//! The working folder of a run that is done in parts, by processes that share nothing but its disk.
//!
//! Nothing in it is ever changed: a part writes into a folder with a name of its own, which gets the name of the part once all of
//! it is there. A second copy of a part finds the name taken and leaves the first. So no lock is needed, nothing depends on
//! clocks, and what a part that was killed leaves is in no one's way.

use std::fs;
use std::hash::{BuildHasher, RandomState};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::process;

use crate::engine::store::error::EngineError;
use crate::engine::store::files::write_whole;
use crate::engine::store::phase::{PHASES, PLAN, Phase};
use crate::engine::store::run_folder::{LOG, MANIFEST, RESULTS, RunFolder, work_name};
use crate::engine::store::target::check_target;

/// The file that the lock of a run in one piece is on.
const LOCK: &str = "lock";

/// The working folder of a run that is done in parts.
#[derive(Clone, Debug)]
pub struct PartsFolder {
    target: PathBuf,
    work: PathBuf,
}

impl PartsFolder {
    /// The one beside the run folder `target`, which may not be there yet.
    ///
    /// # Errors
    /// Where `target` cannot be a run folder.
    pub fn of(target: &Path) -> Result<Self, EngineError> {
        // Whichever folder the command is given in.
        let target =
            std::path::absolute(target).map_err(EngineError::disk(target, "finding the run folder"))?;
        let Some(name) = target.file_name() else {
            let message =
                "is not a folder that can be made; give `output:` or --out a folder name".to_string();
            return Err(EngineError::RunFolder { path: target, message });
        };
        let work = target.with_file_name(work_name(name));
        Ok(PartsFolder { target, work })
    }

    /// Makes it, for a part.
    ///
    /// # Errors
    /// Where it cannot be made, a run in one piece works there, or the run folder holds something that may not be replaced.
    pub fn make(&self, replace: bool) -> Result<(), EngineError> {
        check_target(&self.target, replace, &RESULTS, MANIFEST)?;
        fs::create_dir_all(&self.work).map_err(EngineError::disk(&self.work, "making the working folder"))?;
        if self.work.join(LOCK).exists() && !self.plan().exists() {
            let message = format!(
                "a run in one piece works on it or was interrupted; wait for it, continue it with --resume and without \
                 --phase, or remove {}",
                self.work.display()
            );
            return Err(EngineError::RunFolder { path: self.target.clone(), message });
        }
        Ok(())
    }

    /// The run folder.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// The working folder itself.
    pub fn work(&self) -> &Path {
        &self.work
    }

    /// Where what all parts agree on is written.
    pub fn plan(&self) -> PathBuf {
        self.work.join(PLAN)
    }

    /// Writes down what all parts agree on, unless another part has done so before.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn settle(&self, text: &str) -> Result<(), EngineError> {
        let (plan, own) = (self.plan(), self.work.join(format!("plan-{}", unique())));
        if plan.exists() {
            return Ok(());
        }
        write_whole(&own, |file| io::Write::write_all(file, text.as_bytes()))?;
        // A link is made in one step and never over another file; where there are none, the last plan stands.
        let linked = match fs::hard_link(&own, &plan) {
            Err(error) if error.kind() == ErrorKind::AlreadyExists => Ok(()),
            Err(_) => return fs::rename(&own, &plan).map_err(EngineError::disk(&plan, "writing the plan")),
            Ok(()) => Ok(()),
        };
        let _ = fs::remove_file(&own);
        linked
    }

    /// The folder of a part that is done.
    pub fn part(&self, phase: Phase, number: u32) -> PathBuf {
        self.work.join(phase.name()).join(number.to_string())
    }

    /// The folders of all parts of a phase.
    pub fn parts(&self, phase: Phase, of: u32) -> impl Iterator<Item = PathBuf> {
        (1..=of).map(move |number| self.part(phase, number))
    }

    /// The parts of a phase that are not there.
    pub fn missing(&self, phase: Phase, of: u32) -> Vec<u32> {
        (1..=of).filter(|&number| !self.part(phase, number).exists()).collect()
    }

    /// A folder for a part to be written into.
    ///
    /// # Errors
    /// Where it cannot be made.
    pub fn begin(&self, phase: Phase, number: u32) -> Result<PartInMaking, EngineError> {
        let target = self.part(phase, number);
        let path = target.with_file_name(format!("{number}-{}", unique()));
        fs::create_dir_all(&path).map_err(EngineError::disk(&path, "making the working folder"))?;
        Ok(PartInMaking { path, target, keep: false })
    }

    /// Drops a part, so that it is done again.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn drop_part(&self, phase: Phase, number: u32) -> Result<(), EngineError> {
        let part = self.part(phase, number);
        let aside = part.with_file_name(format!("{number}-{}", unique()));
        match fs::rename(&part, &aside) {
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
            moved => moved
                .and_then(|()| fs::remove_dir_all(&aside))
                .map_err(EngineError::disk(&part, "clearing the working folder")),
        }
    }

    /// The folder in which the results are made, of its own for each process that tries; the logs of all parts stand in its log.
    ///
    /// # Errors
    /// Where it cannot be made, or the run folder holds something that may not be replaced.
    pub fn conclude(&self, of: u32, replace: bool) -> Result<RunFolder, EngineError> {
        let own = self.work.join(format!("finish-{}", unique()));
        fs::create_dir_all(&own).map_err(EngineError::disk(&own, "making the working folder"))?;
        let folder = RunFolder::for_parts(&self.target, &self.work, &own, replace)?;
        let mut log = String::new();
        for phase in PHASES {
            for part in self.parts(phase, of) {
                // Best effort: a log is for people.
                log += &fs::read_to_string(part.join(LOG)).unwrap_or_default();
            }
        }
        fs::write(folder.log(), log).map_err(EngineError::disk(folder.log(), "making the log"))?;
        Ok(folder)
    }

    /// Removes the working folder, once the results are in place.
    pub fn remove(&self) {
        // Under another name first, so that no copy of a part or of the end finds half of it. Best effort: one may still write there.
        let name = self.work.file_name().unwrap_or_default().to_string_lossy();
        let aside = self.work.with_file_name(format!("{name}-{}", unique()));
        let _ = match fs::rename(&self.work, &aside) {
            Ok(()) => fs::remove_dir_all(&aside),
            Err(_) => fs::remove_dir_all(&self.work),
        };
    }
}

/// A name that no other process takes, whatever its machine, its number and its clock.
fn unique() -> String {
    format!("{}-{:016x}", process::id(), RandomState::new().hash_one(process::id()))
}

/// A part that is being written; it is removed unless it is published.
pub struct PartInMaking {
    path: PathBuf,
    target: PathBuf,
    keep: bool,
}

impl PartInMaking {
    /// The folder to write into.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Lets the part appear, whole; false where another copy of it has been faster, which counts.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn publish(mut self) -> Result<bool, EngineError> {
        match fs::rename(&self.path, &self.target) {
            Ok(()) => {
                self.keep = true;
                Ok(true)
            }
            Err(_) if self.target.exists() => Ok(false),
            Err(error) => Err(EngineError::disk(&self.target, "putting a part into place")(error)),
        }
    }
}

impl Drop for PartInMaking {
    fn drop(&mut self) {
        if !self.keep {
            // Best effort: the whole folder is removed at the end.
            let _ = fs::remove_dir_all(&self.path);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_two_copies_of_a_part_the_first_counts_and_one_cut_short_leaves_nothing() {
        let base = tempfile::tempdir().unwrap();
        let folder = PartsFolder::of(&base.path().join("run")).unwrap();
        folder.make(false).unwrap();
        let copies = [1, 2].map(|_| folder.begin(Phase::Deal, 2).unwrap());
        assert_eq!(folder.missing(Phase::Deal, 3), [1, 2, 3]);
        let published = copies.map(|copy| {
            fs::write(copy.path().join("own"), copy.path().display().to_string()).unwrap();
            copy.publish().unwrap()
        });
        assert_eq!(published, [true, false]);
        drop(folder.begin(Phase::Deal, 1).unwrap());
        assert_eq!(folder.missing(Phase::Deal, 3), [1, 3]);
        let left = fs::read_dir(folder.work().join("deal")).unwrap().count();
        assert_eq!(left, 1, "what was not published is gone");
        folder.drop_part(Phase::Deal, 2).unwrap();
        assert_eq!(folder.missing(Phase::Deal, 3), [1, 2, 3]);
    }

    #[test]
    fn the_first_plan_counts() {
        let base = tempfile::tempdir().unwrap();
        let folder = PartsFolder::of(&base.path().join("run")).unwrap();
        folder.make(false).unwrap();
        folder.settle("first").unwrap();
        folder.settle("second").unwrap();
        assert_eq!(fs::read_to_string(folder.plan()).unwrap(), "first");
        assert_eq!(fs::read_dir(folder.work()).unwrap().count(), 1);
        // A run in one piece does not clear it away unless it is asked to.
        let claim = |replace: bool| {
            use crate::engine::store::run_folder::Claim;
            RunFolder::claim(folder.target(), Claim { resume: !replace, replace })
        };
        assert!(claim(false).err().unwrap().to_string().contains("finish"));
        drop(claim(true).unwrap());
        assert!(!folder.plan().exists());
    }
}
