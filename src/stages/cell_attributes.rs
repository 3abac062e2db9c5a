//! The attributes of every cell of a tile: its cover, from the first returns over it, and its slope.
//!
//! They belong to cells of the ground filter, so that neighbouring tiles need no points beyond the radius, and all points of a
//! cell are under the same cover. Where no first return is near, there is no cover.

use crate::raster::{EMPTY, Extent, Raster};
use crate::stages::ground_limits::SurveyLimits;
use crate::stages::stage::{TileStage, Wanted};
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{PointSet, PointStatus};
use crate::tile::strata::{Cover, Strata, class_of};
use crate::units::{Length, Micrometres};

/// Cells on every side of a cell through whose surface a plane is laid to find its slope.
pub const SLOPE_CELLS: i64 = 2;

/// How canopy is distinguished from open ground: the options `canopy_…` of `summarise`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Canopy {
    /// A first return higher than this over the ground is in the canopy.
    pub height: Length,
    /// First returns within this distance in plan count.
    pub radius: Length,
    /// Ground is under canopy where at least this share of them is in the canopy.
    pub share: f64,
}

/// Cover and slope class of the cells of a tile's core.
pub struct CellAttributes {
    extent: Extent,
    cells: Vec<(Option<Cover>, Option<u8>)>,
}

impl CellAttributes {
    /// Cover and slope class at a position, as strata.
    pub fn at(&self, x: Micrometres, y: Micrometres) -> Strata {
        let (cover, slope) = self.extent.index_of(x, y).map_or((None, None), |i| self.cells[i]);
        Strata { cover, slope, ..Strata::default() }
    }
}

/// The stage at work. It stands behind the ground filter of the survey, whose opened surface it takes for the ground.
pub struct ClassifyCells {
    /// How canopy is distinguished from open ground, if that is asked for.
    pub canopy: Option<Canopy>,
    /// Breaks between the classes of slope, rise over run; none where slope is not asked for.
    pub slope_breaks: Vec<f64>,
    /// Cell of the ground filter.
    pub cell: Length,
}

impl TileStage for ClassifyCells {
    fn halo(&self) -> Halo {
        // A cell may stick out of the core, and those within the radius must be whole.
        let survey = self
            .canopy
            .map_or(0.0, |canopy| canopy.radius.exact_micrometres() + 2.0 * self.cell.exact_micrometres());
        Halo { survey: survey.ceil() as Micrometres, reference: 0 }
    }

    fn wants(&self, _: &Tile<'_>) -> Wanted {
        if self.canopy.is_some() { Wanted::All } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(SurveyLimits(limits)) = tile.shared.get() else { return };
        let Some(ground) = limits.ground() else { return };
        let (x, y) = tile.core;
        let extent = Extent::covering(ground.extent.cell, x, y, 0).within(&ground.extent);
        let share = self.canopy.map(|canopy| canopy_share(&canopy, &extent, ground, &tile.survey));
        let cover = |i: usize| {
            let (canopy, share) = (self.canopy?, share.as_ref()?[i]?);
            Some(if share >= canopy.share { Cover::Canopy } else { Cover::Open })
        };
        let slope = |column, row| {
            let breaks = Some(&self.slope_breaks).filter(|breaks| !breaks.is_empty())?;
            Some(class_of(slope_of_cell(ground, column, row)?, breaks))
        };
        let cells = (0..extent.len()).map(|i| {
            let column = extent.first_column + (i % extent.columns) as i64;
            let row = extent.first_row + (i / extent.columns) as i64;
            (cover(i), slope(column, row))
        });
        let attributes = CellAttributes { extent, cells: cells.collect() };
        tile.shared.put(attributes);
    }
}

/// For each cell of `extent` the share of first returns in the canopy, of those in cells whose centres lie within the
/// radius; nothing where there is none.
fn canopy_share(canopy: &Canopy, extent: &Extent, ground: &Raster, survey: &PointSet) -> Vec<Option<f64>> {
    let reach = canopy.radius.exact_micrometres() / extent.cell;
    let margin = reach.floor() as i64;
    let around = Extent {
        first_column: extent.first_column - margin,
        first_row: extent.first_row - margin,
        columns: extent.columns + 2 * margin as usize,
        rows: extent.rows + 2 * margin as usize,
        ..*extent
    };
    let mut counts = vec![(0u32, 0u32); around.len()];
    for (point, status) in survey.points.iter().zip(&survey.statuses) {
        if point.valid_return() != Some(1) || *status == PointStatus::Noise {
            continue;
        }
        let (Some(cell), Some(below)) =
            (around.index_of(point.x, point.y), ground.extent.index_of(point.x, point.y))
        else {
            continue;
        };
        let height = point.z as f64 - ground.values[below];
        counts[cell].0 += 1;
        counts[cell].1 += u32::from(height > canopy.height.exact_micrometres());
    }
    let inside = |(column, row): &(i64, i64)| ((column * column + row * row) as f64) <= reach * reach;
    let disc: Vec<(i64, i64)> =
        (-margin..=margin).flat_map(|row| (-margin..=margin).map(move |c| (c, row))).filter(inside).collect();
    (0..extent.len())
        .map(|i| {
            let (column, row) = ((i % extent.columns) as i64 + margin, (i / extent.columns) as i64 + margin);
            let (all, high) = disc.iter().fold((0, 0), |(all, high), (dc, dr)| {
                let (a, h) = counts[(row + dr) as usize * around.columns + (column + dc) as usize];
                (all + a, high + h)
            });
            (all > 0).then(|| f64::from(high) / f64::from(all))
        })
        .collect()
}

/// Steepest slope (rise over run) of the ground at a position: that of the least-squares plane through the surface of
/// the 5 × 5 cells around it; nothing where too few of them have one.
pub fn slope_at(ground: &Raster, x: Micrometres, y: Micrometres) -> Option<f64> {
    let extent = &ground.extent;
    let i = extent.index_of(x, y)?;
    let (column, row) = ((i % extent.columns) as i64, (i / extent.columns) as i64);
    slope_of_cell(ground, extent.first_column + column, extent.first_row + row)
}

fn slope_of_cell(ground: &Raster, column: i64, row: i64) -> Option<f64> {
    let [a, b] = gradient_of_cell(ground, column, row)?;
    Some((a * a + b * b).sqrt() / ground.extent.cell)
}

/// Rise of the plane of [`slope_at`] over the width of a cell, eastwards and northwards, micrometres.
pub fn gradient_of_cell(ground: &Raster, column: i64, row: i64) -> Option<[f64; 2]> {
    let (mut n, mut sx, mut sy, mut sz) = (0.0, 0.0, 0.0, 0.0);
    let (mut sxx, mut sxy, mut syy, mut sxz, mut syz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut base = None;
    for dr in -SLOPE_CELLS..=SLOPE_CELLS {
        for dc in -SLOPE_CELLS..=SLOPE_CELLS {
            let (c, r) = (column + dc - ground.extent.first_column, row + dr - ground.extent.first_row);
            if c < 0 || r < 0 || c as usize >= ground.extent.columns || r as usize >= ground.extent.rows {
                continue;
            }
            let z = ground.values[r as usize * ground.extent.columns + c as usize];
            if z == EMPTY {
                continue;
            }
            // All terms are whole numbers far below 2^53: the sums are exact.
            let (x, y, z) = (dc as f64, dr as f64, z - *base.get_or_insert(z));
            n += 1.0;
            sx += x;
            sy += y;
            sz += z;
            sxx += x * x;
            sxy += x * y;
            syy += y * y;
            sxz += x * z;
            syz += y * z;
        }
    }
    let (xx, yy, xy) = (n * sxx - sx * sx, n * syy - sy * sy, n * sxy - sx * sy);
    let (xz, yz) = (n * sxz - sx * sz, n * syz - sy * sz);
    let determinant = xx * yy - xy * xy;
    if determinant <= 0.0 {
        return None;
    }
    Some([(xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::point::Point;

    fn plane(a: f64, b: f64) -> Raster {
        let extent = Extent::covering(5e5, (0, 20_000_000), (0, 20_000_000), 0);
        let mut ground = Raster::empty(extent);
        for i in 0..extent.len() {
            let (column, row) = ((i % extent.columns) as f64, (i / extent.columns) as f64);
            ground.values[i] = 1e8 + (a * column + b * row) * 5e5;
        }
        ground
    }

    #[test]
    fn the_slope_of_a_plane_is_found_whatever_its_direction_and_gaps() {
        let mut ground = plane(0.12, -0.16);
        assert!((slope_of_cell(&ground, 7, 7).unwrap() - 0.2).abs() < 1e-12);
        for i in [7 * 40 + 7, 6 * 40 + 8, 9 * 40 + 5] {
            ground.values[i] = EMPTY;
        }
        assert!((slope_of_cell(&ground, 7, 7).unwrap() - 0.2).abs() < 1e-12);
        assert!((slope_of_cell(&ground, 0, 0).unwrap() - 0.2).abs() < 1e-12);
    }

    #[test]
    fn cover_is_the_share_of_high_first_returns_around() {
        // First returns every 0.25 m: on the ground west of x = 10 m, 6 m up east of it; late returns do not count.
        let ground = plane(0.0, 0.0);
        let mut survey = PointSet::default();
        for i in 0..80 * 80 {
            let (x, y) = ((i % 80) * 250_000 + 100_000, (i / 80) * 250_000 + 100_000);
            let z = if x < 10_000_000 { 100_000_000 } else { 106_000_000 };
            survey.points.push(Point { x, y, z, return_number: 1, number_of_returns: 2, ..Point::default() });
            let late = Point { z: 100_000_000, return_number: 2, ..*survey.points.last().unwrap() };
            survey.points.push(late);
        }
        survey.statuses = vec![PointStatus::Ground; survey.points.len()];
        let canopy = Canopy { height: Length::metres(2.0), radius: Length::metres(1.0), share: 0.3 };
        let share = canopy_share(&canopy, &ground.extent, &ground, &survey);
        let at = |x: usize| share[20 * 40 + x].unwrap();
        assert_eq!((at(10), at(17), at(22), at(30)), (0.0, 0.0, 1.0, 1.0));
        // The two columns of cells that touch the edge see 4 and 9 of the 13 cells of the disc beyond it.
        assert!((at(19) - 4.0 / 13.0).abs() < 1e-12 && (at(20) - 9.0 / 13.0).abs() < 1e-12);
    }
}
