//! Points of a tile, and what the stages decided about each.

use std::ops;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::packed::Piece;
use crate::cloud::point::Point;
use crate::cloud::reuse::empty_for;

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

/// What says which points of a cloud are ground.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum GroundFrom {
    /// The ground filter.
    #[default]
    Filter,
    /// The classification of the files: class 2 as delivered.
    Classes,
}

impl GroundFrom {
    /// Its name in the pipeline file.
    pub fn word(self) -> &'static str {
        match self {
            GroundFrom::Filter => "filter",
            GroundFrom::Classes => "classes",
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

/// What became of a point that the earlier stages selected.
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
    /// Of another class than ground, where the classes are taken as delivered.
    OtherClass,
    /// Not selected by a `select` stage after the ground filter.
    NotSelected,
}

/// Counts by [`PointStatus`], in its order.
pub type ByStatus = [u64; 6];

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
        self.clear();
        self.points.reserve(piece.core.len() + piece.halo.len());
        piece.core.add_to(&mut self.points);
        piece.halo.add_to(&mut self.points);
        self.core = piece.core.len();
        self.statuses.extend(self.points.iter().map(status_at_first));
    }

    /// Forgets all points; the memory is used again.
    pub fn clear(&mut self) {
        self.points.clear();
        self.statuses.clear();
        self.core = 0;
    }

    /// Adds a point about which nothing has been decided yet.
    #[inline]
    pub fn add(&mut self, point: Point) {
        self.statuses.push(status_at_first(&point));
        self.points.push(point);
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

    /// Adds all points of a range of another set, with what became of them.
    pub fn extend_all(&mut self, other: &PointSet, range: ops::Range<usize>) {
        self.points.extend_from_slice(&other.points[range.clone()]);
        self.statuses.extend_from_slice(&other.statuses[range]);
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

/// What is known of a point before any stage has decided.
fn status_at_first(point: &Point) -> PointStatus {
    if point.is_noise() { PointStatus::Noise } else { PointStatus::Ground }
}
