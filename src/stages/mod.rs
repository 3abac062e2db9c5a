//! The stages: one file each, with its options, its docs, its work and its tests together.

pub mod acceptance_limit;
pub mod auto;
pub mod cell_attributes;
pub mod chain;
pub mod checkpoints;
pub mod compare;
pub mod draw;
pub mod ground;
pub mod matching;
pub mod read;
pub mod select;
pub mod summarise;
pub mod terrain_cells;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::point::Fields;
use crate::raster::Raster;
use crate::tile::points::{Cloud, PointSet, Tile};
use crate::units::Micrometres;

/// A stage at work on one tile at a time. It says what it needs; the engine brings it.
///
/// What can be said of a point without the others is done in a [`Look`], while the points come from the disk; what takes
/// the whole tile is done afterwards. So only tiles whose points a stage wants together are held in memory.
pub trait TileStage: Send + Sync {
    /// Point fields that it looks at beyond those that every point has.
    fn fields(&self) -> Fields {
        Fields::default()
    }

    /// How far beyond the core of a tile it must see points. The engine adds up what the stages ask for.
    fn halo(&self) -> Halo {
        Halo::default()
    }

    /// The lowest-elevation surface that it wants, if any.
    fn surface(&self) -> Option<SurfaceNeed> {
        None
    }

    /// Gets ready to look at the points of a tile, if that is what it does; `surface` is what [`TileStage::surface`] asked
    /// for, over the core, the halo and the margin. Nothing has been decided about the tile so far.
    fn visitor<'a>(&'a self, _tile: &Tile, _surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        None
    }

    /// The points of a cloud in this tile that [`TileStage::run`] wants.
    fn wants(&self, _cloud: Cloud, _tile: &Tile) -> Wanted {
        Wanted::Nothing
    }

    /// Does what takes the whole tile.
    fn run(&self, _tile: &mut Tile) {}
}

/// Points of one cloud that a stage wants together, fewer to more. Of the reference only ground is ever held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Wanted {
    /// None.
    Nothing,
    /// Those that a ground point of the reference can matter to: as near to the box around all of them as both
    /// [halos](Halo) together are wide.
    NearReference,
    /// All.
    All,
}

/// A stage's look at the points of one tile.
pub trait Visitor {
    /// Sees a piece of a cloud's points, core first, after the stages before it have. All pieces of the reference come
    /// first, then those of the survey.
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet);

    /// Hands over what was found.
    fn finish(self: Box<Self>, tile: &mut Tile);
}

/// A margin around the core of a tile in which points must be seen, micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Halo {
    /// Of the survey's points.
    pub survey: Micrometres,
    /// Of the reference's points.
    pub reference: Micrometres,
}

/// A surface that a stage wants: the lowest elevation of each cell of one cloud.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurfaceNeed {
    /// The cloud.
    pub cloud: Cloud,
    /// Cell size, micrometres; see [`Extent::cell`](crate::raster::Extent::cell).
    pub cell: f64,
    /// Cells that it must see around the points it judges.
    pub margin: i64,
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

/// One entry of the list of stages in a pipeline file: a map of one key, the stage's name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// See [`read::Read`].
    Read(read::Read),
    /// See [`select::Select`].
    Select(select::Select),
    /// See [`ground::Ground`].
    Ground(ground::Ground),
    /// See [`checkpoints::Checkpoints`].
    Checkpoints(checkpoints::Checkpoints),
    /// See [`compare::Compare`].
    Compare(compare::Compare),
    /// See [`summarise::Summarise`].
    Summarise(summarise::Summarise),
}

impl Stage {
    /// The options of `compare`, if it is that stage.
    pub fn as_compare(&self) -> Option<&compare::Compare> {
        if let Stage::Compare(options) = self { Some(options) } else { None }
    }

    /// The options of `summarise`, if it is that stage.
    pub fn as_summarise(&self) -> Option<&summarise::Summarise> {
        if let Stage::Summarise(options) = self { Some(options) } else { None }
    }
}
