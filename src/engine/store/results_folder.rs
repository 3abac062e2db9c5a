//! A folder of results that are made in memory: all appear at once, or none.

use std::fs;
use std::path::Path;

use crate::engine::store::error::EngineError;
use crate::engine::store::target::check_target;

/// Writes the files into the folder `target`, which must be new or empty, or (with `replace`) hold nothing but such files. `mark`
/// is the one by which such a folder is known.
///
/// # Errors
/// Where the folder holds something else, or the disk does not take it.
pub fn write_folder(
    target: &Path,
    replace: bool,
    files: &[(&str, &str)],
    mark: &str,
) -> Result<(), EngineError> {
    let names: Vec<&str> = files.iter().map(|(name, _)| *name).collect();
    check_target(target, replace, &names, mark)?;
    let Some(name) = target.file_name() else {
        let message = "is not a folder that can be made; give `output:` or --out a folder name".to_string();
        return Err(EngineError::RunFolder { path: target.to_path_buf(), message });
    };
    // Beside the target, so that moving it there is one step.
    let beside = |ending: &str| {
        let mut name = name.to_os_string();
        name.push(format!(".{}{ending}", std::process::id()));
        target.with_file_name(name)
    };
    let (work, old) = (beside(".unfinished"), beside(".old"));
    let written = write_all(&work, files).and_then(|()| {
        if target.exists() {
            fs::rename(target, &old).map_err(EngineError::disk(target, "moving the old results aside"))?;
        }
        let moved =
            fs::rename(&work, target).map_err(EngineError::disk(target, "moving the results into place"));
        if moved.is_err() && old.exists() {
            let _ = fs::rename(&old, target);
        }
        moved
    });
    // Best effort: neither is of use any more.
    let _ = fs::remove_dir_all(if written.is_ok() { &old } else { &work });
    written
}

fn write_all(work: &Path, files: &[(&str, &str)]) -> Result<(), EngineError> {
    fs::create_dir_all(work).map_err(EngineError::disk(work, "making the working folder"))?;
    for (name, text) in files {
        let path = work.join(name);
        fs::write(&path, text).map_err(EngineError::disk(&path, "writing the results"))?;
    }
    Ok(())
}
