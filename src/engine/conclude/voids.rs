//! Voids of the terrain model as polygons: blocks of the model give their cells as runs, in any order, and once all are made they are
//! joined row by row.

use std::path::Path;

use crate::engine::store::error::EngineError;
use crate::engine::store::spill::Spill;
use crate::products::geotiff::BLOCK;
use crate::raster::Extent;
use crate::raster::outlines::{Outline, Outliner, Run};

/// The voids of a terrain model, as runs of cells on disk, by the first row of the blocks that they lie in.
pub struct VoidRuns {
    spill: Spill<i64>,
    /// Edge of a cell, micrometres.
    #[cfg_attr(not(feature = "geopackage"), allow(dead_code, reason = "only a GeoPackage takes polygons"))]
    pub cell: f64,
}

/// Bytes of a run: its row in the block, its first column, its length and its value.
const ENCODED: usize = 13;

impl VoidRuns {
    /// None yet; they wait in a file at `path`.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn create(path: &Path, cell: f64) -> Result<Self, EngineError> {
        Ok(VoidRuns { spill: Spill::create(path)?, cell })
    }

    /// Adds those of a block, whose values come row by row from the north, [`BLOCK`] to a row: 1 and 2 are voids.
    ///
    /// # Errors
    /// Where the disk does not take them.
    pub fn add(&self, block: &Extent, values: &[f32]) -> Result<(), EngineError> {
        let mut bytes = Vec::new();
        for (row, cells) in (0..block.rows).rev().zip(values.chunks(BLOCK)) {
            let cells = &cells[..block.columns];
            let mut start = 0;
            for run in cells.chunk_by(|a, b| a == b) {
                if run[0] == 1.0 || run[0] == 2.0 {
                    bytes.extend((row as u16).to_le_bytes());
                    bytes.extend((block.first_column + start as i64).to_le_bytes());
                    bytes.extend((run.len() as u16).to_le_bytes());
                    bytes.push(run[0] as u8);
                }
                start += run.len();
            }
        }
        self.spill.append(block.first_row, &bytes)
    }

    /// Hands over all polygons, those that end farther south first.
    ///
    /// # Errors
    /// Where the disk does not give them back, or `each` fails.
    #[cfg_attr(not(feature = "geopackage"), allow(dead_code, reason = "only a GeoPackage takes polygons"))]
    pub fn for_each<E: From<EngineError>>(
        &self,
        mut each: impl FnMut(Outline) -> Result<(), E>,
    ) -> Result<(), E> {
        let (mut outliner, mut buffer) = (Outliner::default(), Vec::new());
        for (first_row, _) in self.spill.last_pieces() {
            let mut runs: Vec<(i64, Run)> = Vec::new();
            self.spill.for_each_piece(first_row, &mut buffer, |bytes| {
                let (whole, rest) = bytes.as_chunks::<ENCODED>();
                runs.extend(whole.iter().map(|b| decode(b, first_row)));
                rest.is_empty().then_some(())
            })?;
            runs.sort_unstable();
            // Those that an edge between blocks cuts are put together.
            runs.dedup_by(|(row, run), (row_before, before)| {
                let goes_on = row == row_before && run.start == before.end && run.value == before.value;
                if goes_on {
                    before.end = run.end;
                }
                goes_on
            });
            for row in runs.chunk_by(|a, b| a.0 == b.0) {
                let own: Vec<Run> = row.iter().map(|(_, run)| *run).collect();
                outliner.row(row[0].0, &own, &mut each)?;
            }
        }
        outliner.finish(&mut each)
    }
}

fn decode(b: &[u8; ENCODED], first_row: i64) -> (i64, Run) {
    let row = first_row + i64::from(u16::from_le_bytes([b[0], b[1]]));
    let start = i64::from_le_bytes([b[2], b[3], b[4], b[5], b[6], b[7], b[8], b[9]]);
    let length = i64::from(u16::from_le_bytes([b[10], b[11]]));
    (row, Run { start, end: start + length, value: b[12] })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The polygons of voids on 600 cells by 500, whose blocks come in some order.
    fn found(order: &[usize], void: impl Fn(i64, i64) -> f32) -> Vec<Outline> {
        let folder = tempfile::tempdir().unwrap();
        let runs = VoidRuns::create(&folder.path().join("voids"), 5e5).unwrap();
        let (across, all) = (
            600usize.div_ceil(BLOCK),
            Extent { cell: 5e5, first_column: -70, first_row: 900, columns: 600, rows: 500 },
        );
        for number in order {
            let (column, row) = (number % across * BLOCK, number / across * BLOCK);
            let block = Extent {
                first_column: all.first_column + column as i64,
                first_row: all.first_row + row as i64,
                columns: BLOCK.min(all.columns - column),
                rows: BLOCK.min(all.rows - row),
                ..all
            };
            let mut values = vec![0.0; BLOCK * BLOCK];
            for r in 0..block.rows {
                for c in 0..block.columns {
                    let value = void(block.first_column + c as i64, block.first_row + r as i64);
                    values[(block.rows - 1 - r) * BLOCK + c] = value;
                }
            }
            runs.add(&block, &values).unwrap();
        }
        let mut found = Vec::new();
        runs.for_each::<EngineError>(|one| {
            found.push(one);
            Ok(())
        })
        .unwrap();
        found
    }

    #[test]
    fn edges_of_blocks_cannot_be_told_from_the_polygons() {
        // A ring across blocks, filled in its west; crumbs all over.
        let void = |column: i64, row: i64| {
            let off = ((column - 200).pow(2) + (row - 1150).pow(2)) as f64;
            match () {
                () if (180.0 * 180.0..200.0 * 200.0).contains(&off) => {
                    if column < 200 {
                        1.0
                    } else {
                        2.0
                    }
                }
                () if (column * 31 + row * 17) % 97 == 0 => 1.0,
                () => -999_999.0,
            }
        };
        let blocks = 600usize.div_ceil(BLOCK) * 500usize.div_ceil(BLOCK);
        assert!(blocks > 1);
        let order: Vec<usize> = (0..blocks).collect();
        let expected = found(&order, void);
        assert_eq!(expected, found(&order.iter().rev().copied().collect::<Vec<_>>(), void));
        let cells =
            |value: u8| expected.iter().filter(|one| one.value == value).map(|one| one.cells).sum::<u64>();
        for value in [1u8, 2] {
            let mut counted = 0;
            for column in -70..530 {
                for row in 900..1400 {
                    counted += u64::from(void(column, row) == f32::from(value));
                }
            }
            assert_eq!(cells(value), counted);
        }
        assert_eq!(expected.iter().filter(|one| one.value == 2).count(), 1);
        assert!(expected.len() > 1000);
    }
}
