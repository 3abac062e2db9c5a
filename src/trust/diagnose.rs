//! Tests for systematic errors that a single bias and SD do not show: a tilt across the site, strips that differ, skewed
//! residuals, a matching radius that is wide for the slope. All lengths in micrometres.

use std::collections::BTreeMap;

use crate::stages::compared::Compared;
use crate::stats::distributions::f_sf;
use crate::stats::placed::block_of;
use crate::units::Micrometres;

/// Probability below which an effect is reported: a report has many tests, and a false alarm costs trust.
const SIGNIFICANT: f64 = 0.001;

/// An effect below this share of the RMSE gets no warning, significant or not.
const MATTERS: f64 = 0.25;

/// Comparisons with their return's bias taken out, in the order of the excerpt.
pub fn centred(excerpt: &[Compared]) -> Vec<f64> {
    let mut sums: BTreeMap<u8, (i128, i128)> = BTreeMap::new();
    for one in excerpt {
        let (sum, n) = sums.entry(one.strata.return_number).or_default();
        *sum += i128::from(one.dz);
        *n += 1;
    }
    let mean = |number: u8| sums.get(&number).map_or(0.0, |(sum, n)| *sum as f64 / *n as f64);
    excerpt.iter().map(|one| one.dz as f64 - mean(one.strata.return_number)).collect()
}

/// A plane through dz over the site.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tilt {
    /// Rise of dz towards east and north, micrometres a metre.
    pub gradient: [f64; 2],
    /// Difference between the highest and the lowest comparison on the plane.
    pub range: f64,
}

/// The tilt of dz across the site, where it is both significant and large enough to matter beside an RMSE; tested with
/// errors that may be correlated within a block.
pub fn tilt(excerpt: &[Compared], centred: &[f64], block_size: Micrometres, rmse: f64) -> Option<Tilt> {
    let n = excerpt.len() as f64;
    let base = excerpt.first()?;
    let at = |one: &Compared| [(one.x - base.x) as f64 / 1e6, (one.y - base.y) as f64 / 1e6];
    let middle = excerpt.iter().map(at).fold([0.0; 2], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let from_middle = |one: &Compared| {
        let p = at(one);
        [p[0] - middle[0], p[1] - middle[1]]
    };
    let (mut xx, mut xy, mut yy, mut xz, mut yz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (one, z) in excerpt.iter().zip(centred) {
        let [x, y] = from_middle(one);
        xx += x * x;
        xy += x * y;
        yy += y * y;
        xz += x * z;
        yz += y * z;
    }
    let determinant = xx * yy - xy * xy;
    if determinant <= 1e-9 * xx * yy {
        return None;
    }
    let gradient = [(xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant];
    let mut scores: BTreeMap<(i64, i64), [f64; 2]> = BTreeMap::new();
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (one, z) in excerpt.iter().zip(centred) {
        let [x, y] = from_middle(one);
        let plane = gradient[0] * x + gradient[1] * y;
        (low, high) = (low.min(plane), high.max(plane));
        let score = scores.entry(block_of(one.x, one.y, block_size)).or_default();
        *score = [score[0] + x * (z - plane), score[1] + y * (z - plane)];
    }
    let blocks = scores.len() as f64;
    if blocks < 6.0 {
        return None;
    }
    let (mut m00, mut m01, mut m11) = (0.0, 0.0, 0.0);
    for [x, y] in scores.into_values() {
        m00 += x * x;
        m01 += x * y;
        m11 += y * y;
    }
    // Wald: (A b)' M⁻¹ (A b), with A the normal matrix and M the sum of the blocks' squared scores.
    let [ax, ay] = [xx * gradient[0] + xy * gradient[1], xy * gradient[0] + yy * gradient[1]];
    let spread = m00 * m11 - m01 * m01;
    let wald = (m11 * ax * ax - 2.0 * m01 * ax * ay + m00 * ay * ay) / spread * (blocks - 1.0) / blocks;
    let range = high - low;
    let significant =
        wald.is_finite() && f_sf(wald / 2.0, 2.0, blocks - 3.0).is_some_and(|p| p < SIGNIFICANT);
    (significant && range > MATTERS * rmse).then_some(Tilt { gradient, range })
}

/// Sum and number by block.
type ByBlock = BTreeMap<(i64, i64), (f64, f64)>;

/// Two strips that disagree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StripDiscrepancy {
    /// The lower and the higher strip.
    pub strips: [u16; 2],
    /// How far apart.
    pub difference: f64,
}

/// The strips that disagree most, where that is significant and large enough to matter beside an RMSE.
pub fn strip_discrepancy(
    excerpt: &[Compared],
    centred: &[f64],
    block_size: Micrometres,
    rmse: f64,
) -> Option<StripDiscrepancy> {
    let mut sums: BTreeMap<u16, ByBlock> = BTreeMap::new();
    for (one, z) in excerpt.iter().zip(centred) {
        let Some(strip) = one.strata.strip else { continue };
        let (sum, n) = sums.entry(strip).or_default().entry(block_of(one.x, one.y, block_size)).or_default();
        *sum += z;
        *n += 1.0;
    }
    // Mean of a strip and the variance of that mean, from the spread of its blocks.
    let strip = |(strip, blocks): (&u16, &ByBlock)| {
        let count = blocks.len() as f64;
        let (sum, n) = blocks.values().fold((0.0, 0.0), |(s, n), b| (s + b.0, n + b.1));
        let mean = sum / n;
        let squares: f64 = blocks.values().map(|(s, n)| (s - n * mean).powi(2)).sum();
        (count >= 4.0).then(|| (*strip, mean, squares / (n * n) * count / (count - 1.0), count))
    };
    let strips: Vec<_> = sums.iter().filter_map(strip).collect();
    let low = strips.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let high = strips.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let difference = high.1 - low.1;
    let f = difference * difference / (low.2 + high.2);
    // The pair was chosen for disagreeing most, among all pairs.
    let pairs = (strips.len() * strips.len().saturating_sub(1) / 2).max(1) as f64;
    let significant =
        f.is_finite() && f_sf(f, 1.0, low.3 + high.3 - 2.0).is_some_and(|p| p * pairs < SIGNIFICANT);
    (significant && difference > MATTERS * rmse)
        .then_some(StripDiscrepancy { strips: [low.0, high.0], difference })
}

/// Skewness from the 5th, 50th and 95th percentile: −1 to 1, 0 for a symmetric distribution; none where chance among so
/// many independent values explains it.
pub fn quantile_skewness(sorted: &[i64], independent: f64) -> Option<f64> {
    if sorted.len() < 100 || independent < 50.0 {
        return None;
    }
    let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64).round() as usize] as f64;
    let (low, middle, high) = (at(0.05), at(0.5), at(0.95));
    let skew = (high + low - 2.0 * middle) / (high - low);
    // For a normal distribution its standard error is 1/√n, from the joint distribution of the three quantiles.
    let chance = 3.3 / independent.sqrt();
    (skew.is_finite() && skew.abs() > chance.max(0.1)).then_some(skew)
}

/// Root mean square of the height error that matching within a radius adds on the slopes of the comparisons: the nearest
/// of points spread evenly lies, root mean square, radius/√2 away, in any direction on the slope.
pub fn matching_error(excerpt: &[Compared], within: Micrometres) -> Option<f64> {
    let slopes = excerpt.iter().filter_map(|one| one.slope_percent).map(|percent| f64::from(percent) / 100.0);
    let (sum, n) = slopes.fold((0.0, 0u64), |(sum, n), slope| (sum + slope * slope, n + 1));
    let offset = within as f64 / std::f64::consts::SQRT_2;
    (n > 0).then(|| (sum / n as f64).sqrt() * offset / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::strata::Strata;

    /// A site of 200 m × 100 m in two strips, with noise of 30 mm, and `extra` added by position and strip.
    fn site(extra: impl Fn(f64, f64, u16) -> f64) -> Vec<Compared> {
        let mut state = 1u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut all: Vec<Compared> = (0..4000)
            .map(|_| {
                let (x, y) = (uniform() * 200.0, uniform() * 100.0);
                let strip = if uniform() < 0.5 { 101 } else { 102 };
                let noise = ((0..12).map(|_| uniform()).sum::<f64>() - 6.0) * 0.03;
                Compared {
                    x: (x * 1e6) as i64,
                    y: (y * 1e6) as i64,
                    dz: ((noise + extra(x, y, strip)) * 1e6) as i64,
                    headroom: None,
                    slope_percent: Some(20),
                    strata: Strata { return_number: 1, strip: Some(strip), ..Strata::default() },
                }
            })
            .collect();
        all.sort_unstable();
        all
    }

    const BLOCK: Micrometres = 10_000_000;

    #[test]
    fn a_tilted_survey_is_found_and_a_level_one_left_alone() {
        let level = site(|_, _, _| 0.0);
        assert_eq!(tilt(&level, &centred(&level), BLOCK, 30_000.0), None);
        let tilted = site(|x, y, _| 0.0002 * x - 0.0001 * y);
        let found = tilt(&tilted, &centred(&tilted), BLOCK, 30_000.0).unwrap();
        assert!(
            (found.gradient[0] - 200.0).abs() < 30.0 && (found.gradient[1] + 100.0).abs() < 50.0,
            "{found:?}"
        );
        assert!((found.range - 50_000.0).abs() < 8_000.0, "{found:?}");
    }

    #[test]
    fn strips_that_disagree_are_found() {
        let level = site(|_, _, _| 0.0);
        assert_eq!(strip_discrepancy(&level, &centred(&level), BLOCK, 30_000.0), None);
        let apart = site(|_, _, strip| if strip == 102 { 0.02 } else { 0.0 });
        let found = strip_discrepancy(&apart, &centred(&apart), BLOCK, 30_000.0).unwrap();
        assert_eq!(found.strips, [101, 102]);
        assert!((found.difference - 20_000.0).abs() < 4_000.0, "{found:?}");
    }

    #[test]
    fn low_vegetation_makes_residuals_positively_skewed() {
        let sorted = |all: &[Compared]| {
            let mut dz: Vec<i64> = all.iter().map(|one| one.dz).collect();
            dz.sort_unstable();
            dz
        };
        let bare = site(|_, _, _| 0.0);
        assert_eq!(quantile_skewness(&sorted(&bare), 4000.0), None);
        let grass = site(|x, y, _| if (x * 7.3 + y * 3.1).fract() < 0.15 { 0.12 } else { 0.0 });
        assert!(quantile_skewness(&sorted(&grass), 4000.0).unwrap() > 0.2);
    }

    #[test]
    fn a_wide_radius_on_a_slope_adds_its_own_error() {
        // 20 % slope, 0.5 m: 0.2 · 0.5 / 2 = 50 mm, root mean square over all directions.
        let error = matching_error(&site(|_, _, _| 0.0), 500_000).unwrap();
        assert!((error - 50_000.0).abs() < 1.0, "{error}");
    }
}
