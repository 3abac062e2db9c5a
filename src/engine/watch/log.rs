//! The log of a run: what was done when, for people, in a file beside the results.
//!
//! The command line sends everything it tells to [`Writer`], too; it reaches the file of the run at work, if there
//! is one.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::engine::store::error::EngineError;

/// Target of what belongs into the log only, since the command line tells it in its own way.
pub const ONLY: &str = "echograde::log";

static FILE: Mutex<Option<File>> = Mutex::new(None);

fn file() -> MutexGuard<'static, Option<File>> {
    FILE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A log that is being written; it is closed when this is dropped.
pub struct RunLog(());

impl RunLog {
    /// Goes on with the log at `path`, or begins one.
    ///
    /// # Errors
    /// Where the file cannot be opened.
    pub fn open(path: &Path) -> Result<Self, EngineError> {
        let new = OpenOptions::new().create(true).append(true).open(path);
        *file() = Some(new.map_err(EngineError::disk(path, "making the log"))?);
        Ok(RunLog(()))
    }
}

impl Drop for RunLog {
    fn drop(&mut self) {
        *file() = None;
    }
}

/// Writes to the log of the run at work.
#[derive(Clone, Copy, Debug, Default)]
pub struct Writer;

impl Write for Writer {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut *file() {
            Some(file) => file.write(bytes),
            None => Ok(bytes.len()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
