//! What the returns differ by, learned on one fold of the site and tested on the other ([`super::folds`]).
//!
//! Only differences between returns are learned, each against the first return, and how much each scatters
//! ([`super::differences`]): the common level of all of them is the reference's as much as the survey's, and stays. So
//! they rest on sums by place, a few metres wide: what all returns share there, of the flight's errors or the
//! reference's, takes no part. Every sum is about a whole number that the reference's level moves with: that level
//! changes no digit.

use std::collections::hash_map::{Entry, HashMap};
use std::hash::{BuildHasherDefault, Hasher};

use crate::stats::blocks::DzSums;
use crate::terrain::differences::{LEARN_FROM, SumsByPlace, learn};
use crate::terrain::folds::{Folds, PLACE};
use crate::terrain::lesson::{Dependent, Lesson};
use crate::units::Micrometres;

/// Places along the edge of a square, whose places are all looked at or none.
const SQUARE: i64 = 16;

/// Most places that are looked at: of a larger site some squares, chosen by hash. This program's own choice.
const MOST_PLACES: usize = 32_768;

/// Sums of dz by return, at one place.
type InPlace = Vec<(u8, DzSums)>;

/// Sums of dz by place and return, which merge in any order.
#[derive(Clone, Debug)]
pub struct Learning {
    places: HashMap<(i64, i64), InPlace, BuildHasherDefault<PlaceHasher>>,
    most: usize,
    /// Squares whose hash is beyond it are left out.
    limit: u64,
}

impl Default for Learning {
    fn default() -> Self {
        Learning { places: HashMap::default(), most: MOST_PLACES, limit: u64::MAX }
    }
}

/// Hashes by multiplying: places are no one's choice.
#[derive(Clone, Copy, Debug, Default)]
struct PlaceHasher(u64);

impl Hasher for PlaceHasher {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|byte| self.write_u64(u64::from(*byte)));
    }

    fn write_i64(&mut self, value: i64) {
        self.write_u64(value as u64);
    }

    fn write_u64(&mut self, value: u64) {
        self.0 = (self.0 ^ value).wrapping_mul(0x9e37_79b9_7f4a_7c15).rotate_left(29);
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

/// The hash that decides whether the square of a place is looked at: the finaliser of splitmix64, by its definition.
fn square_hash(place: (i64, i64)) -> u64 {
    let mix = |z: u64| {
        let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    };
    let (column, row) = (place.0.div_euclid(SQUARE) as u64, place.1.div_euclid(SQUARE) as u64);
    mix(mix(column.wrapping_add(0x9e37_79b9_7f4a_7c15)) ^ row)
}

impl Learning {
    /// Adds the dz of a ground point of the survey.
    pub fn add(&mut self, x: Micrometres, y: Micrometres, return_number: u8, dz: Micrometres) {
        let wide = i128::from(dz);
        let sums = DzSums { n: 1, sum: wide, squares: wide * wide };
        self.add_sums((x.div_euclid(PLACE), y.div_euclid(PLACE)), return_number & 15, &sums);
    }

    fn add_sums(&mut self, place: (i64, i64), return_number: u8, sums: &DzSums) {
        if self.limit < u64::MAX && square_hash(place) > self.limit {
            return;
        }
        match self.places.entry(place) {
            Entry::Occupied(mut known) => {
                let of_place = known.get_mut();
                match of_place.iter_mut().find(|(number, _)| *number == return_number) {
                    Some((_, known)) => known.merge(sums),
                    None => of_place.push((return_number, *sums)),
                }
            }
            Entry::Vacant(new) => {
                new.insert(vec![(return_number, *sums)]);
                if self.places.len() > 2 * self.most {
                    self.thin_out();
                }
            }
        }
    }

    /// Adds what another part of the site taught.
    pub fn merge(&mut self, other: &Learning) {
        self.limit = self.limit.min(other.limit);
        for (place, of_place) in &other.places {
            of_place.iter().for_each(|(return_number, sums)| self.add_sums(*place, *return_number, sums));
        }
    }

    /// Leaves the squares of smallest hash that together have no more places than are looked at. A square that goes
    /// here would go from any greater part of the site too: those before it have no fewer places there.
    fn thin_out(&mut self) {
        let mut hashes: Vec<u64> = self.places.keys().map(|place| square_hash(*place)).collect();
        hashes.sort_unstable();
        if let Some(&beyond) = hashes.get(self.most) {
            self.limit = self.limit.min(beyond.saturating_sub(1));
        }
        let limit = self.limit;
        self.places.retain(|place, _| square_hash(*place) <= limit);
    }

    /// What the site teaches, with at least a gap between what is learned and what is tested with it: as far as error is
    /// shared (nothing where that cannot be told), and `same_points` from each other; without a gap, and so not independent,
    /// where the site is too small for that.
    pub fn conclude(mut self, reach: Option<Micrometres>, same_points: Micrometres) -> Lesson {
        let gap = reach.unwrap_or(0).max(same_points);
        self.thin_out();
        let mut places: Vec<_> = self.places.into_iter().collect();
        places.sort_unstable_by_key(|(place, _)| *place);
        places.iter_mut().for_each(|(_, of_place)| of_place.sort_unstable_by_key(|(number, _)| *number));
        let places: SumsByPlace = places.into_iter().collect();
        let numbers = |of_place: &InPlace| {
            let mut n = [0; 16];
            of_place.iter().for_each(|(number, sums)| n[usize::from(*number)] = sums.n);
            n
        };
        let counts: Vec<_> = places.iter().map(|(place, of_place)| (*place, numbers(of_place))).collect();
        let apart = reach.and_then(|_| Folds::choose(&counts, gap));
        let folds = apart.or_else(|| Folds::choose(&counts, 0)).unwrap_or(Folds::undivided());
        let taught = |fold: usize| -> SumsByPlace {
            let own = |place: (i64, i64)| folds.is_place_clear(place) && folds.of_place(place) == fold;
            places
                .iter()
                .filter(|(place, _)| own(**place))
                .map(|(place, sums)| (*place, sums.clone()))
                .collect()
        };
        let taught = [taught(1), taught(0)];
        let known = |r: usize, places: &SumsByPlace| -> bool {
            let of_return = places.values().flatten().filter(|(number, _)| usize::from(*number) == r);
            of_return.map(|(_, sums)| sums.n).sum::<u64>() >= LEARN_FROM
        };
        let known: [bool; 16] = std::array::from_fn(|r| taught.iter().all(|places| known(r, places)));
        Lesson {
            folds,
            gap,
            dependent: match (reach, apart) {
                (Some(_), Some(_)) => None,
                (Some(_), None) => Some(Dependent::TooSmall),
                (None, _) => Some(Dependent::Unknown),
            },
            for_folds: taught.map(|places| learn(&places, &known)),
            overall: learn(&places, &known),
        }
    }
}

#[cfg(test)]
#[path = "learning_tests.rs"]
mod tests;
