//! The highest elevation at which a ground point would still have been accepted, as the *other* points set it.
//!
//! The ground filter judges a point against a surface that the lowest points make. For a point that is not the lowest
//! of its cell that surface does not depend on it. The lowest of a cell sets its own surface: were it higher, the
//! surface would rise with it, up to the second lowest of the cell. With m the highest, over the windows of the first
//! pass that hold the cell, of the lowest elevation in the window's other cells, and v the second lowest elevation of
//! the cell (none where it holds one point), the opened surface there is min(v, m) whatever the point's own elevation
//! above that, so that the point is accepted exactly up to min(v, m) + dh_0. The wider windows of the later passes see
//! so many other cells that they are taken as they are. A property test holds it against the filter itself.

use std::cmp::Ordering;

use crate::raster::{EMPTY, Extent, Finder};
use crate::stages::ground_limits::{GroundLimits, Origin};
use crate::tile::points::{PointSet, PointStatus};
use crate::units::Micrometres;

/// The limits of a tile's core points.
pub struct AcceptanceLimits<'a> {
    limits: &'a GroundLimits,
    /// Finds the cell of a position in `lowest`.
    finder: Finder,
    /// The two lowest elevations of each cell.
    lowest: Vec<[f64; 2]>,
}

impl<'a> AcceptanceLimits<'a> {
    /// Takes all points of a tile; nothing where the filter did not keep the origin of its limits.
    pub fn new(
        limits: &'a GroundLimits,
        core: ((Micrometres, Micrometres), (Micrometres, Micrometres)),
        survey: &PointSet,
    ) -> Option<Self> {
        limits.origin.as_ref()?;
        let extent = Extent::covering(limits.highest.extent.cell, core.0, core.1, 0);
        let finder = extent.finder();
        let mut lowest = vec![[EMPTY; 2]; extent.len()];
        for (point, status) in survey.points.iter().zip(&survey.statuses) {
            let Some(i) = finder.index_of(point.x, point.y) else { continue };
            let (z, [first, second]) = (point.z as f64, lowest[i]);
            if *status == PointStatus::Noise || z >= second {
                continue;
            }
            lowest[i] = if z < first { [z, first] } else { [first, z] };
        }
        Some(AcceptanceLimits { limits, finder, lowest })
    }

    /// The highest elevation, whole micrometres downwards, at which a ground point at this position and elevation would
    /// have been accepted; nothing where no other point sets one.
    pub fn at(&self, x: Micrometres, y: Micrometres, z: Micrometres) -> Option<Micrometres> {
        let origin = self.limits.origin.as_ref()?;
        let raster = &self.limits.highest;
        let cell = self.limits.finder.index_of(x, y)?;
        let [first, second] = self.lowest[self.finder.index_of(x, y)?];
        // A cell whose lowest was set aside as a low outlier was filled: none of its points shapes the surface.
        let shapes = z as f64 <= first && origin.occupied[cell];
        let limit = if !shapes {
            raster.values[cell]
        } else {
            // The only point of a cell carries its surface along.
            let opened = second.min(highest_floor(origin, cell));
            origin.later[cell].min(opened + origin.threshold.at(cell))
        };
        limit.is_finite().then(|| limit.floor() as Micrometres)
    }
}

/// Over the nine windows of 3 × 3 cells that hold a cell, the highest of the lowest elevation of the other cells.
fn highest_floor(origin: &Origin, cell: usize) -> f64 {
    let extent = &origin.ground.extent;
    let (column, row) = ((cell % extent.columns) as i64, (cell / extent.columns) as i64);
    let mut highest = f64::NEG_INFINITY;
    for centre_row in row - 1..=row + 1 {
        for centre_column in column - 1..=column + 1 {
            // A window is centred only on cells that have a value.
            let centre = index(extent, centre_column, centre_row);
            if centre.is_none_or(|i| origin.filled[i] == EMPTY) {
                continue;
            }
            let mut lowest = EMPTY;
            for r in centre_row - 1..=centre_row + 1 {
                for c in centre_column - 1..=centre_column + 1 {
                    if let Some(i) = index(extent, c, r).filter(|&i| i != cell) {
                        lowest = lowest.min(without(origin, i, cell));
                    }
                }
            }
            highest = highest.max(lowest);
        }
    }
    highest
}

/// The elevation of cell `i` were cell `cell` out of reach: an empty cell may have been filled from there, and rises
/// with it up to the lowest of the other cells as near.
fn without(origin: &Origin, i: usize, cell: usize) -> f64 {
    if origin.occupied[i] || origin.filled[i] != origin.filled[cell] {
        return origin.filled[i];
    }
    let extent = &origin.ground.extent;
    let place = |i: usize| ((i % extent.columns) as i64, (i / extent.columns) as i64);
    let ((column, row), (from_column, from_row)) = (place(i), place(cell));
    let squared = (column - from_column).pow(2) + (row - from_row).pow(2);
    let reach = squared.isqrt();
    let mut as_near = EMPTY;
    for dr in -reach..=reach {
        for dc in -reach..=reach {
            let other = index(extent, column + dc, row + dr).filter(|&o| o != cell && origin.occupied[o]);
            match (other, (dc * dc + dr * dr).cmp(&squared)) {
                (Some(_), Ordering::Less) => return origin.filled[i],
                (Some(other), Ordering::Equal) => as_near = as_near.min(origin.filled[other]),
                _ => {}
            }
        }
    }
    as_near
}

fn index(extent: &Extent, column: i64, row: i64) -> Option<usize> {
    let inside =
        column >= 0 && row >= 0 && (column as usize) < extent.columns && (row as usize) < extent.rows;
    inside.then(|| row as usize * extent.columns + column as usize)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::cloud::point::Point;
    use crate::raster::Raster;
    use crate::raster::morphology::Scratch;
    use crate::stages::ground::Ground;
    use crate::units::Length;

    /// Ground of one pass over 9 × 9 cells of 1 m; the middle cell has the elevations in `middle`, millimetres.
    fn filter(cells: &[Option<i64>], middle: &[i64]) -> (Ground, Raster, PointSet) {
        let filter = Ground {
            cell: Length::metres(1.0),
            window_max: Length::metres(3.0),
            dh_initial: Length::metres(0.15),
            low_outlier: Length::metres(50.0),
            ..Ground::default()
        };
        let mut surface = Raster::empty(Extent::covering(1e6, (0, 9_000_000), (0, 9_000_000), 0));
        let mut survey = PointSet::default();
        let mut add = |x: i64, y: i64, z: i64| {
            surface.lower(x, y, z);
            survey.points.push(Point { x, y, z, return_number: 1, number_of_returns: 1, ..Point::default() });
            survey.statuses.push(PointStatus::Ground);
        };
        for (i, z) in cells.iter().enumerate().filter(|(i, _)| *i != 40) {
            if let Some(z) = z {
                add((i % 9) as i64 * 1_000_000, (i / 9) as i64 * 1_000_000, z * 1000);
            }
        }
        middle.iter().for_each(|z| add(4_500_000, 4_500_000, z * 1000));
        (filter, surface, survey)
    }

    fn accepted(cells: &[Option<i64>], middle: &[i64]) -> bool {
        let (filter, surface, survey) = filter(cells, middle);
        let z = survey.points.last().unwrap().z;
        let extent = surface.extent;
        let limits = filter.limits(surface, &extent, false, false, &mut Scratch::default());
        limits.judge(4_500_000, 4_500_000, z) == PointStatus::Ground
    }

    proptest! {
        #[test]
        fn a_point_is_accepted_exactly_up_to_the_limit_that_the_others_set(
            cells in proptest::collection::vec(proptest::option::weighted(0.7, -200i64..200), 81), others in proptest::collection::vec(-200i64..200, 0..3),
            own in -600i64..200,
        ) {
            let with = |z: i64| [&others[..], &[z]].concat();
            prop_assume!(accepted(&cells, &with(own)));
            let (filter, surface, survey) = filter(&cells, &with(own));
            let extent = surface.extent;
            let limits = filter.limits(surface, &extent, true, false, &mut Scratch::default());
            let limits_of_points = AcceptanceLimits::new(&limits, ((0, 9_000_000), (0, 9_000_000)), &survey).unwrap();
            let Some(limit) = limits_of_points.at(4_500_000, 4_500_000, own * 1000) else {
                prop_assert!(accepted(&cells, &with(100_000)));
                return Ok(());
            };
            // Elevations are whole millimetres, so the limit is one too.
            prop_assert_eq!(limit % 1000, 0);
            let limit = limit / 1000;
            prop_assert!(own <= limit);
            prop_assert!(accepted(&cells, &with(limit)), "accepted at its limit {}", limit);
            prop_assert!(!accepted(&cells, &with(limit + 1)), "not above its limit {}", limit);
        }
    }
}
