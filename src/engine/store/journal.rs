//! The journal of tiles: what each finished tile found, appended as it is found, so that a later run can go on from
//! there. It is also where the comparisons wait for the statistics, so that they are on disk once.
//!
//! A frame is its payload's length and checksum, then the payload: key and counts as JSON, checkpoints, comparisons,
//! terrain cells. It is one write. What a kill, a power cut or a full disk leaves of one that was under way is cut off when the
//! journal is opened again.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use crate::engine::store::error::EngineError;
use crate::engine::store::files::{read_at, write_at};
use crate::stages::compare::{Compared, ENCODED as COMPARED};
use crate::stages::draw::{ENCODED, decode, encode};
use crate::tile::points::{Found, StatusCounts};
use crate::tile::strata::{Strata, StratumCounts};
use crate::tile::tiling::TileKey;
use crate::units::Micrometres;

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
    compared: Vec<Stretch>,
    /// Where the terrain cells of each tile begin, and how many bytes they are.
    terrain: BTreeMap<TileKey, (u64, u64)>,
}

/// Comparisons on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Where they begin.
    pub offset: u64,
    /// How many there are.
    pub count: u64,
    /// What their places are counted from.
    pub base: (Micrometres, Micrometres),
}

/// The part of a payload that is JSON: small, and counts may be added to it without another thought.
#[derive(Serialize, Deserialize)]
struct Head {
    key: TileKey,
    survey: StatusCounts,
    reference: StatusCounts,
    #[serde(with = "as_list")]
    strata: BTreeMap<Strata, StratumCounts>,
    drawn: u64,
    compared: u64,
    base: (Micrometres, Micrometres),
    terrain: u64,
}

/// JSON has no map whose keys are more than text: a list of pairs stands for it.
mod as_list {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::{BTreeMap, Strata, StratumCounts};

    pub fn serialize<S: Serializer>(map: &BTreeMap<Strata, StratumCounts>, s: S) -> Result<S::Ok, S::Error> {
        map.iter().collect::<Vec<_>>().serialize(s)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<BTreeMap<Strata, StratumCounts>, D::Error> {
        Ok(Vec::deserialize(d)?.into_iter().collect())
    }
}

impl Written {
    /// Notes where in a frame or payload that begins at `start` things are.
    fn note(&mut self, key: TileKey, stretch: Stretch, terrain: u64, start: u64) {
        let stretch = Stretch { offset: start + stretch.offset, ..stretch };
        self.compared.push(stretch);
        self.terrain.insert(key, (stretch.offset + stretch.count * COMPARED as u64, terrain));
    }
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
            let Some((key, found, stretch, terrain)) = unpack(&payload) else { break };
            written.note(key, stretch, terrain, written.end + HEAD as u64);
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
        let (bytes, stretch) = pack(key, found).ok_or_else(|| EngineError::Internal {
            doing: "keeping what a tile found".into(),
            message: "its comparisons lie farther apart than any tile is wide".into(),
        })?;
        let mut written = self.written.lock().expect("no panic while locked");
        write_at(&self.file, &bytes, written.end)
            .map_err(EngineError::disk(&self.path, "writing working data"))?;
        let start = written.end;
        written.note(key, stretch, found.terrain.len() as u64, start);
        written.end += bytes.len() as u64;
        Ok(())
    }

    /// The file and where in it the comparisons are.
    pub fn compared(&self) -> (&Path, Vec<Stretch>) {
        (&self.path, self.written.lock().expect("no panic while locked").compared.clone())
    }

    /// The terrain cells of a tile, as it gave them; nothing where it gave none.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn terrain(&self, key: TileKey) -> Result<Vec<u8>, EngineError> {
        let place = self.written.lock().expect("no panic while locked").terrain.get(&key).copied();
        let Some((offset, length)) = place else { return Ok(Vec::new()) };
        let mut bytes = vec![0; length as usize];
        read_at(&self.file, &mut bytes, offset)
            .map_err(EngineError::disk(&self.path, "reading working data back"))?;
        Ok(bytes)
    }

    /// All tiles, in order.
    pub fn keys(&self) -> Vec<TileKey> {
        self.written.lock().expect("no panic while locked").terrain.keys().copied().collect()
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

/// A frame, and where in it the comparisons are; nothing where they lie too far apart to be stored.
fn pack(key: TileKey, found: &Found) -> Option<(Vec<u8>, Stretch)> {
    let base = found.compared.first().map_or((0, 0), |first| (first.x, first.y));
    let head = Head {
        key,
        survey: found.survey.clone(),
        reference: found.reference.clone(),
        strata: found.strata.clone(),
        drawn: found.drawn.len() as u64,
        compared: found.compared.len() as u64,
        base,
        terrain: found.terrain.len() as u64,
    };
    let head = serde_json::to_vec(&head).expect("plain data");
    let size = HEAD + 4 + head.len() + found.drawn.len() * ENCODED + found.compared.len() * COMPARED;
    let size = size + found.terrain.len();
    let mut bytes = Vec::with_capacity(size);
    bytes.resize(HEAD, 0);
    bytes.extend_from_slice(&(head.len() as u32).to_le_bytes());
    bytes.extend_from_slice(&head);
    found.drawn.iter().for_each(|drawn| encode(drawn, &mut bytes));
    let stretch = Stretch { offset: bytes.len() as u64, count: found.compared.len() as u64, base };
    found.compared.iter().all(|compared| compared.encode(base, &mut bytes)).then_some(())?;
    bytes.extend_from_slice(&found.terrain);
    let checksum = XxHash3_64::oneshot(&bytes[HEAD..]);
    let length = (bytes.len() - HEAD) as u64;
    bytes[..8].copy_from_slice(&length.to_le_bytes());
    bytes[8..HEAD].copy_from_slice(&checksum.to_le_bytes());
    Some((bytes, stretch))
}

/// What [`pack`] put into a payload, where in it the comparisons are, and how many bytes of terrain cells follow; the
/// cells themselves stay on disk.
fn unpack(payload: &[u8]) -> Option<(TileKey, Found, Stretch, u64)> {
    let (length, rest) = payload.split_first_chunk::<4>()?;
    let (head, rest) = rest.split_at_checked(u32::from_le_bytes(*length) as usize)?;
    let head: Head = serde_json::from_slice(head).ok()?;
    let (drawn, rest) = rest.split_at_checked((head.drawn as usize).checked_mul(ENCODED)?)?;
    let offset = (payload.len() - rest.len()) as u64;
    let (compared, terrain) = rest.split_at_checked((head.compared as usize).checked_mul(COMPARED)?)?;
    if head.terrain != terrain.len() as u64 {
        return None;
    }
    let found = Found {
        drawn: drawn.chunks_exact(ENCODED).map(decode).collect(),
        survey: head.survey,
        reference: head.reference,
        strata: head.strata,
        compared: compared.as_chunks().0.iter().map(|bytes| Compared::decode(bytes, head.base)).collect(),
        terrain: Vec::new(),
    };
    Some((head.key, found, Stretch { offset, count: head.compared, base: head.base }, head.terrain))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stages::draw::Drawn;
    use crate::stages::select::Tally;

    fn found(seed: u64, compared: usize) -> Found {
        let drawn = |i: u64| Drawn {
            key: seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ i,
            x: -(i as i64),
            y: 1 << 40,
            z: 5,
            return_number: 1 + (seed % 5) as u8,
            number_of_returns: 5,
            reference_z: -7,
            reference_points: 9,
            room: None,
            slope_percent: None,
            strata: Strata::default(),
            plane: (seed.is_multiple_of(2)).then_some((1, 2)),
        };
        let mut found = Found { drawn: (0..seed % 4).map(drawn).collect(), ..Found::default() };
        found.survey.noise = seed;
        found.survey.select.insert(3, Tally { selected: seed, not_selected: 1 });
        found.reference.ground_by_return[2] = seed + 1;
        let strata = Strata { return_number: 1, strip: Some(seed as u16), ..Strata::default() };
        found.terrain = vec![seed as u8; (seed % 7) as usize];
        found.strata.insert(strata, StratumCounts { points: seed, ground: 3 });
        found.compared = (0..compared)
            .map(|i| Compared {
                x: (i as i64) << 20,
                y: -(1 << 50),
                dz: (seed as i64 - 50) * i as i64,
                room: Some(i as u16),
                slope_percent: Some(7),
                strata,
            })
            .collect();
        found
    }

    /// What is handed over when a journal is opened: terrain cells stay on disk.
    fn without_terrain(tiles: &[(TileKey, Found)]) -> Vec<(TileKey, Found)> {
        tiles.iter().map(|(key, found)| (*key, Found { terrain: Vec::new(), ..found.clone() })).collect()
    }

    fn key(i: usize) -> TileKey {
        TileKey { row: -(i as i64), column: 7 }
    }

    /// What a journal holds, and where its comparisons are.
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
            let stretches = journal.compared().1;
            drop(journal);

            let mut bytes = std::fs::read(&path).unwrap();
            let at = at.index(bytes.len());
            if cut { bytes.truncate(at) } else { bytes[at] ^= 0x40 }
            std::fs::write(&path, bytes).unwrap();
            let whole = ends.iter().filter(|&&end| end <= at as u64).count() - 1;
            let (again, journal) = open(&path);
            prop_assert_eq!(&again[..], &without_terrain(&tiles[..whole])[..]);
            prop_assert_eq!(std::fs::metadata(&path).unwrap().len(), ends[whole]);
            for (key, found) in &tiles[whole..] {
                journal.append(*key, found).unwrap();
            }
            prop_assert_eq!(journal.compared().1, stretches);
            drop(journal);
            let (again, journal) = open(&path);
            prop_assert_eq!(again, without_terrain(&tiles));
            for (key, found) in &tiles {
                prop_assert_eq!(&journal.terrain(*key).unwrap(), &found.terrain);
            }
        }
    }
}
