//! The run folder: everything appears in it at once, when the run is done, or not at all.
//!
//! The work is done in a folder beside it, named after it with `.unfinished`; a lock in there keeps a second run out.
//! Once the points are partitioned into tiles and their index is written, that folder outlives an interrupted run, so that a
//! later run can continue from there; before that, it is removed when the run ends.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use crate::engine::store::error::EngineError;
use crate::engine::store::files::write_whole;
use crate::engine::store::identity::Identity;
use crate::engine::store::phase::{PHASES, PLAN};
use crate::engine::store::target::check_target;

/// Tells a folder that this program wrote from any other.
pub const MANIFEST: &str = "manifest.json";

/// The results, for machines.
pub const SUMMARY: &str = "summary.json";

/// The pipeline as resolved.
pub const PIPELINE: &str = "pipeline.yaml";

/// What was done when, for people.
pub const LOG: &str = "log.txt";

/// The journal of tiles, in the folder of working data.
pub const JOURNAL: &str = "tiles";

/// The folder within the working folder in which old results wait to be removed.
const OLD: &str = "old";

/// The name of the working folder of a run folder of this name.
pub(super) fn work_name(name: &OsStr) -> OsString {
    let mut work = name.to_os_string();
    work.push(".unfinished");
    work
}

/// What may be done with the work or the results of an earlier run in the same folder.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Claim {
    /// Continue an interrupted run.
    pub resume: bool,
    /// Replace results, and drop the work of an interrupted run.
    pub replace: bool,
}

/// All that a run leaves in its folder.
pub(super) const RESULTS: [&str; 7] =
    ["summary.json", "returns.csv", "checkpoints.csv", "report.html", "pipeline.yaml", MANIFEST, "log.txt"];

/// A run folder in the making.
pub struct RunFolder {
    target: PathBuf,
    work: PathBuf,
    replace: bool,
    /// What the interrupted run that this one continues was started with.
    left_over: Option<Identity>,
    keep: AtomicBool,
    /// Where old results wait to be removed; beside the working folder of a run in parts.
    old: PathBuf,
    /// Keeps a second run out; the parts of a run need no lock.
    _lock: Option<File>,
}

impl RunFolder {
    /// Claims `target` for a run.
    ///
    /// # Errors
    /// Where the folder holds something already, another run works on it, or it cannot be written.
    pub fn claim(target: &Path, claim: Claim) -> Result<Self, EngineError> {
        let refuse = |message: &str| {
            Err(EngineError::RunFolder { path: target.to_path_buf(), message: message.to_string() })
        };
        let Some(name) = target.file_name() else {
            return refuse("is not a folder that can be made; give `output:` or --out a folder name");
        };
        let work = target.with_file_name(work_name(name));
        if work.join(PLAN).exists() && !claim.replace {
            return refuse(
                "a run in parts is under way on it; `echograde finish` concludes it, --replace drops its parts and starts anew",
            );
        }
        if let Err(error) = fs::create_dir_all(&work) {
            if error.kind() == std::io::ErrorKind::NotFound {
                return refuse("no folder can be made there; give `output:` or --out another one");
            }
            return Err(EngineError::disk(&work, "making the working folder")(error));
        }
        let lock_path = work.join("lock");
        let lock =
            File::create(&lock_path).map_err(EngineError::disk(&lock_path, "making a working file"))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(fs::TryLockError::WouldBlock) => {
                return refuse("another run is working on it; wait for it, or give this one its own --out");
            }
            Err(fs::TryLockError::Error(error)) => {
                return Err(EngineError::disk(&lock_path, "locking the working folder")(error));
            }
        }
        let mut folder = RunFolder {
            target: target.to_path_buf(),
            old: work.join(OLD),
            work,
            replace: claim.replace,
            left_over: None,
            keep: AtomicBool::new(false),
            _lock: Some(lock),
        };
        folder.put_old_results_back()?;
        let left_over = folder.find_left_over();
        folder.keep.store(left_over.is_some(), Ordering::Relaxed);
        // A run that was allowed to replace results still is when it is continued.
        folder.replace |= claim.resume && left_over.as_ref().is_some_and(|left| left.may_replace);
        check_target(target, folder.replace, &RESULTS, MANIFEST)?;
        match left_over {
            Some(_) if !claim.resume && !claim.replace => {
                return refuse(
                    "an earlier run on it was interrupted; add --resume to continue it, or --replace to restart",
                );
            }
            Some(left) if claim.resume => folder.left_over = Some(left),
            _ => folder.start_anew()?,
        }
        folder.clear(&folder.results())?;
        Ok(folder)
    }

    /// The folder in which the parts of a run are concluded: `work`, which is new, within `parts`, where they are.
    ///
    /// # Errors
    /// Where it cannot be written, or the folder of the results holds something else.
    pub(super) fn for_parts(
        target: &Path,
        parts: &Path,
        work: &Path,
        replace: bool,
    ) -> Result<Self, EngineError> {
        let folder = RunFolder {
            target: target.to_path_buf(),
            work: work.to_path_buf(),
            replace,
            left_over: None,
            keep: AtomicBool::new(false),
            old: parts.join(OLD),
            _lock: None,
        };
        folder.put_old_results_back()?;
        check_target(target, replace, &RESULTS, MANIFEST)?;
        folder.clear(&folder.results())?;
        folder.clear(&folder.spill())?;
        Ok(folder)
    }

    /// What the interrupted run that this one is to continue was started with.
    pub fn left_over(&self) -> Option<&Identity> {
        self.left_over.as_ref()
    }

    /// Whether the results of an earlier run may be replaced.
    pub fn may_replace(&self) -> bool {
        self.replace
    }

    /// The working folder.
    pub fn work(&self) -> &Path {
        &self.work
    }

    /// Where working data go.
    pub fn spill(&self) -> PathBuf {
        self.work.join("spill")
    }

    /// The journal of tiles.
    pub fn journal(&self) -> PathBuf {
        self.spill().join(JOURNAL)
    }

    /// Where results are written before they appear.
    pub fn results(&self) -> PathBuf {
        self.work.join("results")
    }

    /// Where the log goes before it appears.
    pub fn log(&self) -> PathBuf {
        self.work.join(LOG)
    }

    /// Where the index of the working data goes, without which they cannot be resumed.
    pub fn index(&self) -> PathBuf {
        self.work.join("index.json")
    }

    fn identity(&self) -> PathBuf {
        self.work.join("identity.json")
    }

    /// Writes down what the run is started with.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn write_identity(&self, identity: &Identity) -> Result<(), EngineError> {
        write_whole(&self.identity(), |file| Ok(serde_json::to_writer_pretty(file, identity)?))
    }

    /// From now on the working folder is kept until the results are in.
    pub fn keep_work(&self) {
        self.keep.store(true, Ordering::Relaxed);
    }

    /// From now on nothing is worth keeping.
    pub fn drop_work(&self) {
        self.keep.store(false, Ordering::Relaxed);
    }

    /// Whether a later run can continue the work.
    pub fn is_kept(&self) -> bool {
        self.keep.load(Ordering::Relaxed)
    }

    /// Lets the results appear, and clears the working folder away.
    ///
    /// # Errors
    /// Where the disk fails, or something has appeared in their place; the working folder is then kept.
    pub fn finish(self) -> Result<(), EngineError> {
        check_target(&self.target, self.replace, &RESULTS, MANIFEST)?;
        let log = self.results().join(LOG);
        fs::rename(self.log(), &log).map_err(EngineError::disk(&log, "moving the log into place"))?;
        if self.target.exists() {
            fs::rename(&self.target, &self.old)
                .map_err(EngineError::disk(&self.target, "moving the old results aside"))?;
        }
        if let Err(error) = fs::rename(self.results(), &self.target) {
            self.put_old_results_back()?;
            return Err(EngineError::disk(&self.target, "moving the results into place")(error));
        }
        self.keep.store(false, Ordering::Relaxed);
        Ok(())
    }

    /// A run that was killed between its last two steps has moved the old results aside, but put none in place.
    fn put_old_results_back(&self) -> Result<(), EngineError> {
        if self.old.exists() && !self.target.exists() {
            fs::rename(&self.old, &self.target)
                .map_err(EngineError::disk(&self.target, "moving the old results back"))?;
        }
        Ok(())
    }

    fn find_left_over(&self) -> Option<Identity> {
        // Results are gone from here once they are in place: a run killed while it tidied up is a finished one.
        let unfinished = self.index().is_file() && self.results().exists();
        let text = unfinished.then(|| fs::read(self.identity()).ok())??;
        serde_json::from_slice(&text).ok()
    }

    /// Clears the work of an earlier run away: the index first, without which nothing is taken for resumable.
    fn start_anew(&self) -> Result<(), EngineError> {
        self.keep.store(false, Ordering::Relaxed);
        for file in [self.index(), self.identity(), self.log(), self.work.join(PLAN)] {
            if file.exists() {
                fs::remove_file(&file).map_err(EngineError::disk(&file, "clearing the working folder"))?;
            }
        }
        for folder in PHASES {
            let parts = self.work.join(folder.name());
            if parts.exists() {
                fs::remove_dir_all(&parts)
                    .map_err(EngineError::disk(&parts, "clearing the working folder"))?;
            }
        }
        self.clear(&self.spill())
    }

    fn clear(&self, folder: &Path) -> Result<(), EngineError> {
        if folder.exists() {
            fs::remove_dir_all(folder).map_err(EngineError::disk(folder, "clearing the working folder"))?;
        }
        fs::create_dir(folder).map_err(EngineError::disk(folder, "making the working folder"))
    }
}

impl Drop for RunFolder {
    fn drop(&mut self) {
        if !self.is_kept() {
            // Best effort: what cannot be removed is cleared by the next run.
            let _ = fs::remove_dir_all(&self.work);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONLY_NEW: Claim = Claim { resume: false, replace: false };
    const REPLACE: Claim = Claim { resume: false, replace: true };
    const RESUME: Claim = Claim { resume: true, replace: false };

    fn finish(folder: RunFolder, text: &str) -> Result<(), EngineError> {
        fs::write(folder.results().join(MANIFEST), text).unwrap();
        fs::write(folder.log(), "log").unwrap();
        folder.finish()
    }

    /// A run on `target` that is interrupted after it has partitioned the points.
    fn interrupted(target: &Path, claim: Claim) {
        let folder = RunFolder::claim(target, claim).unwrap();
        let identity = format!(
            r#"{{"version":"","format":1,"pipeline":0,"inputs":[],"tile_edge":5,"may_replace":{}}}"#,
            folder.may_replace()
        );
        folder.write_identity(&serde_json::from_str(&identity).unwrap()).unwrap();
        fs::write(folder.index(), "{}").unwrap();
        fs::write(folder.spill().join("tiles"), "work").unwrap();
        folder.keep_work();
    }

    #[test]
    fn results_appear_whole_and_an_earlier_run_is_replaced_only_when_asked() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("a run");
        let run = |claim| {
            let folder = RunFolder::claim(&target, claim)?;
            assert!(RunFolder::claim(&target, claim).is_err_and(|e| e.to_string().contains("another run")));
            finish(folder, "{}")
        };
        run(ONLY_NEW).unwrap();
        assert!(run(ONLY_NEW).unwrap_err().to_string().contains("--replace"));
        assert!(run(RESUME).unwrap_err().to_string().contains("--replace"));
        run(REPLACE).unwrap();
        assert_eq!(fs::read_dir(base.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_run_cut_short_leaves_nothing_that_looks_whole() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("run");
        drop(RunFolder::claim(&target, ONLY_NEW).unwrap());
        assert_eq!(fs::read_dir(base.path()).unwrap().count(), 0);
    }

    #[test]
    fn interrupted_work_is_gone_on_with_or_dropped_only_when_asked() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("run");
        interrupted(&target, ONLY_NEW);
        assert!(!target.exists());
        let refused = RunFolder::claim(&target, ONLY_NEW).err().unwrap().to_string();
        assert!(refused.contains("--resume") && refused.contains("--replace"), "{refused}");
        let folder = RunFolder::claim(&target, RESUME).unwrap();
        assert_eq!(folder.left_over().unwrap().tile_edge, 5);
        assert_eq!(fs::read(folder.spill().join("tiles")).unwrap(), b"work");
        drop(folder);
        let folder = RunFolder::claim(&target, REPLACE).unwrap();
        assert!(folder.left_over().is_none() && !folder.spill().join("tiles").exists());
        finish(folder, "{}").unwrap();
        // With nothing to continue, --resume begins.
        let other = base.path().join("other");
        finish(RunFolder::claim(&other, RESUME).unwrap(), "{}").unwrap();
    }

    #[test]
    fn old_results_stand_until_the_new_ones_are_in_and_the_leave_to_replace_them_lasts() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("run");
        let manifest = || fs::read_to_string(target.join(MANIFEST)).unwrap();
        finish(RunFolder::claim(&target, ONLY_NEW).unwrap(), "old").unwrap();
        interrupted(&target, REPLACE);
        assert_eq!(manifest(), "old");
        // As if killed between moving the old results aside and putting the new ones in place.
        fs::rename(&target, base.path().join("run.unfinished/old")).unwrap();
        let folder = RunFolder::claim(&target, RESUME).unwrap();
        assert_eq!(manifest(), "old");
        finish(folder, "new").unwrap();
        assert_eq!(manifest(), "new");
    }

    #[test]
    fn what_a_person_put_beside_the_results_is_not_removed_with_them() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("run");
        finish(RunFolder::claim(&target, ONLY_NEW).unwrap(), "{}").unwrap();
        fs::write(target.join("letter.txt"), "x").unwrap();
        let refused = RunFolder::claim(&target, REPLACE).err().expect("refused").to_string();
        assert!(refused.contains("letter.txt") && refused.contains("move it"), "{refused}");
        assert!(target.join("letter.txt").exists());
    }

    #[test]
    fn products_that_the_manifest_lists_are_replaced_with_the_results_and_nothing_beside_them() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("run");
        let folder = RunFolder::claim(&target, ONLY_NEW).unwrap();
        fs::create_dir(folder.results().join("cloud")).unwrap();
        for file in ["terrain.tif", "cloud/a.laz"] {
            fs::write(folder.results().join(file), "x").unwrap();
        }
        finish(folder, r#"{"products": [{"file": "terrain.tif"}, {"file": "cloud/a.laz"}]}"#).unwrap();
        fs::write(target.join("cloud/b.laz"), "y").unwrap();
        let refused = RunFolder::claim(&target, REPLACE).err().expect("refused").to_string();
        assert!(refused.contains("holds cloud/b.laz"), "{refused}");
        fs::remove_file(target.join("cloud/b.laz")).unwrap();
        finish(RunFolder::claim(&target, REPLACE).unwrap(), "{}").unwrap();
        assert!(!target.join("terrain.tif").exists() && !target.join("cloud").exists());
    }

    #[test]
    fn a_folder_of_other_things_is_never_touched() {
        let base = tempfile::tempdir().unwrap();
        let inner = base.path().join("inner");
        fs::create_dir(&inner).unwrap();
        fs::write(inner.join("letter.txt"), "x").unwrap();
        assert!(RunFolder::claim(&inner, REPLACE).is_err());
        assert!(RunFolder::claim(&inner.join("letter.txt"), REPLACE).is_err());
        assert_eq!(fs::read_dir(&inner).unwrap().count(), 1);
        assert_eq!(fs::read_dir(base.path()).unwrap().count(), 1);
    }
}
