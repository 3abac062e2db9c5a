//! Matching: the reference's elevation at a position, from its ground points near there in plan.

use std::mem;

use crate::cloud::buckets::BucketGrid;
use crate::cloud::point::Point;
use crate::stages::beside::{Beside, FEW, box_around};
use crate::stages::gathered::Gathered;
pub use crate::stages::search::{Around, Match, Search};
use crate::units::Micrometres;

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

impl Matcher {
    /// Bytes of memory that a position takes in a search among so many points a square metre, about.
    pub fn bytes_per_position(search: Search, per_m2: f64) -> f64 {
        // In the grid twice, and the start of a bucket.
        Gathered::bytes_per_position(search, per_m2) + (2 * 12 + 4) as f64
    }

    /// Forgets all positions and makes room for so many, and no more.
    pub fn start(&mut self, count: usize) {
        self.positions.start(count);
        self.gathered.clear();
    }

    /// Asks for the reference at a survey point.
    pub fn ask(&mut self, point: &Point) {
        let place = self.gathered.hold(point.z);
        self.positions.add(point.x, point.y, place as u32);
    }

    /// All positions have been asked for; the reference comes next. `seed` is that of the draw.
    pub fn ready(&mut self, search: Search, seed: u64) {
        self.positions.sort(search.reach());
        self.gathered.start(search, seed);
    }

    /// As [`Matcher::ready`], and the setup of each match is found too. Points carry their setup in place of a strip.
    pub fn ready_by_setup(&mut self, search: Search, seed: u64) {
        self.ready(search, seed);
        self.gathered.start_owners();
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
                self.offer_beside(beside.points());
                beside.start(point);
            }
        }
        self.offer_beside(beside.points());
        beside.clear();
        self.beside = beside;
    }

    /// Takes points side by side into account: half by half, unless no position is near any of them.
    fn offer_beside(&mut self, points: &[Point]) {
        if points.len() <= FEW {
            points.iter().for_each(|point| self.offer(point));
            return;
        }
        let [x, y] = box_around(points);
        if self.positions.may_be_near(x, y) {
            let (some, others) = points.split_at(points.len() / 2);
            self.offer_beside(some);
            self.offer_beside(others);
        }
    }

    /// The reference at a position, by the order in which they were asked for; nothing where there is not enough of it
    /// within reach. `point` is the survey point there.
    pub fn found(&self, place: usize, point: &Point) -> Option<Match> {
        self.gathered.found(place, point)
    }
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
        fn points_side_by_side_are_taken_as_one_by_one(
            positions in proptest::collection::vec((0i64..1_000_000, 0i64..1_000_000), 1..30),
            runs in proptest::collection::vec((0i64..1_000_000, 0i64..1_000_000, -9_000i64..9_000, 1usize..90), 0..30),
        ) {
            let asked: Vec<Point> = positions.iter().map(|&(x, y)| Point { x, y, ..Point::default() }).collect();
            let along = |&(x, y, step, count): &(i64, i64, i64, usize)| {
                (0..count as i64).map(move |i| Point { x: x + i * step, y: y + i * step / 2, z: i, ..Point::default() })
            };
            let points: Vec<Point> = runs.iter().flat_map(along).collect();
            let mut matchers = [Matcher::default(), Matcher::default()];
            for matcher in &mut matchers {
                matcher.start(asked.len());
                asked.iter().for_each(|point| matcher.ask(point));
                matcher.ready(Search::Either(15_000, 2), 1);
            }
            let [together, apart] = &mut matchers;
            together.offer_all(points.iter());
            points.iter().for_each(|point| apart.offer(point));
            for (place, point) in asked.iter().enumerate() {
                prop_assert_eq!(together.found(place, point), apart.found(place, point));
            }
        }

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
