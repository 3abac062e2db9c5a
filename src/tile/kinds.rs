//! Points by strip and by the kind of ground that they lie on: what the reference is held against to say which part of the
//! survey it represents.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::tile::strata::{By, Cover, MOST_CLASSES, Strata};

/// The properties by which points are counted here, whatever results are grouped by.
pub const KINDS: [By; 3] = [By::Strip, By::Cover, By::Slope];

/// Numbers of points; each point is counted once in each of the three.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PointsByKind {
    /// By flight strip (point source ID); none where strips are not known.
    pub strips: BTreeMap<u16, u64>,
    /// By cover, in the order of [`Cover::ALL`]; the first holds those of which it is not known.
    pub covers: [u64; 1 + Cover::ALL.len()],
    /// By slope class; the first holds those of which it is not known.
    pub slopes: [u64; 1 + MOST_CLASSES + 1],
}

impl PointsByKind {
    /// Adds points of these strata.
    pub fn add(&mut self, strata: &Strata, points: u64) {
        if points == 0 {
            return;
        }
        if let Some(strip) = strata.strip {
            *self.strips.entry(strip).or_default() += points;
        }
        self.covers[strata.cover.map_or(0, |cover| 1 + cover as usize)] += points;
        self.slopes[strata.slope.map_or(0, |class| 1 + usize::from(class)).min(1 + MOST_CLASSES)] += points;
    }

    /// Adds the points of another tile.
    pub fn merge(&mut self, other: &PointsByKind) {
        for (strip, points) in &other.strips {
            *self.strips.entry(*strip).or_default() += points;
        }
        self.covers.iter_mut().zip(other.covers).for_each(|(a, b)| *a += b);
        self.slopes.iter_mut().zip(other.slopes).for_each(|(a, b)| *a += b);
    }

    /// All points.
    pub fn total(&self) -> u64 {
        self.covers.iter().sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_point_is_counted_once_by_strip_by_cover_and_by_slope() {
        let strata = |strip, cover, slope| Strata { strip, cover, slope, ..Strata::default() };
        let (mut one, mut other) = (PointsByKind::default(), PointsByKind::default());
        one.add(&strata(Some(7), Some(Cover::Open), Some(0)), 5);
        one.add(&strata(Some(9), None, None), 3);
        one.add(&strata(Some(8), Some(Cover::Open), None), 0);
        other.add(&strata(Some(7), Some(Cover::Canopy), Some(MOST_CLASSES as u8)), 2);
        one.merge(&other);
        assert_eq!(one.strips, BTreeMap::from([(7, 7), (9, 3)]));
        assert_eq!((one.covers[0], one.covers[1], one.covers.last()), (3, 5, Some(&2)));
        assert_eq!((one.slopes[0], one.slopes[1], one.slopes.last()), (3, 5, Some(&2)));
        assert_eq!((one.total(), one.slopes.iter().sum::<u64>()), (10, 10));
    }
}
