//! The packed pieces in which points wait on disk between scattering and the work on tiles: those of a tile's core, then
//! those of its halo, column by column.
//!
//! A point of a file in whole millimetres takes nine to eleven bytes, one in fractions of a foot up to fifteen; the strip
//! takes none where the piece holds but one.

use std::iter::Zip;
use std::slice::Iter;

use crate::cloud::bounds::Bounds;
use crate::cloud::column::{self, Column, Span};
use crate::cloud::point::{Fields, Point};
use crate::units::Micrometres;

/// Elevations are used up to this height over and under zero (200 km): dz then fits 40 bits.
pub const MAX_ELEVATION: Micrometres = 200_000_000_000;

/// Positions are used up to this distance from zero on either axis (4.5 million km): exact in `f64`.
pub const MAX_POSITION: Micrometres = 1 << 52;

/// Columns of a piece: x, y, z, and all the rest.
const COLUMNS: usize = 4;

/// Points read at a time: few enough to stay in the fastest memory.
const BATCH: usize = 256;

/// All of a point but its position, ordered by how much it varies: what is the same in all points of a piece then takes no
/// byte. What `fields` does not ask for is left out.
#[inline]
fn rest(point: &Point, fields: Fields) -> i64 {
    let strip = if fields.strip { point.strip } else { 0 };
    let scan_angle = if fields.scan_angle { point.scan_angle as u16 } else { 0 };
    i64::from(point.returns())
        | i64::from(point.class) << 8
        | i64::from(strip) << 16
        | i64::from(scan_angle) << 32
}

/// Appends a piece with the points of a tile's core and of its halo; what `fields` does not ask for is dropped. Gives the
/// box around the points of the core.
pub fn pack(core: &[Point], halo: &[Point], fields: Fields, to: &mut Vec<u8>) -> Bounds {
    let mut bounds = Bounds::default();
    for (points, is_core) in [(core, true), (halo, false)] {
        to.extend_from_slice(&(points.len() as u32).to_le_bytes());
        let [x, y, z, others] = spans(points, fields);
        if is_core && !points.is_empty() {
            bounds = Bounds::new((x.0, y.0), (x.1, y.1));
        }
        let points = points.iter();
        column::pack(points.clone().map(|point| point.x), x, to);
        column::pack(points.clone().map(|point| point.y), y, to);
        column::pack(points.clone().map(|point| point.z), z, to);
        column::pack(points.map(|point| rest(point, fields)), others, to);
    }
    bounds
}

/// The spans of all columns, found together: of one column alone a processor waits for each comparison.
fn spans(points: &[Point], fields: Fields) -> [Span; COLUMNS] {
    let row = |point: &Point| [point.x, point.y, point.z, rest(point, fields)];
    let first = points.first().map_or([0; COLUMNS], row);
    points.iter().fold(first.map(|value| (value, value)), |mut spans, point| {
        for ((low, high), value) in spans.iter_mut().zip(row(point)) {
            (*low, *high) = ((*low).min(value), (*high).max(value));
        }
        spans
    })
}

/// A packed piece, to be read.
pub struct Piece<'a> {
    /// The points of the tile's core.
    pub core: Packed<'a>,
    /// Those of its halo.
    pub halo: Packed<'a>,
}

impl<'a> Piece<'a> {
    /// Reads the piece that `bytes` hold; nothing where they do not hold one.
    pub fn read(mut bytes: &'a [u8]) -> Option<Self> {
        Some(Piece { core: Packed::take(&mut bytes)?, halo: Packed::take(&mut bytes)? })
    }
}

/// Packed points.
pub struct Packed<'a> {
    count: usize,
    columns: [Column<'a>; COLUMNS],
}

impl<'a> Packed<'a> {
    fn take(bytes: &mut &'a [u8]) -> Option<Self> {
        let (count, columns) = bytes.split_first_chunk()?;
        *bytes = columns;
        let count = u32::from_le_bytes(*count) as usize;
        let mut next = || Column::take(bytes, count);
        Some(Packed { count, columns: [next()?, next()?, next()?, next()?] })
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.count
    }

    /// Calls `f` with every point.
    #[inline]
    pub fn for_each(&self, mut f: impl FnMut(Point)) {
        self.for_each_batch(|rows| rows.for_each(|row| f(point(row))));
    }

    /// Adds all points to a list.
    pub fn add_to(&self, list: &mut Vec<Point>) {
        self.for_each_batch(|rows| list.extend(rows.map(point)));
    }

    /// Calls `f` with each whose position `holds` chooses; of the others not even the elevation is unpacked.
    pub fn for_each_at(&self, holds: impl Fn(Micrometres, Micrometres) -> bool, mut f: impl FnMut(Point)) {
        let [x, y, others @ ..] = &self.columns;
        let (mut all_x, mut all_y) = ([0; BATCH], [0; BATCH]);
        for first in (0..self.count).step_by(BATCH) {
            let count = BATCH.min(self.count - first);
            x.read(first, &mut all_x[..count]);
            y.read(first, &mut all_y[..count]);
            for i in 0..count {
                if holds(all_x[i], all_y[i]) {
                    let [z, rest] = others.map(|column| column.at(first + i));
                    f(point(((&all_x[i], &all_y[i]), (&z, &rest))));
                }
            }
        }
    }

    /// Calls `f` with the rows of all points, some at a time.
    #[inline]
    fn for_each_batch(&self, mut f: impl FnMut(Rows<'_>)) {
        let mut columns = [[0; BATCH]; COLUMNS];
        for first in (0..self.count).step_by(BATCH) {
            let count = BATCH.min(self.count - first);
            for (column, numbers) in self.columns.iter().zip(&mut columns) {
                column.read(first, &mut numbers[..count]);
            }
            let [x, y, z, rest] = columns.each_ref().map(|numbers| numbers[..count].iter());
            f(x.zip(y).zip(z.zip(rest)));
        }
    }
}

/// Some rows of the columns: ((x, y), (z, rest)).
type Rows<'a> = Zip<Zip<Iter<'a, i64>, Iter<'a, i64>>, Zip<Iter<'a, i64>, Iter<'a, i64>>>;

/// The point of a row.
#[inline]
fn point(((&x, &y), (&z, &rest)): ((&i64, &i64), (&i64, &i64))) -> Point {
    Point {
        x,
        y,
        z,
        return_number: rest as u8 & 15,
        number_of_returns: rest as u8 >> 4,
        class: (rest >> 8) as u8,
        strip: (rest >> 16) as u16,
        scan_angle: (rest >> 32) as i16,
    }
}

/// The low 40 bits of a whole number between −2^39 and 2^39 − 1.
pub fn pack_40(value: i64) -> [u8; 5] {
    let b = value.to_le_bytes();
    [b[0], b[1], b[2], b[3], b[4]]
}

/// The number that [`pack_40`] packed into the first five bytes.
pub fn unpack_40(b: &[u8]) -> i64 {
    let sign = if b[4] & 0x80 == 0 { 0 } else { 0xff };
    i64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], sign, sign, sign])
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    prop_compose! {
        fn point()(
            (x, y) in (-MAX_POSITION..=MAX_POSITION, -2_000_000_000i64..2_000_000_000),
            z in -MAX_ELEVATION..=MAX_ELEVATION,
            (return_number, number_of_returns, class) in (0u8..16, 0u8..16, any::<u8>()),
            (strip, scan_angle) in (any::<u16>(), any::<i16>()),
        ) -> Point {
            Point { x, y, z, return_number, number_of_returns, class, strip, scan_angle }
        }
    }

    proptest! {
        #[test]
        fn points_come_back_as_they_were(
            core in proptest::collection::vec(point(), 0..20),
            halo in proptest::collection::vec(point(), 0..20),
            (strip, scan_angle) in any::<(bool, bool)>(),
        ) {
            let mut bytes = Vec::new();
            let bounds = pack(&core, &halo, Fields { strip, scan_angle, ..Fields::default() }, &mut bytes);
            let mut expected = Bounds::default();
            core.iter().for_each(|point| expected.add((point.x, point.y)));
            prop_assert_eq!(bounds, expected);
            let piece = Piece::read(&bytes).unwrap();
            for (points, packed) in [(core, piece.core), (halo, piece.halo)] {
                let asked = |p: Point| Point {
                    strip: if strip { p.strip } else { 0 },
                    scan_angle: if scan_angle { p.scan_angle } else { 0 },
                    ..p
                };
                let expected: Vec<Point> = points.into_iter().map(asked).collect();
                let (mut found, mut one_by_one) = (Vec::new(), Vec::new());
                packed.add_to(&mut found);
                packed.for_each(|point| one_by_one.push(point));
                prop_assert_eq!(&found, &one_by_one);
                let (mut chosen, east) = (Vec::new(), |x: i64, y: i64| x > y);
                packed.for_each_at(east, |point| chosen.push(point));
                one_by_one.retain(|point| east(point.x, point.y));
                prop_assert_eq!(chosen, one_by_one);
                prop_assert_eq!((packed.len(), found), (expected.len(), expected));
            }
        }
    }
}
