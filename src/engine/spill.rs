//! One file on disk that holds many lists of bytes, each appended to in pieces: the points of each tile, and its
//! surface.
//!
//! Each piece has a checksum: a spill may be read by a later run, and a power cut may have kept bytes from the disk.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use super::error::EngineError;

/// Bytes of memory that a key takes, with the list of its pieces.
const BYTES_PER_KEY: u64 = 128;

/// A file of keyed pieces. Any thread may append; pieces of one key come back in the order they were written.
pub struct Spill<K> {
    path: PathBuf,
    file: File,
    end: AtomicU64,
    count: AtomicU64,
    pieces: Mutex<BTreeMap<K, Vec<Piece>>>,
}

/// A stretch of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    offset: u64,
    bytes: u32,
    checksum: u32,
}

/// The lower half of the hash: a list of pieces is long.
fn checksum(bytes: &[u8]) -> u32 {
    XxHash3_64::oneshot(bytes) as u32
}

/// All pieces of a spill by key.
pub type Pieces<K> = Vec<(K, Vec<Piece>)>;

impl<K: Ord + Copy> Spill<K> {
    /// Makes an empty spill at `path`.
    ///
    /// # Errors
    /// Where the file cannot be made.
    pub fn create(path: &Path) -> Result<Self, EngineError> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(path)
            .map_err(EngineError::disk(path, "making a working file"))?;
        let (end, count) = (AtomicU64::new(0), AtomicU64::new(0));
        Ok(Spill { path: path.to_path_buf(), file, end, count, pieces: Mutex::default() })
    }

    /// Opens the spill that an earlier run left at `path`, whose [`Spill::pieces`] were `pieces`.
    ///
    /// # Errors
    /// Where the file cannot be opened.
    pub fn open(path: &Path, pieces: Pieces<K>) -> Result<Self, EngineError> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .open(path)
            .map_err(EngineError::disk(path, "opening working data again"))?;
        let ends = pieces.iter().flat_map(|(_, list)| list).map(|p| p.offset + u64::from(p.bytes));
        let end = ends.max().unwrap_or(0);
        let count = AtomicU64::new(pieces.iter().map(|(_, list)| list.len() as u64).sum());
        let pieces = Mutex::new(pieces.into_iter().collect());
        Ok(Spill { path: path.to_path_buf(), file, end: AtomicU64::new(end), count, pieces })
    }

    /// All pieces, to be written down for a later run.
    pub fn pieces(&self) -> Pieces<K> {
        let pieces = self.pieces.lock().expect("no panic while locked");
        pieces.iter().map(|(key, list)| (*key, list.clone())).collect()
    }

    /// Gives the room on the disk back early: none of the pieces can be read any more.
    pub fn empty(&self) {
        // Best effort: the folder that the file stands in is removed as a whole too.
        let _ = self.file.set_len(0);
    }

    /// Appends a piece to the list of `key`.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn append(&self, key: K, bytes: &[u8]) -> Result<(), EngineError> {
        if bytes.is_empty() {
            return Ok(());
        }
        let offset = self.end.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        write_at(&self.file, bytes, offset).map_err(EngineError::disk(&self.path, "writing working data"))?;
        let piece = Piece { offset, bytes: bytes.len() as u32, checksum: checksum(bytes) };
        self.pieces.lock().expect("no panic while locked").entry(key).or_default().push(piece);
        self.count.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    /// Gives back memory that was kept for more pieces.
    pub fn shrink(&self) {
        self.pieces.lock().expect("no panic while locked").values_mut().for_each(Vec::shrink_to_fit);
    }

    /// All keys that have a piece, ascending.
    pub fn keys(&self) -> Vec<K> {
        self.pieces.lock().expect("no panic while locked").keys().copied().collect()
    }

    /// Number of keys that have a piece, and bytes of memory that all pieces take, roughly.
    pub fn index_size(&self) -> (usize, u64) {
        let keys = self.pieces.lock().expect("no panic while locked").len();
        (
            keys,
            keys as u64 * BYTES_PER_KEY + self.count.load(Ordering::Relaxed) * size_of::<Piece>() as u64 * 2,
        )
    }

    /// Bytes written in all.
    pub fn bytes(&self) -> u64 {
        self.end.load(Ordering::Relaxed)
    }

    /// Hands over the pieces of `key` one by one, through `buffer`, to `f`, which has nothing for those that make no sense.
    ///
    /// # Errors
    /// Where the disk does not give them back, or not as they were.
    pub fn for_each_piece(
        &self,
        key: K,
        buffer: &mut Vec<u8>,
        mut f: impl FnMut(&[u8]) -> Option<()>,
    ) -> Result<(), EngineError> {
        let list = self.pieces.lock().expect("no panic while locked").get(&key).cloned().unwrap_or_default();
        for piece in list {
            buffer.resize(piece.bytes as usize, 0);
            let damaged = || EngineError::Damaged { path: self.path.clone() };
            read_at(&self.file, buffer, piece.offset).map_err(|error| match error.kind() {
                io::ErrorKind::UnexpectedEof => damaged(),
                _ => EngineError::disk(&self.path, "reading working data back")(error),
            })?;
            if checksum(buffer) != piece.checksum {
                return Err(damaged());
            }
            f(buffer).ok_or_else(damaged)?;
        }
        Ok(())
    }
}

/// Writes all bytes from `offset` on.
#[cfg(unix)]
pub(super) fn write_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, offset)
}

#[cfg(unix)]
pub(super) fn read_at(file: &File, bytes: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, offset)
}

#[cfg(windows)]
pub(super) fn write_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
    use std::os::windows::fs::FileExt;
    while !bytes.is_empty() {
        match file.seek_write(bytes, offset)? {
            0 => return Err(io::ErrorKind::WriteZero.into()),
            n => (bytes, offset) = (&bytes[n..], offset + n as u64),
        }
    }
    Ok(())
}

#[cfg(windows)]
pub(super) fn read_at(file: &File, mut bytes: &mut [u8], mut offset: u64) -> io::Result<()> {
    use std::os::windows::fs::FileExt;
    while !bytes.is_empty() {
        match file.seek_read(bytes, offset)? {
            0 => return Err(io::ErrorKind::UnexpectedEof.into()),
            n => (bytes, offset) = (&mut bytes[n..], offset + n as u64),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all_of(spill: &Spill<u8>, key: u8) -> Result<Vec<u8>, EngineError> {
        let mut all = Vec::new();
        spill.for_each_piece(key, &mut Vec::new(), |piece| {
            all.extend_from_slice(piece);
            Some(())
        })?;
        Ok(all)
    }

    #[test]
    fn pieces_come_back_by_key_also_to_a_later_run_and_damage_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("spill");
        let spill = Spill::create(&path).unwrap();
        for (key, bytes) in [(2, "ab"), (1, "xyz"), (2, "cd")] {
            spill.append(key, bytes.as_bytes()).unwrap();
        }
        assert_eq!((spill.keys(), all_of(&spill, 2).unwrap().len(), spill.bytes()), (vec![1, 2], 4, 7));
        assert_eq!(all_of(&spill, 2).unwrap(), b"abcd");
        let pieces = spill.pieces();
        drop(spill);
        let again = Spill::open(&path, pieces.clone()).unwrap();
        again.append(1, b"!").unwrap();
        assert_eq!(
            (all_of(&again, 1).unwrap(), all_of(&again, 2).unwrap()),
            (b"xyz!".into(), b"abcd".into())
        );
        assert_eq!(again.bytes(), 8);
        std::fs::write(&path, "abxyz\0\0").unwrap();
        assert!(all_of(&again, 2).unwrap_err().to_string().contains("--replace"));
        again.empty();
        assert!(all_of(&again, 1).unwrap_err().to_string().contains("--replace"));
        assert_eq!(std::fs::metadata(&path).unwrap().len(), 0);
    }
}
