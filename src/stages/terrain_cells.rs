//! What each tile gives towards the terrain: its coverage by cell, and sums of its ground points where there is
//! reference to test the terrain with.

use crate::cloud::bounds::Range;
use crate::raster::{Extent, Raster};
use crate::stages::{TileStage, Visitor};
use crate::terrain::cells::CellSums;
use crate::tile::points::{Cloud, PointSet, PointStatus, Tile};
use crate::units::{Length, Micrometres};

/// Farthest that the terrain model looks for ground, micrometres: beyond, it is a void. This program's own choice.
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
    fn visitor<'a>(&'a self, tile: &Tile, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let TerrainGround { covered, tested } = tile.terrain?;
        let cell = self.cell.exact_micrometres();
        let extent = |(x, y): (Range, Range)| Extent::covering(cell, x, y, 0);
        Some(Box::new(CellSums::new(extent(covered), tested.map(extent))))
    }
}

impl Visitor for CellSums {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        for (point, status) in piece.points.iter().zip(&piece.statuses).take(piece.core) {
            let is_ground = *status == PointStatus::Ground;
            match cloud {
                Cloud::Survey => {
                    let return_number = point.valid_return().unwrap_or(0);
                    self.add_survey(point.x, point.y, point.z, return_number, is_ground);
                }
                Cloud::Reference if is_ground => self.add_reference(point.x, point.y, point.z),
                Cloud::Reference => {}
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile) {
        tile.found.terrain = self.encode();
    }
}
