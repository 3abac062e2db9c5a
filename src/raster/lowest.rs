//! The lowest-elevation surface: cells whose lowest point lies far below its surroundings are found, so that a
//! stray return does not shape the surface.

use crate::raster::grid::{EMPTY, Raster};

/// Cells on every side of a cell that judge its points: the 24 around it.
const NEAR: usize = 2;

/// So many of the cells near by may lie as low as a point without confirming it: stray returns now and then come
/// together.
const UNTRUSTED: usize = 3;

/// So many of the cells near by must lie well above a point before it can be an outlier: fewer prove nothing.
const HIGHER: usize = 5;

/// Cells on every side of a cell in which others as low confirm it. Under trees the few returns that reach the
/// ground lie far below all that is near them, but others like them lie around.
pub const WIDE: i64 = 9;

/// In so many of the four quarters around a cell there must be others as low to confirm it: on a slope the ground
/// downhill, in two quarters, is as low as a stray return. At the edge of a cloud, where some quarters hold less
/// than half of what the fullest holds, in all the others.
const QUARTERS: usize = 3;

/// So many others must be as low in a quarter: one may be another stray return.
const OTHERS: usize = 2;

/// A cell whose lowest point is a low outlier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowCell {
    /// Index of the cell.
    pub index: usize,
    /// Points of the cell below this elevation (micrometres) are low outliers.
    pub floor: f64,
}

/// Finds the cells whose lowest value is a low outlier, in order of their index.
///
/// Of the 24 cells around it, at least five lie more than `depth` micrometres above it and at most three do not;
/// and within nine cells, two or more others that do not are not found in three of the four quarters around it.
/// Quarters that hold less than half as many cells with points as the fullest are passed over; where fewer than three remain, all
/// of them must hold some.
pub fn low_cells(raster: &Raster, depth: f64) -> Vec<LowCell> {
    let (columns, rows) = (raster.extent.columns, raster.extent.rows);
    let mut found = Vec::new();
    for row in 0..rows {
        let near_rows = row.saturating_sub(NEAR)..(row + NEAR + 1).min(rows);
        for column in 0..columns {
            let index = row * columns + column;
            let value = raster.values[index];
            if value == EMPTY {
                continue;
            }
            let near_columns = column.saturating_sub(NEAR)..(column + NEAR + 1).min(columns);
            // On ordinary terrain the first row or two settle it; the cell counts itself, hence the one more.
            let mut as_low = 0;
            for other in near_rows.clone() {
                let cells = &raster.values[other * columns..][near_columns.clone()];
                as_low += cells.iter().filter(|&&v| v - depth <= value).count();
                if as_low > UNTRUSTED + 1 {
                    break;
                }
            }
            if as_low > UNTRUSTED + 1 {
                continue;
            }
            let mut near: Vec<f64> = near_rows
                .clone()
                .flat_map(|r| near_columns.clone().map(move |c| r * columns + c))
                .filter(|&i| i != index && raster.values[i] != EMPTY)
                .map(|i| raster.values[i])
                .collect();
            if near.len() < as_low - 1 + HIGHER || others_as_low(raster, column, row, depth) {
                continue;
            }
            near.sort_by(f64::total_cmp);
            found.push(LowCell { index, floor: near[UNTRUSTED] - depth });
        }
    }
    found
}

/// Whether within [`WIDE`] cells others lie at most `depth` above a cell in enough of the quarters around it.
fn others_as_low(raster: &Raster, column: usize, row: usize, depth: f64) -> bool {
    let (columns, rows) = (raster.extent.columns as i64, raster.extent.rows as i64);
    let (column, row) = (column as i64, row as i64);
    let value = raster.values[(row * columns + column) as usize];
    let (mut occupied, mut as_low) = ([0usize; 4], [0usize; 4]);
    for other_row in (row - WIDE).max(0)..(row + WIDE + 1).min(rows) {
        for other_column in (column - WIDE).max(0)..(column + WIDE + 1).min(columns) {
            let other = raster.values[(other_row * columns + other_column) as usize];
            if other == EMPTY {
                continue;
            }
            // Each quarter has one of the half axes that bound it.
            let quarter = match (other_column - column, other_row - row) {
                (0, 0) => continue,
                (dx, dy) if dx > 0 && dy >= 0 => 0,
                (dx, dy) if dx <= 0 && dy > 0 => 1,
                (dx, dy) if dx < 0 && dy <= 0 => 2,
                _ => 3,
            };
            occupied[quarter] += 1;
            as_low[quarter] += usize::from(other - depth <= value);
        }
    }
    let fullest = occupied.into_iter().max().unwrap_or(0);
    let tell = |quarter: &usize| occupied[*quarter] > 0 && 2 * occupied[*quarter] >= fullest;
    let telling: Vec<usize> = (0..4).filter(tell).collect();
    telling.iter().filter(|&&quarter| as_low[quarter] >= OTHERS).count() >= QUARTERS.min(telling.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Extent;

    const SIDE: usize = 31;
    const MIDDLE: usize = 15 * SIDE + 15;

    /// Values of a square raster by column and row.
    fn raster(value: impl Fn(usize, usize) -> f64) -> Raster {
        let extent = Extent { cell: 1.0, first_column: 0, first_row: 0, columns: SIDE, rows: SIDE };
        Raster { extent, values: (0..SIDE * SIDE).map(|i| value(i % SIDE, i / SIDE)).collect() }
    }

    fn found(raster: &Raster) -> Vec<usize> {
        low_cells(raster, 1.0).iter().map(|low| low.index).collect()
    }

    #[test]
    fn stray_echoes_are_found_on_the_flat_and_on_a_slope() {
        for slope in [0.0, 0.1, 0.3] {
            // Cells of half a metre, elevations in metres.
            let mut ground = raster(|c, _| c as f64 * 0.5 * slope);
            assert!(found(&ground).is_empty());
            ground.values[MIDDLE] -= 3.0;
            ground.values[MIDDLE + 1] -= 4.0;
            assert_eq!(found(&ground), [MIDDLE, MIDDLE + 1], "slope {slope}");
        }
    }

    #[test]
    fn points_of_the_cell_below_its_surroundings_fall_with_it() {
        let mut ground = raster(|_, _| 100.0);
        ground.values[MIDDLE] = 90.0;
        assert_eq!(low_cells(&ground, 1.0), [LowCell { index: MIDDLE, floor: 99.0 }]);
    }

    #[test]
    fn a_ditch_and_the_corner_of_a_courtyard_are_no_outliers() {
        let ditch = raster(|_, r| if (14..17).contains(&r) { -2.0 } else { 0.0 });
        assert!(found(&ditch).is_empty());
        let courtyard = raster(|c, r| if c >= 15 && r >= 15 { 0.0 } else { 6.0 });
        assert!(found(&courtyard).is_empty());
    }

    #[test]
    fn the_few_echoes_that_reach_the_ground_under_trees_are_kept() {
        // One cell in twelve holds ground, the others crowns only.
        let forest =
            |c: usize, r: usize| if (c * 7 + r * 5).is_multiple_of(12) { 0.05 * c as f64 } else { 9.0 };
        assert!(found(&raster(forest)).is_empty());
        let mut with_echo = raster(forest);
        with_echo.values[MIDDLE] = -5.0;
        assert_eq!(found(&with_echo), [MIDDLE]);
    }

    #[test]
    fn a_cell_with_too_few_neighbours_is_not_judged() {
        let mut sparse = raster(|_, _| EMPTY);
        sparse.values[MIDDLE] = 0.0;
        for near in [MIDDLE - 2, MIDDLE - 1, MIDDLE + 1, MIDDLE + SIDE] {
            sparse.values[near] = 100.0;
        }
        assert!(found(&sparse).is_empty());
        sparse.values[MIDDLE - SIDE] = 100.0;
        assert_eq!(found(&sparse), [MIDDLE]);
    }
}
