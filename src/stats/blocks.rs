//! Sums of dz by square blocks: all that intervals need to know of hundreds of millions of residuals.

use crate::stats::correlation::CorrelationModel;
use crate::stats::placed::{Placed, block_of};
use std::collections::{BTreeMap, BTreeSet};

/// Blocks below which the default size does not go up any further for the sake of the correlation's range. Common
/// practice (about 30 independent values for a standard error), no source.
pub const FEW_BLOCKS: usize = 30;
/// Blocks that the default size keeps when the range does not ask for larger ones: beyond, more of them hardly make an
/// interval narrower, while larger ones hold correlation that was too weak to be seen.
pub const ENOUGH_BLOCKS: usize = 100;

/// Count, sum and sum of squares of the dz (µm) of one group in one block, exact in any order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DzSums {
    /// Number of residuals.
    pub n: u64,
    /// Their sum, in µm.
    pub sum: i128,
    /// Sum of their squares, in µm².
    pub squares: i128,
}

impl DzSums {
    /// Adds another's sums.
    pub fn merge(&mut self, other: &DzSums) {
        self.n += other.n;
        self.sum += other.sum;
        self.squares += other.squares;
    }
}

/// The residuals of one block.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Block {
    /// Sorted by group: most blocks hold few of the groups.
    groups: Vec<(u16, DzSums)>,
    /// How many residuals each flight strip has here, sorted by strip.
    strips: Vec<(u16, u64)>,
}

/// Adds to the entry of a key in a short sorted list.
#[inline]
fn entry<T: Default>(list: &mut Vec<(u16, T)>, key: u16) -> &mut T {
    let at = match list.iter().position(|(known, _)| *known >= key) {
        Some(at) if list[at].0 == key => at,
        Some(at) => {
            list.insert(at, (key, T::default()));
            at
        }
        None => {
            list.push((key, T::default()));
            list.len() - 1
        }
    };
    &mut list[at].1
}

impl Block {
    fn merge(&mut self, other: &Block) {
        other.groups.iter().for_each(|(group, sums)| entry(&mut self.groups, *group).merge(sums));
        other.strips.iter().for_each(|(strip, n)| *entry(&mut self.strips, *strip) += n);
    }
}

/// Sums by block and group. Blocks align to multiples of their size from coordinate zero.
#[derive(Clone, Debug)]
pub struct BlockSums {
    size: i64,
    groups: usize,
    /// The place of each block in `blocks`, by (row, column).
    places: BTreeMap<(i64, i64), usize>,
    blocks: Vec<Block>,
    /// The block of the residual added last, as neighbours mostly come one after the other.
    last: Option<((i64, i64), usize)>,
    /// Sums of all blocks by strip and group.
    by_strip: BTreeMap<(u16, u16), DzSums>,
    /// Those of the strip and group of the residuals added last, which are not yet among them.
    pending: ((u16, u16), DzSums),
}

impl PartialEq for BlockSums {
    fn eq(&self, other: &Self) -> bool {
        self.size == other.size && self.sorted().eq(other.sorted())
    }
}

impl BlockSums {
    /// No residuals yet, for blocks of side `size_um` (at least 1) and groups numbered below `groups`.
    pub fn new(size_um: i64, groups: usize) -> Self {
        BlockSums {
            size: size_um.max(1),
            groups,
            places: BTreeMap::new(),
            blocks: Vec::new(),
            last: None,
            by_strip: BTreeMap::new(),
            pending: Default::default(),
        }
    }

    /// The sums of a list of residuals, all of one strip.
    #[cfg(test)]
    pub fn of(residuals: &[Placed], size_um: i64, groups: usize) -> Self {
        let mut sums = BlockSums::new(size_um, groups);
        residuals.iter().for_each(|r| sums.add((r.x, r.y), r.group, 0, r.dz));
        sums
    }

    /// Adds one residual; place and dz in micrometres.
    #[inline]
    pub fn add(&mut self, (x, y): (i64, i64), group: u16, strip: u16, dz: i64) {
        debug_assert!(usize::from(group) < self.groups);
        let wide = i128::from(dz);
        let sums = DzSums { n: 1, sum: wide, squares: wide * wide };
        let block = self.block(block_of(x, y, self.size));
        entry(&mut block.groups, group).merge(&sums);
        *entry(&mut block.strips, strip) += 1;
        if self.pending.0 != (strip, group) {
            self.settle();
            self.pending.0 = (strip, group);
        }
        self.pending.1.merge(&sums);
    }

    fn settle(&mut self) {
        let (key, sums) = std::mem::take(&mut self.pending);
        if sums.n > 0 {
            self.by_strip.entry(key).or_default().merge(&sums);
        }
    }

    /// Sums of all blocks by strip and group.
    pub fn by_strip(&self) -> BTreeMap<(u16, u16), DzSums> {
        let mut all = self.by_strip.clone();
        all.entry(self.pending.0).or_default().merge(&self.pending.1);
        all.retain(|_, sums| sums.n > 0);
        all
    }

    #[inline]
    fn block(&mut self, place: (i64, i64)) -> &mut Block {
        let at = match self.last {
            Some((last, at)) if last == place => at,
            _ => {
                let at = *self.places.entry(place).or_insert(self.blocks.len());
                if at == self.blocks.len() {
                    self.blocks.push(Block::default());
                }
                self.last = Some((place, at));
                at
            }
        };
        &mut self.blocks[at]
    }

    /// Adds all residuals of another of the same size and groups.
    pub fn merge(&mut self, other: &BlockSums) {
        assert_eq!((self.size, self.groups), (other.size, other.groups), "blocks of one size and kind only");
        other.sorted().for_each(|(place, block)| self.block(place).merge(block));
        self.settle();
        other.by_strip().iter().for_each(|(key, sums)| self.by_strip.entry(*key).or_default().merge(sums));
    }

    fn sorted(&self) -> impl Iterator<Item = ((i64, i64), &Block)> {
        self.places.iter().map(|(&place, &at)| (place, &self.blocks[at]))
    }

    /// The same residuals in blocks `times` as wide.
    pub fn coarsened(&self, times: i64) -> Self {
        let mut coarse = BlockSums::new(self.size * times, self.groups);
        coarse.by_strip = self.by_strip();
        for ((row, column), block) in self.sorted() {
            coarse.block((row.div_euclid(times), column.div_euclid(times))).merge(block);
        }
        coarse
    }

    /// The same residuals in blocks made twice as wide until there are at most `most`.
    pub fn at_most(self, most: usize) -> Self {
        let mut sums = self;
        while sums.len() > most {
            sums = sums.coarsened(2);
        }
        sums
    }

    /// Side of the blocks, in micrometres.
    pub fn size_um(&self) -> i64 {
        self.size
    }

    /// Number of blocks that hold any residual.
    pub fn len(&self) -> usize {
        self.blocks.len()
    }

    /// Whether there is no residual at all.
    pub fn is_empty(&self) -> bool {
        self.blocks.is_empty()
    }

    /// (row, column) of the blocks, sorted.
    pub fn rows_and_columns(&self) -> Vec<(i64, i64)> {
        self.places.keys().copied().collect()
    }

    /// How many residuals each strip has in each block, in the order of [`rows_and_columns`](Self::rows_and_columns).
    pub fn strips(&self) -> Vec<&[(u16, u64)]> {
        self.sorted().map(|(_, block)| &block.strips[..]).collect()
    }

    /// The sums of several groups together, given ascending, in the order of
    /// [`rows_and_columns`](Self::rows_and_columns).
    pub fn together(&self, groups: &[u16]) -> Vec<DzSums> {
        let of_block = |block: &Block| {
            let mut all = DzSums::default();
            let own = block.groups.iter().filter(|(group, _)| groups.binary_search(group).is_ok());
            own.for_each(|(_, sums)| all.merge(sums));
            all
        };
        self.sorted().map(|(_, block)| of_block(block)).collect()
    }

    /// The sums of the groups of each block, by group.
    pub fn by_group(&self) -> Vec<&[(u16, DzSums)]> {
        self.sorted().map(|(_, block)| &block.groups[..]).collect()
    }
}

/// The width of squares that `size_um` is a multiple of, made by halving: so narrow that blocks of about two metres are
/// left, unless they were too many. The order of the residuals does not matter.
pub fn finest_size_um(size_um: i64, residuals: &[Placed]) -> i64 {
    const MOST: usize = 8_000;
    let some = some_of(residuals);
    let mut size = size_um;
    while size % 2 == 0 && size > 2_000_000 && blocks_of(&some, size / 2, MOST + 1) <= MOST {
        size /= 2;
    }
    size
}

/// Sides that the default size is chosen from, in micrometres: 0.5 m to 10 km.
const SIZES_UM: [i64; 23] = [
    500_000,
    700_000,
    1_000_000,
    1_500_000,
    2_000_000,
    3_000_000,
    5_000_000,
    7_000_000,
    10_000_000,
    15_000_000,
    20_000_000,
    30_000_000,
    50_000_000,
    70_000_000,
    100_000_000,
    150_000_000,
    200_000_000,
    300_000_000,
    500_000_000,
    700_000_000,
    1_000_000_000,
    2_000_000_000,
    5_000_000_000,
];

/// Some of the residuals, from which a site of many is known well enough.
fn some_of(residuals: &[Placed]) -> Vec<&Placed> {
    const LOOKED_AT: usize = 50_000;
    let step = residuals.len() as u64 / LOOKED_AT as u64 + 1;
    residuals.iter().filter(|r| step == 1 || r.hash(0) % step == 0).collect()
}

/// Number of blocks of a size that hold residuals, counted up to `enough`.
fn blocks_of(some: &[&Placed], size: i64, enough: usize) -> usize {
    let mut blocks = BTreeSet::new();
    some.iter().any(|r| blocks.insert(r.block(size)) && blocks.len() >= enough);
    blocks.len()
}

/// The default size of blocks: at least the range of the correlation as long as [`FEW_BLOCKS`] remain, and as large as
/// leaves [`ENOUGH_BLOCKS`] otherwise. The order of the residuals does not matter.
pub fn default_size_um(correlation: &CorrelationModel, residuals: &[Placed]) -> i64 {
    let some = some_of(residuals);
    let mut chosen = SIZES_UM[0];
    for size in SIZES_UM {
        let blocks = blocks_of(&some, size, ENOUGH_BLOCKS);
        let reaches = correlation.range_um.is_none_or(|range| chosen >= range);
        if blocks < FEW_BLOCKS || (reaches && blocks < ENOUGH_BLOCKS) {
            break;
        }
        chosen = size;
    }
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;

    fn residuals(count: i64) -> Vec<Placed> {
        let place = |i: i64| {
            ((i * 7_368_787) % 100_000_000 - 50_000_000, (i * 15_485_863) % 100_000_000 - 50_000_000)
        };
        let one =
            |i| Placed { x: place(i).0, y: place(i).1, dz: i % 97 - 40, limit: None, group: (i % 4) as u16 };
        (0..count).map(one).collect()
    }

    #[test]
    fn blocks_are_the_same_whatever_the_order_and_the_parts() {
        let all = residuals(5_000);
        let whole = BlockSums::of(&all, 10_000_000, 4);
        let (one, other): (Vec<Placed>, Vec<Placed>) = all.iter().rev().partition(|r| r.dz % 3 == 0);
        let mut merged = BlockSums::of(&other, 10_000_000, 4);
        merged.merge(&BlockSums::of(&one, 10_000_000, 4));
        assert_eq!(merged, whole);
        assert_eq!(BlockSums::of(&all, 2_500_000, 4).coarsened(4), whole);
        assert_eq!(whole.len(), 100);
        // From coordinate zero, below it too.
        assert_eq!(whole.rows_and_columns().first(), Some(&(-5, -5)));
    }

    #[test]
    fn groups_together_are_the_sum_of_their_residuals() {
        let all = residuals(5_000);
        let sums = BlockSums::of(&all, 10_000_000, 4);
        for (block, found) in sums.rows_and_columns().into_iter().zip(sums.together(&[1, 3])) {
            let dz: Vec<i128> = all
                .iter()
                .filter(|r| r.group % 2 == 1 && r.block(10_000_000) == block)
                .map(|r| i128::from(r.dz))
                .collect();
            let expected =
                DzSums { n: dz.len() as u64, sum: dz.iter().sum(), squares: dz.iter().map(|v| v * v).sum() };
            assert_eq!(found, expected);
        }
    }

    #[test]
    fn too_many_blocks_are_joined() {
        let sums = BlockSums::of(&residuals(20_000), 1_000_000, 4);
        assert!(sums.len() > 4_000);
        let fewer = sums.clone().at_most(4_000);
        assert!(fewer.len() <= 4_000 && fewer.len() > 800);
        assert_eq!(fewer, sums.coarsened(fewer.size_um() / 1_000_000));
    }

    #[test]
    fn the_default_size_reaches_the_range_as_long_as_there_are_blocks() {
        // A site of 100 m by 100 m.
        let all = residuals(20_000);
        let size =
            |range_um| default_size_um(&CorrelationModel { range_um, ..CorrelationModel::unknown() }, &all);
        assert_eq!(size(None), 10_000_000); // 100 blocks
        assert_eq!(size(Some(4_000_000)), 10_000_000);
        assert_eq!(size(Some(12_000_000)), 15_000_000); // 64: they straddle zero
        assert_eq!(size(Some(80_000_000)), 20_000_000); // 36; 30 m would leave 16
        assert_eq!(default_size_um(&CorrelationModel::unknown(), &[]), 500_000);
    }
}
