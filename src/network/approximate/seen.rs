//! What was observed in plan.

use std::collections::BTreeMap;

/// A position in plan.
pub(super) type Plan = [f64; 2];

/// What was observed in plan, by numbers of points.
#[derive(Clone, Debug, Default)]
pub(super) struct Seen {
    /// Directions by set, with the station of each set.
    pub sets: Vec<(usize, Vec<(usize, f64)>)>,
    /// Horizontal distances in the grid, by pairs, the smaller number first.
    pub distances: BTreeMap<[usize; 2], f64>,
}

impl Seen {
    /// The distance between two points, if it was measured.
    pub fn distance(&self, a: usize, b: usize) -> Option<f64> {
        self.distances.get(&[a.min(b), a.max(b)]).copied()
    }
}
