//! Matching: the reference's elevation at a place, from its ground points near there in plan.

use crate::cloud::bounds::Bounds;
use crate::cloud::buckets::{BucketGrid, Offset};
use crate::cloud::point::Point;
use crate::stages::checkpoints::hash;
use crate::stages::compare::{Compare, Method};
use crate::units::Micrometres;

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

/// Fewest points that a plane is fitted through.
const PLANE_POINTS: i128 = 6;

/// A set of points is in line where its spread across is less than a tenth of its spread along: the ratio of the
/// two variances.
const IN_LINE: f64 = 0.01;

/// The reference's ground points in one tile: first added, then sorted, then asked. The memory is used again for the next.
#[derive(Default)]
pub struct ReferenceGround {
    points: BucketGrid<Level>,
}

/// What is kept of a point beside its place, as one number: elevation times 256, and returns.
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

impl ReferenceGround {
    /// Forgets all points and makes room for so many, and no more.
    pub fn start(&mut self, count: usize) {
        self.points.start(count);
    }

    /// Adds a ground point.
    #[inline]
    pub fn add(&mut self, point: &Point) {
        self.points.add(point.x, point.y, Level::of(point));
    }

    /// Whether there is no reference ground at all.
    pub fn is_empty(&self) -> bool {
        self.points.is_empty()
    }

    /// The box around all points.
    pub fn bounds(&self) -> Bounds {
        self.points.bounds()
    }

    /// Sorts the points for searches as the options ask; to be done before the first.
    pub fn sort(&mut self, options: &Compare) {
        self.points.sort(options.reach().micrometres());
    }

    /// The reference at a position; nothing where there is not enough of it within reach. `seed` is that of the draw.
    pub fn find(&self, method: Method, seed: u64, x: Micrometres, y: Micrometres) -> Option<Match> {
        match method {
            Method::Nearest => self.nearest(seed, x, y),
            Method::Plane => self.plane(x, y),
        }
    }

    fn nearest(&self, seed: u64, x: Micrometres, y: Micrometres) -> Option<Match> {
        let mut best: Option<(Offset, Level)> = None;
        let tie_key =
            |offset: Offset, level: Level| (hash(seed, &level.point(x + offset.x, y + offset.y)), level.z());
        self.points.for_each(x, y, |level, offset| {
            // Of points equally near, the one of smallest hash: any rule by elevation would bias dz.
            let closer = best.is_none_or(|(least, other)| {
                offset.squared < least.squared
                    || (offset.squared == least.squared && tie_key(offset, level) < tie_key(least, other))
            });
            if closer {
                best = Some((offset, level));
            }
        });
        best.map(|(_, level)| Match { elevation: level.z(), points: 1, plane: None })
    }

    /// The least-squares plane through the points within reach, at (x, y). Sums are of integers, so that the order
    /// of the points cannot show.
    fn plane(&self, x: Micrometres, y: Micrometres) -> Option<Match> {
        let mut sums = PlaneSums::default();
        self.points.for_each(x, y, |level, offset| {
            sums.add(offset.x.into(), offset.y.into(), level.z().into());
        });
        let (elevation, plane) = sums.fit()?;
        Some(Match { elevation, points: sums.n as u32, plane: Some(plane) })
    }
}

/// Sums of powers and products of whole numbers over the points of a neighbourhood.
#[derive(Default)]
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
    fn add(&mut self, x: i128, y: i128, z: i128) {
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

    /// Height of the plane at the origin, and the plane; nothing with too few points or points in line.
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
        let options = Compare { method, within: Some(Length::metres(within)) };
        let mut ground = ReferenceGround::default();
        points.iter().for_each(|&(x, y, z)| ground.add(&Point { x, y, z, ..Point::default() }));
        ground.sort(&options);
        ground.find(method, 1, at.0, at.1)
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
        // z = 10 m + 0.1 x + 0.2 y: slope √0.05 = 0.223607 (standards notes, 1.5), all points to one side.
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
            for method in [Method::Nearest, Method::Plane] {
                prop_assert_eq!(
                    find(method, 0.03, &points, (30_000, 30_000)), find(method, 0.03, &turned, (30_000, 30_000)));
            }
        }
    }
}
