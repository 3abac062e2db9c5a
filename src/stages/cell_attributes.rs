//! The attributes of every cell of a tile: its [cover](crate::stages::cover), from the first returns over it, and its slope.
//!
//! They belong to cells of the ground filter, so that neighbouring tiles need few points beyond the radius, and all points of a
//! cell are under the same cover. Where no first return is near, there is no cover.

use crate::cloud::bounds::{Range, widened};
use crate::raster::{EMPTY, Extent, Finder, Raster};
use crate::stages::cover::{CoverRule, LEVEL_CELLS, covers};
use crate::stages::ground_limits::SurveyGround;
use crate::stages::stage::{TileStage, Wanted};
use crate::tile::at_work::{Halo, Tile};
use crate::tile::strata::{Cover, Strata, class_of};
use crate::units::{Length, Micrometres};

/// Cells on every side of a cell through whose surface a plane is laid to find its slope.
pub const SLOPE_CELLS: i64 = 2;

/// Cover and slope class of the cells of a tile's core, and of a margin around it where a stage looks there.
pub struct CellAttributes {
    finder: Finder,
    cells: Vec<(Option<Cover>, Option<u8>)>,
}

impl CellAttributes {
    /// Those of some cells, for tests: the cover at the middle of each, and no slope.
    #[cfg(test)]
    pub fn made(extent: Extent, cover: impl Fn(Micrometres, Micrometres) -> Option<Cover>) -> Self {
        let middle =
            |first: i64, off: usize| ((first + off as i64) as f64 * extent.cell + extent.cell / 2.0) as i64;
        let cell = |i: usize| {
            let (column, row) = (i % extent.columns, i / extent.columns);
            (cover(middle(extent.first_column, column), middle(extent.first_row, row)), None)
        };
        CellAttributes { finder: extent.finder(), cells: (0..extent.len()).map(cell).collect() }
    }

    /// Cover and slope class at a position, as strata.
    #[inline]
    pub fn at(&self, x: Micrometres, y: Micrometres) -> Strata {
        let (cover, slope) = self.classes_at(x, y);
        Strata { cover, slope, ..Strata::default() }
    }

    /// Whether no cell that touches this ground is known to lie under vegetation.
    pub fn is_open(&self, x: Range, y: Range) -> bool {
        let all = &self.finder.extent();
        let touched = Extent::covering(all.cell, x, y, 0).within(all);
        if touched.is_empty() {
            return true;
        }
        let (column, row) = all.offset_of(&touched);
        (row..row + touched.rows).all(|row| {
            let cells = &self.cells[row * all.columns + column..][..touched.columns];
            cells.iter().all(|(cover, _)| cover.is_none_or(|cover| cover == Cover::Open))
        })
    }

    /// Cover and slope class at a position.
    #[inline]
    pub fn classes_at(&self, x: Micrometres, y: Micrometres) -> (Option<Cover>, Option<u8>) {
        self.finder.index_of(x, y).map_or((None, None), |i| self.cells[i])
    }
}

/// The stage at work. It stands behind the ground filter of the survey, whose opened surface it takes for the ground.
pub struct ClassifyCells {
    /// How covers are told apart, if that is asked for.
    pub cover: Option<CoverRule>,
    /// Breaks between the classes of slope, rise over run.
    pub slope_breaks: Vec<f64>,
    /// Cell of the ground filter.
    pub cell: Length,
    /// How far around the core of a tile the cells must be known, for a later stage that looks around as far.
    pub margin: Micrometres,
}

impl TileStage for ClassifyCells {
    fn halo(&self) -> Halo {
        // A cell may stick out of the core, and those within the radius, and whose ground gives those their level, must be
        // whole. Edges of cells are rounded.
        let cells = (1 + LEVEL_CELLS) as f64 * self.cell.exact_micrometres();
        let cover = |cover: CoverRule| (cover.radius.exact_micrometres() + cells).ceil() as Micrometres + 1;
        Halo { survey: self.margin + self.cover.map_or(0, cover), reference: 0 }
    }

    fn wants(&self, _: &Tile<'_>) -> Wanted {
        if self.cover.is_some() { Wanted::All } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(ground) = tile.shared.get().and_then(SurveyGround::surface) else { return };
        let (x, y) = (widened(tile.core.0, self.margin), widened(tile.core.1, self.margin));
        let extent = Extent::covering(ground.extent.cell, x, y, 0).within(&ground.extent);
        let around = self.cover.map_or(extent, |cover| cover.around(&extent));
        let gradients = gradients(ground, &around);
        let covers = self.cover.map(|cover| covers(&cover, &extent, ground, &gradients, &tile.survey));
        let (margin_column, margin_row) = around.offset_of(&extent);
        let cells = (0..extent.len()).map(|i| {
            let (column, row) = (i % extent.columns + margin_column, i / extent.columns + margin_row);
            let slope = steepest(gradients[row * around.columns + column], extent.cell);
            let class = (!slope.is_nan()).then(|| class_of(slope, &self.slope_breaks));
            (covers.as_ref().and_then(|covers| covers[i]), class)
        });
        let attributes = CellAttributes { cells: cells.collect(), finder: extent.finder() };
        tile.shared.put(attributes);
    }
}

/// The rise within a cell eastwards and northwards of the least-squares plane through the surface of the 5 × 5 cells around
/// each cell of `extent`, micrometres; not a number where too few of them have one.
pub fn gradients(ground: &Raster, extent: &Extent) -> Vec<[f64; 2]> {
    const SIDE: usize = 2 * SLOPE_CELLS as usize + 1;
    const NONE: [f64; 2] = [f64::NAN; 2];
    let mut all = vec![NONE; extent.len()];
    // Sums over the five cells of each column serve the five windows that hold them. All terms are whole numbers far below
    // 2^53: the sums are exact, and the same as those of one window by itself.
    let looked_at = extent.widened(SLOPE_CELLS).within(&ground.extent);
    let inner = (looked_at.columns.saturating_sub(SIDE - 1), looked_at.rows.saturating_sub(SIDE - 1));
    let middle = looked_at.first_column + SLOPE_CELLS - extent.first_column;
    let (mut sums, mut rises) = (vec![0.0; looked_at.columns], vec![0.0; looked_at.columns]);
    for row in 0..if inner.0 > 0 { inner.1 } else { 0 } {
        let (first_column, first_row) = ground.extent.offset_of(&looked_at);
        let line = |i: usize| {
            &ground.values[(first_row + row + i) * ground.extent.columns + first_column..]
                [..looked_at.columns]
        };
        let lines: [&[f64]; SIDE] = [0, 1, 2, 3, 4].map(line);
        for (i, (sum, rise)) in sums.iter_mut().zip(&mut rises).enumerate() {
            let [a, b, c, d, e] = lines.map(|line| line[i]);
            *sum = a + b + c + d + e;
            *rise = 2.0 * (e - a) + (d - b);
        }
        let own_row = (looked_at.first_row + SLOPE_CELLS - extent.first_row) as usize + row;
        let own = &mut all[own_row * extent.columns + middle as usize..];
        for ((gradient, sums), rises) in own.iter_mut().zip(sums.windows(SIDE)).zip(rises.windows(SIDE)) {
            let east = 2.0 * (sums[4] - sums[0]) + (sums[3] - sums[1]);
            let north = rises.iter().sum::<f64>();
            // A cell without an elevation makes one of these not finite.
            if sums[2].is_finite() && east.is_finite() && north.is_finite() {
                *gradient = [east / 50.0, north / 50.0];
            }
        }
    }
    // The others have cells without an elevation around them, or lie at the edge.
    for (i, gradient) in all.iter_mut().enumerate().filter(|(_, gradient)| gradient[0].is_nan()) {
        let column = extent.first_column + (i % extent.columns) as i64;
        let row = extent.first_row + (i / extent.columns) as i64;
        *gradient = gradient_of_cell(ground, column, row).unwrap_or(NONE);
    }
    all
}

/// Steepest slope (rise over run) of the ground at a position: that of the plane of [`gradient_at`].
pub fn slope_at(ground: &Raster, x: Micrometres, y: Micrometres) -> Option<f64> {
    let [east, north] = gradient_at(ground, x, y)?;
    Some((east * east + north * north).sqrt())
}

/// Rise over run of the ground at a position, eastwards and northwards: that of the least-squares plane through the surface
/// of the 5 × 5 cells around it; nothing where too few of them have one.
pub fn gradient_at(ground: &Raster, x: Micrometres, y: Micrometres) -> Option<[f64; 2]> {
    let extent = &ground.extent;
    let i = extent.index_of(x, y)?;
    let (column, row) = ((i % extent.columns) as i64, (i / extent.columns) as i64);
    let gradient = gradient_of_cell(ground, extent.first_column + column, extent.first_row + row)?;
    Some(gradient.map(|rise| rise / extent.cell))
}

/// Steepest slope (rise over run) of a plane that rises so much within a cell eastwards and northwards.
pub fn steepest([east, north]: [f64; 2], cell: f64) -> f64 {
    (east * east + north * north).sqrt() / cell
}

/// Rise of the plane of [`gradient_at`] over the width of a cell, eastwards and northwards, micrometres.
fn gradient_of_cell(ground: &Raster, column: i64, row: i64) -> Option<[f64; 2]> {
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
    if n == 25.0 {
        // As for all cells at once, to the last bit: Σ dx² is 50.
        return Some([sxz / 50.0, syz / 50.0]);
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
        let slope = |ground: &Raster, column, row| {
            steepest(gradient_of_cell(ground, column, row).unwrap(), ground.extent.cell)
        };
        let mut ground = plane(0.12, -0.16);
        assert!((slope(&ground, 7, 7) - 0.2).abs() < 1e-12);
        for i in [7 * 40 + 7, 6 * 40 + 8, 9 * 40 + 5] {
            ground.values[i] = EMPTY;
        }
        assert!((slope(&ground, 7, 7) - 0.2).abs() < 1e-12);
        assert!((slope(&ground, 0, 0) - 0.2).abs() < 1e-12);
    }

    #[test]
    fn all_cells_at_once_have_the_gradients_that_each_has_by_itself() {
        let mut ground = plane(0.7, -0.3);
        for i in 0..ground.values.len() {
            ground.values[i] += (i * 7919 % 1_000_003) as f64;
            if i % 61 == 0 {
                ground.values[i] = EMPTY;
            }
        }
        let (all, inner) =
            (ground.extent, Extent { first_column: 2, first_row: 3, columns: 36, rows: 35, ..ground.extent });
        for extent in [all, inner] {
            let found = gradients(&ground, &extent);
            for (i, found) in found.iter().enumerate() {
                let column = extent.first_column + (i % extent.columns) as i64;
                let row = extent.first_row + (i / extent.columns) as i64;
                assert_eq!(gradient_of_cell(&ground, column, row), Some(*found));
            }
        }
    }
}
