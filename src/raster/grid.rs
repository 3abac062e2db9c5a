//! The raster and its place on the ground.

use std::ops::Range;

use crate::pipeline::units::Micrometres;

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
        let range = |first: i64, count: usize, other_first: i64, other_count: usize| {
            let low = first.max(other_first);
            let high = (first + count as i64).min(other_first + other_count as i64);
            (low, (high - low).max(0) as usize)
        };
        let (first_column, columns) =
            range(self.first_column, self.columns, other.first_column, other.columns);
        let (first_row, rows) = range(self.first_row, self.rows, other.first_row, other.rows);
        Extent { cell: self.cell, first_column, first_row, columns, rows }
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

    /// The part of `other` that lies in this extent, as ranges of this extent's (columns, rows).
    fn overlap(&self, other: &Extent) -> (Range<usize>, Range<usize>) {
        let both = self.within(other);
        let column = (both.first_column - self.first_column) as usize;
        let row = (both.first_row - self.first_row) as usize;
        (column..column + both.columns, row..row + both.rows)
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
        if let Some(i) = self.extent.index_of(x, y) {
            let z = z as f64;
            if z < self.values[i] {
                self.values[i] = z;
            }
        }
    }

    /// Takes over the lower values of `other` where the two overlap.
    pub fn lower_by(&mut self, other: &Raster) {
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
                if candidate < *value {
                    *value = candidate;
                }
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

    #[test]
    fn a_cell_cut_by_two_blocks_takes_the_lower_of_their_values() {
        let mut left = Raster::empty(Extent::covering(10.0, (0, 15), (0, 10), 0));
        left.lower(12, 5, 70);
        let mut right = Raster::empty(Extent::covering(10.0, (15, 30), (0, 10), 0));
        right.lower(16, 5, 60);
        right.lower(25, 5, 50);
        left.lower_by(&right);
        assert_eq!(left.values, vec![EMPTY, 60.0]);
        right.lower_by(&left);
        assert_eq!(right.values, vec![60.0, 50.0]);
    }
}
