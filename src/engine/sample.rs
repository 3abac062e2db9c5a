//! The draw of checkpoints: of all that the tiles put up, the ones of smallest hash, for each return by itself.

use std::collections::BinaryHeap;
use std::path::Path;
use std::sync::Mutex;

use super::error::EngineError;
use super::spill::Spill;
use crate::cloud::point::MAX_RETURN;
use crate::stages::Stage;
use crate::stages::auto::Count;
use crate::stages::checkpoints::Drawn;
use crate::stages::strata::{self, Strata};

/// Up to this many a return the draw is held in memory; beyond, it waits on disk.
const IN_MEMORY: u64 = 20_000;

/// Hash ranges of the draw on disk: each is sorted by itself.
const RANGES: usize = 64;

/// What the draw of checkpoints is for.
#[derive(Clone, Copy, Debug)]
pub struct Draw {
    /// Checkpoints of each return that are kept.
    pub kept: Count,
    /// Checkpoints of each return that are listed.
    pub listed: Count,
    /// Whether every candidate counts, drawn or not.
    pub everything_counts: bool,
    /// No two checkpoints of one return are closer, metres.
    pub spacing: f64,
}

impl Draw {
    /// What the stages ask for.
    pub fn of(stages: &[Stage]) -> Self {
        let options = stages.iter().find_map(|stage| match stage {
            Stage::Checkpoints(options) => Some(options),
            _ => None,
        });
        let (listed, everything_counts) = match options.map(|o| (o.per_return, o.list)) {
            Some((Count::All, listed)) => (listed, true),
            Some((drawn, _)) => (drawn, false),
            None => (Count::AtMost(1), true),
        };
        let spacing = options.map_or(0.0, |o| o.spacing.micrometres() as f64 / 1e6);
        Draw { kept: listed, listed, everything_counts, spacing }
    }

    /// Bytes of disk that the draw may take, over so many points on so many square metres.
    pub fn disk_bytes(&self, points: u64, area: f64) -> u64 {
        if matches!(self.kept, Count::AtMost(n) if n <= IN_MEMORY) {
            return 0;
        }
        // Discs a spacing wide about the checkpoints of one return do not overlap: at the densest they fill 91 % of
        // the plane. Few sites have more than five returns of ground.
        let most = 5.0 * area * 0.91 / (self.spacing * self.spacing * std::f64::consts::FRAC_PI_4);
        (most.min(points as f64) * DISK_PER_DRAWN) as u64
    }
}

/// Bytes of disk for a checkpoint that waits there: in the journal, in the draw, and as a row of the results.
const DISK_PER_DRAWN: f64 = 2.0 * ENCODED as f64 + 140.0;

/// The draw, which any thread may add to.
pub struct Sample {
    limit: Count,
    held: Mutex<Held>,
}

enum Held {
    /// By return number, the smallest hashes so far, the greatest of them on top.
    Memory(Vec<BinaryHeap<Drawn>>),
    /// By return number and hash range: what is not written yet, and the rest.
    Disk { buffers: Vec<Vec<u8>>, spill: Spill<(u8, u8)> },
}

impl Sample {
    /// An empty draw of `limit` checkpoints a return; should it need the disk, in a file at `path`.
    ///
    /// # Errors
    /// Where the file cannot be made.
    pub fn new(limit: Count, path: &Path) -> Result<Self, EngineError> {
        let held = match limit {
            Count::AtMost(n) if n <= IN_MEMORY => Held::Memory(vec![BinaryHeap::new(); MAX_RETURN + 1]),
            _ => Held::Disk {
                buffers: vec![Vec::new(); (MAX_RETURN + 1) * RANGES],
                spill: Spill::create(path)?,
            },
        };
        Ok(Sample { limit, held: Mutex::new(held) })
    }

    /// By return number: hashes above this one are not drawn any more.
    pub fn up_to(&self) -> [u64; MAX_RETURN + 1] {
        let mut up_to = [u64::MAX; MAX_RETURN + 1];
        if let (Held::Memory(heaps), Count::AtMost(n)) = (&*self.lock(), self.limit) {
            for (up_to, heap) in up_to.iter_mut().zip(heaps) {
                if let Some(greatest) = heap.peek().filter(|_| heap.len() as u64 >= n) {
                    *up_to = greatest.key;
                }
            }
        }
        up_to
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Held> {
        self.held.lock().expect("no panic while locked")
    }

    /// Puts checkpoints up for the draw.
    ///
    /// # Errors
    /// Where the disk does not take them.
    pub fn add(&self, drawn: &[Drawn]) -> Result<(), EngineError> {
        match &mut *self.lock() {
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
        match &*self.lock() {
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

/// The range that a hash falls in: by its highest bits, so that ranges follow each other.
fn range_of(key: u64) -> u8 {
    (key / (u64::MAX / RANGES as u64 + 1)) as u8
}

/// Bytes of a checkpoint on disk.
pub(super) const ENCODED: usize = 63 + 2 + 1 + strata::ENCODED;

/// Adds a checkpoint as bytes.
pub(super) fn encode(d: &Drawn, to: &mut Vec<u8>) {
    let (slope, residual_sd) = d.plane.unwrap_or((0, 0));
    for word in [d.key, d.x as u64, d.y as u64, d.z as u64, d.reference_z as u64, slope, residual_sd] {
        to.extend_from_slice(&word.to_le_bytes());
    }
    to.extend_from_slice(&d.reference_points.to_le_bytes());
    to.push(d.number_of_returns);
    to.push(u8::from(d.plane.is_some()));
    to.push(d.return_number);
    to.extend_from_slice(&d.room.unwrap_or(u16::MAX).to_le_bytes());
    to.push(d.slope_percent.unwrap_or(u8::MAX));
    to.extend_from_slice(&d.strata.encode());
}

/// The checkpoint that [`encode`] turned into these bytes.
pub(super) fn decode(b: &[u8]) -> Drawn {
    let word = |i: usize| u64::from_le_bytes(b[i * 8..i * 8 + 8].try_into().expect("eight bytes"));
    let room = u16::from_le_bytes([b[63], b[64]]);
    Drawn {
        key: word(0),
        x: word(1) as i64,
        y: word(2) as i64,
        z: word(3) as i64,
        return_number: b[62],
        number_of_returns: b[60],
        reference_z: word(4) as i64,
        reference_points: u32::from_le_bytes(b[56..60].try_into().expect("four bytes")),
        room: (room != u16::MAX).then_some(room),
        slope_percent: Some(b[65]).filter(|slope| *slope != u8::MAX),
        strata: Strata::decode(b[66..71].try_into().expect("five bytes")),
        plane: (b[61] != 0).then(|| (word(5), word(6))),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_large_draw_counts_towards_the_disk() {
        let draw = |kept, spacing| Draw { kept, listed: kept, everything_counts: true, spacing };
        assert_eq!(draw(Count::AtMost(5000), 0.0).disk_bytes(1_000_000, 1e4), 0);
        assert_eq!(draw(Count::All, 0.0).disk_bytes(1_000_000, 1e4), 282_000_000);
        let spaced = draw(Count::All, 1.0).disk_bytes(1_000_000, 1e4);
        assert!((14_000_000..18_000_000).contains(&spaced), "{spaced}");
    }

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
            room: Some(x.unsigned_abs() as u16),
            slope_percent: Some(12),
            strata: Strata { return_number: 2, strip: Some(9), ..Strata::default() },
            plane: (x % 2 == 0).then_some((5, 6)),
        }
    }

    fn drawn(limit: Count, at_most: Count, batches: &[Vec<Drawn>]) -> Vec<Drawn> {
        let folder = tempfile::tempdir().unwrap();
        let sample = Sample::new(limit, &folder.path().join("draw")).unwrap();
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
}
