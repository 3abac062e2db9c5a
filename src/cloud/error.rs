//! What can be wrong with a point file: every message names the file, the place in it and the remedy.

use std::io;
use std::path::PathBuf;

/// Why a point file cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CloudError {
    /// The file cannot be opened.
    #[error("{}: cannot be opened: {source}. Check the path and the permissions", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Reading failed, though the file is long enough.
    #[error("{}: reading failed at byte {offset}: {source}. Check the disk or the network drive", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Where reading began.
        offset: u64,
        /// Why.
        source: io::Error,
    },
    /// An object cannot be opened.
    #[error("{}: cannot be opened: {what}. {remedy}", path.display())]
    Refused {
        /// Its address.
        path: PathBuf,
        /// What its store says.
        what: String,
        /// What to do.
        remedy: &'static str,
    },
    /// Bytes of an object cannot be had.
    #[error("{}: {length} bytes from byte {offset} on cannot be read: {what}. {remedy}", path.display())]
    Fetch {
        /// Its address.
        path: PathBuf,
        /// Where reading began.
        offset: u64,
        /// Bytes asked for.
        length: u64,
        /// What its store says.
        what: String,
        /// What to do.
        remedy: &'static str,
    },
    /// An object is another than when it was opened.
    #[error("{}: changed while it was being read; wait until it is written completely, then run again", path.display())]
    Changed {
        /// Its address.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{}: not a LAS, LAZ or E57 file: it begins with {found}, not with LASF or ASTM-E57 (byte 0). Remove it from `files:`, \
             or export the cloud again", path.display())]
    NotLas {
        /// The file.
        path: PathBuf,
        /// What it begins with, made printable.
        found: String,
    },
    /// The file ends before a part that its header announces.
    #[error("{}: cut off: {what} needs {needed} bytes from byte {offset}, but the file ends at byte {size}. \
             Copy or export the file again", path.display())]
    CutOff {
        /// The file.
        path: PathBuf,
        /// The part that is not all there.
        what: String,
        /// Where the part begins.
        offset: u64,
        /// How long it ought to be.
        needed: u64,
        /// Size of the file.
        size: u64,
    },
    /// The file ends before the last of the points that its header counts.
    #[error("{}: cut off: the {points} points that the header counts need {needed} bytes from byte {offset}, but the \
             points end at byte {end}: only {there} are present. Copy or export the file again, or continue without the missing \
             points with `read: {{damaged: skip}}`", path.display())]
    PointsMissing {
        /// The file.
        path: PathBuf,
        /// Points as its header counts them.
        points: u64,
        /// Points that are there.
        there: u64,
        /// Where the points begin.
        offset: u64,
        /// Bytes that all points would take.
        needed: u64,
        /// Where the points end.
        end: u64,
    },
    /// A version or an encoding that the program does not read.
    #[error("{}: {what} (byte {offset}) is not supported. {remedy}", path.display())]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// What is not supported.
        what: String,
        /// Where the file says so.
        offset: u64,
        /// What to do.
        remedy: &'static str,
    },
    /// The header contradicts itself or the file.
    #[error("{}: {what} (byte {offset}). {remedy}", path.display())]
    Header {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
        /// Where.
        offset: u64,
        /// What to do.
        remedy: &'static str,
    },
    /// The table of the compressed chunks cannot be used.
    #[error("{}: the chunk table is damaged: {what} (byte {offset}). The file was probably not closed \
             properly: export it again", path.display())]
    ChunkTable {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
        /// Where.
        offset: u64,
    },
    /// Points cannot be decoded.
    #[error("{}. Copy or export the file again, or continue without these {points} points with `read: {{damaged: skip}}`",
            self.damage().unwrap_or_default())]
    Block {
        /// The file.
        path: PathBuf,
        /// Number of the block, from 1.
        number: usize,
        /// Blocks in the file.
        blocks: usize,
        /// Where it begins.
        offset: u64,
        /// How long it is.
        bytes: u64,
        /// Points before it.
        first_point: u64,
        /// Points in it.
        points: u64,
        /// What is wrong.
        what: String,
    },
    /// Points lie outside the box of the header in block after block.
    #[error("{}: the box in the header (bytes 179 to 226) is wrong: points lie outside it in {outside} of {looked_at} blocks looked \
             at. In block {number} {what}. Compare with `echograde inspect`; where the points are right, continue with \
             `read: {{bounds: ignore}}`, otherwise export the file again", path.display())]
    Bounds {
        /// The file.
        path: PathBuf,
        /// Blocks with points outside.
        outside: usize,
        /// Blocks that were looked at.
        looked_at: usize,
        /// Number of one of them, from 1.
        number: usize,
        /// How its points lie outside.
        what: String,
    },
}

impl CloudError {
    /// File, place and damage, where the error is a damaged block.
    pub fn damage(&self) -> Option<String> {
        let CloudError::Block { path, number, blocks, offset, bytes, first_point, points, what } = self
        else {
            return None;
        };
        Some(format!(
            "{}: block {number} of {blocks} (bytes {offset} to {}, points {} to {}) is damaged: {what}",
            path.display(),
            offset + bytes,
            first_point + 1,
            first_point + points
        ))
    }
}

/// What to do with a file that cannot be repaired.
pub(super) const EXPORT_AGAIN: &str = "Copy or export the file again";
