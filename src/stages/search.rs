//! What is searched for around a position, and what is found there.

use crate::stages::ladder::{NO_RUNG, RUNGS};
use crate::stages::plane_sums::Plane;
use crate::units::Micrometres;

/// One search for reference around positions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Search {
    /// For the nearest point within a distance.
    Nearest(Micrometres),
    /// For the plane through all points within a distance.
    Plane(Micrometres),
    /// For the plane through the points within the smallest of the first so many [`RUNGS`] that holds enough.
    Ladder(usize),
    /// Where a point lies within a distance, for such a plane; for the nearest point where there is none.
    Either(Micrometres, usize),
    /// For the facet over the position in the triangulation of the points, of no edge or circumradius beyond a length.
    Triangles(Micrometres),
}

impl Search {
    /// How far it looks.
    pub fn reach(self) -> Micrometres {
        match self {
            Search::Nearest(reach) | Search::Plane(reach) => reach,
            Search::Ladder(rungs) => RUNGS[rungs - 1],
            Search::Either(reach, rungs) => reach.max(RUNGS[rungs - 1]),
            // The circle around a facet over a position reaches twice its radius from there.
            Search::Triangles(longest) => 2 * longest,
        }
    }

    /// The radius of the points that it gathers, where none of its rungs holds enough.
    pub fn reach_around(self) -> Micrometres {
        match self {
            Search::Either(_, rungs) => RUNGS[rungs - 1],
            other => other.reach(),
        }
    }
}

/// The reference at a checkpoint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Match {
    /// Elevation of the reference, micrometres.
    pub elevation: Micrometres,
    /// Reference points that it rests on.
    pub points: u32,
    /// The fitted plane, where there is one.
    pub plane: Option<Plane>,
    /// What is known of the points around.
    pub around: Around,
    /// The setup of the reference point nearest in plan, counted from 1; 0 where that is not asked for.
    pub setup: u16,
}

impl Match {
    /// Without a setup.
    pub fn of(elevation: Micrometres, points: u32, plane: Option<Plane>, around: Around) -> Self {
        Match { elevation, points, plane, around, setup: 0 }
    }
}

/// The reference points around a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Around {
    /// The rung of the ladder that holds enough; [`NO_RUNG`] where none does, or none was looked for.
    pub rung: u8,
    /// Points within the highest rung searched, where none holds enough.
    pub points: u8,
    /// Distance of the nearest point, where that is the reference, micrometres.
    pub distance: u32,
}

impl Around {
    /// Nothing known.
    pub const UNKNOWN: Around = Around { rung: NO_RUNG, points: 0, distance: 0 };
}
