//! The lowest-elevation surface: cells whose lowest point lies far below its surroundings are found, so that a
//! stray echo does not shape the surface.

use super::grid::{EMPTY, Raster};

/// Cells around a cell that judge its points: this many on every side.
pub const SURROUNDINGS: i64 = 2;

/// So many of the surrounding cells may lie as low as a point without vouching for it: a stray echo has company
/// now and then, a ditch fills a row of cells.
pub const UNTRUSTED: usize = 3;

/// A cell whose lowest point is a low outlier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowCell {
    /// Index of the cell.
    pub index: usize,
    /// Points of the cell below this elevation (micrometres) are low outliers.
    pub floor: f64,
}

/// Finds the cells whose lowest value lies more than `depth` micrometres below the lowest values of all but
/// [`UNTRUSTED`] of the occupied cells around them, in order of their index.
pub fn low_cells(raster: &Raster, depth: f64) -> Vec<LowCell> {
    let (columns, rows) = (raster.extent.columns, raster.extent.rows);
    let reach = SURROUNDINGS as usize;
    let mut found = Vec::new();
    for row in 0..rows {
        let near_rows = row.saturating_sub(reach)..(row + reach + 1).min(rows);
        for column in 0..columns {
            let index = row * columns + column;
            let value = raster.values[index];
            if value == EMPTY {
                continue;
            }
            let near_columns = column.saturating_sub(reach)..(column + reach + 1).min(columns);
            // On ordinary terrain the first row or two vouch for the cell; it counts itself, hence the one more.
            let mut vouching = 0;
            for other in near_rows.clone() {
                let cells = &raster.values[other * columns..][near_columns.clone()];
                vouching += cells.iter().filter(|&&v| v - depth <= value).count();
                if vouching > UNTRUSTED + 1 {
                    break;
                }
            }
            if vouching > UNTRUSTED + 1 {
                continue;
            }
            let mut neighbours: Vec<f64> = near_rows
                .clone()
                .flat_map(|r| near_columns.clone().map(move |c| r * columns + c))
                .filter(|&i| i != index && raster.values[i] != EMPTY)
                .map(|i| raster.values[i])
                .collect();
            if neighbours.len() > UNTRUSTED {
                neighbours.sort_by(f64::total_cmp);
                let floor = neighbours[UNTRUSTED] - depth;
                if value < floor {
                    found.push(LowCell { index, floor });
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Extent;

    fn flat(columns: usize, rows: usize) -> Raster {
        let extent = Extent { cell: 1.0, first_column: 0, first_row: 0, columns, rows };
        Raster { extent, values: vec![100.0; columns * rows] }
    }

    #[test]
    fn a_pit_of_up_to_three_neighbours_is_found_and_a_ditch_is_not() {
        let mut raster = flat(9, 9);
        raster.values[40] = 10.0;
        raster.values[41] = 12.0;
        let found = low_cells(&raster, 50.0);
        assert_eq!(found, vec![LowCell { index: 40, floor: 50.0 }, LowCell { index: 41, floor: 50.0 }]);
        // A ditch one cell wide passes: along it, four cells in reach are as low.
        let mut ditch = flat(9, 9);
        for row in 0..9 {
            ditch.values[row * 9 + 4] = 10.0;
        }
        assert!(low_cells(&ditch, 50.0).iter().all(|low| low.index / 9 < 2 || low.index / 9 > 6));
    }

    #[test]
    fn a_cell_with_too_few_neighbours_is_not_judged() {
        let mut raster = flat(9, 9);
        raster.values.fill(EMPTY);
        for (i, z) in [(40, 0.0), (41, 100.0), (39, 100.0), (31, 100.0)] {
            raster.values[i] = z;
        }
        assert!(low_cells(&raster, 50.0).is_empty());
        raster.values[49] = 100.0;
        assert_eq!(low_cells(&raster, 50.0).len(), 1);
    }
}
