//! The run folder: everything appears in it at once, when the run is done, or not at all.
//!
//! Work goes on in a folder beside it, named after it with `.unfinished`; a lock in there keeps a second run out.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use super::error::EngineError;

/// Tells a folder that this program wrote from any other.
pub const MANIFEST: &str = "manifest.json";

/// A run folder in the making.
pub struct RunFolder {
    target: PathBuf,
    work: PathBuf,
    replace: bool,
    _lock: File,
}

impl RunFolder {
    /// Claims `target` for a run; `replace` allows an earlier run's results there to be replaced.
    ///
    /// # Errors
    /// Where the folder holds something already, another run works on it, or it cannot be written.
    pub fn claim(target: &Path, replace: bool) -> Result<Self, EngineError> {
        check_target(target, replace)?;
        let refuse = |message: String| EngineError::RunFolder { path: target.to_path_buf(), message };
        let Some(name) = target.file_name() else {
            return Err(refuse(
                "is not a folder that can be made; give `output:` or --out a folder name".into(),
            ));
        };
        let mut work_name = name.to_os_string();
        work_name.push(".unfinished");
        let work = target.with_file_name(work_name);
        fs::create_dir_all(&work).map_err(EngineError::disk(&work, "making the working folder"))?;
        let lock_path = work.join("lock");
        let lock =
            File::create(&lock_path).map_err(EngineError::disk(&lock_path, "making a working file"))?;
        lock.try_lock().map_err(|error| match error {
            fs::TryLockError::WouldBlock => {
                refuse("another run is working on it; wait for it, or give this one its own --out".into())
            }
            fs::TryLockError::Error(error) => {
                EngineError::disk(&lock_path, "locking the working folder")(error)
            }
        })?;
        let folder = RunFolder { target: target.to_path_buf(), work, replace, _lock: lock };
        for sub in [folder.spill(), folder.results()] {
            // Left over from a run that was cut short.
            if sub.exists() {
                fs::remove_dir_all(&sub).map_err(EngineError::disk(&sub, "clearing the working folder"))?;
            }
            fs::create_dir(&sub).map_err(EngineError::disk(&sub, "making the working folder"))?;
        }
        Ok(folder)
    }

    /// Where working files go.
    pub fn spill(&self) -> PathBuf {
        self.work.join("spill")
    }

    /// Where results are written before they appear.
    pub fn results(&self) -> PathBuf {
        self.work.join("results")
    }

    /// Lets the results appear, and clears the working folder away.
    ///
    /// # Errors
    /// Where the disk fails; the results are then still in the working folder.
    pub fn finish(self) -> Result<(), EngineError> {
        check_target(&self.target, self.replace)?;
        let old = self.work.join("old");
        if self.target.exists() {
            fs::rename(&self.target, &old)
                .map_err(EngineError::disk(&self.target, "moving the old results aside"))?;
        }
        fs::rename(self.results(), &self.target)
            .map_err(EngineError::disk(&self.target, "moving the results into place"))?;
        Ok(())
    }
}

impl Drop for RunFolder {
    fn drop(&mut self) {
        // Best effort: what cannot be removed is cleared by the next run.
        let _ = fs::remove_dir_all(&self.work);
    }
}

/// Whether results may appear at `target`.
fn check_target(target: &Path, replace: bool) -> Result<(), EngineError> {
    let refuse = |message: &str| {
        Err(EngineError::RunFolder { path: target.to_path_buf(), message: message.to_string() })
    };
    if target.is_file() {
        return refuse("is a file; give `output:` or --out a folder");
    }
    let empty = match fs::read_dir(target) {
        Ok(mut entries) => entries.next().is_none(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => true,
        Err(error) => return Err(EngineError::disk(target, "looking into the run folder")(error)),
    };
    match (empty, target.join(MANIFEST).is_file(), replace) {
        (true, ..) | (_, true, true) => Ok(()),
        (_, true, false) => refuse(
            "holds the results of an earlier run; add --replace to replace them, or give another --out",
        ),
        _ => refuse("holds files that no run wrote; give `output:` or --out an empty or new folder"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_appear_whole_and_an_earlier_run_is_replaced_only_when_asked() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("a run");
        let run = |replace| {
            let folder = RunFolder::claim(&target, replace)?;
            fs::write(folder.results().join(MANIFEST), "{}").unwrap();
            assert!(RunFolder::claim(&target, replace).is_err_and(|e| e.to_string().contains("another run")));
            folder.finish()
        };
        run(false).unwrap();
        assert!(run(false).unwrap_err().to_string().contains("--replace"));
        run(true).unwrap();
        assert_eq!(fs::read_dir(base.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_run_cut_short_leaves_nothing_that_looks_whole() {
        let base = tempfile::tempdir().unwrap();
        let target = base.path().join("run");
        drop(RunFolder::claim(&target, false).unwrap());
        assert_eq!(fs::read_dir(base.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_folder_of_other_things_is_never_touched() {
        let base = tempfile::tempdir().unwrap();
        fs::write(base.path().join("letter.txt"), "x").unwrap();
        assert!(RunFolder::claim(base.path(), true).is_err());
        assert!(RunFolder::claim(&base.path().join("letter.txt"), true).is_err());
    }
}
