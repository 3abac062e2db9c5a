//! What each tile gives towards the picture of the site: the mean elevation of its ground by coarse cell, and where the reference
//! has ground.
//!
//! Cells are squares of a power of two of micrometres, from coordinate zero. Their edge follows from the box around the survey alone, so
//! that there are few of them whatever the site, and tiles cannot show.

use crate::cloud::bounds::{Range, overlap};
use crate::raster::Raster;
use crate::results::pictures::Relief;
use crate::stages::stage::{TileStage, Visitor};
use crate::terrain::bytes::{put, put_signed, take, take_signed};
use crate::tile::at_work::{Surroundings, Tile};
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::tile::yields::{YieldError, Yields};
use crate::units::Micrometres;

/// The section of the sums.
const SECTION: &str = "relief";

/// Cells of a picture at the most: as many as the page has room for.
const MOST_CELLS: i64 = 60_000;

/// Finest edge as a power of two of micrometres: half a metre.
const FINEST: u32 = 19;

/// The stage at work, after all that decides what is ground.
pub struct SumRelief;

/// Sums over some cells.
struct Cells {
    bits: u32,
    first: (i64, i64),
    columns: usize,
    rows: usize,
    /// Ground points of the survey, the sum of their elevations, and whether the reference has ground.
    sums: Vec<(u64, i64, bool)>,
}

/// Edge of the cells over a box, as a power of two of micrometres.
fn edge_bits((x, y): (Range, Range)) -> u32 {
    let count = |range: Range, bits: u32| ((range.1 - 1) >> bits) - (range.0 >> bits) + 1;
    let fits = |bits: &u32| count(x, *bits).saturating_mul(count(y, *bits)) <= MOST_CELLS;
    (FINEST..60).find(fits).unwrap_or(60)
}

/// The ground of all cells that a box touches: the reference may lie beyond the box and in them.
fn ground_of((x, y): (Range, Range), bits: u32) -> (Range, Range) {
    let whole = |range: Range| ((range.0 >> bits) << bits, (((range.1 - 1) >> bits) + 1) << bits);
    (whole(x), whole(y))
}

impl Cells {
    /// The cells of the picture that touch the ground of a core; none where there are none.
    fn of_core(whole: (Range, Range), core: (Range, Range)) -> Option<Self> {
        let bits = edge_bits(whole);
        let ground = ground_of(whole, bits);
        Some(Cells::over(overlap(ground, core)?, bits))
    }

    fn over((x, y): (Range, Range), bits: u32) -> Self {
        let count = |range: Range| (((range.1 - 1) >> bits) - (range.0 >> bits) + 1) as usize;
        let (columns, rows) = (count(x), count(y));
        let first = (x.0 >> bits, y.0 >> bits);
        Cells { bits, first, columns, rows, sums: vec![(0, 0, false); columns * rows] }
    }

    #[inline]
    fn at(&mut self, x: Micrometres, y: Micrometres) -> Option<&mut (u64, i64, bool)> {
        // What lies west or south becomes a huge number, and is passed over like what lies beyond.
        let column = ((x >> self.bits) - self.first.0) as usize;
        let row = ((y >> self.bits) - self.first.1) as usize;
        if column >= self.columns || row >= self.rows {
            return None;
        }
        self.sums.get_mut(row * self.columns + column)
    }

    /// As bytes: where they lie, then cell by cell those passed over, the count with the mark of the reference, and the sum
    /// against the mean of the cell before.
    fn encode(&self, to: &mut Vec<u8>) {
        let mut cells = Vec::new();
        let (mut next, mut level) = (0, 0i64);
        for (at, (n, z, reference)) in self.sums.iter().enumerate().filter(|(_, sum)| sum.0 > 0 || sum.2) {
            put((at - next) as u64, &mut cells);
            next = at + 1;
            put(n << 1 | u64::from(*reference), &mut cells);
            if *n > 0 {
                put_signed(z.wrapping_sub(level.wrapping_mul(*n as i64)), &mut cells);
                level = z / *n as i64;
            }
        }
        put(cells.len() as u64, to);
        put_signed(self.first.0, to);
        put_signed(self.first.1, to);
        put(self.columns as u64, to);
        to.extend_from_slice(&cells);
    }

    /// Adds what [`Cells::encode`] made of others, whose bytes may follow each other.
    fn merge(&mut self, mut bytes: &[u8]) -> Option<()> {
        while !bytes.is_empty() {
            let length = take(&mut bytes)?;
            let first = (take_signed(&mut bytes)?, take_signed(&mut bytes)?);
            let columns = i64::try_from(take(&mut bytes)?).ok().filter(|columns| *columns > 0)?;
            let (mut cells, rest) = bytes.split_at_checked(usize::try_from(length).ok()?)?;
            bytes = rest;
            let (mut next, mut level) = (0i64, 0i64);
            while !cells.is_empty() {
                let at = next.checked_add(i64::try_from(take(&mut cells)?).ok()?)?;
                next = at + 1;
                let counted = take(&mut cells)?;
                let n = (counted >> 1) as i64;
                let mut z = 0;
                if n > 0 {
                    z = take_signed(&mut cells)?.wrapping_add(level.wrapping_mul(n));
                    level = z / n;
                }
                let (x, y) = (first.0 + at % columns - self.first.0, first.1 + at / columns - self.first.1);
                let inside = (0..self.columns as i64).contains(&x) && (0..self.rows as i64).contains(&y);
                let sum = &mut self.sums[inside.then_some(y as usize * self.columns + x as usize)?];
                *sum = (sum.0 + n as u64, sum.1.wrapping_add(z), sum.2 | (counted & 1 == 1));
            }
        }
        Some(())
    }
}

impl TileStage for SumRelief {
    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let whole = tile.around.bounds(Cloud::Survey).ranges()?;
        Some(Box::new(ReliefVisitor(Cells::of_core(whole, tile.core)?)))
    }
}

struct ReliefVisitor(Cells);

impl Visitor for ReliefVisitor {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        let points = piece.points.iter().zip(&piece.statuses).take(piece.core);
        let found = points.map(|(point, status)| (point, i64::from(*status == PointStatus::Ground)));
        // Without a branch, since under trees it would be guessed wrong again and again.
        match cloud {
            Cloud::Survey => found.for_each(|(point, ground)| {
                if let Some(sum) = self.0.at(point.x, point.y) {
                    (sum.0, sum.1) = (sum.0 + ground as u64, sum.1.wrapping_add(point.z * ground));
                }
            }),
            Cloud::Reference => found.for_each(|(point, ground)| {
                if let Some(sum) = self.0.at(point.x, point.y) {
                    sum.2 |= ground == 1;
                }
            }),
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        self.0.encode(tile.sections.of(SECTION));
    }
}

/// The picture of the whole site; none where the survey has no ground.
///
/// # Errors
/// Where the disk does not give the sums back, or not as they were.
pub fn conclude(yields: &dyn Yields, around: &dyn Surroundings) -> Result<Option<Relief>, YieldError> {
    let Some(whole) = around.bounds(Cloud::Survey).ranges() else { return Ok(None) };
    let bits = edge_bits(whole);
    let mut all = Cells::over(whole, bits);
    yields.for_each(SECTION, &mut |bytes| all.merge(bytes))?;
    let relief = Relief {
        cell: 1 << bits,
        first: all.first,
        columns: all.columns,
        rows: all.rows,
        heights: all.sums.iter().map(|(n, z, _)| (*n > 0).then(|| *z as f64 / *n as f64)).collect(),
        reference: all.sums.iter().map(|sum| sum.2).collect(),
    };
    Ok(relief.heights.iter().any(Option::is_some).then_some(relief))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::cloud::bounds::Bounds;
    use crate::tile::given::Given;
    use crate::tile::yields::Sections;

    struct Around(Bounds);

    impl Surroundings for Around {
        fn bounds(&self, _: Cloud) -> Bounds {
            self.0
        }

        fn boxes_on(&self, _: Cloud, _: (Range, Range)) -> Vec<Bounds> {
            vec![self.0]
        }
    }

    proptest! {
        #[test]
        fn tiles_of_any_size_give_the_means_of_all_points(
            points in proptest::collection::vec((-90_000_000i64..90_000_000, -5_000_000i64..60_000_000, -9_000_000i64..9_000_000, any::<bool>()), 1..200),
            edge in 3_000_000i64..80_000_000,
        ) {
            let mut bounds = Bounds::default();
            points.iter().filter(|point| !point.3).for_each(|point| bounds.add((point.0, point.1)));
            let mut given = Given::default();
            let ground = bounds.ranges();
            for (column, row) in (-40..40).flat_map(|column| (-3..30).map(move |row| (column, row))) {
                let core = ((column * edge, (column + 1) * edge), (row * edge, (row + 1) * edge));
                let Some(mut cells) = ground.and_then(|whole| Cells::of_core(whole, core)) else { continue };
                for (px, py, z, is_reference) in &points {
                    let inside = (core.0.0..core.0.1).contains(px) && (core.1.0..core.1.1).contains(py);
                    if let Some(sum) = cells.at(*px, *py).filter(|_| inside) {
                        if *is_reference { sum.2 = true } else { (sum.0, sum.1) = (sum.0 + 1, sum.1 + z) }
                    }
                }
                let mut sections = Sections::default();
                cells.encode(sections.of(SECTION));
                given.add(&sections);
            }
            let Some(relief) = conclude(&given, &Around(bounds)).unwrap() else {
                prop_assert!(points.iter().all(|point| point.3));
                return Ok(());
            };
            prop_assert!(relief.columns * relief.rows <= MOST_CELLS as usize);
            let index = |x: i64, y: i64| {
                let at = (x.div_euclid(relief.cell) - relief.first.0, y.div_euclid(relief.cell) - relief.first.1);
                let inside = (0..relief.columns as i64).contains(&at.0) && (0..relief.rows as i64).contains(&at.1);
                inside.then_some(at.1 as usize * relief.columns + at.0 as usize)
            };
            for (x, y, _, is_reference) in &points {
                let own = index(*x, *y);
                let alike = || points.iter().filter(|other| other.3 == *is_reference && index(other.0, other.1) == own);
                match (own, is_reference) {
                    (Some(own), true) => prop_assert!(relief.reference[own]),
                    (Some(own), false) => {
                        let (n, sum) = alike().fold((0, 0), |(n, sum), other| (n + 1, sum + other.2));
                        prop_assert_eq!(relief.heights[own], Some(sum as f64 / n as f64));
                    }
                    (None, _) => prop_assert!(is_reference),
                }
            }
        }
    }

    #[test]
    fn cells_are_few_whatever_the_site_and_damaged_sums_are_an_error() {
        for long in [1i64, 80_000_000, 3_000_000_000, 400_000_000_000, 1 << 51] {
            let bits = edge_bits(((0, long), (-long, long / 3 + 1)));
            let cells = Cells::over(((0, long), (-long, long / 3 + 1)), bits);
            assert!(
                cells.sums.len() <= MOST_CELLS as usize && bits >= FINEST,
                "{long}: {}",
                cells.sums.len()
            );
        }
        let mut sections = Sections::default();
        sections.of(SECTION).extend([200, 1, 1]);
        let mut given = Given::default();
        given.add(&sections);
        let around = Around(Bounds::new((0, 0), (9, 9)));
        assert!(matches!(conclude(&given, &around), Err(YieldError::Damaged { .. })));
    }
}
