//! One file on disk that holds many lists of bytes, each appended to in pieces: the points of each tile, and its
//! surface.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use super::error::EngineError;

/// A file of keyed pieces. Any thread may append; pieces of one key come back in the order they were written.
pub struct Spill<K> {
    path: PathBuf,
    file: File,
    end: AtomicU64,
    pieces: Mutex<BTreeMap<K, Vec<Piece>>>,
}

/// A stretch of the file.
#[derive(Clone, Copy)]
struct Piece {
    offset: u64,
    bytes: u32,
}

impl<K: Ord + Copy> Spill<K> {
    /// Makes an empty spill at `path`; the file goes when the spill is dropped.
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
        Ok(Spill { path: path.to_path_buf(), file, end: AtomicU64::new(0), pieces: Mutex::default() })
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
        let piece = Piece { offset, bytes: bytes.len() as u32 };
        self.pieces.lock().expect("no panic while locked").entry(key).or_default().push(piece);
        Ok(())
    }

    /// All keys that have a piece, ascending.
    pub fn keys(&self) -> Vec<K> {
        self.pieces.lock().expect("no panic while locked").keys().copied().collect()
    }

    /// Bytes written under `key`.
    pub fn bytes_of(&self, key: K) -> u64 {
        let pieces = self.pieces.lock().expect("no panic while locked");
        pieces.get(&key).map_or(0, |list| list.iter().map(|p| u64::from(p.bytes)).sum())
    }

    /// Bytes written in all.
    pub fn bytes(&self) -> u64 {
        self.end.load(Ordering::Relaxed)
    }

    /// Hands over the pieces of `key` one by one, through `buffer`.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn for_each_piece(
        &self,
        key: K,
        buffer: &mut Vec<u8>,
        mut f: impl FnMut(&[u8]),
    ) -> Result<(), EngineError> {
        let list = self.pieces.lock().expect("no panic while locked").get(&key).cloned().unwrap_or_default();
        for piece in list {
            buffer.resize(piece.bytes as usize, 0);
            read_at(&self.file, buffer, piece.offset)
                .map_err(EngineError::disk(&self.path, "reading working data back"))?;
            f(buffer);
        }
        Ok(())
    }
}

impl<K> Drop for Spill<K> {
    fn drop(&mut self) {
        // Best effort: the folder it stands in is removed as a whole too.
        let _ = std::fs::remove_file(&self.path);
    }
}

#[cfg(unix)]
fn write_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, offset)
}

#[cfg(unix)]
fn read_at(file: &File, bytes: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, offset)
}

#[cfg(windows)]
fn write_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
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
fn read_at(file: &File, mut bytes: &mut [u8], mut offset: u64) -> io::Result<()> {
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

    #[test]
    fn pieces_come_back_by_key_and_the_file_goes() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("spill");
        let spill = Spill::create(&path).unwrap();
        for (key, bytes) in [(2, "ab"), (1, "xyz"), (2, "cd")] {
            spill.append(key, bytes.as_bytes()).unwrap();
        }
        assert_eq!((spill.keys(), spill.bytes_of(2), spill.bytes()), (vec![1, 2], 4, 7));
        let mut all = Vec::new();
        spill.for_each_piece(2, &mut Vec::new(), |piece| all.extend_from_slice(piece)).unwrap();
        assert_eq!(all, b"abcd");
        drop(spill);
        assert!(!path.exists());
    }
}
