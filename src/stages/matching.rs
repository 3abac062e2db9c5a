//! Matching: the reference's elevation at a position, from its ground points near there in plan.

use std::collections::BinaryHeap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::buckets::BucketGrid;
use crate::cloud::point::Point;
use crate::cloud::reuse::empty_for;
use crate::terrain::facet::{Vertex, facet};
use crate::units::Micrometres;

/// How reference elevation at a checkpoint is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// The reference ground point at the smallest horizontal distance.
    #[default]
    Nearest,
    /// The least-squares plane through the reference ground points within reach.
    Plane,
    /// Linear interpolation in the Delaunay triangulation of ground points: of the reference's at a checkpoint or, where the
    /// reference is a list of surveyed points, of the survey's at each of them.
    Triangulated,
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
}

/// What is known of a fitted plane beside its height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    /// Steepest slope, rise over run.
    pub slope: f64,
    /// Standard deviation of the residuals (n − 3), micrometres.
    pub residual_sd: f64,
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

/// Fewest points that a plane is fitted through.
const PLANE_POINTS: i128 = 6;

/// A set of points is in line where its spread across is less than a tenth of its spread along: the ratio of the
/// two variances.
const IN_LINE: f64 = 0.01;

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

/// Where the survey of a tile can be compared with the reference.
#[derive(Default)]
pub struct Candidates {
    /// Core ground points of the survey, by index, and the reference elevation there, where every candidate counts.
    pub counted: Vec<(u32, Micrometres)>,
    /// Core candidates that the spacing left, to be put up for the draw.
    pub spaced: Vec<Candidate>,
}

/// Finds the reference at many positions while its points stream past: only the positions are held, with the best so far
/// (`nearest`) or with sums (`plane`). Positions are asked for first, then the points of the reference are offered, in any
/// order. The memory is used again.
#[derive(Default)]
pub struct Matcher {
    positions: BucketGrid<u32>,
    method: Method,
    seed: u64,
    elevations: Vec<Micrometres>,
    nearest: Vec<Nearest>,
    sums: Vec<PlaneSums>,
    /// The nearest points so far, the farthest of them on top.
    around: Vec<BinaryHeap<Vertex>>,
    reach: Micrometres,
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
    /// Bytes of memory that a position takes, for each of the methods.
    pub fn bytes_per_position(method: Method) -> f64 {
        let found = match method {
            Method::Nearest => size_of::<Nearest>(),
            Method::Plane => size_of::<PlaneSums>() + size_of::<Micrometres>(),
            Method::Triangulated => size_of::<BinaryHeap<Vertex>>() + AROUND * size_of::<Vertex>(),
        };
        // In the grid twice, and the start of a bucket.
        (found + 2 * 12 + 4) as f64
    }

    /// Forgets all positions and makes room for so many, and no more.
    pub fn start(&mut self, count: usize) {
        self.positions.start(count);
        self.elevations.clear();
    }

    /// Asks for the reference at a survey point.
    pub fn ask(&mut self, point: &Point) {
        self.positions.add(point.x, point.y, self.elevations.len() as u32);
        self.elevations.push(point.z);
    }

    /// All positions have been asked for; the reference comes next. `seed` is that of the draw.
    pub fn ready(&mut self, method: Method, reach: Micrometres, seed: u64) {
        (self.method, self.seed) = (method, seed);
        self.positions.sort(reach);
        let asked = self.elevations.len();
        let (nearest, planes, triangles) = match method {
            Method::Nearest => (asked, 0, 0),
            Method::Plane => (0, asked, 0),
            Method::Triangulated => (0, 0, asked),
        };
        self.reach = reach;
        self.around.clear();
        self.around.resize(triangles, BinaryHeap::new());
        empty_for(&mut self.nearest, nearest);
        self.nearest.resize(nearest, Nearest::NONE);
        empty_for(&mut self.sums, planes);
        self.sums.resize(planes, PlaneSums::default());
    }

    /// Takes a ground point of the reference into account wherever it lies within reach.
    #[inline]
    pub fn offer(&mut self, point: &Point) {
        let Matcher { positions, elevations, nearest, sums, around, .. } = self;
        match self.method {
            Method::Nearest => positions.for_each(point.x, point.y, |place, offset| {
                let best = &mut nearest[place as usize];
                if offset.squared <= best.squared() {
                    // From the position to the point, not the other way round.
                    let new = Nearest { x: -offset.x as i32, y: -offset.y as i32, level: Level::of(point) };
                    let position = (point.x + offset.x, point.y + offset.y);
                    if offset.squared < best.squared()
                        || tie_key(self.seed, new, position) < tie_key(self.seed, *best, position)
                    {
                        *best = new;
                    }
                }
            }),
            Method::Plane => positions.for_each(point.x, point.y, |place, offset| {
                let z = point.z - elevations[place as usize];
                sums[place as usize].add(-offset.x, -offset.y, z);
            }),
            Method::Triangulated => positions.for_each(point.x, point.y, |place, offset| {
                let vertex =
                    Vertex { squared: offset.squared, x: -offset.x as i32, y: -offset.y as i32, z: point.z };
                hold_nearest(&mut around[place as usize], AROUND, vertex);
            }),
        }
    }

    /// The reference at a position, by the order in which they were asked for; nothing where there is not enough of it
    /// within reach. `point` is the survey point there.
    pub fn found(&self, place: usize, point: &Point) -> Option<Match> {
        match self.method {
            Method::Nearest => {
                let nearest = self.nearest[place];
                let there = nearest.x != i32::MAX;
                there.then(|| Match { elevation: nearest.level.z(), points: 1, plane: None })
            }
            Method::Plane => {
                let sums = &self.sums[place];
                let (height, plane) = sums.fit()?;
                Some(Match { elevation: point.z + height, points: sums.n as u32, plane: Some(plane) })
            }
            Method::Triangulated => {
                let nearest = &self.around[place];
                let farthest = nearest.peek().filter(|_| nearest.len() == AROUND);
                let known = farthest.map_or((self.reach + 2) as f64, |one| (one.squared as f64).sqrt());
                let facet =
                    facet(&mut nearest.iter().copied().collect(), known, self.reach as f64 / 2.0).ok()?;
                Some(Match { elevation: facet.elevation, points: 3, plane: None })
            }
        }
    }
}

/// Of points equally near, the one of smallest hash: any rule by elevation would bias dz.
fn tie_key(seed: u64, nearest: Nearest, position: (Micrometres, Micrometres)) -> (u64, Micrometres) {
    let (x, y) = (position.0 + i64::from(nearest.x), position.1 + i64::from(nearest.y));
    (nearest.level.point(x, y).seeded_hash(seed), nearest.level.z())
}

/// Sums of powers and products of whole numbers over the points of a neighbourhood.
#[derive(Clone, Copy, Default)]
struct PlaneSums {
    n: i128,
    x: i128,
    y: i128,
    z: i128,
    xx: i128,
    xy: i128,
    yy: i128,
    xz: i128,
    yz: i128,
    zz: i128,
}

impl PlaneSums {
    fn add(&mut self, x: i64, y: i64, z: i64) {
        let (x, y, z) = (i128::from(x), i128::from(y), i128::from(z));
        self.n += 1;
        self.x += x;
        self.y += y;
        self.z += z;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        self.xz += x * z;
        self.yz += y * z;
        self.zz += z * z;
    }

    /// Height of the plane at the origin over the level that elevations are counted from, and the plane; nothing with too few points or points in line.
    fn fit(&self) -> Option<(Micrometres, Plane)> {
        if self.n < PLANE_POINTS {
            return None;
        }
        // n times the sums of squares about the mean, exact.
        let about_mean = |product: i128, a: i128, b: i128| (self.n * product - a * b) as f64;
        let (xx, yy) = (about_mean(self.xx, self.x, self.x), about_mean(self.yy, self.y, self.y));
        let xy = about_mean(self.xy, self.x, self.y);
        let (xz, yz) = (about_mean(self.xz, self.x, self.z), about_mean(self.yz, self.y, self.z));
        let zz = about_mean(self.zz, self.z, self.z);
        let determinant = xx * yy - xy * xy;
        let half = (xx + yy) / 2.0;
        let root = (half * half - determinant).max(0.0).sqrt();
        if half - root <= IN_LINE * (half + root) {
            return None;
        }
        let (a, b) = ((xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant);
        let n = self.n as f64;
        // The whole part of the mean is kept apart, so that a high site loses nothing to rounding.
        let (mean, rest) = (self.z.div_euclid(self.n), self.z.rem_euclid(self.n));
        let height = mean as i64 + ((rest as f64 - a * self.x as f64 - b * self.y as f64) / n).round() as i64;
        let residual_squares = ((zz - a * xz - b * yz) / n).max(0.0);
        let residual_sd = (residual_squares / (n - 3.0)).sqrt();
        Some((height, Plane { slope: (a * a + b * b).sqrt(), residual_sd }))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::Length;

    fn find(method: Method, within: f64, points: &[(i64, i64, i64)], at: (i64, i64)) -> Option<Match> {
        let mut matcher = Matcher::default();
        let asked = Point { x: at.0, y: at.1, z: 4_000_000, ..Point::default() };
        matcher.start(1);
        matcher.ask(&asked);
        matcher.ready(method, Length::metres(within).micrometres(), 1);
        points.iter().for_each(|&(x, y, z)| matcher.offer(&Point { x, y, z, ..Point::default() }));
        matcher.found(0, &asked)
    }

    #[test]
    fn the_search_is_horizontal_whatever_the_height() {
        let found = find(Method::Nearest, 0.015, &[(10_000, 0, 90_000_000), (20_000, 0, 0)], (0, 0)).unwrap();
        assert_eq!(found.elevation, 90_000_000);
        assert_eq!(find(Method::Nearest, 0.015, &[(15_001, 0, 0)], (0, 0)), None);
        assert!(find(Method::Nearest, 0.015, &[(15_000, 0, 0)], (0, 0)).is_some());
    }

    #[test]
    fn a_plane_needs_six_points_not_in_line() {
        let mut points: Vec<_> = (0..5).map(|i| (i * 100_000, (i % 2) * 100_000, 7)).collect();
        assert_eq!(find(Method::Plane, 1.0, &points, (0, 0)), None);
        points.push((0, 200_000, 7));
        assert!(find(Method::Plane, 1.0, &points, (0, 0)).is_some());
        let line: Vec<_> = (0..9).map(|i| (i * 100_000, i * 50_000, i)).collect();
        assert_eq!(find(Method::Plane, 2.0, &line, (0, 0)), None);
    }

    #[test]
    fn a_tilted_plane_is_taken_at_the_checkpoint_itself() {
        // z = 10 m + 0.1 x + 0.2 y: slope √(0.1² + 0.2²) = √0.05, all points to one side.
        let points: Vec<_> = (1..5)
            .flat_map(|i| {
                (1..5).map(move |j| (i * 100_000, j * 100_000, 10_000_000 + i * 10_000 + j * 20_000))
            })
            .collect();
        let found = find(Method::Plane, 2.0, &points, (0, 0)).unwrap();
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
            for method in [Method::Nearest, Method::Plane, Method::Triangulated] {
                prop_assert_eq!(
                    find(method, 0.03, &points, (30_000, 30_000)), find(method, 0.03, &turned, (30_000, 30_000)));
            }
        }
    }
}
