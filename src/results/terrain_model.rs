//! The terrain model that a run hands over: how it was made, and which returns the account of returns used supports.

use serde::Serialize;

use crate::results::statistics::Support;
use crate::terrain::by_returns::TerrainRow;

/// The terrain model of the whole survey. Lengths are in the unit of the report.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TerrainModel {
    /// How elevations come from ground points: `triangulation` or `weighted`.
    pub method: &'static str,
    /// The returns used.
    pub returns: Vec<u8>,
    /// Why these.
    pub reason: String,
    /// Edge of a cell.
    pub cell: f64,
    /// How far voids are filled.
    pub fill: f64,
    /// Cells that have an elevation.
    pub cells: u64,
    /// Those of them without ground of these returns: voids that are filled.
    pub filled: u64,
    /// Cells that the survey saw, but that have no elevation.
    pub open: u64,
    /// Cells that have terrain minus reference.
    pub compared: u64,
    /// The files, by name in the run folder.
    pub files: Vec<String>,
}

/// The row of `terrain_by_returns` whose terrain has the lowest SD against the reference over the common cells, and that SD, where
/// enough cells are common; `surveyed` where the reference is a list of surveyed points.
pub fn supported(rows: &[TerrainRow], surveyed: bool) -> Option<(&TerrainRow, f64)> {
    let fewest = if surveyed { Support::FEWEST_FOR_A_VERDICT } else { Support::FEWEST_COMPARISONS };
    let enough = |row: &&TerrainRow| row.terrain.common_cells >= fewest;
    let known = rows.iter().filter(enough).filter_map(|row| Some((row, row.terrain.sd_terrain_common?)));
    known.min_by(|a, b| a.1.total_cmp(&b.1))
}
