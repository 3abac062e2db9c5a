//! The ladder: of a fixed row of radii the smallest that holds enough points, found while the points stream past.
//!
//! A scan on a tripod has ten million points a square metre at its foot and a hundred at the edge, so that no radius fits
//! both. Held of a position are sums over the points within the smallest radius that has enough so far, and the points
//! within the next smaller one: too few, so that they fit a short list. Once there are enough of those, they are summed up
//! in place of the others. What is found in the end does not depend on the order of the points.

use crate::cloud::reuse::empty_for;
use crate::stages::plane_sums::{InnerSums, PlaneSums};
use crate::units::Micrometres;

/// The radii, micrometres: each about √2 times the one before.
pub const RUNGS: [Micrometres; 11] =
    [15_000, 21_000, 30_000, 42_000, 60_000, 85_000, 120_000, 170_000, 240_000, 340_000, 480_000];

/// Fewest points that the radius must hold.
pub const ENOUGH: usize = 12;

/// What is known so far around many positions.
#[derive(Default)]
pub struct Ladders {
    positions: Vec<Position>,
    /// The points listed of all positions, each with the next of the same one.
    listed: Vec<Listed>,
    /// The first of those that are listed no longer, one more than its index; 0 where there is none.
    free: u32,
    sums: Vec<PlaneSums>,
}

/// What is known so far around one position.
#[derive(Clone, Copy)]
struct Position {
    /// The first point listed, one more than its index; 0 where there is none.
    first: u32,
    /// Where the sums are, where a rung holds enough points.
    sums: u32,
    /// The smallest rung that holds enough points; [`NO_RUNG`] as long as none does.
    rung: u8,
    /// Points listed: those within the rung below, or within the highest where none holds enough.
    count: u8,
}

/// A point relative to a position.
#[derive(Clone, Copy)]
struct Listed {
    z: Micrometres,
    x: i32,
    y: i32,
    /// One more than the index of the next; 0 where there is none.
    next: u32,
}

impl Listed {
    fn squared(&self) -> i64 {
        i64::from(self.x).pow(2) + i64::from(self.y).pow(2)
    }
}

/// Stands for no rung.
pub const NO_RUNG: u8 = u8::MAX;

impl Ladders {
    /// Bytes of memory that a position takes on a ladder of so many rungs, among so many points a square metre, about: its own, those of
    /// one to eleven points listed, and those of sums where the highest rung holds enough.
    pub fn bytes_per_position(rungs: usize, per_m2: f64) -> f64 {
        let within = per_m2 * std::f64::consts::PI * (RUNGS[rungs - 1] as f64 / 1e6).powi(2);
        let listed = within.clamp(1.0, (ENOUGH - 1) as f64);
        let summed = (within / ENOUGH as f64).min(1.0);
        let [position, point, sums] =
            [size_of::<Position>(), size_of::<Listed>(), size_of::<PlaneSums>()].map(|bytes| bytes as f64);
        position + listed * point + summed * sums
    }

    /// Forgets everything and starts with so many positions; the memory is used again.
    pub fn start(&mut self, count: usize) {
        empty_for(&mut self.positions, count);
        self.positions.resize(count, Position { first: 0, sums: 0, rung: NO_RUNG, count: 0 });
        self.free = 0;
        self.listed.clear();
        self.sums.clear();
        if count == 0 {
            (self.listed, self.sums) = (Vec::new(), Vec::new());
        }
    }

    /// Takes a point into account, relative to a position; it must lie within the highest rung searched.
    #[inline]
    pub fn add(&mut self, place: usize, x: i64, y: i64, z: i64, squared: i64) {
        let position = &mut self.positions[place];
        if position.rung != NO_RUNG {
            let rung = usize::from(position.rung);
            if squared > RUNGS[rung] * RUNGS[rung] {
                return;
            }
            self.sums[position.sums as usize].add(x, y, z);
            if rung == 0 || squared > RUNGS[rung - 1] * RUNGS[rung - 1] {
                return;
            }
        }
        let point = Listed { z, x: x as i32, y: y as i32, next: position.first };
        position.count += 1;
        if self.free == 0 {
            self.listed.push(point);
            position.first = self.listed.len() as u32;
        } else {
            position.first = self.free;
            let free = &mut self.listed[self.free as usize - 1];
            self.free = free.next;
            *free = point;
        }
        if usize::from(position.count) == ENOUGH {
            self.step_down(place);
        }
    }

    /// The points listed are enough: the smallest rung that holds them all takes over.
    fn step_down(&mut self, place: usize) {
        let position = self.positions[place];
        let (mut sums, mut farthest, mut points) = (PlaneSums::default(), 0, [0; ENOUGH]);
        let mut next = position.first;
        for at in &mut points {
            *at = next;
            let point = self.listed[next as usize - 1];
            sums.add(point.x.into(), point.y.into(), point.z);
            farthest = farthest.max(point.squared());
            next = point.next;
        }
        let rung = RUNGS.iter().position(|radius| farthest <= radius * radius).unwrap_or(RUNGS.len() - 1);
        let mut new = Position { first: 0, sums: position.sums, rung: rung as u8, count: 0 };
        for at in points {
            let point = &mut self.listed[at as usize - 1];
            if rung > 0 && point.squared() <= RUNGS[rung - 1] * RUNGS[rung - 1] {
                point.next = new.first;
                new.first = at;
                new.count += 1;
            } else {
                point.next = self.free;
                self.free = at;
            }
        }
        if position.rung == NO_RUNG {
            new.sums = self.sums.len() as u32;
            self.sums.push(sums);
        } else {
            self.sums[new.sums as usize] = sums;
        }
        self.positions[place] = new;
    }

    /// The smallest rung that holds enough points around a position, if one does.
    pub fn rung(&self, place: usize) -> Option<u8> {
        Some(self.positions[place].rung).filter(|rung| *rung != NO_RUNG)
    }

    /// Points listed around a position: all within the highest rung searched where none holds enough.
    pub fn listed(&self, place: usize) -> u8 {
        self.positions[place].count
    }

    /// Sums over the points within the smallest rung that holds enough, and over those within the rung below.
    pub fn sums(&self, place: usize) -> Option<(&PlaneSums, InnerSums)> {
        let position = self.positions[place];
        if position.rung == NO_RUNG {
            return None;
        }
        let (mut inner, mut next) = (InnerSums::default(), position.first);
        while let Some(at) = next.checked_sub(1) {
            let point = self.listed[at as usize];
            inner.add(point.x.into(), point.y.into(), point.z);
            next = point.next;
        }
        Some((&self.sums[position.sums as usize], inner))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_smallest_radius_with_enough_points_is_found_in_any_order(
            points in proptest::collection::vec((-100_000i64..100_000, -100_000i64..100_000, 1i64..1000, 0u32..12), 0..80),
            turn in 0usize..80,
        ) {
            // Many of them near the middle, as at the foot of a tripod; none beyond the highest rung searched.
            let points = points.iter().map(|&(x, y, z, near)| (x >> near, y >> near, z));
            let highest = RUNGS[6];
            let mut points: Vec<_> = points.filter(|(x, y, _)| x * x + y * y <= highest * highest).collect();
            let within = |radius: i64| points.iter().filter(move |(x, y, _)| x * x + y * y <= radius * radius);
            let rung = (0..=6).find(|&i| within(RUNGS[i]).count() >= ENOUGH);
            let around = within(rung.map_or(highest, |i| RUNGS[i]));
            let count = around.clone().count();
            let inner = rung.filter(|rung| *rung > 0).map(|rung| within(RUNGS[rung - 1]).count());
            let mut all = PlaneSums::default();
            around.for_each(|&(x, y, z)| all.add(x, y, z));

            let turn = turn % points.len().max(1);
            points.rotate_left(turn);
            // A second position is as the first, and takes the room that it gives back.
            let mut ladders = Ladders::default();
            ladders.start(2);
            points.iter().for_each(|&(x, y, z)| [0, 1].iter().for_each(|&i| ladders.add(i, x, y, z, x * x + y * y)));
            for place in [0, 1] {
                prop_assert_eq!(ladders.rung(place).map(usize::from), rung);
                let Some((sums, inner_sums)) = ladders.sums(place) else {
                    prop_assert_eq!(usize::from(ladders.listed(place)), count);
                    continue;
                };
                prop_assert_eq!(sums.points() as usize, count);
                prop_assert_eq!(sums.fit(&InnerSums::default()), all.fit(&InnerSums::default()));
                let found = sums.fit(&inner_sums).map(|(_, plane)| plane.inner.points as usize);
                prop_assert!(found.is_none() || found == Some(inner.unwrap_or(0)));
            }
        }
    }

    #[test]
    fn positions_in_a_dense_scan_hold_a_full_list_and_sums() {
        let bytes = |per_m2| Ladders::bytes_per_position(2, per_m2);
        let least = (size_of::<Position>() + size_of::<Listed>()) as f64;
        let most = (size_of::<Position>() + 11 * size_of::<Listed>() + size_of::<PlaneSums>()) as f64;
        // Within 21 mm lie 0.0014, 1.4, 14 and 1,400 points.
        assert!((bytes(1.0) - least).abs() < 1.0);
        assert!(bytes(1000.0) > bytes(1.0) && bytes(10_000.0) > 2.0 * bytes(1000.0));
        assert_eq!((bytes(10_000.0), bytes(1e6)), (most, most));
    }
}
