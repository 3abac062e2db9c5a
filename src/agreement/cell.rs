//! What one cell tells: how much higher one strip lies than another, and how smooth each is.
//!
//! One plane is fitted by least squares to all strips of the cell, parallel with a level for each: z = g · (x, y) + level of the
//! strip. The difference of two levels is free of the slope, wherever in the cell the points of the two strips lie, and its
//! variance follows from the scatter about the planes.

use crate::agreement::Strip;
use crate::agreement::sums::{Sum, step};
use crate::units::Micrometres;

/// Fewest points of a strip in a cell from which a difference is taken.
pub const FEWEST_POINTS: u64 = 4;

/// Fewest points of a strip in a cell from which its smoothness is taken.
pub const FEWEST_FOR_SMOOTHNESS: u64 = 8;

/// Ground whose points scatter more about their plane than this is not smooth: kerbs, stones, vegetation. This program's own
/// choice.
const ROUGHEST: f64 = 100_000.0;

/// Strips of a cell that are looked at: far more than overlap anywhere.
const MOST_STRIPS: usize = 24;

/// Bins of the scatter within a doubling of its square.
pub const BINS: f64 = 16.0;

/// How cells are judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CellRule {
    /// Edge of a cell, micrometres.
    pub cell: f64,
    /// Steepest slope, rise over run.
    pub slope: f64,
}

/// A difference of two strips in a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// The two, ascending.
    pub strips: [Strip; 2],
    /// How much higher the second lies, micrometres.
    pub value: Micrometres,
    /// The variance of that from the scatter of the points, square micrometres.
    pub variance: u128,
}

/// Sums of a strip about the means of its points.
#[derive(Clone, Copy, Debug, Default)]
struct Centred {
    n: f64,
    /// Means, x and y in steps, z in micrometres from the base.
    mean: [f64; 3],
    xx: f64,
    xy: f64,
    yy: f64,
    xz: f64,
    yz: f64,
    zz: f64,
}

impl Centred {
    fn of(sum: &Sum) -> Self {
        let n = i128::from(sum.n);
        // n Σab − Σa Σb is whole, and exact.
        let about = |ab: i128, a: i64, b: i64| {
            n.wrapping_mul(ab).wrapping_sub(i128::from(a) * i128::from(b)) as f64 / sum.n as f64
        };
        Centred {
            n: sum.n as f64,
            mean: [sum.x, sum.y, sum.z].map(|sum_of| sum_of as f64 / sum.n as f64),
            xx: about(sum.xx.into(), sum.x, sum.x),
            xy: about(sum.xy.into(), sum.x, sum.y),
            yy: about(sum.yy.into(), sum.y, sum.y),
            xz: about(sum.xz.into(), sum.x, sum.z),
            yz: about(sum.yz.into(), sum.y, sum.z),
            zz: about(sum.zz, sum.z, sum.z),
        }
    }

    fn add(&mut self, other: &Centred) {
        self.n += other.n;
        self.xx += other.xx;
        self.xy += other.xy;
        self.yy += other.yy;
        self.xz += other.xz;
        self.yz += other.yz;
        self.zz += other.zz;
    }
}

/// A plane through centred points.
struct Plane {
    gradient: [f64; 2],
    /// The inverse of the matrix of xx, xy, yy.
    inverse: [f64; 3],
    /// Variance of the points about it, square micrometres.
    variance: f64,
}

impl Plane {
    /// That of points in so many strips; nothing where they do not fix one, or it is too steep or too rough.
    fn through(all: &Centred, strips: usize, rule: &CellRule) -> Option<Self> {
        let determinant = all.xx * all.yy - all.xy * all.xy;
        // Of points on a line, to a millimetre in a metre, the slope across it is not known.
        if determinant <= 1e-6 * all.xx * all.yy {
            return None;
        }
        let inverse = [all.yy, -all.xy, all.xx].map(|part| part / determinant);
        let gradient = [inverse[0] * all.xz + inverse[1] * all.yz, inverse[1] * all.xz + inverse[2] * all.yz];
        let left = (all.zz - gradient[0] * all.xz - gradient[1] * all.yz).max(0.0);
        let variance = left / (all.n - strips as f64 - 2.0);
        let slope = libm::hypot(gradient[0], gradient[1]) / step(rule.cell) as f64;
        (slope <= rule.slope && variance <= ROUGHEST * ROUGHEST).then_some(Plane {
            gradient,
            inverse,
            variance,
        })
    }
}

/// Judges a cell from the sums of its strips, in their order: hands over the differences of all pairs, and of each strip the bin
/// of its smoothness.
pub fn judge(
    strips: &[(Strip, Sum)],
    rule: &CellRule,
    mut difference: impl FnMut(Difference),
    mut smoothness: impl FnMut(Strip, u32),
) {
    let enough = strips.iter().filter(|(_, sum)| sum.n >= FEWEST_POINTS).take(MOST_STRIPS);
    let (points, z) = enough
        .clone()
        .fold((0i128, 0i128), |all, (_, sum)| (all.0 + i128::from(sum.n), all.1 + i128::from(sum.z)));
    if points == 0 {
        return;
    }
    let base = z.div_euclid(points) as i64;
    let centred: Vec<(Strip, Centred)> =
        enough.map(|(strip, sum)| (*strip, Centred::of(&sum.about(base)))).collect();
    for (strip, own) in &centred {
        if own.n >= FEWEST_FOR_SMOOTHNESS as f64
            && let Some(plane) = Plane::through(own, 1, rule)
        {
            smoothness(*strip, bin(plane.variance, own.n - 3.0));
        }
    }
    if centred.len() < 2 {
        return;
    }
    let mut all = Centred::default();
    centred.iter().for_each(|(_, own)| all.add(own));
    let Some(plane) = Plane::through(&all, centred.len(), rule) else { return };
    for (i, (first, a)) in centred.iter().enumerate() {
        for (second, b) in &centred[i + 1..] {
            let [x, y, z] = [0, 1, 2].map(|axis| b.mean[axis] - a.mean[axis]);
            let [xx, xy, yy] = plane.inverse;
            let of_points = 1.0 / a.n + 1.0 / b.n;
            let of_slope = xx * x * x + 2.0 * xy * x * y + yy * y * y;
            // Points too far apart for the slope to be known well enough tell more of the slope than of the strips.
            if of_slope <= of_points {
                difference(Difference {
                    strips: [*first, *second],
                    value: (z - plane.gradient[0] * x - plane.gradient[1] * y).round() as i64,
                    variance: (plane.variance * (of_points + of_slope)).round() as u128,
                });
            }
        }
    }
}

/// The share of the cells that are taken for hard, smooth surface: the smoothest quarter.
pub const SMOOTH_SHARE: f64 = 0.25;

/// The quantile of the standard normal distribution for that share.
pub(super) const SMOOTH_QUANTILE: f64 = -0.674_489_750_196_081_7;

/// The bin of a variance about a plane. It is divided by what the lower quartile of such estimates is of the true one (Wilson and
/// Hilferty 1931), so that the lower quartile of many cells of one smoothness is that smoothness, however few their points.
fn bin(variance: f64, degrees: f64) -> u32 {
    let spread = 2.0 / (9.0 * degrees);
    let factor = (1.0 - spread + SMOOTH_QUANTILE * spread.sqrt()).max(0.1);
    let scaled = (variance / (factor * factor * factor)).max(1.0);
    (libm::log2(scaled) * BINS) as u32
}

/// The scatter at a place among the bins, micrometres.
pub fn scatter_at(bins: f64) -> f64 {
    libm::exp2(bins / BINS / 2.0)
}
