//! One file on disk that holds many lists of bytes, each appended to in pieces: the points of each tile, and its
//! surface. One file for all tiles needs no limit on open files, and is written in few large pieces.
//!
//! After each piece stands the position of the piece before it in its list, so that memory holds one position for each list,
//! however long it is. Each piece has a checksum: a spill may be read by a later run, and a power cut may have kept bytes from the
//! disk.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use crate::engine::store::error::EngineError;
use crate::engine::store::files::{read_at, write_at};

/// A file of keyed pieces. Any thread may append; pieces of one key come back in the reverse order.
pub struct Spill<K> {
    path: PathBuf,
    /// Nothing where another process wrote it: it is opened for each list that is read, since parts may be many.
    file: Option<File>,
    end: AtomicU64,
    last: Mutex<BTreeMap<K, Place>>,
}

/// What is written down of a spill, so that a later run or another part can read it.
#[derive(Serialize, Deserialize)]
pub struct SpillRecord<K> {
    /// The file, from the folder of the record.
    file: PathBuf,
    last_pieces: Vec<(K, Place)>,
    bytes: u64,
}

impl<K: Copy + Ord> SpillRecord<K> {
    /// The spill again, as [`Spill::open`] has it.
    ///
    /// # Errors
    /// Where it cannot be opened.
    pub fn open(self, folder: &Path) -> Result<Spill<K>, EngineError> {
        Spill::open(&folder.join(self.file), self.last_pieces, self.bytes)
    }

    /// The spill as another part wrote it, as [`Spill::of_part`] has it.
    pub fn of_part(self, folder: &Path) -> Spill<K> {
        Spill::of_part(&folder.join(self.file), self.last_pieces, self.bytes)
    }
}

/// A stretch of the file: a piece and the place before it. No bytes are no place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    offset: u64,
    bytes: u32,
    /// That of the piece and that of the place before, the one exclusive-or the other.
    checksum: u32,
}

/// Bytes of a place on disk.
const PLACE: usize = 16;

impl Place {
    fn encode(self) -> [u8; PLACE] {
        let words = u128::from(self.offset) | u128::from(self.bytes) << 64 | u128::from(self.checksum) << 96;
        words.to_le_bytes()
    }

    fn decode(bytes: [u8; PLACE]) -> Self {
        let words = u128::from_le_bytes(bytes);
        Place { offset: words as u64, bytes: (words >> 64) as u32, checksum: (words >> 96) as u32 }
    }
}

/// The lower half of the hash.
fn checksum(bytes: &[u8]) -> u32 {
    XxHash3_64::oneshot(bytes) as u32
}

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
        Ok(Spill {
            path: path.to_path_buf(),
            file: Some(file),
            end: AtomicU64::new(0),
            last: Mutex::default(),
        })
    }

    /// Opens the spill that an earlier run left at `path`, whose [`Spill::last_pieces`] and [`Spill::bytes`] were these.
    ///
    /// # Errors
    /// Where the file cannot be opened.
    pub fn open(path: &Path, last: Vec<(K, Place)>, bytes: u64) -> Result<Self, EngineError> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .open(path)
            .map_err(EngineError::disk(path, "opening working data again"))?;
        let (end, last) = (AtomicU64::new(bytes), Mutex::new(last.into_iter().collect()));
        Ok(Spill { path: path.to_path_buf(), file: Some(file), end, last })
    }

    /// The spill that another part of the run has written at `path`: it is only read.
    pub fn of_part(path: &Path, last: Vec<(K, Place)>, bytes: u64) -> Self {
        let (end, last) = (AtomicU64::new(bytes), Mutex::new(last.into_iter().collect()));
        Spill { path: path.to_path_buf(), file: None, end, last }
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn last(&self) -> std::sync::MutexGuard<'_, BTreeMap<K, Place>> {
        self.last.lock().expect("no panic while locked")
    }

    /// Where the last piece of each key is, to be written down for a later run.
    pub fn last_pieces(&self) -> Vec<(K, Place)> {
        self.last().iter().map(|(key, place)| (*key, *place)).collect()
    }

    /// What is written down of it in a folder that it stands in.
    pub fn record(&self, folder: &Path) -> SpillRecord<K> {
        SpillRecord {
            file: self.path.strip_prefix(folder).unwrap_or(&self.path).to_path_buf(),
            last_pieces: self.last_pieces(),
            bytes: self.bytes(),
        }
    }

    /// Whether its file is there in full.
    pub fn is_whole(&self) -> bool {
        fs::metadata(&self.path).is_ok_and(|data| data.len() == self.bytes())
    }

    /// Gives the room on the disk back early: none of the pieces can be read any more. What another part wrote is kept.
    pub fn empty(&self) {
        // Best effort: the folder that the file stands in is removed as a whole too.
        let _ = self.file.as_ref().map(|file| file.set_len(0));
    }

    /// Appends a piece to the list of `key`, and to the piece the place of the one before.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn append(&self, key: K, piece: &[u8]) -> Result<(), EngineError> {
        let mut writer = self.writer();
        writer.append(key, |bytes| bytes.extend_from_slice(piece))?;
        writer.flush()
    }

    /// What appends many pieces, a few at a time.
    pub fn writer(&self) -> SpillWriter<'_, K> {
        SpillWriter { spill: self, bytes: Vec::new(), pieces: Vec::new() }
    }

    /// All keys that have a piece, ascending.
    pub fn keys(&self) -> Vec<K> {
        self.last().keys().copied().collect()
    }

    /// Number of keys that have a piece.
    pub fn lists(&self) -> usize {
        self.last().len()
    }

    /// Bytes written in all.
    pub fn bytes(&self) -> u64 {
        self.end.load(Ordering::Relaxed)
    }

    /// Hands over the pieces of `key` one by one, the last first, through `buffer`, to `f`, which has nothing for those that
    /// make no sense.
    ///
    /// # Errors
    /// Where the disk does not give them back, or not as they were.
    pub fn for_each_piece(
        &self,
        key: K,
        buffer: &mut Vec<u8>,
        mut f: impl FnMut(&[u8]) -> Option<()>,
    ) -> Result<(), EngineError> {
        let mut place = self.last().get(&key).copied().unwrap_or_default();
        if place == Place::default() {
            return Ok(());
        }
        let opened;
        let file = match &self.file {
            Some(file) => file,
            None => {
                opened = File::open(&self.path)
                    .map_err(EngineError::disk(&self.path, "reading working data back"))?;
                &opened
            }
        };
        while place != Place::default() {
            buffer.resize(place.bytes as usize, 0);
            let damaged = || EngineError::Damaged { path: self.path.clone() };
            read_at(file, buffer, place.offset).map_err(|error| match error.kind() {
                io::ErrorKind::UnexpectedEof => damaged(),
                _ => EngineError::disk(&self.path, "reading working data back")(error),
            })?;
            let (piece, before) = buffer.split_last_chunk().ok_or_else(damaged)?;
            if checksum(piece) ^ checksum(before) != place.checksum {
                return Err(damaged());
            }
            place = Place::decode(*before);
            f(piece).ok_or_else(damaged)?;
        }
        Ok(())
    }
}

/// Bytes that a writer gathers before it writes them: the system takes many pages at once for half the price of a few.
const AT_ONCE: usize = 128 << 10;

/// Appends pieces to a spill, several with one write. What has not been [flushed](SpillWriter::flush) is not there.
pub struct SpillWriter<'a, K> {
    spill: &'a Spill<K>,
    /// The pieces, each with room for the place of the one before it in its list.
    bytes: Vec<u8>,
    /// Of each piece its key, its bytes without the place, and their checksum.
    pieces: Vec<(K, usize, u32)>,
}

impl<K: Ord + Copy> SpillWriter<'_, K> {
    /// Appends what `put` adds to some bytes to the list of `key`; nothing where it adds none.
    ///
    /// # Errors
    /// Where the disk does not take it, or pieces before it.
    pub fn append(&mut self, key: K, put: impl FnOnce(&mut Vec<u8>)) -> Result<(), EngineError> {
        let start = self.bytes.len();
        put(&mut self.bytes);
        let piece = &self.bytes[start..];
        if piece.is_empty() {
            return Ok(());
        }
        self.pieces.push((key, piece.len(), checksum(piece)));
        self.bytes.extend_from_slice(&[0; PLACE]);
        if self.bytes.len() < AT_ONCE { Ok(()) } else { self.flush() }
    }

    /// Writes what is still held back.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn flush(&mut self) -> Result<(), EngineError> {
        let SpillWriter { spill, bytes, pieces } = self;
        let first = spill.end.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        let mut end = 0;
        {
            let mut all = spill.last();
            for (key, length, of_piece) in pieces.drain(..) {
                let (offset, place) = (first + end as u64, end + length);
                end = place + PLACE;
                let last = all.entry(key).or_default();
                let before = last.encode();
                let checksum = of_piece ^ checksum(&before);
                *last = Place { offset, bytes: (length + PLACE) as u32, checksum };
                bytes[place..end].copy_from_slice(&before);
            }
        }
        let file = spill.file.as_ref().expect("only spills of this process are written");
        write_at(file, bytes, first).map_err(EngineError::disk(&spill.path, "writing working data"))?;
        bytes.clear();
        Ok(())
    }
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
        assert_eq!((spill.keys(), spill.bytes()), (vec![1, 2], 7 + 3 * PLACE as u64));
        assert_eq!(all_of(&spill, 2).unwrap(), b"cdab");
        let (last, bytes) = (spill.last_pieces(), spill.bytes());
        drop(spill);
        let again = Spill::open(&path, last, bytes).unwrap();
        again.append(1, b"!").unwrap();
        assert_eq!(
            (all_of(&again, 1).unwrap(), all_of(&again, 2).unwrap()),
            (b"!xyz".into(), b"cdab".into())
        );
        assert_eq!(again.bytes(), 8 + 4 * PLACE as u64);
        // Whichever byte is damaged, of a piece or of the place behind it: the pieces of that key are refused.
        let whole = std::fs::read(&path).unwrap();
        let (ab, xyz, cd) = (2 + PLACE, 3 + PLACE, 2 + PLACE);
        for at in 0..whole.len() {
            let mut file = whole.clone();
            file[at] ^= 1 << (at % 8);
            std::fs::write(&path, file).unwrap();
            let of_key_1 = (ab..ab + xyz).contains(&at) || at >= ab + xyz + cd;
            for key in [1, 2] {
                match all_of(&again, key) {
                    Ok(_) => assert_ne!(key == 1, of_key_1, "byte {at}"),
                    Err(error) => {
                        assert_eq!(key == 1, of_key_1, "byte {at}");
                        assert!(error.to_string().contains("--replace"));
                    }
                }
            }
        }
        // The piece that is last of key 2 never reached the disk, or the file ends in it.
        let mut zeroed = whole.clone();
        zeroed[ab + xyz..].fill(0);
        for file in [&zeroed[..], &whole[..ab + xyz + 1]] {
            std::fs::write(&path, file).unwrap();
            assert!(all_of(&again, 2).unwrap_err().to_string().contains("--replace"));
        }
        again.empty();
        assert!(all_of(&again, 1).unwrap_err().to_string().contains("--replace"));
        assert_eq!(std::fs::metadata(&path).unwrap().len(), 0);
    }
}
