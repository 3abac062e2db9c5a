//! What can go wrong while a run works.

use std::io::{self, ErrorKind};
use std::path::PathBuf;

use crate::cloud::guard;
use crate::engine::watch::Stopped;
use crate::products::staging::ProductError;
use crate::tile::yields::YieldError;

/// Why a run failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EngineError {
    /// A point file could not be read.
    #[error(transparent)]
    Cloud(#[from] crate::cloud::CloudError),
    /// A working or result file could not be written or read back.
    #[error("{}: {doing}: {source}{}", path.display(), remedy(source))]
    Disk {
        /// The file or folder.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What the system says.
        source: io::Error,
    },
    /// The disk cannot hold what the run will write.
    #[error("{}: the run needs about {} MiB of working space on this disk, but {} MiB are free; free some space, or put the \
             run folder on another disk with --out", path.display(), needed.div_ceil(1 << 20), free >> 20)]
    Room {
        /// The working folder.
        path: PathBuf,
        /// Bytes needed.
        needed: u64,
        /// Bytes free.
        free: u64,
    },
    /// An input is not what it was when the run began.
    #[error("{}: changed while the run was reading it; wait until it is written completely, then run again", path.display())]
    InputChanged {
        /// The file.
        path: PathBuf,
    },
    /// Working data are not as they were written.
    #[error("{}: the working data of the run are damaged, by a power cut or a failing disk for example; restart with \
             --replace", path.display())]
    Damaged {
        /// The working file.
        path: PathBuf,
    },
    /// The run folder cannot be used.
    #[error("{}: {message}", path.display())]
    RunFolder {
        /// The folder.
        path: PathBuf,
        /// Why, and what to do.
        message: String,
    },
    /// Points lie too far apart.
    #[error("the points of the {cloud} lie scattered over {tiles} tiles and {} km × {} km, so thinly that their ground surfaces \
             would take {} MiB of disk. Check with `echograde inspect` whether a file has a wrong scale factor, offset or \
             unit; if not, set a larger `cell:` of `ground`", (span_m[0] / 1e3).ceil(), (span_m[1] / 1e3).ceil(), bytes >> 20)]
    Scattered {
        /// `survey` or `reference`.
        cloud: &'static str,
        /// Tiles that have points.
        tiles: usize,
        /// Extent in x and y, metres.
        span_m: [f64; 2],
        /// Bytes that the surfaces would take.
        bytes: u64,
    },
    /// Points fall into more tiles than memory can keep track of.
    #[error(
        "the points of the {cloud} lie scattered over so many tiles ({tiles} so far) that their list exceeds the memory \
             limit. Check with `echograde inspect` whether a file has a wrong scale factor, offset or unit; if not, allow \
             more with --memory or set larger tiles with `read: {{tile: …}}`"
    )]
    TooManyTiles {
        /// `survey` or `reference`.
        cloud: &'static str,
        /// Tiles so far.
        tiles: usize,
    },
    /// Two inputs are the same file under two names.
    #[error("{}: is a copy of {}, byte for byte: {effect}", path.display(), of.display())]
    Copy {
        /// The file.
        path: PathBuf,
        /// The file that it is a copy of.
        of: PathBuf,
        /// What would come of it, and what to do.
        effect: String,
    },
    /// The classes of a cloud are to be taken as delivered, but no point is ground.
    #[error("{}{}: none of the {points} points selected of the {cloud} is of class 2 (ground), which `ground: {{from: classes}}` \
             takes. Classify the {cloud} first, or let the ground filter find its ground: `ground: {{cloud: {cloud}}}`",
            path.display(), and_others(*others))]
    NotClassified {
        /// A file of it.
        path: PathBuf,
        /// How many other files it has.
        others: usize,
        /// `survey` or `reference`.
        cloud: &'static str,
        /// Points selected.
        points: u64,
    },
    /// Nothing could be compared.
    #[error("nothing was compared: {why}")]
    NothingCompared {
        /// The reason, and what to do.
        why: String,
    },
    /// The survey cannot be fitted to its control.
    #[error("the survey cannot be fitted to its control: {why}")]
    NotFitted {
        /// The reason, and what to do.
        why: String,
    },
    /// Someone asked the run to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// A worker stopped on a mistake in the program.
    #[error("internal error while {doing}: {message}; please report it with the pipeline file")]
    Internal {
        /// What was being done.
        doing: String,
        /// The panic's message.
        message: String,
    },
    /// The run failed, but what it has done is kept.
    #[error("{source}\nThe finished work is kept in {}: run again with --resume to continue from there", folder.display())]
    Resumable {
        /// Why the run failed.
        source: Box<EngineError>,
        /// The working folder.
        folder: PathBuf,
    },
}

/// ` and 3 other files`.
fn and_others(others: usize) -> String {
    match others {
        0 => String::new(),
        1 => " and another file".to_string(),
        n => format!(" and {n} other files"),
    }
}

impl From<YieldError> for EngineError {
    fn from(error: YieldError) -> Self {
        match error {
            YieldError::Disk { path, source } => {
                EngineError::Disk { path, doing: "reading working data back", source }
            }
            YieldError::Damaged { path } => EngineError::Damaged { path },
        }
    }
}

impl From<ProductError> for EngineError {
    fn from(ProductError { path, doing, source }: ProductError) -> Self {
        EngineError::Disk { path, doing, source }
    }
}

impl From<io::Error> for EngineError {
    /// Only what tiles gave back is read without a word about which file that is: the error itself knows it.
    fn from(error: io::Error) -> Self {
        match error.downcast::<YieldError>() {
            Ok(error) => error.into(),
            Err(source) => {
                EngineError::Disk { path: PathBuf::new(), doing: "reading working data back", source }
            }
        }
    }
}

impl EngineError {
    /// An error of the disk at `path`.
    pub fn disk(path: impl Into<PathBuf>, doing: &'static str) -> impl FnOnce(io::Error) -> EngineError {
        let path = path.into();
        move |source| EngineError::Disk { path, doing, source }
    }
}

/// What to do about an error of the disk, as the end of a sentence.
fn remedy(error: &io::Error) -> &'static str {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            ". Free space on that disk, or put the run folder on another one with --out"
        }
        ErrorKind::FileTooLarge => {
            ". The disk or a limit of this account does not allow a file of this size: put the run folder on another disk \
             with --out, or have the limit raised"
        }
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            ". Choose a folder with write permission, with --out"
        }
        ErrorKind::NotADirectory | ErrorKind::AlreadyExists => {
            ". A file is where a folder is needed: choose another folder with --out"
        }
        ErrorKind::NotFound => ". It was there when the run began: check the disk or the network drive",
        _ => "",
    }
}

/// Does `work`; a panic in it becomes an error that says what was being done.
///
/// # Errors
/// Those of `work`, or its panic.
pub fn guarded<T>(
    doing: impl FnOnce() -> String,
    work: impl FnOnce() -> Result<T, EngineError>,
) -> Result<T, EngineError> {
    guard::call_and_locate(work)
        .unwrap_or_else(|message| Err(EngineError::Internal { doing: doing(), message }))
}
