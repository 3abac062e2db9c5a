//! Planes through points near a position, from sums of whole numbers: the same whatever the order of the points.

use crate::units::Micrometres;

/// A least-squares plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solved {
    /// Height over the origin, micrometres over the level that elevations are counted from.
    pub height: Micrometres,
    /// Rise over run eastwards and northwards.
    pub gradient: [f64; 2],
    /// Sum of the squared residuals, square micrometres.
    pub squares: f64,
}

/// What is known of a fitted plane beside its height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    /// Steepest slope, rise over run.
    pub slope: f64,
    /// Standard deviation of the residuals (n − 3), micrometres.
    pub residual_sd: f64,
    /// The points near its middle, beside all of them.
    pub inner: Inner,
}

/// The residuals of the points near the middle of a plane. Were the ground a plane there, their mean would be as far from
/// zero as the scatter of so few points brings it; ground that bends more than the plane shows in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Inner {
    /// How many points.
    pub points: u32,
    /// The mean of their residuals, micrometres.
    pub mean: f64,
}

/// Fewest points that a plane is fitted through.
pub const PLANE_POINTS: i128 = 6;

/// A set of points is in line where its spread across is less than a tenth of its spread along: the ratio of the
/// two variances.
const IN_LINE: f64 = 0.01;

/// Sums over the points near the middle.
#[derive(Clone, Copy, Default)]
pub struct InnerSums {
    n: i64,
    x: i64,
    y: i64,
    z: i64,
}

impl InnerSums {
    /// Adds a point, relative to the position.
    #[inline]
    pub fn add(&mut self, x: i64, y: i64, z: i64) {
        self.n += 1;
        self.x += x;
        self.y += y;
        self.z += z;
    }
}

/// Sums of powers and products of whole numbers over the points of a neighbourhood.
#[derive(Clone, Copy, Default)]
pub struct PlaneSums {
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
    /// Adds a point, relative to the position.
    pub fn add(&mut self, x: i64, y: i64, z: i64) {
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

    /// How many points.
    pub fn points(&self) -> u32 {
        u32::try_from(self.n).unwrap_or(u32::MAX)
    }

    /// Adds the points of other sums, whose origin lies so far east and north of this one.
    pub fn add_shifted(&mut self, other: &PlaneSums, east: i64, north: i64) {
        let (east, north, n) = (i128::from(east), i128::from(north), other.n);
        self.n += n;
        self.x += other.x + n * east;
        self.y += other.y + n * north;
        self.z += other.z;
        self.xx += other.xx + 2 * east * other.x + n * east * east;
        self.xy += other.xy + east * other.y + north * other.x + n * east * north;
        self.yy += other.yy + 2 * north * other.y + n * north * north;
        self.xz += other.xz + east * other.z;
        self.yz += other.yz + north * other.z;
        self.zz += other.zz;
    }

    /// The mean distance of the points from a plane, above it counted as positive, micrometres; the origin of the plane lies so far
    /// west and south of this one. Nothing without points.
    pub fn mean_residual(&self, plane: &Solved, east: i64, north: i64) -> Option<f64> {
        if self.n == 0 {
            return None;
        }
        let (x, y) = (self.x + self.n * i128::from(east), self.y + self.n * i128::from(north));
        let z = self.z - self.n * i128::from(plane.height);
        let [a, b] = plane.gradient;
        Some((z as f64 - a * x as f64 - b * y as f64) / self.n as f64)
    }

    /// The plane through the points; nothing with too few of them, or points in line.
    pub fn solve(&self) -> Option<Solved> {
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
        let squares = ((zz - a * xz - b * yz) / n).max(0.0);
        Some(Solved { height, gradient: [a, b], squares })
    }

    /// Height of the plane at the origin over the level that elevations are counted from, and the plane; nothing with too few points or points in line.
    pub fn fit(&self, inner: &InnerSums) -> Option<(Micrometres, Plane)> {
        let Solved { height, gradient: [a, b], squares } = self.solve()?;
        let residual_sd = (squares / (self.n as f64 - 3.0)).sqrt();
        let plane = Plane { slope: (a * a + b * b).sqrt(), residual_sd, inner: self.inner(inner, a, b) };
        Some((height, plane))
    }

    /// The mean residual of the inner points from the plane of these slopes.
    fn inner(&self, inner: &InnerSums, a: f64, b: f64) -> Inner {
        if inner.n == 0 {
            return Inner::default();
        }
        // Both means over both counts: the difference of two numbers that may be large stays exact.
        let m = i128::from(inner.n);
        let differ = |inner: i64, all: i128| (i128::from(inner) * self.n - all * m) as f64;
        let (x, y, z) = (differ(inner.x, self.x), differ(inner.y, self.y), differ(inner.z, self.z));
        let mean = (z - a * x - b * y) / (self.n * m) as f64;
        Inner { points: u32::try_from(inner.n).unwrap_or(u32::MAX), mean }
    }
}
