//! How much of the reference's ground the filter may refuse for its slope alone, by slope class.
//!
//! On a slope the highest ground of a cell lies by the rise across the cell (slope × cell along an axis) above the lowest, which
//! the surface of the filter is made of. A point that is refused by no more than that may be ground like the others of its cell;
//! one higher up is something else.

use crate::cloud::point::Point;
use crate::results::slope_row::SlopeRow;
use crate::stages::ground_limits::{CellSlope, GroundLimits};
use crate::tile::points::PointStatus;
use crate::tile::strata::{MOST_CLASSES, class_name, class_of};
use crate::tile::yields::{Sections, YieldError, Yields};

/// The section of the counts of the run's own filter.
pub const REFUSED: &str = "refused-by-slope";

/// Slope classes, and one for cells whose slope is not known.
const CLASSES: usize = MOST_CLASSES + 2;

/// Counts of a class: accepted, refused by no more than slope × cell, refused by more.
const KINDS: usize = 3;

/// Reference points by slope class of their cell and what the ground filter made of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RefusedCounts([[u64; KINDS]; CLASSES]);

/// The cells of a tile by slope class.
pub struct SlopeClasses(Vec<u8>);

impl SlopeClasses {
    /// The classes of cells of these slopes.
    pub fn of(limits: &GroundLimits, breaks: &[f64]) -> Self {
        let unknown = CLASSES as u8 - 1;
        let class = |cell: &Option<CellSlope>| cell.map_or(unknown, |cell| class_of(cell.slope, breaks));
        SlopeClasses(limits.slopes.iter().map(class).collect())
    }
}

impl RefusedCounts {
    /// Counts a point in a cell that the filter has judged.
    #[inline]
    pub fn add(
        &mut self,
        limits: &GroundLimits,
        classes: &SlopeClasses,
        cell: usize,
        point: &Point,
        status: PointStatus,
    ) {
        let kind = match status {
            PointStatus::Ground => 0,
            PointStatus::AboveGround => {
                // A slope that is not known explains nothing.
                let rise = limits.slopes[cell].map_or(0.0, |slope| slope.rise);
                if point.z as f64 <= limits.highest.values[cell] + rise { 1 } else { 2 }
            }
            _ => return,
        };
        self.0[usize::from(classes.0[cell])][kind] += 1;
    }

    /// Gives the counts of one tile back, in a section.
    pub fn give(&self, section: &'static str, sections: &mut Sections) {
        if *self != RefusedCounts::default() {
            let words = self.0.iter().flatten().flat_map(|word| word.to_le_bytes());
            sections.of(section).extend(words);
        }
    }

    /// The counts of all tiles, from a section.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn conclude(section: &str, yields: &dyn Yields) -> Result<Self, YieldError> {
        let mut all = RefusedCounts::default();
        yields.for_each(section, &mut |bytes| {
            let (each, rest) = bytes.as_chunks::<{ CLASSES * KINDS * 8 }>();
            for one in each {
                let words = one.as_chunks::<8>().0.iter().map(|word| u64::from_le_bytes(*word));
                all.0.as_flattened_mut().iter_mut().zip(words).for_each(|(sum, word)| *sum += word);
            }
            rest.is_empty().then_some(())
        })?;
        Ok(all)
    }

    /// The classes that hold points, from the flattest.
    pub fn rows(&self, breaks: &[f64]) -> Vec<SlopeRow> {
        let rows =
            self.0[..CLASSES - 1].iter().enumerate().filter(|(_, counts)| counts.iter().sum::<u64>() > 0);
        rows.map(|(class, [ground, slope_refused, above])| SlopeRow {
            slope: class_name(class as u8, breaks),
            ground: *ground,
            slope_refused: *slope_refused,
            above_ground: slope_refused + above,
        })
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::{Extent, Raster};
    use crate::stages::alone::AloneCells;
    use crate::tile::given::Given;

    #[test]
    fn points_refused_by_no_more_than_the_slope_explains_are_told_apart() {
        let extent = Extent::covering(500_000.0, (0, 1_500_000), (0, 500_000), 0);
        let limits = GroundLimits {
            highest: Raster { extent, values: vec![1_000.0; 3] },
            finder: extent.finder(),
            low: Vec::new(),
            holds_low: Vec::new(),
            origin: None,
            slopes: vec![
                Some(CellSlope { slope: 0.05, rise: 25_000.0 }),
                Some(CellSlope { slope: 0.5, rise: 250_000.0 }),
                None,
            ],
            alone: AloneCells::of(&Raster { extent, values: vec![1_000.0; 3] }, &extent),
        };
        let breaks = [0.1, 0.4];
        let classes = SlopeClasses::of(&limits, &breaks);
        let mut counts = RefusedCounts::default();
        for cell in 0..3 {
            for z in [1_000, 26_000, 26_001, 251_000, 251_001] {
                let point = Point { x: cell * 500_000, z, ..Point::default() };
                let status = limits.judge(point.x, 0, z);
                counts.add(&limits, &classes, cell as usize, &point, status);
            }
        }
        let row = |slope: &str, slope_refused| SlopeRow {
            slope: slope.to_string(),
            ground: 1,
            above_ground: 4,
            slope_refused,
        };
        // 0.05 × 0.5 m and 0.5 × 0.5 m above the limit of 1 mm.
        assert_eq!(counts.rows(&breaks), [row("<0.1", 1), row(">=0.4", 3)]);
        assert_eq!(counts.rows(&breaks)[1].share_refused(), 0.75);

        let mut sections = Sections::default();
        counts.give(REFUSED, &mut sections);
        let mut given = Given::default();
        given.add(&sections);
        given.add(&sections);
        let twice = RefusedCounts::conclude(REFUSED, &given).unwrap();
        assert_eq!(twice.rows(&breaks)[1].slope_refused, 6);
        sections.of(REFUSED).push(1);
        given.add(&sections);
        assert!(RefusedCounts::conclude(REFUSED, &given).is_err());
    }
}
