//! What can go wrong while a run works.

use std::io;
use std::path::PathBuf;

/// Why a run failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EngineError {
    /// A point file could not be read.
    #[error(transparent)]
    Cloud(#[from] crate::cloud::CloudError),
    /// A working or result file could not be written or read back.
    #[error("{}: {doing}: {source}", path.display())]
    Disk {
        /// The file or folder.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What the system says.
        source: io::Error,
    },
    /// The run folder cannot be used.
    #[error("{}: {message}", path.display())]
    RunFolder {
        /// The folder.
        path: PathBuf,
        /// Why, and what to do.
        message: String,
    },
    /// A worker stopped on a mistake in the program.
    #[error("the program made a mistake while {doing}: {message}; please report this with the pipeline file")]
    Internal {
        /// What was being done.
        doing: String,
        /// The panic's message.
        message: String,
    },
}

impl EngineError {
    /// An error of the disk at `path`.
    pub fn disk(path: impl Into<PathBuf>, doing: &'static str) -> impl FnOnce(io::Error) -> EngineError {
        let path = path.into();
        move |source| EngineError::Disk { path, doing, source }
    }
}
