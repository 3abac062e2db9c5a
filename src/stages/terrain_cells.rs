//! What each tile gives towards the terrain: its coverage by cell, and sums of its ground points where there is
//! reference to test the terrain with.

use super::TileStage;
use crate::engine::tile::{Fate, Tile};
use crate::engine::tiles::Range;
use crate::pipeline::units::{Length, Micrometres};
use crate::raster::{Extent, Raster};
use crate::terrain::cells::CellSums;

/// Farthest that the terrain model looks for ground, micrometres: beyond, it is a hole. This program's own choice.
pub const REACH: Micrometres = 10_000_000;

/// Where a tile sums up terrain cells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TerrainGround {
    /// The part of the core that the survey may cover.
    pub covered: (Range, Range),
    /// The ground within reach of the reference.
    pub tested: Option<(Range, Range)>,
}

/// The stage at work, after all that decides what is ground.
pub struct SumTerrain {
    /// Edge of a terrain cell.
    pub cell: Length,
}

impl TileStage for SumTerrain {
    fn run(&self, tile: &mut Tile, _: Option<Raster>) {
        let Some(TerrainGround { covered, tested }) = tile.terrain else { return };
        let cell = self.cell.exact_micrometres();
        let extent = |(x, y): (Range, Range)| Extent::covering(cell, x, y, 0);
        let mut cells = CellSums::new(extent(covered), tested.map(extent));
        let survey = &tile.survey;
        for (point, fate) in survey.points.iter().zip(&survey.fates).take(survey.core) {
            let is_ground = *fate == Fate::Ground;
            cells.add_survey(point.x, point.y, point.z, point.valid_return().unwrap_or(0), is_ground);
        }
        if tested.is_some() {
            let reference = &tile.reference;
            for (point, fate) in reference.points.iter().zip(&reference.fates).take(reference.core) {
                if *fate == Fate::Ground {
                    cells.add_reference(point.x, point.y, point.z);
                }
            }
        }
        tile.found.terrain = cells.encode();
    }
}
