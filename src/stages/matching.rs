//! Matching: the reference's elevation at a position, from its ground points near there in plan.

use std::collections::BinaryHeap;
use std::mem;

use crate::cloud::buckets::{BucketGrid, Offset};
use crate::cloud::point::Point;
use crate::cloud::reuse::empty_for;
use crate::stages::ladder::{Ladders, NO_RUNG, RUNGS};
use crate::stages::plane_sums::{InnerSums, Plane, PlaneSums};
use crate::terrain::facet::{Vertex, facet};
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

    /// Bytes of memory that a position takes among so many points a square metre, about.
    pub fn bytes_per_position(self, per_m2: f64) -> f64 {
        let on_ladder =
            |rungs: usize| size_of::<Micrometres>() as f64 + Ladders::bytes_per_position(rungs, per_m2);
        let found = match self {
            Search::Nearest(_) => size_of::<Nearest>() as f64,
            Search::Plane(_) => (size_of::<Disc>() + size_of::<Micrometres>()) as f64,
            Search::Ladder(rungs) => on_ladder(rungs),
            Search::Either(_, rungs) => size_of::<Nearest>() as f64 + on_ladder(rungs),
            Search::Triangles(_) => (size_of::<BinaryHeap<Vertex>>() + AROUND * size_of::<Vertex>()) as f64,
        };
        // In the grid twice, and the start of a bucket.
        found + (2 * 12 + 4) as f64
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
    fn of(elevation: Micrometres, points: u32, plane: Option<Plane>, around: Around) -> Self {
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

/// A ground point of the survey that has reference within reach, and may be drawn.
#[derive(Clone, Copy, Debug)]
pub struct Candidate {
    /// Index of the point.
    pub index: usize,
    /// Its seeded hash.
    pub key: u64,
    /// The reference there.
    pub reference: Match,
}

/// A ground point of the survey that counts, and the reference there.
#[derive(Clone, Copy, Debug)]
pub struct Counted {
    /// Index of the point.
    pub index: u32,
    /// Distance of the reference point, micrometres; [`NO_DISTANCE`] where a plane is the reference.
    pub distance: u32,
    /// Elevation of the reference.
    pub elevation: Micrometres,
}

/// Stands for no distance.
pub const NO_DISTANCE: u32 = u32::MAX;

/// Where the survey of a tile can be compared with the reference.
#[derive(Default)]
pub struct Candidates {
    /// Core ground points of the survey with reference, where every candidate counts.
    pub counted: Vec<Counted>,
    /// Core candidates that the spacing left, to be put up for the draw.
    pub spaced: Vec<Candidate>,
    /// The setups of those that count, where that is asked for.
    pub setups: Vec<u16>,
}

/// Finds the reference at many positions while its points stream past: only the positions are held, with the best so far
/// (`nearest`) or with sums (`plane`). Positions are asked for first, then the points of the reference are offered, in any
/// order. The memory is used again.
#[derive(Default)]
pub struct Matcher {
    positions: BucketGrid<u32>,
    gathered: Gathered,
    beside: Beside,
}

/// Points one after another that lie side by side, and the box around them.
#[derive(Default)]
struct Beside {
    points: Vec<Point>,
    sides: [(Micrometres, Micrometres); 2],
}

/// Points side by side that are looked at together, at the most, and so few that each is by itself.
const TOGETHER: usize = 32;
const FEW: usize = 4;

impl Beside {
    /// Adds a point, unless there are enough, or the box would be wider than `width`.
    #[inline]
    fn add(&mut self, point: &Point, width: Micrometres) -> bool {
        let [x, y] = self.sides;
        let wider = |(low, high): (Micrometres, Micrometres), at: Micrometres| (low.min(at), high.max(at));
        let sides = match self.points.is_empty() {
            true => [(point.x, point.x), (point.y, point.y)],
            false => [wider(x, point.x), wider(y, point.y)],
        };
        if self.points.len() == TOGETHER || sides.iter().any(|(low, high)| high - low > width) {
            return false;
        }
        self.sides = sides;
        self.points.push(*point);
        true
    }
}

/// What is known so far at the positions, by the order in which they were asked for.
#[derive(Default)]
struct Gathered {
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

impl Matcher {
    /// Forgets all positions and makes room for so many, and no more.
    pub fn start(&mut self, count: usize) {
        self.positions.start(count);
        self.gathered.elevations.clear();
    }

    /// Asks for the reference at a survey point.
    pub fn ask(&mut self, point: &Point) {
        self.positions.add(point.x, point.y, self.gathered.elevations.len() as u32);
        self.gathered.elevations.push(point.z);
    }

    /// All positions have been asked for; the reference comes next. `seed` is that of the draw.
    pub fn ready(&mut self, search: Search, seed: u64) {
        self.positions.sort(search.reach());
        self.gathered.start(search, seed);
    }

    /// As [`Matcher::ready`], and the setup of each match is found too. Points carry their setup in place of a strip.
    pub fn ready_by_setup(&mut self, search: Search, seed: u64) {
        self.ready(search, seed);
        let Gathered { elevations, owners, .. } = &mut self.gathered;
        refill(owners, elevations.len(), (i64::MAX, 0));
    }

    /// Takes a ground point of the reference into account wherever it lies within reach.
    #[inline]
    pub fn offer(&mut self, point: &Point) {
        let Matcher { positions, gathered, .. } = self;
        positions.for_each(point.x, point.y, |place, offset| gathered.take(point, place as usize, offset));
    }

    /// Takes ground points of the reference into account, as [`Matcher::offer`] does one by one. A scanner writes side by side
    /// what lies side by side: where it is dense, one look tells of many points that no position is near.
    pub fn offer_all<'a>(&mut self, points: impl Iterator<Item = &'a Point>) {
        let Some(width) = self.positions.box_width() else {
            points.for_each(|point| self.offer(point));
            return;
        };
        let mut beside = mem::take(&mut self.beside);
        for point in points {
            if !beside.add(point, width) {
                self.offer_beside(&beside.points);
                beside.points.clear();
                beside.add(point, width);
            }
        }
        self.offer_beside(&beside.points);
        beside.points.clear();
        self.beside = beside;
    }

    /// Takes points side by side into account: half by half, unless no position is near any of them.
    fn offer_beside(&mut self, points: &[Point]) {
        if points.len() <= FEW {
            points.iter().for_each(|point| self.offer(point));
            return;
        }
        let sides = [|point: &Point| point.x, |point: &Point| point.y].map(|along| {
            let all = || points.iter().map(along);
            (all().min().unwrap_or(0), all().max().unwrap_or(0))
        });
        if self.positions.may_be_near(sides[0], sides[1]) {
            let (some, others) = points.split_at(points.len() / 2);
            self.offer_beside(some);
            self.offer_beside(others);
        }
    }

    /// The reference at a position, by the order in which they were asked for; nothing where there is not enough of it
    /// within reach. `point` is the survey point there.
    pub fn found(&self, place: usize, point: &Point) -> Option<Match> {
        let found = self.gathered.matched(place, point)?;
        let setup = self.gathered.owners.get(place).map_or(0, |(_, setup)| *setup);
        Some(Match { setup, ..found })
    }
}

impl Gathered {
    /// Nothing known at any position; the memory is used again.
    fn start(&mut self, search: Search, seed: u64) {
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

    /// Takes a point of the reference into account that lies within reach of a position; `offset` is from the point to it. Few
    /// points do: apart from the search, which so has the registers.
    #[inline(never)]
    fn take(&mut self, point: &Point, place: usize, offset: Offset) {
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::Length;

    fn find(
        search: fn(Micrometres) -> Search,
        within: f64,
        points: &[(i64, i64, i64)],
        at: (i64, i64),
    ) -> Option<Match> {
        let mut matcher = Matcher::default();
        let asked = Point { x: at.0, y: at.1, z: 4_000_000, ..Point::default() };
        matcher.start(1);
        matcher.ask(&asked);
        matcher.ready(search(Length::metres(within).micrometres()), 1);
        points.iter().for_each(|&(x, y, z)| matcher.offer(&Point { x, y, z, ..Point::default() }));
        matcher.found(0, &asked)
    }

    #[test]
    fn the_search_is_horizontal_whatever_the_height() {
        let found = find(Search::Nearest, 0.015, &[(10_000, 0, 90_000_000), (20_000, 0, 0)], (0, 0)).unwrap();
        assert_eq!(found.elevation, 90_000_000);
        assert_eq!(find(Search::Nearest, 0.015, &[(15_001, 0, 0)], (0, 0)), None);
        assert!(find(Search::Nearest, 0.015, &[(15_000, 0, 0)], (0, 0)).is_some());
    }

    #[test]
    fn the_setup_of_a_match_is_that_of_the_nearest_point() {
        let ask = |points: &[(i64, u16)], search: Search| {
            let mut matcher = Matcher::default();
            matcher.start(1);
            matcher.ask(&Point::default());
            matcher.ready_by_setup(search, 1);
            for (x, strip) in points {
                matcher.offer(&Point { x: *x, y: x * x % 7_001, z: 5, strip: *strip, ..Point::default() });
            }
            matcher.found(0, &Point::default()).map(|found| found.setup)
        };
        let nearest = Search::Nearest(15_000);
        assert_eq!(ask(&[(9_000, 1), (-4_000, 2), (8_000, 3)], nearest), Some(2));
        assert_eq!(ask(&[(4_000, 2), (4_000, 1)], nearest), Some(1));
        assert_eq!(ask(&[(4_000, 1), (4_000, 2)], nearest), Some(1));
        // The second lies 2 mm east and 2.429 mm north.
        let many: Vec<_> = (1..9).map(|i| (1_000 * i, if i == 2 { 7 } else { 4 })).collect();
        assert_eq!(ask(&many, Search::Plane(15_000)), Some(7));
        assert_eq!(ask(&[], nearest), None);
    }

    #[test]
    fn a_plane_needs_six_points_not_in_line() {
        let mut points: Vec<_> = (0..5).map(|i| (i * 100_000, (i % 2) * 100_000, 7)).collect();
        assert_eq!(find(Search::Plane, 1.0, &points, (0, 0)), None);
        points.push((0, 200_000, 7));
        assert!(find(Search::Plane, 1.0, &points, (0, 0)).is_some());
        let line: Vec<_> = (0..9).map(|i| (i * 100_000, i * 50_000, i)).collect();
        assert_eq!(find(Search::Plane, 2.0, &line, (0, 0)), None);
    }

    #[test]
    fn a_tilted_plane_is_taken_at_the_checkpoint_itself() {
        // z = 10 m + 0.1 x + 0.2 y: slope √(0.1² + 0.2²) = √0.05, all points to one side.
        let points: Vec<_> = (1..5)
            .flat_map(|i| {
                (1..5).map(move |j| (i * 100_000, j * 100_000, 10_000_000 + i * 10_000 + j * 20_000))
            })
            .collect();
        let found = find(Search::Plane, 2.0, &points, (0, 0)).unwrap();
        assert_eq!((found.elevation, found.points), (10_000_000, 16));
        let plane = found.plane.unwrap();
        assert!((plane.slope - 0.05f64.sqrt()).abs() < 1e-12 && plane.residual_sd < 1e-3);
    }

    proptest! {
        #[test]
        fn the_order_of_reference_points_does_not_matter(
            points in proptest::collection::vec((0i64..60, 0i64..60, -50i64..50), 1..60), turn in 0usize..60,
        ) {
            let points: Vec<_> = points.iter().map(|&(x, y, z)| (x * 1000, y * 1000, z * 1000)).collect();
            let mut turned = points.clone();
            turned.rotate_left(turn % points.len());
            for search in [Search::Nearest, Search::Plane] {
                prop_assert_eq!(
                    find(search, 0.03, &points, (30_000, 30_000)), find(search, 0.03, &turned, (30_000, 30_000)));
            }
        }
    }
}
