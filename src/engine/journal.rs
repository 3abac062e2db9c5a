//! The journal of tiles: what each finished tile found, appended as it is found, so that a later run can go on from
//! there. It is also where the residuals wait for the statistics, so that they are on disk once.
//!
//! A frame is its payload's length and checksum, then the payload: key and counts as JSON, checkpoints, residuals.
//! Each frame is handed to the system whole, so that killing the program cannot tear one; whatever a power cut or a
//! full disk may leave of one is cut off when the journal is opened again.

use std::fs::{File, OpenOptions};
use std::io::{self, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use super::error::EngineError;
use super::sample::{ENCODED, decode, encode};
use super::spill::write_at;
use super::tile::{FateCounts, Found};
use super::tiles::TileKey;
use crate::cloud::record::{pack_40, unpack_40};
use crate::stats::quantiles::Residual;

/// Bytes of a residual on disk.
pub const RESIDUAL: usize = 6;

/// Bytes of a frame before its payload.
const HEAD: usize = 16;

/// The journal, which any thread may append to.
pub struct Journal {
    path: PathBuf,
    file: File,
    written: Mutex<Written>,
}

#[derive(Default)]
struct Written {
    end: u64,
    residuals: Vec<Stretch>,
}

/// Residuals on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Where they begin.
    pub offset: u64,
    /// How many there are.
    pub count: u64,
}

/// The part of a payload that is JSON: small, and counts may be added to it without another thought.
#[derive(Serialize, Deserialize)]
struct Head {
    key: TileKey,
    survey: FateCounts,
    reference: FateCounts,
    drawn: u64,
    residuals: u64,
}

impl Journal {
    /// Opens the journal at `path` or makes it; hands over what is in it, tile by tile.
    ///
    /// # Errors
    /// Where the disk fails, or `replay` does.
    pub fn open(
        path: &Path,
        mut replay: impl FnMut(TileKey, Found) -> Result<(), EngineError>,
    ) -> Result<Self, EngineError> {
        let failed = || EngineError::disk(path, "reading working data back");
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(EngineError::disk(path, "making a working file"))?;
        let mut left = file.metadata().map_err(failed())?.len();
        let mut written = Written::default();
        let mut reader = BufReader::with_capacity(1 << 20, &file);
        while let Some(payload) = frame(&mut reader, left).map_err(failed())? {
            let Some((key, found, residuals_at)) = unpack(&payload) else { break };
            let offset = written.end + (HEAD + residuals_at) as u64;
            written.residuals.push(Stretch { offset, count: found.residuals.len() as u64 });
            let bytes = (HEAD + payload.len()) as u64;
            (written.end, left) = (written.end + bytes, left - bytes);
            replay(key, found)?;
        }
        if left > 0 {
            file.set_len(written.end)
                .map_err(EngineError::disk(path, "cutting off what was half written"))?;
        }
        Ok(Journal { path: path.to_path_buf(), file, written: Mutex::new(written) })
    }

    /// Appends what a tile found.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn append(&self, key: TileKey, found: &Found) -> Result<(), EngineError> {
        let (bytes, residuals_at) = pack(key, found);
        let mut written = self.written.lock().expect("no panic while locked");
        write_at(&self.file, &bytes, written.end)
            .map_err(EngineError::disk(&self.path, "writing working data"))?;
        let offset = written.end + residuals_at as u64;
        written.residuals.push(Stretch { offset, count: found.residuals.len() as u64 });
        written.end += bytes.len() as u64;
        Ok(())
    }

    /// The file and where in it the residuals are.
    pub fn residuals(&self) -> (&Path, Vec<Stretch>) {
        (&self.path, self.written.lock().expect("no panic while locked").residuals.clone())
    }
}

/// The next payload, if it is whole; `left` bytes remain of the file.
fn frame(reader: &mut impl Read, left: u64) -> io::Result<Option<Vec<u8>>> {
    if left < HEAD as u64 {
        return Ok(None);
    }
    let mut head = [0; HEAD];
    reader.read_exact(&mut head)?;
    let word = |i: usize| u64::from_le_bytes(head[i..i + 8].try_into().expect("eight bytes"));
    let (length, checksum) = (word(0), word(8));
    if length > left - HEAD as u64 {
        return Ok(None);
    }
    let mut payload = vec![0; length as usize];
    reader.read_exact(&mut payload)?;
    Ok((XxHash3_64::oneshot(&payload) == checksum).then_some(payload))
}

/// A frame, and where in it the residuals begin.
fn pack(key: TileKey, found: &Found) -> (Vec<u8>, usize) {
    let head = Head {
        key,
        survey: found.survey.clone(),
        reference: found.reference.clone(),
        drawn: found.drawn.len() as u64,
        residuals: found.residuals.len() as u64,
    };
    let head = serde_json::to_vec(&head).expect("plain data");
    let size = HEAD + 4 + head.len() + found.drawn.len() * ENCODED + found.residuals.len() * RESIDUAL;
    let mut bytes = Vec::with_capacity(size);
    bytes.resize(HEAD, 0);
    bytes.extend_from_slice(&(head.len() as u32).to_le_bytes());
    bytes.extend_from_slice(&head);
    found.drawn.iter().for_each(|drawn| encode(drawn, &mut bytes));
    let residuals_at = bytes.len();
    found.residuals.iter().for_each(|residual| encode_residual(*residual, &mut bytes));
    let checksum = XxHash3_64::oneshot(&bytes[HEAD..]);
    let length = (bytes.len() - HEAD) as u64;
    bytes[..8].copy_from_slice(&length.to_le_bytes());
    bytes[8..HEAD].copy_from_slice(&checksum.to_le_bytes());
    (bytes, residuals_at)
}

/// What [`pack`] put into a payload, and where in it the residuals begin.
fn unpack(payload: &[u8]) -> Option<(TileKey, Found, usize)> {
    let (length, rest) = payload.split_first_chunk::<4>()?;
    let (head, rest) = rest.split_at_checked(u32::from_le_bytes(*length) as usize)?;
    let head: Head = serde_json::from_slice(head).ok()?;
    let (drawn, residuals) = rest.split_at_checked((head.drawn as usize).checked_mul(ENCODED)?)?;
    if (head.residuals as usize).checked_mul(RESIDUAL)? != residuals.len() {
        return None;
    }
    let found = Found {
        drawn: drawn.chunks_exact(ENCODED).map(decode).collect(),
        survey: head.survey,
        reference: head.reference,
        residuals: residuals.chunks_exact(RESIDUAL).map(decode_residual).collect(),
    };
    Some((head.key, found, payload.len() - residuals.len()))
}

/// Adds a residual as bytes.
pub fn encode_residual(residual: Residual, to: &mut Vec<u8>) {
    to.push(residual.group);
    to.extend_from_slice(&pack_40(residual.dz));
}

/// The residual that [`encode_residual`] turned into these bytes.
pub fn decode_residual(bytes: &[u8]) -> Residual {
    Residual { group: bytes[0], dz: unpack_40(&bytes[1..]) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stages::checkpoints::Drawn;
    use crate::stages::keep::Tally;

    fn found(seed: u64, residuals: usize) -> Found {
        let drawn = |i: u64| Drawn {
            key: seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ i,
            x: -(i as i64),
            y: 1 << 40,
            z: 5,
            return_number: 1 + (seed % 5) as u8,
            number_of_returns: 5,
            reference_z: -7,
            reference_points: 9,
            plane: (seed.is_multiple_of(2)).then_some((1, 2)),
        };
        let mut found = Found { drawn: (0..seed % 4).map(drawn).collect(), ..Found::default() };
        found.survey.noise = seed;
        found.survey.keep.insert(3, Tally { kept: seed, dropped: 1 });
        found.reference.ground_by_return[2] = seed + 1;
        found.residuals =
            (0..residuals).map(|i| Residual { group: 1, dz: (seed as i64 - 50) * i as i64 }).collect();
        found
    }

    fn key(i: usize) -> TileKey {
        TileKey { row: -(i as i64), column: 7 }
    }

    /// What a journal holds, and where its residuals are.
    fn open(path: &Path) -> (Vec<(TileKey, Found)>, Journal) {
        let mut all = Vec::new();
        let journal = Journal::open(path, |key, found| {
            all.push((key, found));
            Ok(())
        });
        (all, journal.unwrap())
    }

    proptest! {
        #[test]
        fn after_any_cut_or_damage_the_whole_frames_before_it_come_back_and_the_rest_can_be_done_again(
            tiles in proptest::collection::vec((0u64..100, 0usize..40), 1..8),
            at in any::<proptest::sample::Index>(), cut in any::<bool>(),
        ) {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("tiles");
            let tiles: Vec<_> = tiles.iter().enumerate().map(|(i, &(s, n))| (key(i), found(s, n))).collect();
            let (none, journal) = open(&path);
            prop_assert!(none.is_empty());
            let mut ends = vec![0];
            for (key, found) in &tiles {
                journal.append(*key, found).unwrap();
                ends.push(std::fs::metadata(&path).unwrap().len());
            }
            let stretches = journal.residuals().1;
            drop(journal);

            let mut bytes = std::fs::read(&path).unwrap();
            let at = at.index(bytes.len());
            if cut { bytes.truncate(at) } else { bytes[at] ^= 0x40 }
            std::fs::write(&path, bytes).unwrap();
            let whole = ends.iter().filter(|&&end| end <= at as u64).count() - 1;
            let (again, journal) = open(&path);
            prop_assert_eq!(&again[..], &tiles[..whole]);
            prop_assert_eq!(std::fs::metadata(&path).unwrap().len(), ends[whole]);
            for (key, found) in &tiles[whole..] {
                journal.append(*key, found).unwrap();
            }
            prop_assert_eq!(journal.residuals().1, stretches);
            drop(journal);
            prop_assert_eq!(open(&path).0, tiles);
        }
    }
}
