//! The raster and its extent on the ground.
//!
//! Cells of US survey feet keep their exact size, which is not a whole number of micrometres: rounded, they would drift by a
//! metre at six million metres.

use std::ops::Range;

use crate::units::Micrometres;

/// The value of a cell that holds nothing: it never wins a minimum.
pub const EMPTY: f64 = f64::INFINITY;

/// A block of square cells; cell (column, row) covers `[column · cell, (column + 1) · cell)` in x, rows likewise in y.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extent {
    /// Edge of a cell, micrometres; not whole where the cell was given in US survey feet, so that cells keep their
    /// places far from coordinate zero.
    pub cell: f64,
    /// Column of the first cell, counted from coordinate zero.
    pub first_column: i64,
    /// Row of the first cell, counted from coordinate zero.
    pub first_row: i64,
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from south to north.
    pub rows: usize,
}

/// The column (row) that holds a coordinate: the whole part, downwards, of `at / cell`.
#[inline]
fn cell_of(at: Micrometres, cell: f64) -> i64 {
    let quotient = at as f64 / cell;
    let whole = quotient as i64;
    // A cast cuts towards zero; below zero the cell is one further down.
    whole - i64::from(whole as f64 > quotient)
}

/// The first whole micrometre of a column (row), as it is found by division.
pub fn edge(place: i64, cell: f64) -> Micrometres {
    let near = (place as f64 * cell).round() as i64;
    (near - 2..).find(|&at| cell_of(at, cell) >= place).unwrap_or(near)
}

impl Extent {
    /// The cells that touch `[x.0, x.1) × [y.0, y.1)`, micrometres, and `margin` more cells on every side.
    pub fn covering(
        cell: f64,
        x: (Micrometres, Micrometres),
        y: (Micrometres, Micrometres),
        margin: i64,
    ) -> Self {
        let (first_column, last_column) = (cell_of(x.0, cell) - margin, cell_of(x.1 - 1, cell) + margin);
        let (first_row, last_row) = (cell_of(y.0, cell) - margin, cell_of(y.1 - 1, cell) + margin);
        Extent {
            cell,
            first_column,
            first_row,
            columns: (last_column - first_column + 1).max(0) as usize,
            rows: (last_row - first_row + 1).max(0) as usize,
        }
    }

    /// The cells that are in both; they must be of one size.
    pub fn within(&self, other: &Extent) -> Extent {
        self.combined(other, i64::max, i64::min)
    }

    /// The least extent that holds both; they must be of one size of cells.
    pub fn joined(&self, other: &Extent) -> Extent {
        self.combined(other, i64::min, i64::max)
    }

    /// From one of the two starts to one of the two ends, on both axes.
    fn combined(&self, other: &Extent, start: fn(i64, i64) -> i64, end: fn(i64, i64) -> i64) -> Extent {
        let range = |first: i64, count: usize, other_first: i64, other_count: usize| {
            let low = start(first, other_first);
            let high = end(first + count as i64, other_first + other_count as i64);
            (low, (high - low).max(0) as usize)
        };
        let (first_column, columns) =
            range(self.first_column, self.columns, other.first_column, other.columns);
        let (first_row, rows) = range(self.first_row, self.rows, other.first_row, other.rows);
        Extent { cell: self.cell, first_column, first_row, columns, rows }
    }

    /// The positions that lie in these cells, as ranges of x and y.
    pub fn ground(&self) -> ((Micrometres, Micrometres), (Micrometres, Micrometres)) {
        let start = |first: i64| edge(first, self.cell);
        let range = |first: i64, count: usize| (start(first), start(first + count as i64));
        (range(self.first_column, self.columns), range(self.first_row, self.rows))
    }

    /// The middle of a cell.
    pub fn middle(&self, place: usize) -> (Micrometres, Micrometres) {
        let along =
            |first: i64, i: usize| (((first + i as i64) as f64 + 0.5) * self.cell).round() as Micrometres;
        (along(self.first_column, place % self.columns), along(self.first_row, place / self.columns))
    }

    /// Columns and rows from the first cell here to that of another extent, which must lie in this one.
    pub fn offset_of(&self, other: &Extent) -> (usize, usize) {
        ((other.first_column - self.first_column) as usize, (other.first_row - self.first_row) as usize)
    }

    /// With `margin` more cells on every side.
    pub fn widened(&self, margin: i64) -> Extent {
        let more = 2 * margin as usize;
        Extent {
            first_column: self.first_column - margin,
            first_row: self.first_row - margin,
            columns: self.columns + more,
            rows: self.rows + more,
            ..*self
        }
    }

    /// Number of cells.
    pub fn len(&self) -> usize {
        self.columns * self.rows
    }

    /// Whether there are no cells.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The index of the cell that holds a position in micrometres, if it is one of these.
    #[inline]
    pub fn index_of(&self, x: Micrometres, y: Micrometres) -> Option<usize> {
        let column = cell_of(x, self.cell) - self.first_column;
        let row = cell_of(y, self.cell) - self.first_row;
        // A negative number is a huge one without its sign.
        ((column as usize) < self.columns && (row as usize) < self.rows)
            .then(|| row as usize * self.columns + column as usize)
    }

    /// The index here of the cell that has `index` in `other`, if it is one of these.
    pub fn index_from(&self, other: &Extent, index: usize) -> Option<usize> {
        let column = other.first_column + (index % other.columns) as i64 - self.first_column;
        let row = other.first_row + (index / other.columns) as i64 - self.first_row;
        ((column as usize) < self.columns && (row as usize) < self.rows)
            .then(|| row as usize * self.columns + column as usize)
    }

    /// Ready to find the cells of many positions.
    pub fn finder(&self) -> Finder {
        let corner = |first: i64| (first as f64 * self.cell).round() as i64;
        let farthest = self.first_column.abs().max(self.first_row.abs()) as f64;
        // So many bits that the inverse of the cell fills 31.
        let bits = (NEAR_BITS as i32 - 1 + self.cell.log2().floor() as i32).clamp(1, 62) as u32;
        let one = (1u64 << bits) as f64;
        // Half a micrometre of the corner, at most two of the inverse, and some roundings of coordinates counted in cells.
        let edge = 2.5 / self.cell + (farthest + self.columns.max(self.rows) as f64) * 4.0 * f64::EPSILON;
        let edge = (edge * one).ceil() as u64;
        Finder {
            extent: *self,
            corner: (corner(self.first_column), corner(self.first_row)),
            per_cell: (one / self.cell).round() as u64,
            bits,
            edge,
            settled: (one as u64).saturating_sub(edge.saturating_mul(2)),
        }
    }

    /// The part of `other` that lies in this extent, as ranges of this extent's (columns, rows).
    fn overlap(&self, other: &Extent) -> (Range<usize>, Range<usize>) {
        let both = self.within(other);
        let (column, row) = self.offset_of(&both);
        (column..column + both.columns, row..row + both.rows)
    }
}

/// A position this many bits of micrometres from the corner of an extent is found by multiplying.
const NEAR_BITS: u32 = 32;

/// Finds the cells of an extent for many positions: it multiplies whole numbers where [`Extent::index_of`] divides, and
/// divides only so near to an edge of a cell that the two could differ.
#[derive(Clone, Copy, Debug)]
pub struct Finder {
    extent: Extent,
    corner: (Micrometres, Micrometres),
    /// 1 / cell, in parts of 2 to the power of `bits`.
    per_cell: u64,
    bits: u32,
    /// How near to its edge a cell must be settled by division, in these parts of a cell.
    edge: u64,
    /// Parts of a cell between its two edges.
    settled: u64,
}

impl Finder {
    /// The cells among which it finds.
    pub fn extent(&self) -> &Extent {
        &self.extent
    }

    /// What [`Extent::index_of`] says.
    #[inline]
    pub fn index_of(&self, x: Micrometres, y: Micrometres) -> Option<usize> {
        self.place_of(x, y).map(|(column, row)| row * self.extent.columns + column)
    }

    /// Column and row of the cell that holds a position, counted from the first, if it is one of these.
    #[inline]
    pub fn place_of(&self, x: Micrometres, y: Micrometres) -> Option<(usize, usize)> {
        // A negative number is a huge one without its sign.
        let (x_in, y_in) = ((x - self.corner.0) as u64, (y - self.corner.1) as u64);
        let (column, row) = (x_in.wrapping_mul(self.per_cell), y_in.wrapping_mul(self.per_cell));
        let part = |cells: u64| cells & ((1 << self.bits) - 1);
        let settled = |cells: u64| part(cells).wrapping_sub(self.edge) < self.settled;
        if (x_in | y_in) >> NEAR_BITS != 0 || !settled(column) || !settled(row) {
            return self.divided(x, y);
        }
        let (column, row) = ((column >> self.bits) as usize, (row >> self.bits) as usize);
        (column < self.extent.columns && row < self.extent.rows).then_some((column, row))
    }

    #[cold]
    fn divided(&self, x: Micrometres, y: Micrometres) -> Option<(usize, usize)> {
        // Points of a halo often lie west or south of the cells: more than the rounding of the corner needs no division.
        if x < self.corner.0 - 2 || y < self.corner.1 - 2 {
            return None;
        }
        let index = self.extent.index_of(x, y)?;
        Some((index % self.extent.columns, index / self.extent.columns))
    }
}

/// Cell values over an extent, row by row from the south-west.
#[derive(Clone, Debug, PartialEq)]
pub struct Raster {
    /// Where the cells lie.
    pub extent: Extent,
    /// Elevations in whole micrometres, or [`EMPTY`].
    pub values: Vec<f64>,
}

impl Raster {
    /// A raster of empty cells.
    pub fn empty(extent: Extent) -> Self {
        Raster { extent, values: vec![EMPTY; extent.len()] }
    }

    /// Lowers the cell at a position to `z` where `z` is lower; positions outside are passed over.
    #[inline]
    pub fn lower(&mut self, x: Micrometres, y: Micrometres, z: Micrometres) {
        self.lower_at(self.extent.index_of(x, y), z);
    }

    /// Lowers the cell at an index, if there is one, to `z` where `z` is lower.
    #[inline]
    pub fn lower_at(&mut self, index: Option<usize>, z: Micrometres) {
        if let Some(value) = index.and_then(|i| self.values.get_mut(i)) {
            // Written whether lower or not: a branch would be guessed wrong again and again.
            *value = value.min(z as f64);
        }
    }

    /// The part that lies in `other`.
    pub fn cut(&self, other: &Extent) -> Raster {
        let extent = self.extent.within(other);
        let (columns, rows) = self.extent.overlap(&extent);
        let row = |row: usize| &self.values[row * self.extent.columns..][columns.clone()];
        let mut values = Vec::with_capacity(extent.len());
        rows.for_each(|r| values.extend_from_slice(row(r)));
        Raster { extent, values }
    }

    /// Takes over the values of `other`, raised by `raise`, where the two overlap and they are lower.
    pub fn lower_by(&mut self, other: &Raster, raise: f64) {
        let (columns, rows) = self.extent.overlap(&other.extent);
        if columns.is_empty() {
            return;
        }
        let shift_column = self.extent.first_column - other.extent.first_column;
        let shift_row = self.extent.first_row - other.extent.first_row;
        for row in rows {
            let theirs = (row as i64 + shift_row) as usize * other.extent.columns;
            let from = (theirs as i64 + columns.start as i64 + shift_column) as usize;
            let source = &other.values[from..from + columns.len()];
            let start = row * self.extent.columns + columns.start;
            for (value, &candidate) in self.values[start..start + columns.len()].iter_mut().zip(source) {
                *value = value.min(candidate + raise);
            }
        }
    }

    /// The value at a position; [`EMPTY`] outside the raster.
    pub fn at(&self, x: Micrometres, y: Micrometres) -> f64 {
        self.extent.index_of(x, y).map_or(EMPTY, |i| self.values[i])
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn cells_align_to_zero_on_both_sides_of_it() {
        let extent = Extent::covering(500.0, (-501, 1000), (0, 1), 0);
        assert_eq!((extent.first_column, extent.columns, extent.first_row, extent.rows), (-2, 4, 0, 1));
        assert_eq!(extent.index_of(-501, 0), Some(0));
        assert_eq!(extent.index_of(-500, 499), Some(1));
        assert_eq!(extent.index_of(999, 0), Some(3));
        assert_eq!(extent.index_of(1000, 0), None);
    }

    proptest! {
        #[test]
        fn the_ground_of_cells_is_what_they_cover(
            cell in prop_oneof![Just(500_000.0), Just(304_800.609_601_219_2), 1.0..3e6f64, Just(1.0), Just(1e5 / 3.0)],
            x in (-10_000_000_000_000i64..10_000_000_000_000, 1i64..90_000_000),
            y in (-10_000_000i64..10_000_000, 1i64..90_000_000),
        ) {
            let asked = ((x.0, x.0 + x.1), (y.0, y.0 + y.1));
            let extent = Extent::covering(cell, asked.0, asked.1, 0);
            let (ground_x, ground_y) = extent.ground();
            prop_assert_eq!(Extent::covering(cell, ground_x, ground_y, 0), extent);
            let (west, south) = (Extent { columns: 1, ..extent }, Extent { rows: 1, ..extent });
            prop_assert_eq!(west.joined(&south), extent);
            prop_assert!(ground_x.0 <= asked.0.0 && asked.0.1 <= ground_x.1);
            // One more on any side lies in other cells.
            for (x, y) in [((ground_x.0 - 1, ground_x.1), ground_y), (ground_x, (ground_y.0, ground_y.1 + 1))] {
                prop_assert!(Extent::covering(cell, x, y, 0) != extent);
            }
        }

        #[test]
        fn multiplying_finds_the_cell_that_dividing_finds(
            cell in prop_oneof![Just(500_000.0), Just(304_800.609_601_219_2), 1.0..3e6f64, Just(1.0), Just(1e5 / 3.0)],
            west in prop_oneof![-10_000_000_000_000i64..10_000_000_000_000, -20_000_000i64..20_000_000],
            south in -10_000_000_000_000i64..10_000_000_000_000,
            at in proptest::collection::vec((-9i64..90, -9i64..90, -2i64..3, -2i64..3, 0.0..1.0f64), 1..40),
        ) {
            let side = (80.0 * cell) as i64;
            let extent = Extent::covering(cell, (west, west + side), (south, south + side), 1);
            let finder = extent.finder();
            for (column, row, dx, dy, part) in at {
                // On the edges of cells, about them, and somewhere between.
                let edge = |first: i64, n: i64| ((first + n) as f64 * cell).round() as i64;
                let (x, y) = (edge(extent.first_column, column) + dx, edge(extent.first_row, row) + dy);
                prop_assert_eq!(finder.index_of(x, y), extent.index_of(x, y));
                let x = x + (part * cell) as i64;
                prop_assert_eq!(finder.index_of(x, y), extent.index_of(x, y));
            }
        }
    }

    #[test]
    fn a_cell_cut_by_two_blocks_takes_the_lower_of_their_values() {
        let mut left = Raster::empty(Extent::covering(10.0, (0, 15), (0, 10), 0));
        left.lower(12, 5, 70);
        let mut right = Raster::empty(Extent::covering(10.0, (15, 30), (0, 10), 0));
        right.lower(16, 5, 60);
        right.lower(25, 5, 50);
        left.lower_by(&right, 0.0);
        assert_eq!(left.values, vec![EMPTY, 60.0]);
        right.lower_by(&left, 0.0);
        assert_eq!(right.values, vec![60.0, 50.0]);
    }
}
