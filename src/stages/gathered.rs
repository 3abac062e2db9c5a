//! What is gathered of the reference at positions while its points stream past: the best so far, or sums.

use std::collections::BinaryHeap;

use crate::cloud::buckets::Offset;
use crate::cloud::point::Point;
use crate::cloud::reuse::empty_for;
use crate::stages::ladder::{Ladders, RUNGS};
use crate::stages::plane_sums::{InnerSums, PlaneSums};
use crate::stages::search::{Around, Match, Search};
use crate::terrain::facet::{Vertex, facet};
use crate::units::Micrometres;

/// What is known so far at the positions, by the order in which they were asked for.
#[derive(Default)]
pub struct Gathered {
    search: Option<Search>,
    seed: u64,
    elevations: Vec<Micrometres>,
    nearest: Vec<Nearest>,
    discs: Vec<Disc>,
    ladders: Ladders,
    /// The nearest points so far, the farthest of them on top.
    around: Vec<BinaryHeap<Vertex>>,
    /// The nearest point of any setup so far: its distance squared, and the setup. Of points equally near the lower number counts.
    owners: Vec<(i64, u16)>,
}

/// Sums over the points within a radius, and over those within half of it.
#[derive(Clone, Copy, Default)]
struct Disc {
    all: PlaneSums,
    inner: InnerSums,
}

/// The nearest point of the reference so far; [`Nearest::NONE`] before the first.
#[derive(Clone, Copy)]
struct Nearest {
    x: i32,
    y: i32,
    level: Level,
}

impl Nearest {
    const NONE: Nearest = Nearest { x: i32::MAX, y: i32::MAX, level: Level(0) };

    fn squared(self) -> i64 {
        i64::from(self.x).pow(2) + i64::from(self.y).pow(2)
    }

    /// Takes over a point that is nearer; `offset` is from the point to the position.
    #[inline]
    fn offer(&mut self, point: &Point, offset: Offset, seed: u64) {
        if offset.squared <= self.squared() {
            // From the position to the point, not the other way round.
            let new = Nearest { x: -offset.x as i32, y: -offset.y as i32, level: Level::of(point) };
            let position = (point.x + offset.x, point.y + offset.y);
            if offset.squared < self.squared()
                || tie_key(seed, new, position) < tie_key(seed, *self, position)
            {
                *self = new;
            }
        }
    }

    fn found(self) -> Option<Match> {
        let distance = self.squared().isqrt() as u32;
        let around = Around { distance, ..Around::UNKNOWN };
        (self.x != i32::MAX).then(|| Match::of(self.level.z(), 1, None, around))
    }
}

/// What is held of a point beside its position, as one number: elevation times 256, and returns.
#[derive(Clone, Copy, Default)]
struct Level(i64);

impl Level {
    fn of(point: &Point) -> Self {
        Level(point.z << 8 | i64::from(point.returns()))
    }

    fn z(self) -> Micrometres {
        self.0 >> 8
    }

    /// The point again, as far as its hash asks.
    fn point(self, x: Micrometres, y: Micrometres) -> Point {
        let returns = self.0 as u8;
        let (return_number, number_of_returns) = (returns & 15, returns >> 4);
        Point { x, y, z: self.z(), return_number, number_of_returns, ..Point::default() }
    }
}

impl Gathered {
    /// Bytes of memory that is held of a position among so many points a square metre, about.
    pub fn bytes_per_position(search: Search, per_m2: f64) -> f64 {
        let on_ladder =
            |rungs: usize| size_of::<Micrometres>() as f64 + Ladders::bytes_per_position(rungs, per_m2);
        match search {
            Search::Nearest(_) => size_of::<Nearest>() as f64,
            Search::Plane(_) => (size_of::<Disc>() + size_of::<Micrometres>()) as f64,
            Search::Ladder(rungs) => on_ladder(rungs),
            Search::Either(_, rungs) => size_of::<Nearest>() as f64 + on_ladder(rungs),
            Search::Triangles(_) => (size_of::<BinaryHeap<Vertex>>() + AROUND * size_of::<Vertex>()) as f64,
        }
    }

    /// Forgets all positions; the memory is used again.
    pub fn clear(&mut self) {
        self.elevations.clear();
    }

    /// Holds one more position, whose survey point has this elevation; gives its place.
    pub fn hold(&mut self, z: Micrometres) -> usize {
        self.elevations.push(z);
        self.elevations.len() - 1
    }

    /// All positions are there, and nothing is known yet at any of them.
    pub fn start(&mut self, search: Search, seed: u64) {
        self.owners.clear();
        (self.search, self.seed) = (Some(search), seed);
        let count = self.elevations.len();
        let (nearest, discs, ladders, around) = match search {
            Search::Nearest(_) => (count, 0, 0, 0),
            Search::Plane(_) => (0, count, 0, 0),
            Search::Ladder(_) => (0, 0, count, 0),
            Search::Either(..) => (count, 0, count, 0),
            Search::Triangles(_) => (0, 0, 0, count),
        };
        self.around.clear();
        self.around.resize(around, BinaryHeap::new());
        refill(&mut self.nearest, nearest, Nearest::NONE);
        refill(&mut self.discs, discs, Disc::default());
        self.ladders.start(ladders);
    }

    /// The setup of the nearest point is found too.
    pub fn start_owners(&mut self) {
        refill(&mut self.owners, self.elevations.len(), (i64::MAX, 0));
    }

    /// Takes a point of the reference into account that lies within reach of a position; `offset` is from the point to it. Few
    /// points do: apart from the search, which so has the registers.
    #[inline(never)]
    pub fn take(&mut self, point: &Point, place: usize, offset: Offset) {
        let Gathered { search, seed, elevations, nearest, discs, ladders, around, owners } = self;
        let Some(search) = *search else { return };
        if let Some(owner) = owners.get_mut(place) {
            *owner = (*owner).min((offset.squared, point.strip));
        }
        let (x, y, z) = (-offset.x, -offset.y, point.z - elevations[place]);
        match search {
            Search::Nearest(_) => nearest[place].offer(point, offset, *seed),
            Search::Either(reach, rungs) => {
                if offset.squared <= reach * reach {
                    nearest[place].offer(point, offset, *seed);
                }
                if offset.squared <= RUNGS[rungs - 1] * RUNGS[rungs - 1] {
                    ladders.add(place, x, y, z, offset.squared);
                }
            }
            Search::Plane(reach) => {
                let disc = &mut discs[place];
                disc.all.add(x, y, z);
                if 4 * offset.squared <= reach * reach {
                    disc.inner.add(x, y, z);
                }
            }
            Search::Ladder(_) => ladders.add(place, x, y, z, offset.squared),
            Search::Triangles(_) => {
                let vertex = Vertex { squared: offset.squared, x: x as i32, y: y as i32, z: point.z };
                hold_nearest(&mut around[place], AROUND, vertex);
            }
        }
    }

    /// What was found at a position, with the setup where that was asked for. `point` is the survey point there.
    pub fn found(&self, place: usize, point: &Point) -> Option<Match> {
        let found = self.matched(place, point)?;
        Some(Match { setup: self.owners.get(place).map_or(0, |(_, setup)| *setup), ..found })
    }

    fn matched(&self, place: usize, point: &Point) -> Option<Match> {
        match self.search? {
            Search::Nearest(_) => self.nearest[place].found(),
            Search::Plane(_) => {
                let Disc { all, inner } = &self.discs[place];
                planar(all, inner, point.z, Around::UNKNOWN)
            }
            Search::Ladder(_) => self.on_ladder(place, point),
            Search::Either(..) => {
                let nearest = self.nearest[place].found()?;
                let on_ladder = self.on_ladder(place, point);
                let points = if self.ladders.rung(place).is_none() { self.ladders.listed(place) } else { 0 };
                on_ladder.or(Some(Match { around: Around { points, ..nearest.around }, ..nearest }))
            }
            Search::Triangles(longest) => {
                let nearest = &self.around[place];
                let farthest = nearest.peek().filter(|_| nearest.len() == AROUND);
                let known = farthest.map_or((2 * longest + 2) as f64, |one| (one.squared as f64).sqrt());
                let facet = facet(&mut nearest.iter().copied().collect(), known, longest as f64).ok()?;
                Some(Match::of(facet.elevation, 3, None, Around::UNKNOWN))
            }
        }
    }

    fn on_ladder(&self, place: usize, point: &Point) -> Option<Match> {
        let (sums, inner) = self.ladders.sums(place)?;
        let rung = self.ladders.rung(place)?;
        planar(sums, &inner, point.z, Around { rung, ..Around::UNKNOWN })
    }
}

/// Points around a position that are held to be triangulated: with points evenly spaced, the circle around a facet over the
/// position lies among the nearest dozen.
const AROUND: usize = 32;

/// Adds a vertex to the nearest `most` of them.
pub fn hold_nearest(nearest: &mut BinaryHeap<Vertex>, most: usize, vertex: Vertex) {
    if nearest.len() < most {
        nearest.push(vertex);
    } else if let Some(mut farthest) = nearest.peek_mut()
        && vertex < *farthest
    {
        *farthest = vertex;
    }
}

/// The plane through points whose elevations are relative to `z`.
fn planar(sums: &PlaneSums, inner: &InnerSums, z: Micrometres, around: Around) -> Option<Match> {
    let (height, plane) = sums.fit(inner)?;
    Some(Match::of(z + height, sums.points(), Some(plane), around))
}

/// Holds so many of a value instead; the memory is used again.
fn refill<T: Clone>(list: &mut Vec<T>, count: usize, value: T) {
    empty_for(list, count);
    list.resize(count, value);
}

/// Of points equally near, the one of smallest hash: any rule by elevation would bias dz. The elevation takes no part in
/// the hash, so that the level of the reference decides nothing.
fn tie_key(seed: u64, nearest: Nearest, position: (Micrometres, Micrometres)) -> (u64, Micrometres) {
    let (x, y) = (position.0 + i64::from(nearest.x), position.1 + i64::from(nearest.y));
    let at_zero = Point { z: 0, ..nearest.level.point(x, y) };
    (at_zero.seeded_hash(seed), nearest.level.z())
}
