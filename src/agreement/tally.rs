//! Counts of differences by pair of strips and block, and of smoothness by strip: whole numbers that merge in any order.

use std::collections::BTreeMap;

use crate::agreement::Strip;
use crate::agreement::cell::{CellRule, Difference, SMOOTH_SHARE, judge, scatter_at};
use crate::agreement::sums::Sum;
use crate::terrain::bytes::{put, put_signed, put_wide, take, take_signed, take_wide};
use crate::units::Micrometres;

/// Cells along the edge of a block.
pub const BLOCK_CELLS: i64 = 16;

/// Two strips, ascending.
pub type Pair = [Strip; 2];

/// Differences of two strips in the cells of a block.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BlockSum {
    /// Number of cells.
    pub cells: u64,
    /// Sum of differences, micrometres.
    pub sum: i128,
    /// Sum of their squares.
    pub squares: u128,
    /// Sum of their variances from the scatter of the points.
    pub variances: u128,
}

impl BlockSum {
    /// Adds those of other cells.
    pub fn merge(&mut self, other: &BlockSum) {
        self.cells = self.cells.wrapping_add(other.cells);
        self.sum = self.sum.wrapping_add(other.sum);
        self.squares = self.squares.wrapping_add(other.squares);
        self.variances = self.variances.wrapping_add(other.variances);
    }
}

/// The largest difference of two strips.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Largest {
    /// The difference, micrometres.
    pub value: Micrometres,
    /// Row and column of its cell, counted from coordinate zero.
    pub cell: (i64, i64),
}

impl Largest {
    /// The larger of the two; of equal ones the southernmost, then the westernmost.
    fn larger(self, other: Largest) -> Largest {
        let rank = |one: &Largest| (std::cmp::Reverse(one.value.unsigned_abs()), one.cell, one.value);
        if rank(&other) < rank(&self) { other } else { self }
    }
}

/// What the cells of one cloud tell.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// By pair and block (row, column).
    pub blocks: BTreeMap<(Pair, i64, i64), BlockSum>,
    /// By pair.
    pub largest: BTreeMap<Pair, Largest>,
    /// Cells by strip and bin of smoothness.
    pub smoothness: BTreeMap<(Strip, u32), u64>,
}

impl Tally {
    /// Adds a cell: its column and row, and the sums of its strips in their order.
    pub fn add_cell(&mut self, (column, row): (i64, i64), strips: &[(Strip, Sum)], rule: &CellRule) {
        let Tally { blocks, largest, smoothness } = self;
        let block = (row.div_euclid(BLOCK_CELLS), column.div_euclid(BLOCK_CELLS));
        let add = |Difference { strips, value, variance }: Difference| {
            let one = BlockSum {
                cells: 1,
                sum: value.into(),
                squares: i128::from(value).unsigned_abs().pow(2),
                variances: variance,
            };
            blocks.entry((strips, block.0, block.1)).or_default().merge(&one);
            let one = Largest { value, cell: (row, column) };
            largest.entry(strips).and_modify(|known| *known = known.larger(one)).or_insert(one);
        };
        judge(strips, rule, add, |strip, bin| *smoothness.entry((strip, bin)).or_default() += 1);
    }

    /// Adds what other cells tell.
    pub fn merge(&mut self, other: &Tally) {
        for (key, sum) in &other.blocks {
            self.blocks.entry(*key).or_default().merge(sum);
        }
        for (pair, one) in &other.largest {
            self.largest.entry(*pair).and_modify(|known| *known = known.larger(*one)).or_insert(*one);
        }
        for (key, cells) in &other.smoothness {
            *self.smoothness.entry(*key).or_default() += cells;
        }
    }

    /// Whether no cell tells anything.
    pub fn is_empty(&self) -> bool {
        self.smoothness.is_empty() && self.blocks.is_empty()
    }

    /// Adds it as bytes.
    pub fn encode(&self, to: &mut Vec<u8>) {
        let pair = |pair: &Pair, to: &mut Vec<u8>| pair.iter().for_each(|strip| put((*strip).into(), to));
        put(self.blocks.len() as u64, to);
        for ((strips, row, column), block) in &self.blocks {
            pair(strips, to);
            put_signed(*row, to);
            put_signed(*column, to);
            put(block.cells, to);
            put_wide((block.sum << 1 ^ block.sum >> 127) as u128, to);
            put_wide(block.squares, to);
            put_wide(block.variances, to);
        }
        put(self.largest.len() as u64, to);
        for (strips, one) in &self.largest {
            pair(strips, to);
            put_signed(one.value, to);
            put_signed(one.cell.0, to);
            put_signed(one.cell.1, to);
        }
        put(self.smoothness.len() as u64, to);
        for ((strip, bin), cells) in &self.smoothness {
            put((*strip).into(), to);
            put((*bin).into(), to);
            put(*cells, to);
        }
    }

    /// Takes one off the front; nothing where there is none.
    pub fn take(from: &mut &[u8]) -> Option<Self> {
        let strip = |from: &mut &[u8]| Strip::try_from(take(from)?).ok();
        let pair = |from: &mut &[u8]| Some([strip(from)?, strip(from)?]);
        let mut all = Tally::default();
        for _ in 0..take(from)? {
            let key = (pair(from)?, take_signed(from)?, take_signed(from)?);
            let cells = take(from)?;
            let sum = take_wide(from)?;
            let sum = (sum >> 1) as i128 ^ -((sum & 1) as i128);
            let block = BlockSum { cells, sum, squares: take_wide(from)?, variances: take_wide(from)? };
            all.blocks.insert(key, block);
        }
        for _ in 0..take(from)? {
            let strips = pair(from)?;
            let value = take_signed(from)?;
            let cell = (take_signed(from)?, take_signed(from)?);
            all.largest.insert(strips, Largest { value, cell });
        }
        for _ in 0..take(from)? {
            let key = (strip(from)?, u32::try_from(take(from)?).ok()?);
            all.smoothness.insert(key, take(from)?);
        }
        Some(all)
    }

    /// Of each strip its cells and its smoothness: the scatter of points about their plane, micrometres, that the smoothest quarter
    /// of its cells does not exceed.
    pub fn smoothness(&self) -> BTreeMap<Strip, (u64, f64)> {
        let mut cells: BTreeMap<Strip, u64> = BTreeMap::new();
        for ((strip, _), count) in &self.smoothness {
            *cells.entry(*strip).or_default() += count;
        }
        let quartile = |strip: Strip, all: u64| {
            let wanted = SMOOTH_SHARE * all as f64;
            let mut below = 0.0;
            for ((_, bin), count) in self.smoothness.range((strip, 0)..=(strip, u32::MAX)) {
                let count = *count as f64;
                if below + count >= wanted {
                    return scatter_at(f64::from(*bin) + (wanted - below) / count);
                }
                below += count;
            }
            0.0
        };
        cells.into_iter().map(|(strip, all)| (strip, (all, quartile(strip, all)))).collect()
    }
}
