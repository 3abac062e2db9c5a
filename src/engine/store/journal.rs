//! The journal of tiles: what the stages gave back of each, appended as it is done, so that a later run can continue from
//! there. It is also where comparisons and terrain cells wait for the conclusions, so that they are on disk once.
//!
//! A frame is its payload's length and checksum, then the payload: a head as JSON (the tile, the part of it, the sections
//! and their lengths), then the sections. It is one write. What a kill, a power cut or a full disk leaves of one that was
//! under way is cut off when the journal is opened again. A tile counts once all its parts are there; several journals, or a
//! tile that was worked on twice, are no harm: each part counts once.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use crate::engine::store::error::EngineError;
use crate::engine::store::files::{read_at, write_at};
use crate::tile::tiling::TileKey;
use crate::tile::yields::{Sections, Stretch, YieldError, Yields};

/// Journals of parts that stay open at the most: systems often allow a process 1024 files.
const MOST_OPEN: usize = 256;

/// Bytes of a frame before its payload.
const HEAD: usize = 16;

/// A part of a tile: one of so many that it was cut into, mostly one of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Part {
    /// The tile.
    pub key: TileKey,
    /// Parts of it.
    pub of: u32,
    /// Which of them, from 0.
    pub number: u32,
}

impl Part {
    /// A whole tile.
    pub fn whole(key: TileKey) -> Self {
        Part { key, of: 1, number: 0 }
    }
}

#[derive(Serialize, Deserialize)]
struct Head {
    part: Part,
    sections: Vec<(String, u64)>,
}

/// Where the sections of a part are.
struct Written {
    sections: Vec<(String, Stretch)>,
}

/// A journal, which any thread may append to.
pub struct Journal {
    path: PathBuf,
    /// Nothing where it is opened for each reading.
    file: Option<File>,
    written: Mutex<(u64, BTreeMap<Part, Written>)>,
}

impl Journal {
    /// Opens the journal at `path` with what is in it, or makes it.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn open(path: &Path) -> Result<Self, EngineError> {
        let failed = || EngineError::disk(path, "reading working data back");
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(EngineError::disk(path, "making a working file"))?;
        let (end, parts, left) = frames(&file).map_err(failed())?;
        if left > 0 {
            file.set_len(end).map_err(EngineError::disk(path, "cutting off what was half written"))?;
        }
        Ok(Journal { path: path.to_path_buf(), file: Some(file), written: Mutex::new((end, parts)) })
    }

    /// The journal that another part of the run has written at `path`: it is only read, and kept open where `stays_open`.
    ///
    /// # Errors
    /// Where the disk fails, or the journal is not whole.
    fn of_part(path: &Path, stays_open: bool) -> Result<Self, EngineError> {
        let failed = || EngineError::disk(path, "reading working data back");
        let file = File::open(path).map_err(failed())?;
        let (end, parts, left) = frames(&file).map_err(failed())?;
        if left > 0 {
            return Err(EngineError::Damaged { path: path.to_path_buf() });
        }
        let file = stays_open.then_some(file);
        Ok(Journal { path: path.to_path_buf(), file, written: Mutex::new((end, parts)) })
    }

    /// Appends what the stages gave back of a part of a tile.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn append(&self, part: Part, sections: &Sections) -> Result<(), EngineError> {
        let bytes = pack(part, sections);
        let mut written = self.written();
        let (end, parts) = &mut *written;
        let file = self.file.as_ref().expect("only journals of this process are written");
        write_at(file, &bytes, *end).map_err(EngineError::disk(&self.path, "writing working data"))?;
        let (part, places) = unpack(&bytes[HEAD..], *end + HEAD as u64).expect("just packed");
        parts.entry(part).or_insert(places);
        *end += bytes.len() as u64;
        Ok(())
    }

    fn written(&self) -> MutexGuard<'_, (u64, BTreeMap<Part, Written>)> {
        self.written.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// All journals of a run: what tiles are done, and what they gave back.
pub struct Journals {
    journals: Vec<Journal>,
}

impl Journals {
    /// Those at these paths, at least one, to be written where they are not there.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn open(paths: &[PathBuf]) -> Result<Self, EngineError> {
        let journals = paths.iter().map(|path| Journal::open(path)).collect::<Result<_, _>>()?;
        Ok(Journals { journals })
    }

    /// Those that other parts of the run have written at these paths.
    ///
    /// # Errors
    /// Where the disk fails, or a journal is not whole.
    pub fn of_parts(paths: &[PathBuf]) -> Result<Self, EngineError> {
        let open = |(i, path): (usize, &PathBuf)| Journal::of_part(path, i < MOST_OPEN);
        let journals = paths.iter().enumerate().map(open).collect::<Result<_, _>>()?;
        Ok(Journals { journals })
    }

    /// Appends to the first.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn append(&self, part: Part, sections: &Sections) -> Result<(), EngineError> {
        self.journals[0].append(part, sections)
    }

    /// All tiles that are done: every part of one cutting is there.
    pub fn done(&self) -> Vec<TileKey> {
        self.chosen().into_keys().collect()
    }

    /// Of each tile that is done, into how many parts it was cut where it counts.
    fn chosen(&self) -> BTreeMap<TileKey, u32> {
        let mut there: BTreeMap<(TileKey, u32), Vec<u32>> = BTreeMap::new();
        for journal in &self.journals {
            for part in journal.written().1.keys() {
                there.entry((part.key, part.of)).or_default().push(part.number);
            }
        }
        let mut chosen = BTreeMap::new();
        for ((key, of), mut numbers) in there {
            numbers.sort_unstable();
            numbers.dedup();
            if numbers.len() == of as usize {
                chosen.entry(key).or_insert(of);
            }
        }
        chosen
    }

    /// Hands over where each section is of each part that counts.
    fn for_each_section(&self, mut f: impl FnMut(&str, &Stretch)) {
        let chosen = self.chosen();
        let mut seen = std::collections::BTreeSet::new();
        for (file, journal) in self.journals.iter().enumerate() {
            for (part, written) in &journal.written().1 {
                if chosen.get(&part.key) == Some(&part.of) && seen.insert(*part) {
                    for (name, stretch) in &written.sections {
                        f(name, &Stretch { file, ..*stretch });
                    }
                }
            }
        }
    }
}

impl Yields for Journals {
    fn stretches(&self, section: &str) -> Vec<Stretch> {
        let mut all = Vec::new();
        self.for_each_section(|name, stretch| {
            if name == section {
                all.push(*stretch);
            }
        });
        all.sort_by_key(|stretch| stretch.key);
        all
    }

    fn read_part(&self, stretch: &Stretch, from: u64, bytes: &mut [u8]) -> Result<(), YieldError> {
        if from + bytes.len() as u64 > stretch.bytes {
            return Err(self.damaged(stretch));
        }
        let Journal { path, file, .. } = &self.journals[stretch.file];
        let disk = |source| YieldError::Disk { path: path.clone(), source };
        match file {
            Some(file) => read_at(file, bytes, stretch.offset + from),
            None => File::open(path).and_then(|file| read_at(&file, bytes, stretch.offset + from)),
        }
        .map_err(disk)
    }

    fn damaged(&self, stretch: &Stretch) -> YieldError {
        YieldError::Damaged { path: self.journals[stretch.file].path.clone() }
    }
}

/// The frames of a journal that are whole: where they end, what is where, and how many bytes follow.
fn frames(file: &File) -> io::Result<(u64, BTreeMap<Part, Written>, u64)> {
    let mut left = file.metadata()?.len();
    let (mut end, mut parts) = (0, BTreeMap::new());
    let mut reader = BufReader::with_capacity(1 << 20, file);
    while let Some(payload) = frame(&mut reader, left)? {
        let Some((part, written)) = unpack(&payload, end + HEAD as u64) else { break };
        parts.entry(part).or_insert(written);
        let bytes = (HEAD + payload.len()) as u64;
        (end, left) = (end + bytes, left - bytes);
    }
    Ok((end, parts, left))
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

/// A frame.
fn pack(part: Part, sections: &Sections) -> Vec<u8> {
    let lengths = sections.iter().map(|(name, bytes)| (name.to_string(), bytes.len() as u64)).collect();
    let head = serde_json::to_vec(&Head { part, sections: lengths }).expect("plain data");
    let all: usize = sections.iter().map(|(_, bytes)| bytes.len()).sum();
    let mut bytes = Vec::with_capacity(HEAD + 4 + head.len() + all);
    bytes.resize(HEAD, 0);
    bytes.extend_from_slice(&(head.len() as u32).to_le_bytes());
    bytes.extend_from_slice(&head);
    sections.iter().for_each(|(_, section)| bytes.extend_from_slice(section));
    let checksum = XxHash3_64::oneshot(&bytes[HEAD..]);
    let length = (bytes.len() - HEAD) as u64;
    bytes[..8].copy_from_slice(&length.to_le_bytes());
    bytes[8..HEAD].copy_from_slice(&checksum.to_le_bytes());
    bytes
}

/// The part that a payload is of, and where its sections are in the file, in which the payload begins at `start`.
fn unpack(payload: &[u8], start: u64) -> Option<(Part, Written)> {
    let (length, rest) = payload.split_first_chunk::<4>()?;
    let (head, rest) = rest.split_at_checked(u32::from_le_bytes(*length) as usize)?;
    let Head { part, sections } = serde_json::from_slice(head).ok()?;
    let mut offset = start + (payload.len() - rest.len()) as u64;
    let end = start + payload.len() as u64;
    let mut places = Vec::with_capacity(sections.len());
    for (name, bytes) in sections {
        places.push((name, Stretch { key: part.key, file: 0, offset, bytes }));
        offset = offset.checked_add(bytes)?;
    }
    (offset == end && part.number < part.of).then_some((part, Written { sections: places }))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn sections(seed: u64, length: usize) -> Sections {
        let mut sections = Sections::default();
        sections.of("counts").extend(seed.to_le_bytes());
        sections.of("compared").extend((0..length).map(|i| (seed as usize * 7 + i) as u8));
        sections.of("nothing");
        sections
    }

    fn part(i: usize) -> Part {
        Part::whole(TileKey { row: -(i as i64), column: 7 })
    }

    /// What journals hold, by tile and section.
    fn held(journals: &Journals) -> Vec<(TileKey, Vec<u8>, Vec<u8>)> {
        let bytes = |name: &str, key: TileKey| {
            let stretches = journals.stretches(name).into_iter().filter(|stretch| stretch.key == key);
            stretches.flat_map(|stretch| journals.read(&stretch).unwrap()).collect()
        };
        journals.done().into_iter().map(|key| (key, bytes("counts", key), bytes("compared", key))).collect()
    }

    fn expected(parts: &[(Part, Sections)]) -> Vec<(TileKey, Vec<u8>, Vec<u8>)> {
        let mut all: Vec<_> = parts
            .iter()
            .map(|(part, sections)| {
                let bytes = |wanted: &str| {
                    let found = sections.iter().find(|(name, _)| *name == wanted);
                    found.map_or(Vec::new(), |(_, bytes)| bytes.to_vec())
                };
                (part.key, bytes("counts"), bytes("compared"))
            })
            .collect();
        all.sort();
        all
    }

    proptest! {
        #[test]
        fn after_any_cut_or_damage_the_whole_frames_before_it_come_back_and_the_rest_can_be_done_again(
            tiles in proptest::collection::vec((0u64..100, 0usize..40), 1..8),
            at in any::<proptest::sample::Index>(), cut in any::<bool>(),
        ) {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("tiles");
            let paths = [path.clone()];
            let tiles: Vec<_> = tiles.iter().enumerate().map(|(i, &(s, n))| (part(i), sections(s, n))).collect();
            let journals = Journals::open(&paths).unwrap();
            prop_assert!(journals.done().is_empty());
            let mut ends = vec![0];
            for (part, sections) in &tiles {
                journals.append(*part, sections).unwrap();
                ends.push(std::fs::metadata(&path).unwrap().len());
            }
            prop_assert_eq!(held(&journals), expected(&tiles));
            drop(journals);

            let mut bytes = std::fs::read(&path).unwrap();
            let at = at.index(bytes.len());
            if cut { bytes.truncate(at) } else { bytes[at] ^= 0x40 }
            std::fs::write(&path, bytes).unwrap();
            let whole = ends.iter().filter(|&&end| end <= at as u64).count() - 1;
            let journals = Journals::open(&paths).unwrap();
            prop_assert_eq!(held(&journals), expected(&tiles[..whole]));
            prop_assert_eq!(std::fs::metadata(&path).unwrap().len(), ends[whole]);
            for (part, sections) in &tiles[whole..] {
                journals.append(*part, sections).unwrap();
            }
            drop(journals);
            prop_assert_eq!(held(&Journals::open(&paths).unwrap()), expected(&tiles));
        }
    }

    #[test]
    fn several_journals_read_as_one_whatever_was_done_twice_or_in_part() {
        let folder = tempfile::tempdir().unwrap();
        let paths = ["tiles-1", "tiles-2"].map(|name| folder.path().join(name));
        let write = |path: &PathBuf, parts: &[(Part, u64)]| {
            let journal = Journal::open(path).unwrap();
            parts.iter().for_each(|(part, seed)| journal.append(*part, &sections(*seed, 3)).unwrap());
        };
        let quarter = |number| Part { key: part(2).key, of: 4, number };
        // Tile 1 was worked on by both; tile 2 whole by one and, cut in four, in part by the other; tile 3 in part alone.
        let half = |number| Part { key: part(3).key, of: 2, number };
        write(&paths[0], &[(part(0), 1), (part(1), 2), (quarter(0), 3), (quarter(1), 3), (half(1), 9)]);
        write(&paths[1], &[(part(1), 2), (part(2), 4), (quarter(2), 3)]);
        let journals = Journals::open(&paths).unwrap();
        let expected = expected(
            &[part(0), part(1), part(2)]
                .map(|p| (p, sections(p.key.row.unsigned_abs() + 1 + u64::from(p == part(2)), 3))),
        );
        assert_eq!(held(&journals), expected);
        drop(journals);
        // With its last part there, the smaller number of parts still counts; tile 3 is done too.
        write(&paths[1], &[(quarter(3), 3), (half(0), 8)]);
        let journals = Journals::open(&paths).unwrap();
        assert_eq!(journals.done().len(), 4);
        let (key, counts, _) = &held(&journals)[0];
        assert_eq!((key, counts.len()), (&part(3).key, 16));
    }
}
