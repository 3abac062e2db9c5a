//! The draw of checkpoints: of all that the tiles put up, the ones of smallest hash, for each return by itself.

use std::collections::BinaryHeap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::cloud::point::MAX_RETURN;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::{Journals, Part};
use crate::engine::store::spill::Spill;
use crate::stages::auto::Count;
use crate::stages::compared::{self, Compared};
use crate::stages::draw::{self, Drawn, ENCODED, IN_MEMORY, decode, encode};
use crate::tile::tiling::TileKey;
use crate::tile::yields::{Sections, Yields};

/// Hash ranges of the draw on disk: each is sorted by itself.
const RANGES: usize = 64;

/// The draw.
pub struct Sample {
    limit: Count,
    held: Held,
}

enum Held {
    /// By return number, the smallest hashes so far, the greatest of them on top.
    Memory(Vec<BinaryHeap<Drawn>>),
    /// By return number and hash range: what is not written yet, and the rest.
    Disk { buffers: Vec<Vec<u8>>, spill: Spill<(u8, u8)> },
}

impl Sample {
    /// The draw of `limit` checkpoints a return from what all tiles put up; should it need the disk, in a file at `path`.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn of(yields: &dyn Yields, limit: Count, path: &Path) -> Result<Self, EngineError> {
        let mut sample = Sample::new(limit, path)?;
        draw::for_each(yields, |drawn| sample.add(drawn))?;
        Ok(sample)
    }

    fn new(limit: Count, path: &Path) -> Result<Self, EngineError> {
        let held = match limit {
            Count::AtMost(n) if n <= IN_MEMORY => Held::Memory(vec![BinaryHeap::new(); MAX_RETURN + 1]),
            _ => Held::Disk {
                buffers: vec![Vec::new(); (MAX_RETURN + 1) * RANGES],
                spill: Spill::create(path)?,
            },
        };
        Ok(Sample { limit, held })
    }

    fn add(&mut self, drawn: &[Drawn]) -> Result<(), EngineError> {
        match &mut self.held {
            Held::Memory(heaps) => {
                let Count::AtMost(n) = self.limit else { return Ok(()) };
                for &checkpoint in drawn {
                    let heap = &mut heaps[checkpoint.return_number as usize];
                    heap.push(checkpoint);
                    if heap.len() as u64 > n {
                        heap.pop();
                    }
                }
            }
            Held::Disk { buffers, spill } => {
                for checkpoint in drawn {
                    let (number, range) = (checkpoint.return_number, range_of(checkpoint.key));
                    let buffer = &mut buffers[number as usize * RANGES + range as usize];
                    encode(checkpoint, buffer);
                    if buffer.len() >= 8 << 10 {
                        spill.append((number, range), buffer)?;
                        buffer.clear();
                    }
                }
            }
        }
        Ok(())
    }

    /// Hands over the first `at_most` checkpoints of a return in the order of the draw.
    ///
    /// # Errors
    /// Where the disk does not give them back, or `f` fails.
    pub fn for_each(
        &self,
        return_number: u8,
        at_most: Count,
        f: &mut dyn FnMut(&Drawn) -> Result<(), EngineError>,
    ) -> Result<(), EngineError> {
        let most = [self.limit, at_most]
            .iter()
            .map(|c| if let Count::AtMost(n) = c { *n } else { u64::MAX })
            .min()
            .unwrap_or(u64::MAX);
        match &self.held {
            Held::Memory(heaps) => {
                let sorted = heaps[return_number as usize].clone().into_sorted_vec();
                sorted.iter().take(usize::try_from(most).unwrap_or(usize::MAX)).try_for_each(f)
            }
            Held::Disk { buffers, spill } => {
                let mut left = most;
                for range in 0..RANGES as u8 {
                    let mut drawn = Vec::new();
                    let mut take = |bytes: &[u8]| {
                        drawn.extend(bytes.chunks_exact(ENCODED).map(decode));
                        Some(())
                    };
                    take(&buffers[return_number as usize * RANGES + range as usize]);
                    spill.for_each_piece((return_number, range), &mut Vec::new(), take)?;
                    drawn.sort_unstable();
                    for checkpoint in drawn.iter().take(usize::try_from(left).unwrap_or(usize::MAX)) {
                        f(checkpoint)?;
                        left -= 1;
                    }
                }
                Ok(())
            }
        }
    }
}

/// Comparisons written at a time.
const AT_A_TIME: usize = 64 << 10;

/// Writes the comparisons at drawn checkpoints to a journal of their own at `path`, for a pipeline that compares only what
/// it draws: [`ComparedInTiles`](crate::stages::compared::ComparedInTiles) reads them.
///
/// # Errors
/// Where the disk fails.
pub fn write_compared(sample: &Sample, path: PathBuf) -> Result<Journals, EngineError> {
    if path.exists() {
        fs::remove_file(&path).map_err(EngineError::disk(&path, "clearing the working folder"))?;
    }
    let journals = Journals::open(&[path])?;
    let mut chunks = 0;
    let mut write = |chunk: &mut Vec<Compared>| {
        let mut sections = Sections::default();
        compared::give(chunk, &mut sections);
        chunk.clear();
        chunks += 1;
        journals.append(Part::whole(TileKey { row: chunks, column: 0 }), &sections)
    };
    let mut chunk: Vec<Compared> = Vec::new();
    for number in 1..=MAX_RETURN as u8 {
        sample.for_each(number, Count::All, &mut |drawn| {
            let next = drawn.compared();
            if chunk.len() == AT_A_TIME || chunk.first().is_some_and(|first| !next.is_near(first)) {
                write(&mut chunk)?;
            }
            chunk.push(next);
            Ok(())
        })?;
    }
    write(&mut chunk)?;
    Ok(journals)
}

/// The range that a hash falls in: by its highest bits, so that ranges follow each other.
fn range_of(key: u64) -> u8 {
    (key / (u64::MAX / RANGES as u64 + 1)) as u8
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stages::compared::{ComparedInTiles, Comparisons};
    use crate::stages::search::Around;
    use crate::tile::gradient::Gradient;
    use crate::tile::strata::Strata;

    fn checkpoint(key: u64, x: i64) -> Drawn {
        Drawn {
            key,
            x,
            y: -x,
            z: 7,
            return_number: 2,
            number_of_returns: 3,
            reference_z: -9,
            reference_points: 6,
            headroom: Some(x.unsigned_abs() as u16),
            gradient: Some(Gradient::of([0.12, 0.0])),
            local_gradient: Some(Gradient::of([0.11, -0.01])),
            strata: Strata { return_number: 2, strip: Some(9), ..Strata::default() },
            plane: (x % 2 == 0).then_some((5, 6)),
            inner: (4, -3),
            around: Around { rung: 2, points: 9, distance: 11_000 },
            setup: 0,
        }
    }

    fn drawn(limit: Count, at_most: Count, batches: &[Vec<Drawn>]) -> Vec<Drawn> {
        let folder = tempfile::tempdir().unwrap();
        let mut sample = Sample::new(limit, &folder.path().join("draw")).unwrap();
        for batch in batches {
            sample.add(batch).unwrap();
        }
        let mut rows = Vec::new();
        sample
            .for_each(2, at_most, &mut |d| {
                rows.push(*d);
                Ok(())
            })
            .unwrap();
        rows
    }

    proptest! {
        #[test]
        fn the_smallest_hashes_in_any_order_in_memory_and_on_disk(
            keys in proptest::collection::vec((any::<u64>(), -9i64..9), 0..300), n in 1u64..50,
        ) {
            let all: Vec<Drawn> = keys.iter().map(|&(key, x)| checkpoint(key, x)).collect();
            let batches: Vec<Vec<Drawn>> = all.chunks(7).map(<[Drawn]>::to_vec).collect();
            let mut expected = all.clone();
            expected.sort_unstable();
            expected.truncate(n as usize);
            prop_assert_eq!(&drawn(Count::AtMost(n), Count::All, &batches), &expected);
            prop_assert_eq!(&drawn(Count::All, Count::AtMost(n), &batches), &expected);
        }
    }

    /// The comparisons that are read back from a draw, sorted.
    fn written(sample: &Sample, folder: &Path) -> Vec<Compared> {
        let journals = write_compared(sample, folder.join("drawn-compared")).unwrap();
        let compared = ComparedInTiles::new(&journals);
        let mut found = Vec::new();
        (0..compared.parts())
            .for_each(|part| compared.read_part(part, &mut |block| found.extend_from_slice(block)).unwrap());
        assert_eq!((compared.len(), compared.is_empty()), (found.len() as u64, found.is_empty()));
        found.sort();
        found
    }

    #[test]
    fn comparisons_of_a_draw_come_back_of_every_return_and_from_far_apart() {
        const FAR: i64 = 1_000_000_000_000;
        let folder = tempfile::tempdir().unwrap();
        let mut all = Vec::new();
        // Of each return some in the middle and some 1,000 km to either side, in an order that goes to and fro.
        for return_number in [1, 2, MAX_RETURN as u8] {
            for i in 0..30 {
                let strata = Strata { return_number, ..Strata::default() };
                let there = Drawn { return_number, strata, ..checkpoint(i as u64, 5) };
                all.push(Drawn { x: (i % 3 - 1) * FAR + i, y: (i % 2) * FAR, z: i, ..there });
            }
        }
        let mut expected: Vec<Compared> = all.iter().map(Drawn::compared).collect();
        expected.sort();
        for limit in [Count::AtMost(1000), Count::All] {
            let mut sample = Sample::new(limit, &folder.path().join("draw")).unwrap();
            sample.add(&all).unwrap();
            // What an interrupted run has left there is written over.
            for _ in 0..2 {
                assert_eq!(written(&sample, folder.path()), expected);
            }
        }
        let nothing = Sample::new(Count::AtMost(5), &folder.path().join("draw")).unwrap();
        assert_eq!(written(&nothing, folder.path()), []);
    }

    #[test]
    fn more_comparisons_than_are_written_at_a_time_come_back() {
        let folder = tempfile::tempdir().unwrap();
        let all: Vec<Drawn> = (0..AT_A_TIME as i64 + 3).map(|i| checkpoint(i as u64, i % 1000)).collect();
        let mut sample = Sample::new(Count::All, &folder.path().join("draw")).unwrap();
        sample.add(&all).unwrap();
        let mut expected: Vec<Compared> = all.iter().map(Drawn::compared).collect();
        expected.sort();
        assert_eq!(written(&sample, folder.path()), expected);
    }
}
