//! What the ground filter knows of a tile after all passes.

use std::rc::Rc;

use crate::raster::lowest::LowCell;
use crate::raster::{Finder, Raster};
use crate::stages::alone::AloneCells;
use crate::tile::at_work::Tile;
use crate::tile::points::PointStatus;
use crate::units::Micrometres;

/// What the filter knows after all passes: enough to judge any point by its cell and its elevation.
pub struct GroundLimits {
    /// In each cell the highest elevation that is ground: the least over all passes of opened surface plus
    /// threshold.
    pub highest: Raster,
    /// Finds the cell of a position.
    pub finder: Finder,
    /// The cells that hold low outliers, ascending.
    pub low: Vec<LowCell>,
    /// Of each cell whether it is one of `low`; empty where none is.
    pub holds_low: Vec<bool>,
    /// What the limits came from, where that was asked for.
    pub origin: Option<Origin>,
    /// Of each cell the slope of the surface that the last pass left, where it is known. Empty where it was not asked for.
    pub slopes: Vec<Option<CellSlope>>,
    /// The cells without others near them, of those that points are judged in.
    pub alone: AloneCells,
}

/// The slope of a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CellSlope {
    /// Steepest slope, rise over run.
    pub slope: f64,
    /// How much higher one corner of the cell lies than the lowest: the slope × the cell where it falls along an axis, up to
    /// 1.4 times that elsewhere. Whole micrometres.
    pub rise: f64,
}

/// What the limits came from, for those who ask what they would be without one of the points.
pub struct Origin {
    /// The lowest elevations, empty cells filled: what the first pass opens.
    pub filled: Vec<f64>,
    /// Whether a cell has a lowest elevation of its own.
    pub occupied: Vec<bool>,
    /// The limits of all passes but the first.
    pub later: Vec<f64>,
    /// The surface that the last pass left.
    pub ground: Raster,
    /// Threshold of the first pass in each cell, micrometres.
    pub threshold: Threshold,
}

/// A threshold: the same in all cells, or that of each.
pub enum Threshold {
    /// In all cells.
    Same(f64),
    /// By cell.
    ByCell(Vec<f64>),
}

impl Threshold {
    /// That of a cell.
    pub fn at(&self, cell: usize) -> f64 {
        match self {
            Threshold::Same(threshold) => *threshold,
            Threshold::ByCell(thresholds) => thresholds[cell],
        }
    }
}

impl GroundLimits {
    /// The surface that the last pass left: the ground, smoothed. Only where the origin was asked for.
    pub fn ground(&self) -> Option<&Raster> {
        self.origin.as_ref().map(|origin| &origin.ground)
    }

    /// What becomes of a point that is not labelled noise.
    #[inline]
    pub fn judge(&self, x: Micrometres, y: Micrometres, z: Micrometres) -> PointStatus {
        self.finder.index_of(x, y).map_or(PointStatus::AboveGround, |index| self.judge_in(index, z))
    }

    /// What becomes of a point in a cell.
    #[inline]
    pub fn judge_in(&self, index: usize, z: Micrometres) -> PointStatus {
        // Nearly no cell holds a low outlier.
        let floor = || if self.holds_low.get(index) == Some(&true) { self.floor_of(index) } else { None };
        verdict(z, self.highest.values[index], floor)
    }

    fn floor_of(&self, index: usize) -> Option<f64> {
        let place = self.low.binary_search_by_key(&index, |cell| cell.index);
        place.ok().map(|i| self.low[i].floor)
    }
}

/// What becomes of a point at an elevation in a cell with this limit, below whose floor points are low outliers, if it has one.
#[inline(always)]
pub fn verdict(z: Micrometres, highest: f64, floor: impl FnOnce() -> Option<f64>) -> PointStatus {
    // Where there is no floor the other question is answered without a branch, which under trees would be guessed wrong
    // again and again.
    let is_above = z as f64 > highest;
    if let Some(floor) = floor()
        && !is_above
        && (z as f64) < floor
    {
        return PointStatus::LowOutlier;
    }
    if is_above { PointStatus::AboveGround } else { PointStatus::Ground }
}

/// The tiles in which later stages are given what is known of the ground: what the limits came from, or the surface of what
/// was delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeepOrigin {
    /// In none.
    Never,
    /// In those where the two clouds can be compared.
    WhereCompared,
    /// In all.
    Always,
}

impl KeepOrigin {
    /// Whether it is kept in this tile.
    pub fn in_tile(self, tile: &Tile<'_>) -> bool {
        match self {
            KeepOrigin::Never => false,
            KeepOrigin::WhereCompared => tile.is_compared(),
            KeepOrigin::Always => true,
        }
    }
}

/// What is known of the survey's ground, for later stages.
pub enum SurveyGround {
    /// What the ground filter knows.
    Filtered(Rc<GroundLimits>),
    /// The lowest of the ground in each cell, where the classes are taken as delivered.
    Delivered(Rc<Raster>),
}

impl SurveyGround {
    /// The surface of the ground, where it was asked for.
    pub fn surface(&self) -> Option<&Raster> {
        match self {
            SurveyGround::Filtered(limits) => limits.ground(),
            SurveyGround::Delivered(surface) => Some(surface),
        }
    }

    /// The limits up to which points were accepted, where they are known.
    pub fn limits(&self) -> Option<&GroundLimits> {
        match self {
            SurveyGround::Filtered(limits) => Some(limits),
            SurveyGround::Delivered(_) => None,
        }
    }
}
