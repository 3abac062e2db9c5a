//! Ground that suits a checkpoint: one place for each block of the site, cover and class of slope, and how much of the rest is
//! unsuitable for what reason. All of it merges in any order.
//!
//! Of the places that suit in a block the one with the smallest hash counts, not the smoothest: chosen for their smoothness, sites would
//! favour places where the survey itself has little noise, and flatter it.

use std::collections::BTreeMap;

use crate::cloud::point::Point;
use crate::tile::strata::{Cover, MOST_CLASSES};
use crate::units::Micrometres;

/// A place that suits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Suitable {
    /// Easting, micrometres.
    pub x: Micrometres,
    /// Northing.
    pub y: Micrometres,
    /// Elevation of the plane through the ground around.
    pub z: Micrometres,
    /// Slope of that plane, in ten-thousandths.
    pub slope: u16,
    /// Standard deviation of the ground points about it, micrometres.
    pub roughness: u32,
    /// Ground points around.
    pub points: u32,
    /// What stands over it.
    pub cover: Cover,
    /// Class of its slope.
    pub class: u8,
}

/// Bytes of one.
const ENCODED: usize = 36;

impl Suitable {
    /// By what places are drawn.
    pub fn rank(&self, seed: u64) -> (u64, Micrometres, Micrometres) {
        let point = Point { x: self.x, y: self.y, ..Point::default() };
        (point.seeded_hash(seed), self.y, self.x)
    }

    /// Slope, rise over run.
    pub fn slope(&self) -> f64 {
        f64::from(self.slope) * 1e-4
    }

    /// Distance in plan to another position, micrometres.
    pub fn from(&self, (x, y): (Micrometres, Micrometres)) -> f64 {
        libm::hypot((self.x - x) as f64, (self.y - y) as f64)
    }

    fn encode(&self, to: &mut Vec<u8>) {
        [self.x, self.y, self.z].iter().for_each(|v| to.extend(v.to_le_bytes()));
        to.extend(self.slope.to_le_bytes());
        to.extend([self.cover as u8, self.class]);
        [self.roughness, self.points].iter().for_each(|v| to.extend(v.to_le_bytes()));
    }

    fn decode(b: &[u8; ENCODED]) -> Option<Self> {
        let long = |at: usize| Some(i64::from_le_bytes(b[at..at + 8].try_into().ok()?));
        let word = |at: usize| Some(u32::from_le_bytes(b[at..at + 4].try_into().ok()?));
        Some(Suitable {
            x: long(0)?,
            y: long(8)?,
            z: long(16)?,
            slope: u16::from_le_bytes([b[24], b[25]]),
            cover: *Cover::ALL.get(usize::from(b[26]))?,
            class: b[27],
            roughness: word(28)?,
            points: word(32)?,
        })
    }
}

/// Why ground does not suit, in the order in which that is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unsuitable {
    /// Within or near an area left out.
    LeftOut,
    /// Near control, or a point that has been surveyed.
    Control,
    /// Ground is missing around: buildings, water, the edge of the survey.
    Gaps,
    /// Vegetation, buildings or other objects around.
    Objects,
    /// Too steep.
    Steep,
    /// Not smooth: a break, or rough ground.
    Rough,
}

impl Unsuitable {
    /// All of them, in order.
    pub const ALL: [Unsuitable; 6] = [
        Unsuitable::LeftOut,
        Unsuitable::Control,
        Unsuitable::Gaps,
        Unsuitable::Objects,
        Unsuitable::Steep,
        Unsuitable::Rough,
    ];
}

/// Cells of ground under one cover: all, those that suit by class of slope, and the others by reason.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Cells with ground.
    pub ground: u64,
    /// Those that suit, by class of slope.
    pub suitable: [u64; MOST_CLASSES + 1],
    /// The others, by the first reason.
    pub unsuitable: [u64; Unsuitable::ALL.len()],
}

impl Tally {
    fn numbers(&mut self) -> impl Iterator<Item = &mut u64> {
        [&mut self.ground].into_iter().chain(&mut self.suitable).chain(&mut self.unsuitable)
    }

    /// Cells that suit.
    pub fn suits(&self) -> u64 {
        self.suitable.iter().sum()
    }
}

/// Where a place is put up for: block (row, column), cover and class of slope.
type Slot = (i64, i64, Cover, u8);

/// What was found of the ground of a site.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// By cover, in the order of [`Cover::ALL`].
    pub tallies: [Tally; 3],
    best: BTreeMap<Slot, Suitable>,
}

impl Found {
    /// Counts ground that does not suit.
    pub fn refuse(&mut self, cover: Cover, why: Unsuitable) {
        let tally = &mut self.tallies[cover as usize];
        tally.ground += 1;
        tally.unsuitable[why as usize] += 1;
    }

    /// Counts ground that suits, and puts it up for its block.
    pub fn add(&mut self, one: Suitable, block: Micrometres, seed: u64) {
        let tally = &mut self.tallies[one.cover as usize];
        tally.ground += 1;
        tally.suitable[usize::from(one.class).min(MOST_CLASSES)] += 1;
        self.put_up(one, block, seed);
    }

    fn put_up(&mut self, one: Suitable, block: Micrometres, seed: u64) {
        let slot = (one.y.div_euclid(block), one.x.div_euclid(block), one.cover, one.class);
        let best = self.best.entry(slot).or_insert(one);
        if one.rank(seed) < best.rank(seed) {
            *best = one;
        }
    }

    /// The places put up under a cover, as they are drawn.
    pub fn drawn(&self, cover: Cover, seed: u64) -> Vec<Suitable> {
        let mut all: Vec<Suitable> = self.best.values().filter(|one| one.cover == cover).copied().collect();
        all.sort_by_cached_key(|one| one.rank(seed));
        all
    }

    /// As bytes.
    pub fn encode(&self, to: &mut Vec<u8>) {
        let mut tallies = self.tallies;
        tallies.iter_mut().flat_map(Tally::numbers).for_each(|number| to.extend(number.to_le_bytes()));
        self.best.values().for_each(|one| one.encode(to));
    }

    /// Adds what [`Found::encode`] turned into these bytes; nothing where they make no sense.
    pub fn merge_encoded(&mut self, bytes: &[u8], block: Micrometres, seed: u64) -> Option<()> {
        let mut rest = bytes;
        for number in self.tallies.iter_mut().flat_map(Tally::numbers) {
            let (one, after) = rest.split_first_chunk()?;
            *number = number.checked_add(u64::from_le_bytes(*one))?;
            rest = after;
        }
        let (all, rest) = rest.as_chunks::<ENCODED>();
        for one in all {
            self.put_up(Suitable::decode(one)?, block, seed);
        }
        rest.is_empty().then_some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_parts_found_merges_in_any_order_to_the_same() {
        let one = |i: i64| Suitable {
            x: i * 7_919_000 % 90_000_000,
            y: -(i * 104_729 % 70_000_000),
            z: i,
            slope: (i % 1700) as u16,
            roughness: 20_000 + i as u32,
            points: 300,
            cover: Cover::ALL[(i % 3) as usize],
            class: (i % 2) as u8,
        };
        let (block, seed) = (10_000_000, 7);
        let mut whole = Found::default();
        let mut parts = [Found::default(), Found::default(), Found::default()];
        for i in 0..2000 {
            let part = &mut parts[(i % 7 % 3) as usize];
            if i % 5 == 0 {
                let why = Unsuitable::ALL[(i / 5 % 6) as usize];
                whole.refuse(Cover::Low, why);
                part.refuse(Cover::Low, why);
            } else {
                whole.add(one(i), block, seed);
                part.add(one(i), block, seed);
            }
        }
        for order in [[0, 1, 2], [2, 0, 1]] {
            let mut merged = Found::default();
            for part in order {
                let mut bytes = Vec::new();
                parts[part].encode(&mut bytes);
                assert_eq!(merged.merge_encoded(&bytes, block, seed), Some(()));
                assert_eq!(Found::default().merge_encoded(&bytes[1..], block, seed), None);
            }
            assert_eq!(merged, whole);
        }
        let drawn = whole.drawn(Cover::Open, seed);
        assert!(drawn.len() > 50 && drawn.windows(2).all(|w| w[0].rank(seed) < w[1].rank(seed)));
        assert_ne!(drawn, whole.drawn(Cover::Open, 8));
    }
}
