//! A tile at work: its points, what stages pass on to later ones, and what they give back.

use crate::cloud::bounds::{Bounds, Range, overlap, widened};
use crate::cloud::point::Point;
use crate::tile::points::{ByCloud, Cloud, PointSet};
use crate::tile::shared::Shared;
use crate::tile::tiling::TileKey;
use crate::tile::yields::Sections;
use crate::units::Micrometres;

/// A margin around the core of a tile whose points the stages need, micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Halo {
    /// Of the survey's points.
    pub survey: Micrometres,
    /// Of the reference's points.
    pub reference: Micrometres,
}

impl Halo {
    /// That of one cloud.
    pub fn of(self, cloud: Cloud) -> Micrometres {
        match cloud {
            Cloud::Survey => self.survey,
            Cloud::Reference => self.reference,
        }
    }

    /// The wider of the two.
    pub fn widest(self) -> Micrometres {
        self.survey.max(self.reference)
    }
}

/// What is known of both clouds before the points of a tile are read.
pub trait Surroundings: Sync {
    /// The box around all points of a cloud that are not labelled noise.
    fn bounds(&self, cloud: Cloud) -> Bounds;

    /// Boxes that together hold the points of a cloud on some ground; they may reach beyond it.
    fn boxes_on(&self, cloud: Cloud, ground: (Range, Range)) -> Vec<Bounds>;

    /// The box around the points of a cloud on some ground.
    fn box_on(&self, cloud: Cloud, ground: (Range, Range)) -> Bounds {
        let mut all = Bounds::default();
        for bounds in self.boxes_on(cloud, ground) {
            if let Some(both) = bounds.ranges().and_then(|own| overlap(own, ground)) {
                all.merge(&Bounds::over(both));
            }
        }
        all
    }
}

/// A tile, or a square part of one, and everything its stages work on.
pub struct Tile<'a> {
    /// The tile.
    pub key: TileKey,
    /// The ground of the whole tile, ranges of x and y.
    pub whole: (Range, Range),
    /// The part of it that is worked on now: all of it, unless that would take too much memory.
    pub core: (Range, Range),
    /// How far beyond it points are read.
    pub halo: Halo,
    /// Points of the survey and of the reference in the whole tile, halo included.
    pub points: ByCloud,
    /// What is known of the clouds around.
    pub around: &'a dyn Surroundings,
    /// The survey's points, where a stage wants them.
    pub survey: PointSet,
    /// What stages pass on to later ones.
    pub shared: Shared,
    /// What stages pass on to the other parts of the same tile.
    pub shared_by_parts: Shared,
    /// Memory that stages use again for the next tiles of the same worker.
    pub reusable: Shared,
    /// What the stages give back.
    pub sections: Sections,
}

impl Tile<'_> {
    /// The ground of the core and its halo for one cloud, ranges of x and y.
    pub fn ground(&self, cloud: Cloud) -> (Range, Range) {
        let margin = self.halo.of(cloud);
        (widened(self.core.0, margin), widened(self.core.1, margin))
    }

    /// Whether there are points of both clouds.
    pub fn is_compared(&self) -> bool {
        self.points.survey > 0 && self.points.reference > 0
    }

    /// The box around the reference on the ground where it is seen.
    pub fn reference_box(&self) -> Bounds {
        self.around.box_on(Cloud::Reference, self.ground(Cloud::Reference))
    }

    /// The ground within reach of which there may be reference; none where there is none.
    pub fn near_reference(&self, reach: Micrometres) -> Option<(Range, Range)> {
        let (x, y) = self.reference_box().ranges()?;
        Some((widened(x, reach), widened(y, reach)))
    }
}

/// Whether a position lies on some ground, ranges of x and y.
pub fn holds((x, y): (Range, Range), point: &Point) -> bool {
    let within = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
    within(point.x, x) && within(point.y, y)
}
