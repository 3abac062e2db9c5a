//! Terrain cells: what one tile sums its ground points into, return by return, and how tiles' sums become one.

use std::mem;

use crate::raster::{Extent, Finder};
use crate::terrain::bytes::{put, put_extent, put_signed, take, take_extent, take_signed};
use crate::terrain::coverage::Coverage;
use crate::units::Micrometres;

/// Return numbers a file can state, 0 to 15.
const RETURNS: usize = 16;

/// The index of the reference among the sums: after the returns.
const REFERENCE: usize = RETURNS;

/// Kinds of sums in a cell.
const KINDS: usize = RETURNS + 1;

/// All kinds, a bit each.
const ALL_KINDS: u32 = (1 << KINDS) - 1;

/// A set of kinds, a bit each, as it is written: the reference comes first, so that with up to five returns it is one byte.
fn turned(kinds: u32) -> u32 {
    (kinds << 1 | kinds >> REFERENCE) & ALL_KINDS
}

/// The kinds of a set as it is written, in that order.
fn kinds_of(mut set: u32) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let bit = (set != 0).then(|| set.trailing_zeros() as usize)?;
        set &= set - 1;
        Some(if bit == 0 { REFERENCE } else { bit - 1 })
    })
}

/// Count of points and sums of their coordinates: x and y from the corner of their cell, z from elevation zero.
/// Whole numbers, so that the order of points and tiles cannot show. They overflow beyond sixteen million points in
/// one cell, 500 km high.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sum {
    /// Number of points.
    pub n: u32,
    /// Sum of x − the cell's corner, micrometres.
    pub x: i64,
    /// Sum of y − the cell's corner, micrometres.
    pub y: i64,
    /// Sum of elevations, micrometres.
    pub z: i64,
}

impl Sum {
    // Wrapping, since what damaged bytes say must not stop the program; real sums come nowhere near.
    fn merge(&mut self, other: &Sum) {
        self.n = self.n.wrapping_add(other.n);
        self.x = self.x.wrapping_add(other.x);
        self.y = self.y.wrapping_add(other.y);
        self.z = self.z.wrapping_add(other.z);
    }
}

/// The south-west corner of a column (row) of cells, in whole micrometres.
#[inline]
pub fn corner(column: i64, cell: f64) -> Micrometres {
    (column as f64 * cell).round() as i64
}

/// The corners of `count` columns (rows) from `first` on.
pub fn corners(first: i64, count: usize, cell: f64) -> Vec<Micrometres> {
    (first..).take(count).map(|column| corner(column, cell)).collect()
}

/// Sums by cell and return, and of the reference, over an extent.
#[derive(Clone, Debug)]
pub struct Sums {
    extent: Extent,
    finder: Finder,
    column_corners: Vec<Micrometres>,
    row_corners: Vec<Micrometres>,
    /// By kind, then by cell, row by row from the south-west; no cells where a kind has no point.
    kinds: [Vec<Sum>; KINDS],
    /// By cell: the kinds that have points there, a bit each.
    present: Vec<u32>,
}

impl Sums {
    /// No points yet. Takes 4 bytes for each cell, and 32 for each cell and return that occurs.
    pub fn new(extent: Extent) -> Self {
        Sums {
            extent,
            finder: extent.finder(),
            column_corners: corners(extent.first_column, extent.columns, extent.cell),
            row_corners: corners(extent.first_row, extent.rows, extent.cell),
            kinds: Default::default(),
            present: vec![0; extent.len()],
        }
    }

    /// Where the cells lie.
    pub fn extent(&self) -> &Extent {
        &self.extent
    }

    /// Corners of the columns and of the rows, micrometres.
    pub fn corners(&self) -> (&[Micrometres], &[Micrometres]) {
        (&self.column_corners, &self.row_corners)
    }

    /// Sums of the ground points of a return by cell; none where it has no ground.
    pub fn of_return(&self, return_number: u8) -> &[Sum] {
        &self.kinds[usize::from(return_number)]
    }

    /// Sums of the reference's ground points by cell; none where there is no reference.
    pub fn of_reference(&self) -> &[Sum] {
        &self.kinds[REFERENCE]
    }

    /// By cell: the returns that have ground there, a bit each, that of return 0 the lowest; the bit after them is the
    /// reference's.
    pub(super) fn present(&self) -> &[u32] {
        &self.present
    }

    fn sum_mut(&mut self, kind: usize, cell: usize) -> &mut Sum {
        self.present[cell] |= 1 << kind;
        let sums = &mut self.kinds[kind];
        if sums.is_empty() {
            sums.resize(self.extent.len(), Sum::default());
        }
        &mut sums[cell]
    }

    fn add(&mut self, kind: usize, x: Micrometres, y: Micrometres, z: Micrometres) {
        if let Some(place) = self.finder.place_of(x, y) {
            self.add_at(place, kind, x, y, z);
        }
    }

    /// Adds a point to the cell in that column and row, if it is one of these.
    #[inline]
    fn add_at(
        &mut self,
        (column, row): (usize, usize),
        kind: usize,
        x: Micrometres,
        y: Micrometres,
        z: Micrometres,
    ) {
        if let (Some(west), Some(south)) = (self.column_corners.get(column), self.row_corners.get(row)) {
            let (x, y) = (x - west, y - south);
            self.sum_mut(kind, row * self.extent.columns + column).merge(&Sum { n: 1, x, y, z });
        }
    }

    /// Adds a ground point of the survey; positions outside are passed over.
    pub fn add_ground(&mut self, x: Micrometres, y: Micrometres, z: Micrometres, return_number: u8) {
        self.add(usize::from(return_number & 15), x, y, z);
    }

    /// Adds ground points of the reference; positions outside are passed over.
    pub fn add_references(
        &mut self,
        points: impl IntoIterator<Item = (Micrometres, Micrometres, Micrometres)>,
    ) {
        // A scanner writes side by side what lies side by side: points of one cell are summed up before they are added to it.
        let (mut cell, mut run) = (None, Sum::default());
        for (x, y, z) in points {
            let own = self.finder.place_of(x, y);
            if own != cell {
                self.add_run(mem::replace(&mut cell, own), mem::take(&mut run));
            }
            run.merge(&Sum { n: 1, x, y, z });
        }
        self.add_run(cell, run);
    }

    /// Adds what points of the reference in a cell come to, x and y from coordinate zero.
    fn add_run(&mut self, cell: Option<(usize, usize)>, Sum { n, x, y, z }: Sum) {
        let Some((column, row)) = cell else { return };
        // Sums from coordinate zero may have gone round; what is left from the corner is small, and so right.
        let from = |sum: i64, corner: Micrometres| sum.wrapping_sub(corner.wrapping_mul(n.into()));
        let (x, y) = (from(x, self.column_corners[column]), from(y, self.row_corners[row]));
        self.sum_mut(REFERENCE, row * self.extent.columns + column).merge(&Sum { n, x, y, z });
    }

    /// Adds it as bytes: the extent, then row by row the rows passed over and the bytes of the row, so that others can be
    /// skipped; in it cell by cell the cells passed over, the kinds present, and for each its count and sums, elevations
    /// against the mean of the sum before.
    pub fn encode(&self, to: &mut Vec<u8>) {
        put_extent(&self.extent, to);
        let (mut next_row, mut bytes) = (0, Vec::new());
        for row in 0..self.extent.rows {
            bytes.clear();
            self.encode_row(row, &mut bytes);
            if !bytes.is_empty() {
                put((row - next_row) as u64, to);
                next_row = row + 1;
                put(bytes.len() as u64, to);
                to.extend_from_slice(&bytes);
            }
        }
    }

    fn encode_row(&self, row: usize, to: &mut Vec<u8>) {
        let first = row * self.extent.columns;
        let (mut next, mut level) = (0, 0i64);
        for (column, present) in self.present[first..][..self.extent.columns].iter().enumerate() {
            if *present == 0 {
                continue;
            }
            put((column - next) as u64, to);
            next = column + 1;
            let set = turned(*present);
            put(set.into(), to);
            for kind in kinds_of(set) {
                let sum = &self.kinds[kind][first + column];
                put(sum.n.into(), to);
                put_signed(sum.x, to);
                put_signed(sum.y, to);
                put_signed(sum.z.wrapping_sub(level.wrapping_mul(sum.n.into())), to);
                level = sum.z / i64::from(sum.n);
            }
        }
    }

    /// Where the cells lie whose sums [`Sums::encode`] turned into bytes; nothing where there are none.
    pub fn encoded_extent(mut bytes: &[u8]) -> Option<Extent> {
        take_extent(&mut bytes)
    }

    /// Adds the sums of a tile as [`Sums::encode`] turned them into bytes; cells outside are passed over, and no
    /// bytes are no sums. Nothing if the bytes up to there are damaged or about cells of another size: then what was
    /// added so far is of no use.
    #[must_use]
    pub fn merge_encoded(&mut self, mut bytes: &[u8]) -> Option<()> {
        if bytes.is_empty() {
            return Some(());
        }
        let theirs = take_extent(&mut bytes).filter(|theirs| theirs.cell == self.extent.cell)?;
        let mut next_row = 0u64;
        while !bytes.is_empty() {
            let row = take(&mut bytes)?.checked_add(next_row).filter(|&row| row < theirs.rows as u64)?;
            next_row = row + 1;
            let (cells, others) =
                take(&mut bytes).and_then(|length| bytes.split_at_checked(length as usize))?;
            bytes = others;
            let row = theirs.first_row + row as i64 - self.extent.first_row;
            if row >= self.extent.rows as i64 {
                // Row by row from the south: nothing of what follows lies inside.
                break;
            }
            if row >= 0 {
                self.merge_row(row as usize, &theirs, cells)?;
            }
        }
        Some(())
    }

    /// Adds the sums of a row of `theirs`, which is this `row` of these cells.
    fn merge_row(&mut self, row: usize, theirs: &Extent, mut bytes: &[u8]) -> Option<()> {
        let (mut next, mut level) = (0u64, 0i64);
        while !bytes.is_empty() {
            let column =
                take(&mut bytes)?.checked_add(next).filter(|&column| column < theirs.columns as u64)?;
            next = column + 1;
            let column = theirs.first_column + column as i64 - self.extent.first_column;
            if column >= self.extent.columns as i64 {
                break;
            }
            let set = take(&mut bytes)? as u32 & ALL_KINDS;
            for kind in kinds_of(set) {
                let n = u32::try_from(take(&mut bytes)?).ok().filter(|&n| n > 0)?;
                let (x, y) = (take_signed(&mut bytes)?, take_signed(&mut bytes)?);
                let z = take_signed(&mut bytes)?.wrapping_add(level.wrapping_mul(n.into()));
                level = z / i64::from(n);
                if column >= 0 {
                    let i = row * self.extent.columns + column as usize;
                    self.sum_mut(kind, i).merge(&Sum { n, x, y, z });
                }
            }
        }
        Some(())
    }
}

/// What one tile gives: the coverage of all its cells, and sums where the terrain will be tested.
#[derive(Clone, Debug)]
pub struct CellSums {
    coverage: Coverage,
    finder: Finder,
    sums: Option<Sums>,
    /// Column and row, among those of the coverage, of the first cell that has sums.
    first_sum: (usize, usize),
}

impl CellSums {
    /// Empty cells over `extent`, usually the cells that touch the core of a tile ([`Extent::covering`]), with sums
    /// for those of `tested`: the cells with reference and those within reach of them.
    pub fn new(extent: Extent, tested: Option<Extent>) -> Self {
        let sums = tested.map(|tested| extent.within(&tested)).filter(|cells| !cells.is_empty());
        let first_sum = sums.map_or((0, 0), |cells| extent.offset_of(&cells));
        CellSums {
            coverage: Coverage::new(extent),
            finder: extent.finder(),
            sums: sums.map(Sums::new),
            first_sum,
        }
    }

    /// Adds a point of the survey, ground or not.
    pub fn add_survey(
        &mut self,
        x: Micrometres,
        y: Micrometres,
        z: Micrometres,
        return_number: u8,
        is_ground: bool,
    ) {
        let Some((column, row)) = self.finder.place_of(x, y) else { return };
        self.coverage.add(row * self.coverage.extent.columns + column, is_ground.then_some(return_number));
        // Asked in this order: whether a point is ground is guessed wrong again and again under trees.
        if let Some(sums) = &mut self.sums
            && is_ground
        {
            // What lies west or south of the sums becomes a huge number, and is passed over like what lies beyond them.
            let place = (column.wrapping_sub(self.first_sum.0), row.wrapping_sub(self.first_sum.1));
            sums.add_at(place, usize::from(return_number & 15), x, y, z);
        }
    }

    /// Adds ground points of the reference.
    pub fn add_references(
        &mut self,
        points: impl IntoIterator<Item = (Micrometres, Micrometres, Micrometres)>,
    ) {
        if let Some(sums) = &mut self.sums {
            sums.add_references(points);
        }
    }

    /// Adds the coverage as bytes, which [`Coverage::decode`] reads.
    pub fn encode_coverage(&self, to: &mut Vec<u8>) {
        self.coverage.encode(to);
    }

    /// The sums, if there are any.
    pub fn sums(&self) -> Option<&Sums> {
        self.sums.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    type Ground = (i64, i64, i64, u8);

    /// Ground points of the survey, and with return 16 of the reference, over some cells around zero.
    fn grounds() -> impl Strategy<Value = Vec<Ground>> {
        let z = prop_oneof![-1000i64..1000, 999_000_000i64..1_000_100_000, Just(549_000_000_000), Just(-7)];
        proptest::collection::vec((-300i64..300, -300i64..300, z, 0u8..17), 0..120)
    }

    /// Cells whose size is not whole, over ranges of x and y, with those points that are there.
    fn tile(points: &[Ground], x: (i64, i64), y: (i64, i64)) -> CellSums {
        let extent = Extent::covering(45.72, x, y, 0);
        let mut cells = CellSums::new(extent, Some(extent));
        let mut reference = Vec::new();
        for &(px, py, z, r) in points {
            if x.0 <= px && px < x.1 && y.0 <= py && py < y.1 {
                if r < 16 {
                    cells.add_survey(px, py, z, r, true);
                } else {
                    reference.push((px, py, z));
                }
            }
        }
        cells.add_references(reference);
        cells
    }

    /// All sums of all kinds, by kind and cell.
    fn all(sums: &Sums) -> Vec<Sum> {
        let none = vec![Sum::default(); sums.extent.len()];
        sums.kinds.iter().flat_map(|kind| if kind.is_empty() { none.clone() } else { kind.clone() }).collect()
    }

    proptest! {
        #[test]
        fn tiles_that_cut_cells_give_the_sums_of_the_whole_in_any_order(
            points in grounds(), cut_x in -299i64..300, cut_y in -299i64..300, backwards in any::<bool>(),
        ) {
            let whole = tile(&points, (-300, 300), (-300, 300)).sums.unwrap();
            let mut parts = Vec::new();
            for x in [(-300, cut_x), (cut_x, 300)] {
                for y in [(-300, cut_y), (cut_y, 300)] {
                    let mut bytes = Vec::new();
                    tile(&points, x, y).sums.unwrap().encode(&mut bytes);
                    parts.push(bytes);
                }
            }
            if backwards {
                parts.reverse();
            }
            let mut merged = Sums::new(whole.extent);
            for part in &parts {
                merged.merge_encoded(part).unwrap();
            }
            prop_assert_eq!(all(&merged), all(&whole));
            prop_assert_eq!(
                merged.kinds.iter().flatten().map(|sum| sum.n as usize).sum::<usize>(), points.len());
        }

        #[test]
        fn damaged_sums_are_noticed_or_read_but_never_panic(
            points in grounds(), at in any::<proptest::sample::Index>(), flip in 1u8..=255, cut in any::<bool>(),
        ) {
            let whole = tile(&points, (-300, 300), (-300, 300)).sums.unwrap();
            let mut bytes = Vec::new();
            whole.encode(&mut bytes);
            let at = at.index(bytes.len());
            if cut { bytes.truncate(at) } else { bytes[at] ^= flip }
            let _ = Sums::new(whole.extent).merge_encoded(&bytes);
        }
    }

    #[test]
    fn without_reference_near_only_coverage_is_kept() {
        let extent = Extent::covering(500_000.0, (0, 100_000_000), (0, 100_000_000), 0);
        let mut cells = CellSums::new(extent, None);
        for i in 0..400_000 {
            cells.add_survey(i * 7919 % 100_000_000, i * 250, 1_000_000, 1 + (i % 3) as u8, i % 2 == 0);
        }
        cells.add_references([(5, 5, 5)]);
        // Positions outside are passed over.
        for (x, y) in [(-1, 5), (5, -1), (100_000_000, 5), (5, 100_000_000), (i64::MIN / 4, i64::MAX / 4)] {
            let before = cells.clone();
            cells.add_survey(x, y, 0, 1, true);
            assert_eq!(cells.coverage, before.coverage);
        }
        assert!(cells.sums().is_none());
        let mut bytes = Vec::new();
        cells.encode_coverage(&mut bytes);
        let (coverage, rest) = Coverage::decode(&bytes).unwrap();
        assert_eq!((coverage, rest.len()), (cells.coverage, 0));
        let mut none = Sums::new(extent);
        none.merge_encoded(&[]).unwrap();
        assert!(none.of_reference().is_empty() && (0..16).all(|r| none.of_return(r).is_empty()));
    }

    #[test]
    fn cells_of_another_size_are_refused() {
        let mut bytes = Vec::new();
        Sums::new(Extent::covering(10.0, (0, 40), (0, 10), 0)).encode(&mut bytes);
        assert!(Sums::new(Extent::covering(10.5, (0, 40), (0, 10), 0)).merge_encoded(&bytes).is_none());
    }
}
