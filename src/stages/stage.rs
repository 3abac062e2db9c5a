//! What a stage is: its options, and what works on points and on tiles.

use std::any::Any;
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::agreement::cell::CellRule;
use crate::areas::LeftOut;
use crate::cloud::Ground;
use crate::cloud::point::{Fields, Point};
use crate::raster::Raster;
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{Cloud, PointSet};
use crate::tile::yields::{YieldError, Yields};
use crate::units::{Length, Micrometres};

/// The options of a stage, as they stand in the pipeline file.
pub trait StageOptions: Any {
    /// Where in the order of work the stage belongs.
    fn step(&self) -> Step;

    /// Adds what works on points or tiles to the chain; `place` is that of the stage in the list of stages, from 1.
    fn prepare(&self, place: usize, preparing: &mut Preparing<'_>);

    /// Bytes of disk that it takes beside points, surfaces and comparisons: while the run works, and for its products.
    fn disk_bytes(&self, _survey: &ExpectedSurvey) -> u64 {
        0
    }
}

/// What is known of the survey before it is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExpectedSurvey {
    /// Points.
    pub points: u64,
    /// Square metres that it covers, about.
    pub area_m2: f64,
    /// Bytes of its files.
    pub file_bytes: u64,
}

impl dyn StageOptions + '_ {
    /// The options, where they are those of this stage.
    pub fn downcast<T: StageOptions>(&self) -> Option<&T> {
        (self as &dyn Any).downcast_ref()
    }
}

/// A chain in the making, and what a stage must know of the others.
#[derive(Default)]
pub struct Preparing<'a> {
    /// The options of all stages.
    pub options: Vec<&'a dyn StageOptions>,
    /// The seed of every draw.
    pub seed: u64,
    /// The areas whose points are left out of comparisons.
    pub left_out: LeftOut,
    /// The clouds whose ground has been classified so far.
    pub classified: Vec<Cloud>,
    /// Those of them whose classes are taken as delivered.
    pub delivered: Vec<Cloud>,
    /// What judges points as they are read.
    pub while_reading: Vec<WhileReading>,
    /// What works on tiles, in order.
    pub tiles: Vec<Box<dyn TileStage>>,
    /// Edge of the terrain cells, where the survey's ground is classified.
    pub terrain_cell: Option<Length>,
    /// Edge of the cells of rasters that are handed over, where there are any.
    pub raster_cell: Option<Length>,
    /// Whether reading continues past damaged blocks.
    pub skip_damaged: bool,
    /// Where the reference is a list of surveyed points: their positions.
    pub surveyed: Option<Places>,
    /// Where the survey is fitted to control: its positions.
    pub control: Places,
    /// Whether points may lie outside the boxes that the headers state.
    pub ignore_bounds: bool,
    /// What of the setups of the reference matters.
    pub setups: Setups,
    /// How cells are judged where ground is summed up by strip and setup.
    pub agreement: Option<CellRule>,
    /// How far around the core of a tile cover and slope of the ground must be known.
    pub attributes_margin: Micrometres,
}

/// Positions of surveyed points in plan, by their number in their list.
pub type Places = Arc<Vec<(Micrometres, Micrometres)>>;

/// What of the setups of the reference matters.
#[derive(Clone, Debug, Default)]
pub struct Setups {
    /// Some overlap: their ground is summed up apart.
    pub overlap: bool,
    /// Where they are registered, and comparisons are summed up by setup: the middle of the targets of each in plan.
    pub middles: Option<Arc<Vec<[Micrometres; 2]>>>,
}

impl Preparing<'_> {
    /// The options of the first stage of a kind.
    pub fn find<T: StageOptions>(&self) -> Option<&T> {
        self.options.iter().find_map(|options| options.downcast())
    }

    /// Whether the survey's ground has been classified so far.
    pub fn survey_is_classified(&self) -> bool {
        self.classified.contains(&Cloud::Survey)
    }
}

/// A filter of the points of one cloud as they are read, by the position of its stage in the list of stages, from 1.
pub struct WhileReading {
    /// The cloud.
    pub cloud: Cloud,
    /// The position.
    pub place: usize,
    /// The filter.
    pub filter: Box<dyn PointFilter>,
}

/// Chooses points one by one.
pub trait PointFilter: Send + Sync {
    /// Point fields that it looks at beyond those that every point has.
    fn fields(&self) -> Fields;

    /// The ground outside of which it selects nothing, if there is such.
    fn ground(&self) -> Option<&Ground> {
        None
    }

    /// Whether it selects a point.
    fn selects(&self, point: &Point) -> bool;

    /// Leaves only the points that it selects.
    fn retain(&self, points: &mut Vec<Point>);
}

/// The order of work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// Points are read.
    Read,
    /// Points are selected, and ground is classified.
    Filter,
    /// Checkpoints are drawn.
    Draw,
    /// Survey and reference are compared.
    Compare,
    /// Results are summed up.
    Summarise,
    /// Files are made that are handed over.
    Deliver,
}

/// A stage at work on one tile at a time. It says what it needs; the engine brings it.
///
/// What can be said of a point without the others is done in a [`Visitor`], while the points come from the disk; what takes
/// the whole tile is done afterwards. So only tiles whose points a stage wants together are held in memory. What it gives
/// back it adds to a section of [`Tile::sections`] as bytes, which nobody but itself reads again.
pub trait TileStage: Send + Sync {
    /// Point fields that it looks at beyond those that every point has.
    fn fields(&self) -> Fields {
        Fields::default()
    }

    /// How far beyond the core of a tile it must see points, those included that what it looks at there rests on. What the ground
    /// filter makes of a point rests on surfaces, not on other points.
    fn halo(&self) -> Halo {
        Halo::default()
    }

    /// The lowest-elevation surface that it wants, if any.
    fn surface(&self) -> Option<SurfaceNeed> {
        None
    }

    /// Gets ready to visit the points of a tile, if that is what it does; `surface` is what [`TileStage::surface`] asked
    /// for, over the core, the halo and the margin. Nothing has been decided about the tile so far.
    fn visitor<'a>(
        &'a self,
        _tile: &mut Tile<'_>,
        _surface: Option<Raster>,
    ) -> Option<Box<dyn Visitor + 'a>> {
        None
    }

    /// The survey's points in this tile that it wants together, in [`Visitor::survey_visited`] or [`TileStage::run`].
    fn wants(&self, _tile: &Tile<'_>) -> Wanted {
        Wanted::Nothing
    }

    /// Bytes of memory that it takes for each point of the survey that it wants, beside the point, among so many points of the reference a
    /// square metre.
    fn bytes_per_point(&self, _reference_per_m2: f64) -> f64 {
        0.0
    }

    /// Bytes of memory that it takes for each cell of its [surface](TileStage::surface) until the tile is done, beside those of
    /// the surface while that is opened.
    fn bytes_per_cell(&self) -> f64 {
        0.0
    }

    /// Bytes of memory that it takes for each point of a tile until it gives back what it found, whether points are held or not.
    fn bytes_given(&self) -> f64 {
        0.0
    }

    /// Does what takes the whole tile.
    fn run(&self, _tile: &mut Tile<'_>) {}

    /// What `summary.json` says of this stage under `stages`, with its name there, from what it gave back of all tiles.
    ///
    /// # Errors
    /// Where the disk does not give that back.
    fn conclude(&self, _yields: &dyn Yields) -> Result<Option<(String, Value)>, YieldError> {
        Ok(None)
    }
}

/// Points of the survey that a stage wants together, fewer to more. The reference's are never held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Wanted {
    /// None.
    Nothing,
    /// Those that a point of the reference can matter to: as near to the box around all of them as both [halos](Halo)
    /// together are wide.
    NearReference,
    /// All.
    All,
}

/// A stage's visitor of the points of one tile.
pub trait Visitor {
    /// Sees a piece of a cloud's points, core first, after the stages before it have. All pieces of the survey come
    /// first, then those of the reference.
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet);

    /// All of the survey has been visited, and what is wanted of it is in [`Tile::survey`]; the reference comes next.
    fn survey_visited(&mut self, _tile: &mut Tile<'_>) {}

    /// Hands over what was found.
    fn finish(self: Box<Self>, tile: &mut Tile<'_>);
}

/// Which points of a cloud a surface is the lowest of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LowestOf {
    /// All that are not labelled noise.
    AllButNoise,
    /// Those that the file classifies as ground.
    GroundClass,
}

/// A surface that a stage wants: the lowest elevation of each cell of one cloud.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurfaceNeed {
    /// The cloud.
    pub cloud: Cloud,
    /// Which of its points.
    pub of: LowestOf,
    /// Cell size, micrometres; see [`Extent::cell`](crate::raster::Extent::cell).
    pub cell: f64,
    /// Cells that it must see around the points it judges.
    pub margin: i64,
}

/// Which surface it is: of a cloud, of some of its points, in cells of a size (the bits of its micrometres).
pub type SurfaceKey = (Cloud, LowestOf, u64);

impl SurfaceNeed {
    /// Which surface it is, whatever the margin.
    pub fn key(&self) -> SurfaceKey {
        (self.cloud, self.of, self.cell.to_bits())
    }
}

/// Which of the two clouds a stage applies to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CloudChoice {
    /// The survey and the reference alike.
    #[default]
    Both,
    /// The survey alone.
    Survey,
    /// The reference alone.
    Reference,
}

impl CloudChoice {
    /// The clouds that the choice takes in.
    pub fn clouds(self) -> impl Iterator<Item = Cloud> {
        [Cloud::Survey, Cloud::Reference].into_iter().filter(move |cloud| self.includes(*cloud))
    }

    /// Whether the choice takes in a cloud.
    pub fn includes(self, cloud: Cloud) -> bool {
        matches!(
            (self, cloud),
            (CloudChoice::Both, _)
                | (CloudChoice::Survey, Cloud::Survey)
                | (CloudChoice::Reference, Cloud::Reference)
        )
    }
}
