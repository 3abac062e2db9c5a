//! What the ground filter knows of a tile, kept on disk: enough to judge any of its points again once all tiles are done.
//!
//! Of each cell the highest elevation that is ground, five bytes, and the cells with low outliers. What is judged again is
//! judged by the same comparisons as the first time ([`verdict`]), so that both agree to the last point.

use std::collections::BTreeMap;

use crate::cloud::bounds::{Range, overlap, widened};
use crate::cloud::packed::{pack_40, unpack_40};
use crate::raster::{EMPTY, Extent, Finder};
use crate::stages::ground_limits::{GroundLimits, verdict};
use crate::tile::at_work::{Surroundings, Tile};
use crate::tile::points::{Cloud, PointStatus};
use crate::tile::tiling::TileKey;
use crate::tile::yields::{Sections, Stretch, YieldError, Yields};
use crate::units::Micrometres;

/// The section of the limits: a record for each part of a tile.
const SECTION: &str = "ground-limits";

/// Marks a cell without a limit on disk: no elevation is as high.
const NO_LIMIT: i64 = (1 << 39) - 1;

/// Bytes of an elevation.
const PACKED: usize = 5;

/// Bytes of a record before its cells.
const HEAD: usize = 8 * 6;

/// Where the limits of the survey are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeepLimits {
    /// Nowhere.
    Nowhere,
    /// In the box around the reference and beside it ([`beside_reference`]): profiles show the ground there.
    AtReference,
    /// All over the survey.
    Everywhere,
}

/// How far beside the box around the reference limits are kept.
const BESIDE: Micrometres = 10_000_000;

/// The ground where limits are kept for profiles: it must not depend on tiles, as the boxes around a tile's reference do.
pub fn beside_reference(around: &dyn Surroundings) -> Option<(Range, Range)> {
    let (x, y) = around.bounds(Cloud::Reference).ranges()?;
    Some((widened(x, BESIDE), widened(y, BESIDE)))
}

/// Gives the limits of the survey in the core of a tile back, as far as they are kept.
pub fn give(limits: &GroundLimits, keep: KeepLimits, tile: &mut Tile<'_>) {
    let ground = match keep {
        KeepLimits::Nowhere => None,
        KeepLimits::Everywhere => Some(tile.core),
        KeepLimits::AtReference => {
            beside_reference(tile.around).and_then(|ground| overlap(tile.core, ground))
        }
    };
    let Some((x, y)) = ground else { return };
    let all = &limits.highest.extent;
    let cells = Extent::covering(all.cell, x, y, 0).within(all);
    // A tile that sees the survey in its halo alone may lie beyond it.
    if !cells.is_empty() {
        encode(limits, &cells, &mut tile.sections);
    }
}

fn encode(limits: &GroundLimits, cells: &Extent, sections: &mut Sections) {
    let highest = limits.highest.cut(cells);
    let low: Vec<(u64, f64)> = limits
        .low
        .iter()
        .filter_map(|low| Some((cells.index_from(&limits.highest.extent, low.index)? as u64, low.floor)))
        .collect();
    let bytes = sections.of(SECTION);
    bytes.extend_from_slice(&cells.cell.to_le_bytes());
    for word in
        [cells.first_column, cells.first_row, cells.columns as i64, cells.rows as i64, low.len() as i64]
    {
        bytes.extend_from_slice(&word.to_le_bytes());
    }
    let packed = |limit: f64| pack_40(if limit == EMPTY { NO_LIMIT } else { limit as i64 });
    highest.values.iter().for_each(|&limit| bytes.extend_from_slice(&packed(limit)));
    for (index, floor) in low {
        bytes.extend_from_slice(&index.to_le_bytes());
        bytes.extend_from_slice(&pack_40(floor as i64));
    }
}

/// One part of a tile as it was written.
struct Record<'a> {
    cells: Extent,
    highest: &'a [u8],
    low: Vec<(usize, f64)>,
}

impl<'a> Record<'a> {
    /// The first record in these bytes, and what follows it.
    fn first(bytes: &'a [u8]) -> Option<(Self, &'a [u8])> {
        let (head, rest) = bytes.split_at_checked(HEAD)?;
        let word = |i: usize| i64::from_le_bytes(head[8 * i..8 * i + 8].try_into().expect("eight bytes"));
        let (columns, rows) = (usize::try_from(word(3)).ok()?, usize::try_from(word(4)).ok()?);
        let cell = f64::from_bits(word(0) as u64);
        let cells = Extent { cell, first_column: word(1), first_row: word(2), columns, rows };
        let (highest, rest) = rest.split_at_checked(columns.checked_mul(rows)?.checked_mul(PACKED)?)?;
        let entries = usize::try_from(word(5)).ok()?.checked_mul(8 + PACKED)?;
        let (low, rest) = rest.split_at_checked(entries)?;
        let low = low.chunks_exact(8 + PACKED).map(|entry| {
            let index = u64::from_le_bytes(entry[..8].try_into().expect("eight bytes"));
            (index as usize, unpack_40(&entry[8..]) as f64)
        });
        Some((Record { cells, highest, low: low.collect() }, rest))
    }
}

/// The limits of a tile, all parts of it together.
pub struct KeptLimits {
    finder: Finder,
    /// By cell, packed.
    highest: Vec<u8>,
    /// Floors of the cells that hold low outliers, by cell.
    low: BTreeMap<usize, f64>,
}

impl KeptLimits {
    /// Those that a tile gave back; nothing where it gave none.
    ///
    /// # Errors
    /// Where the disk does not give them back, or not as they were.
    pub fn of(yields: &dyn Yields, index: &LimitsIndex, key: TileKey) -> Result<Option<Self>, YieldError> {
        let mut all: Option<KeptLimits> = None;
        for stretch in index.0.get(&key).into_iter().flatten() {
            let bytes = yields.read(stretch)?;
            let mut left = bytes.as_slice();
            while !left.is_empty() {
                let (record, rest) = Record::first(left).ok_or_else(|| yields.damaged(stretch))?;
                match &mut all {
                    None => all = Some(KeptLimits::over(record.cells)),
                    Some(all) if all.finder.extent().joined(&record.cells) != *all.finder.extent() => {
                        all.widen(&record.cells);
                    }
                    Some(_) => {}
                }
                all.as_mut().expect("made above").fill(&record);
                left = rest;
            }
        }
        Ok(all)
    }

    /// No limits yet, over these cells.
    fn over(cells: Extent) -> Self {
        let highest = pack_40(NO_LIMIT).repeat(cells.len());
        KeptLimits { finder: cells.finder(), highest, low: BTreeMap::new() }
    }

    /// Has cells besides.
    fn widen(&mut self, more: &Extent) {
        let now = *self.finder.extent();
        let mut wider = KeptLimits::over(now.joined(more));
        let low = self.low.iter().map(|(&index, &floor)| (index, floor)).collect();
        wider.fill(&Record { cells: now, highest: &self.highest, low });
        *self = wider;
    }

    fn fill(&mut self, record: &Record<'_>) {
        let own = *self.finder.extent();
        let (column, row) = own.offset_of(&record.cells);
        let line = record.cells.columns * PACKED;
        for (i, cells) in record.highest.chunks_exact(line.max(1)).enumerate() {
            let at = ((row + i) * own.columns + column) * PACKED;
            self.highest[at..at + line].copy_from_slice(cells);
        }
        for &(index, floor) in &record.low {
            self.low.extend(own.index_from(&record.cells, index).map(|index| (index, floor)));
        }
    }

    /// Bytes of memory.
    pub fn bytes(&self) -> usize {
        self.highest.len() + self.low.len() * 64
    }

    /// What becomes of a point that is not labelled noise, and up to which elevation it is ground in its cell.
    #[inline]
    pub fn judge(
        &self,
        x: Micrometres,
        y: Micrometres,
        z: Micrometres,
    ) -> (PointStatus, Option<Micrometres>) {
        let Some(index) = self.finder.index_of(x, y) else { return (PointStatus::AboveGround, None) };
        let packed = unpack_40(&self.highest[index * PACKED..(index + 1) * PACKED]);
        let limit = (packed != NO_LIMIT).then_some(packed);
        let floor = if self.low.is_empty() { None } else { self.low.get(&index).copied() };
        (verdict(z, limit.map_or(EMPTY, |limit| limit as f64), || floor), limit)
    }
}

/// Where the limits of each tile are.
pub struct LimitsIndex(BTreeMap<TileKey, Vec<Stretch>>);

impl LimitsIndex {
    /// Those of all tiles.
    pub fn of(yields: &dyn Yields) -> Self {
        LimitsIndex(yields.by_tile(SECTION))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::raster::Raster;
    use crate::raster::morphology::Scratch;
    use crate::stages::ground::Ground;
    use crate::tile::given::Given;
    use crate::units::Length;

    proptest! {
        #[test]
        fn points_judged_again_are_judged_as_the_first_time(
            cells in proptest::collection::vec(proptest::option::weighted(0.8, -3_000_000i64..200_000), 400),
            points in proptest::collection::vec((0i64..20_000_000, 0i64..20_000_000, -3_500_000i64..800_000), 1..80),
            parts in 1i64..4, local_slope in any::<bool>(),
        ) {
            let ground = Ground { cell: Length::metres(1.0), window_max: Length::metres(6.0), local_slope, ..Ground::default() };
            let mut surface = Raster::empty(Extent::covering(1e6, (0, 20_000_000), (0, 20_000_000), 0));
            for (value, z) in surface.values.iter_mut().zip(&cells) {
                *value = z.map_or(EMPTY, |z| z as f64);
            }
            let extent = surface.extent;
            let limits = ground.limits(surface, &extent, false, local_slope, &mut Scratch::default());
            // Parts whose edges cut cells, as the parts of a tile do.
            let edge = |part: i64| 20_000_000 * part / parts;
            let mut sections = Sections::default();
            for part in 0..parts {
                let cells = Extent::covering(1e6, (edge(part), edge(part + 1)), (0, 20_000_000), 0).within(&extent);
                encode(&limits, &cells, &mut sections);
            }
            let mut given = Given::default();
            given.add(&sections);
            let index = LimitsIndex::of(&given);
            let key = *index.0.keys().next().unwrap();
            let kept = KeptLimits::of(&given, &index, key).unwrap().unwrap();
            for (x, y, z) in points {
                let (status, limit) = kept.judge(x, y, z);
                prop_assert_eq!(status, limits.judge(x, y, z));
                let highest = limits.highest.at(x, y);
                prop_assert_eq!(limit.map(|limit| limit as f64), (highest != EMPTY).then_some(highest));
            }
        }
    }

    #[test]
    fn bytes_that_are_no_limits_are_an_error() {
        let mut sections = Sections::default();
        sections.of(SECTION).extend([1; 60]);
        let mut given = Given::default();
        given.add(&sections);
        let index = LimitsIndex::of(&given);
        let key = *index.0.keys().next().unwrap();
        assert!(matches!(KeptLimits::of(&given, &index, key), Err(YieldError::Damaged { .. })));
    }
}
