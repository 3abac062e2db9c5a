//! `terrain`: the terrain model of the whole survey, as rasters.
//!
//! Tiles give back their ground points, which cells the survey saw, and sums of the reference by cell. Which returns to use is known
//! only once all tiles are done: the rasters are made from these when the run is concluded.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::areas::LeftOut;
use crate::cloud::bounds::{Bounds, Range, overlap};
use crate::cloud::point::Point;
use crate::raster::{Extent, Finder, Raster};
use crate::stages::auto::Auto;
use crate::stages::left_out;
use crate::stages::stage::{ExpectedSurvey, Preparing, StageOptions, Step, TileStage, Visitor};
use crate::terrain::cells::Sums;
use crate::terrain::coverage::Coverage;
use crate::terrain::surface::ground::{GroundPoint, encode};
use crate::tile::at_work::Tile;
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::units::Length;

/// Makes the terrain model of the whole survey, as Cloud Optimized GeoTIFF: elevation (terrain.tif), its standard error, ground
/// density by return, the return that decided each cell, voids, and terrain minus reference where there is reference.
///
/// Elevations are those at the middle of each cell, in the survey's own coordinate system and vertical unit. The standard error
/// is what points do not share with their neighbours: the scatter of the ground around, noise and roughness together. What a
/// strip or the whole survey is off by is in the figures against the reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct TerrainStage {
    /// Edge length of a cell.
    #[schemars(extend("x-source" = "USGS Lidar Base Specification 2025, Table 6 (quality levels 0 and 1)"))]
    pub cell: Length,
    /// How elevations come from ground points. `triangulation`: linear in the Delaunay triangulation of the ground points of the
    /// returns chosen. `weighted`: a plane through the ground around each cell, each return weighted by its variance and brought
    /// to the level of the first, as learned from a scanned reference.
    #[schemars(extend("x-source" = "triangulation: ASPRS Positional Accuracy Standards (interpolation in a TIN); planes: Cleveland 1979 (citation not verified)"))]
    pub method: TerrainMethod,
    /// The returns whose ground points are used, as in `[1, 2]`. `auto` takes returns 1 to k of the row of
    /// `terrain_by_returns` with the lowest SD against the reference over the common cells; where that table supports no
    /// choice, all returns; with `method: weighted` all returns of which enough is known. The results state the choice.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub returns: Auto<Vec<u8>>,
    /// How far voids are filled: the largest radius of the circumscribed circle of a triangle, so that no cell is farther than that
    /// from the nearest ground point that it is interpolated from. Wider voids have no elevation.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub fill: Length,
}

/// How elevations come from ground points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum TerrainMethod {
    /// Linear in a triangulation.
    #[default]
    Triangulation,
    /// Planes, weighted by variance.
    Weighted,
}

impl TerrainMethod {
    /// Its name in the pipeline file.
    pub fn name(self) -> &'static str {
        match self {
            TerrainMethod::Triangulation => "triangulation",
            TerrainMethod::Weighted => "weighted",
        }
    }
}

impl Default for TerrainStage {
    fn default() -> Self {
        TerrainStage {
            cell: Length::metres(0.5),
            method: TerrainMethod::Triangulation,
            returns: Auto::Auto,
            fill: Length::metres(5.0),
        }
    }
}

/// Bytes of a ground point as it waits on disk, and of a cell in all rasters and in what they wait in.
const POINT_ON_DISK: f64 = 5.5;
const CELL_ON_DISK: f64 = 30.0;

impl StageOptions for TerrainStage {
    fn step(&self) -> Step {
        Step::Deliver
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        preparing.raster_cell = Some(self.cell);
        let left_out = preparing.left_out.clone();
        preparing.tiles.push(Box::new(GiveGround { cell: self.cell, left_out }));
    }

    fn disk_bytes(&self, survey: &ExpectedSurvey) -> u64 {
        let cells = survey.area_m2 / self.cell.exact_metres().powi(2);
        (survey.points as f64 * POINT_ON_DISK + cells * CELL_ON_DISK) as u64
    }
}

/// The section of the ground points.
pub const GROUND: &str = "terrain ground";

/// The section of the cells that the survey saw.
pub const SEEN: &str = "terrain seen";

/// The section of the reference's sums by cell.
pub const REFERENCE: &str = "terrain reference";

/// The stage at work.
struct GiveGround {
    cell: Length,
    /// Areas whose points are not compared with.
    left_out: LeftOut,
}

/// Bytes that each point of a tile takes, packed and once more while it is written.
const BYTES_GIVEN: f64 = 16.0;

impl TileStage for GiveGround {
    fn bytes_given(&self) -> f64 {
        BYTES_GIVEN
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let cell = self.cell.exact_micrometres();
        let in_core = |ground: (Range, Range)| overlap(ground, tile.core);
        let (x, y) = in_core(tile.around.bounds(Cloud::Survey).ranges()?)?;
        let extent = Extent::covering(cell, x, y, 0);
        let mut scanned = Bounds::default();
        for near in tile.around.boxes_on(Cloud::Reference, (x, y)) {
            if let Some(ground) = near.ranges().and_then(in_core) {
                scanned.merge(&Bounds::over(ground));
            }
        }
        Some(Box::new(GroundGiver {
            left_out: &self.left_out,
            seen: Coverage::new(extent),
            finder: extent.finder(),
            reference: scanned.ranges().map(|(x, y)| Sums::new(Extent::covering(cell, x, y, 0))),
            points: Vec::new(),
            packed: Vec::new(),
        }))
    }
}

struct GroundGiver<'a> {
    left_out: &'a LeftOut,
    seen: Coverage,
    finder: Finder,
    reference: Option<Sums>,
    /// Those of one piece.
    points: Vec<GroundPoint>,
    packed: Vec<u8>,
}

impl Visitor for GroundGiver<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        let core = piece.points.iter().zip(&piece.statuses).take(piece.core);
        match cloud {
            Cloud::Survey => {
                self.points.clear();
                for (point, status) in core {
                    let ground = point.valid_return().filter(|_| *status == PointStatus::Ground);
                    if let Some(place) = self.finder.index_of(point.x, point.y) {
                        self.seen.add(place, ground);
                    }
                    self.points.extend(ground.map(|return_number| GroundPoint {
                        x: point.x,
                        y: point.y,
                        z: point.z,
                        return_number,
                    }));
                }
                if !self.points.is_empty() {
                    let mut packed = Vec::new();
                    encode(&mut self.points, &mut packed);
                    self.packed.extend((packed.len() as u64).to_le_bytes());
                    self.packed.extend(packed);
                }
            }
            Cloud::Reference => {
                let Some(sums) = &mut self.reference else { return };
                let left_out = |point: &Point| self.left_out.first(left_out::place(cloud), point).is_some();
                let ground =
                    core.filter(|(point, status)| **status == PointStatus::Ground && !left_out(point));
                sums.add_references(ground.map(|(point, _)| (point.x, point.y, point.z)));
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        self.seen.encode(tile.sections.of(SEEN));
        if let Some(sums) = &self.reference {
            sums.encode(tile.sections.of(REFERENCE));
        }
        *tile.sections.of(GROUND) = self.packed;
    }
}
