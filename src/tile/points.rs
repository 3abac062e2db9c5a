//! A tile at work: its points, what the stages decided about them, and what it will give back.

use std::collections::BTreeMap;
use std::ops;

use serde::{Deserialize, Serialize};

use crate::cloud::bounds::{Range, widened};
use crate::cloud::packed::Piece;
use crate::cloud::point::{MAX_RETURN, Point};
use crate::cloud::reuse::empty_for;
use crate::stages::Halo;
use crate::stages::cell_attributes::CellAttributes;
use crate::stages::compare::Compared;
use crate::stages::draw::Drawn;
use crate::stages::ground::Limits;
use crate::stages::matching::{Match, ReferenceGround};
use crate::stages::select::Tally;
use crate::stages::terrain_cells::TerrainGround;
use crate::tile::strata::{Strata, StratumCounts};
use crate::tile::tiling::TileKey;
use crate::units::Micrometres;

/// The survey or the reference.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Cloud {
    /// The airborne cloud under test.
    Survey,
    /// The better measurement.
    Reference,
}

impl Cloud {
    /// Its name in the pipeline file.
    pub fn name(self) -> &'static str {
        match self {
            Cloud::Survey => "survey",
            Cloud::Reference => "reference",
        }
    }
}

/// A number for each cloud.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ByCloud {
    /// That of the survey.
    pub survey: u64,
    /// That of the reference.
    pub reference: u64,
}

impl ByCloud {
    /// That of one cloud.
    pub fn get(self, cloud: Cloud) -> u64 {
        match cloud {
            Cloud::Survey => self.survey,
            Cloud::Reference => self.reference,
        }
    }
}

/// What became of a point that the earlier stages kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PointStatus {
    /// Ground. Points start so: a cloud that no ground filter is asked for counts as ground throughout.
    Ground,
    /// Labelled noise by the file.
    Noise,
    /// Far below its surroundings.
    LowOutlier,
    /// Above the threshold of some window.
    AboveGround,
    /// Dropped by a `select` stage after the ground filter.
    NotSelected,
}

/// Counts by [`PointStatus`], in its order.
pub type ByStatus = [u64; 5];

/// The points of one cloud in a tile: those of the core first, then those of the halo.
#[derive(Default)]
pub struct PointSet {
    /// All points.
    pub points: Vec<Point>,
    /// What became of each.
    pub statuses: Vec<PointStatus>,
    /// How many belong to the core.
    pub core: usize,
}

impl PointSet {
    /// Holds the points of a piece instead, about which nothing has been decided yet; the memory is used again.
    pub fn fill(&mut self, piece: &Piece<'_>) {
        self.points.clear();
        self.statuses.clear();
        self.points.reserve(piece.core.len() + piece.halo.len());
        piece.core.add_to(&mut self.points);
        piece.halo.add_to(&mut self.points);
        self.core = piece.core.len();
        let status = |point: &Point| if point.is_noise() { PointStatus::Noise } else { PointStatus::Ground };
        self.statuses.extend(self.points.iter().map(status));
    }

    /// Forgets all points and makes room for so many, and no more: these are the largest lists of a run. Room that is never
    /// written to takes no memory.
    pub fn start(&mut self, count: usize) {
        empty_for(&mut self.points, count);
        empty_for(&mut self.statuses, count);
        self.core = 0;
    }

    /// Adds those points of a range of another set that `held` chooses, with what became of them.
    pub fn extend(&mut self, other: &PointSet, range: ops::Range<usize>, held: impl Fn(&Point) -> bool) {
        for (point, status) in other.points[range.clone()].iter().zip(&other.statuses[range]) {
            if held(point) {
                self.points.push(*point);
                self.statuses.push(*status);
            }
        }
    }

    /// Takes over all points of another set.
    pub fn append(&mut self, other: &mut PointSet) {
        self.points.append(&mut other.points);
        self.statuses.append(&mut other.statuses);
    }

    /// Indices of the ground points, halo included.
    pub fn ground(&self) -> impl Iterator<Item = usize> + Clone + '_ {
        self.statuses.iter().enumerate().filter(|(_, status)| **status == PointStatus::Ground).map(|(i, _)| i)
    }
}

/// A tile and everything its stages work on.
pub struct Tile {
    /// Which tile it is.
    pub key: TileKey,
    /// The ground it answers for, ranges of x and y.
    pub core: (Range, Range),
    /// How far beyond it points are seen.
    pub halo: Halo,
    /// Points of the survey and of the reference here, halo included.
    pub points: ByCloud,
    /// The survey's points, where a stage wants them.
    pub survey: PointSet,
    /// The reference's ground points, halo included, where a stage wants them.
    pub reference_ground: ReferenceGround,
    /// By return number: hashes above this one are not drawn any more, since enough smaller ones are known. It
    /// only saves work: the draw is the same whatever it is.
    pub draw_up_to: [u64; MAX_RETURN + 1],
    /// Where terrain cells are summed up; nothing where the survey has no point near.
    pub terrain: Option<TerrainGround>,
    /// What the ground filter knows of the survey, where a later stage wants it.
    pub survey_limits: Option<Limits>,
    /// What kind of place every cell of the core is, where that is asked for.
    pub cell_attributes: Option<CellAttributes>,
    /// Core ground points of the survey, by index, and the reference elevation there, where every candidate counts.
    pub counted: Vec<(u32, Micrometres)>,
    /// Ground points of the survey that have reference within reach and may be drawn, halo included.
    pub candidates: Vec<Candidate>,
    /// Core candidates that survived the spacing, as indices into `candidates`.
    pub spaced: Vec<usize>,
    /// What the tile gives back.
    pub found: Found,
}

impl Tile {
    /// The ground on which points of one cloud are seen, ranges of x and y.
    pub fn ground(&self, cloud: Cloud) -> (Range, Range) {
        let margin = match cloud {
            Cloud::Survey => self.halo.survey,
            Cloud::Reference => self.halo.reference,
        };
        (widened(self.core.0, margin), widened(self.core.1, margin))
    }

    /// Whether there are points of both clouds.
    pub fn is_compared(&self) -> bool {
        self.points.survey > 0 && self.points.reference > 0
    }
}

/// A ground point of the survey that has reference within reach.
#[derive(Clone, Copy, Debug)]
pub struct Candidate {
    /// Index of the point.
    pub index: usize,
    /// Its seeded hash.
    pub key: u64,
    /// The reference there.
    pub reference: Match,
}

/// Counts of one cloud's core points in one or all tiles.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StatusCounts {
    /// See [`PointStatus::Noise`].
    pub noise: u64,
    /// See [`PointStatus::LowOutlier`].
    pub low_outlier: u64,
    /// See [`PointStatus::AboveGround`].
    pub above_ground: u64,
    /// Ground by return number; 0 holds those without a valid one.
    pub ground_by_return: [u64; 16],
    /// What each `select` stage of the tiles did, by its place in the list of stages.
    pub select: BTreeMap<usize, Tally>,
}

impl StatusCounts {
    /// Adds points with the returns of `first`.
    pub fn add(&mut self, first: &Point, statuses: &ByStatus) {
        let [ground, noise, low_outlier, above_ground, _] = statuses;
        self.noise += noise;
        self.low_outlier += low_outlier;
        self.above_ground += above_ground;
        self.ground_by_return[usize::from(first.valid_return().unwrap_or(0))] += ground;
    }

    /// Adds the counts of another tile.
    pub fn merge(&mut self, other: &StatusCounts) {
        self.noise += other.noise;
        self.low_outlier += other.low_outlier;
        self.above_ground += other.above_ground;
        for (a, b) in self.ground_by_return.iter_mut().zip(other.ground_by_return) {
            *a += b;
        }
        for (stage, tally) in &other.select {
            self.select.entry(*stage).or_default().merge(tally);
        }
    }
}

/// What a tile gives back.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Checkpoints that the tile puts up for the draw.
    pub drawn: Vec<Drawn>,
    /// Counts of the survey's core points.
    pub survey: StatusCounts,
    /// Counts of the reference's core points.
    pub reference: StatusCounts,
    /// Every candidate; empty where only drawn checkpoints count.
    pub compared: Vec<Compared>,
    /// Survey points of the core by stratum, and how many of them are ground.
    pub strata: BTreeMap<Strata, StratumCounts>,
    /// Terrain cells, encoded; empty where terrain is not asked for.
    pub terrain: Vec<u8>,
}

impl Found {
    /// The counts of one cloud.
    pub fn counts_mut(&mut self, cloud: Cloud) -> &mut StatusCounts {
        match cloud {
            Cloud::Survey => &mut self.survey,
            Cloud::Reference => &mut self.reference,
        }
    }
}
