//! Tests for systematic errors that a single bias and SD do not show: a tilt across the site, strips that differ, skewed
//! residuals, a matching radius that is wide for the slope. All lengths in micrometres.

use std::collections::BTreeMap;

use crate::stages::compared::Compared;
use crate::stats::distributions::f_sf;
use crate::stats::placed::block_of;
use crate::units::Micrometres;

/// Probability below which strips are reported to disagree: a report has many tests, and a false alarm costs trust.
const SIGNIFICANT: f64 = 0.001;

/// Probabilities below which a tilt is reported, in cells and in bands. On made sites without a tilt (nine plots, a block, a
/// strip and all of 200 m × 200 m; independent noise, and correlated over 8 m and 40 m) 0 to 2 of 100 had one so.
const SIGNIFICANT_TILT: [f64; 2] = [0.003, 0.01];

/// An effect below this share of the RMSE gets no warning, significant or not.
const MATTERS: f64 = 0.25;

/// The extent is divided into about the squares of these many cells, and along each axis into these many bands.
const CELLS: [i64; 4] = [3, 4, 5, 6];
const BANDS: [i64; 2] = [6, 9];

/// A cell with fewer comparisons than this share of the average is left out.
const LEAST_OF_A_CELL: f64 = 0.25;

/// Comparisons with the bias of their return and cover taken out, in the order of the excerpt: where cover changes over the
/// site a bias of its own is no tilt.
pub fn centred(excerpt: &[Compared]) -> Vec<f64> {
    let kind = |one: &Compared| (one.strata.return_number, one.strata.cover);
    let mut sums: BTreeMap<_, (i128, i128)> = BTreeMap::new();
    for one in excerpt {
        let (sum, n) = sums.entry(kind(one)).or_default();
        *sum += i128::from(one.dz);
        *n += 1;
    }
    let mean = |one: &Compared| sums.get(&kind(one)).map_or(0.0, |(sum, n)| *sum as f64 / *n as f64);
    excerpt.iter().map(|one| one.dz as f64 - mean(one)).collect()
}

/// A plane through dz over the site.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tilt {
    /// Rise of dz towards east and north, micrometres a metre.
    pub gradient: [f64; 2],
    /// Difference between the highest and the lowest comparison on the plane.
    pub range: f64,
}

/// Place, in metres from the first comparison, and value.
type Valued = [f64; 3];

/// The tilt of dz across the site, where it is both significant and large enough to matter beside an RMSE.
///
/// An error that is correlated far looks like a tilt. So a plane must fit the means of a few large cells far better than chance
/// would have it, whatever their size (F with few degrees of freedom, for all directions at once); and a line the means of
/// bands along one of the axes, or strips and stripes that differ would be taken for one.
pub fn tilt(excerpt: &[Compared], centred: &[f64], rmse: f64) -> Option<Tilt> {
    let base = excerpt.first()?;
    let at = |one: &Compared| [(one.x - base.x) as f64 / 1e6, (one.y - base.y) as f64 / 1e6];
    let values: Vec<Valued> = excerpt
        .iter()
        .zip(centred)
        .map(|(one, z)| {
            let [x, y] = at(one);
            [x, y, *z]
        })
        .collect();
    let gradient = plane(&values)?;
    let ends = values.iter().map(|[x, y, _]| gradient[0] * x + gradient[1] * y);
    let (low, high) =
        ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), z| (low.min(z), high.max(z)));
    if high - low <= MATTERS * rmse {
        return None;
    }
    let in_cells = tilt_in_cells(&values).filter(|p| *p < SIGNIFICANT_TILT[0]);
    in_cells.and_then(|_| tilt_in_bands(&values).filter(|p| *p < SIGNIFICANT_TILT[1]))?;
    Some(Tilt { gradient, range: high - low })
}

/// Rise towards east and north of the plane of least squares.
fn plane(values: &[Valued]) -> Option<[f64; 2]> {
    let n = values.len() as f64;
    let mean = values.iter().fold([0.0; 3], |m, v| [m[0] + v[0] / n, m[1] + v[1] / n, m[2] + v[2] / n]);
    let (mut xx, mut xy, mut yy, mut xz, mut yz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for value in values {
        let [x, y, z] = [0, 1, 2].map(|i| value[i] - mean[i]);
        xx += x * x;
        xy += x * y;
        yy += y * y;
        xz += x * z;
        yz += y * z;
    }
    let determinant = xx * yy - xy * xy;
    (determinant > 1e-9 * xx * yy)
        .then(|| [(xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant])
}

/// Least and greatest of an axis.
fn ends(values: &[Valued], axis: usize) -> [f64; 2] {
    let axis = values.iter().map(|value| value[axis]);
    axis.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], v| [low.min(v), high.max(v)])
}

/// Means of place and value by cell, but of those that hold little.
fn cell_means(values: &[Valued], cell: impl Fn(&Valued) -> (i64, i64)) -> Vec<Valued> {
    let mut sums: BTreeMap<(i64, i64), [f64; 4]> = BTreeMap::new();
    for value in values {
        let sum = sums.entry(cell(value)).or_default();
        (0..3).for_each(|i| sum[i] += value[i]);
        sum[3] += 1.0;
    }
    let least = LEAST_OF_A_CELL * values.len() as f64 / sums.len() as f64;
    let enough = sums.into_values().filter(|[.., n]| *n >= least);
    enough.map(|[x, y, z, n]| [x / n, y / n, z / n]).collect()
}

/// Probability of so good a plane through the means of cells by chance: the greatest over cells of all sizes.
fn tilt_in_cells(values: &[Valued]) -> Option<f64> {
    let [[west, east], [south, north]] = [ends(values, 0), ends(values, 1)];
    let side = ((east - west) * (north - south)).sqrt();
    let p = |k: &i64| {
        let side = side / *k as f64;
        let means = cell_means(values, |[x, y, _]| (((y - south) / side) as i64, ((x - west) / side) as i64));
        let (n, [a, b]) = (means.len() as f64, plane(&means)?);
        if n < 6.0 {
            return None;
        }
        let on_plane: Vec<f64> = means.iter().map(|[x, y, _]| a * x + b * y).collect();
        let level = on_plane.iter().sum::<f64>() / n;
        let mean = means.iter().map(|[.., z]| z).sum::<f64>() / n;
        let explained: f64 = on_plane.iter().map(|z| (z - level).powi(2)).sum();
        let left = means.iter().zip(&on_plane).map(|([.., z], on)| (z - mean - on + level).powi(2));
        let f = explained / 2.0 / (left.sum::<f64>() / (n - 3.0));
        if f.is_finite() { f_sf(f, 2.0, n - 3.0) } else { Some(0.0) }
    };
    CELLS.iter().filter_map(p).max_by(f64::total_cmp)
}

/// Probability of so good a line through the means of bands by chance: the greatest over their widths, on the better of the
/// two axes, of which there are two.
fn tilt_in_bands(values: &[Valued]) -> Option<f64> {
    let along = |axis: usize| {
        let [low, high] = ends(values, axis);
        let p = |k: &i64| {
            let width = (high - low) / *k as f64;
            let means = cell_means(values, |value| ((((value[axis] - low) / width) as i64).min(k - 1), 0));
            let n = means.len() as f64;
            if n < 5.0 {
                return None;
            }
            let [at, mean] = [axis, 2].map(|i| means.iter().map(|m| m[i]).sum::<f64>() / n);
            let sum =
                |of: fn(f64, f64) -> f64| means.iter().map(|m| of(m[axis] - at, m[2] - mean)).sum::<f64>();
            let (xx, xz, zz) = (sum(|x, _| x * x), sum(|x, z| x * z), sum(|_, z| z * z));
            let explained = xz * xz / xx;
            let f = explained / ((zz - explained) / (n - 2.0));
            if f.is_finite() { f_sf(f.max(0.0), 1.0, n - 2.0) } else { Some(0.0) }
        };
        BANDS.iter().filter_map(p).max_by(f64::total_cmp)
    };
    [along(0), along(1)].into_iter().flatten().min_by(f64::total_cmp).map(|p| (2.0 * p).min(1.0))
}

/// Two strips that disagree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StripDiscrepancy {
    /// The lower and the higher strip.
    pub strips: [u16; 2],
    /// How far apart.
    pub difference: f64,
}

/// Sum and number by block.
type ByBlock = BTreeMap<(i64, i64), (f64, f64)>;

/// Effective blocks below which a pair of strips is not compared.
const FEWEST_BLOCKS_OF_STRIPS: f64 = 4.0;

/// The strips that disagree most, where that is significant and large enough to matter beside an RMSE. Strips are compared in the
/// blocks that hold both, so that what the ground or the reference adds to both drops out; blocks are joined to larger ones,
/// and the least significant result counts. Strips without common blocks cannot be told from an error correlated over the site.
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
    let strips: Vec<(u16, ByBlock)> = sums.into_iter().collect();
    let pairs = (strips.len() * strips.len().saturating_sub(1) / 2) as f64;
    let mut found: Option<StripDiscrepancy> = None;
    for (i, (one, of_one)) in strips.iter().enumerate() {
        for (other, of_other) in &strips[i + 1..] {
            let Some((difference, p)) = apart(of_one, of_other) else { continue };
            let size = difference.abs();
            // The pair is chosen for disagreeing most, among all pairs.
            if p * pairs < SIGNIFICANT && size > MATTERS * rmse && found.is_none_or(|f| size > f.difference) {
                let strips = if difference > 0.0 { [*one, *other] } else { [*other, *one] };
                found = Some(StripDiscrepancy { strips, difference: size });
            }
        }
    }
    found
}

/// How far a strip lies above another in the blocks that hold both, and the probability of that by chance.
fn apart(lower: &ByBlock, higher: &ByBlock) -> Option<(f64, f64)> {
    let common: Vec<((i64, i64), f64, f64)> = lower
        .iter()
        .filter_map(|(place, (sum, n))| {
            let (other_sum, other_n) = higher.get(place)?;
            Some((*place, n * other_n / (n + other_n), other_sum / other_n - sum / n))
        })
        .collect();
    let all: f64 = common.iter().map(|(_, weight, _)| weight).sum();
    let mean = common.iter().map(|(_, weight, difference)| weight * difference).sum::<f64>() / all;
    let p = |times: i64| {
        let mut blocks: ByBlock = BTreeMap::new();
        for ((row, column), weight, difference) in &common {
            let block = blocks.entry((row.div_euclid(times), column.div_euclid(times))).or_default();
            *block = (block.0 + weight * (difference - mean), block.1 + weight);
        }
        let effective = all * all / blocks.values().map(|(_, weight)| weight * weight).sum::<f64>();
        if effective.is_nan() || effective < FEWEST_BLOCKS_OF_STRIPS {
            return None;
        }
        let squares: f64 = blocks.values().map(|(sum, _)| sum * sum).sum();
        let variance = squares / (all * all) * effective / (effective - 1.0);
        f_sf(mean * mean / variance, 1.0, effective - 1.0)
    };
    let p = [1, 2, 3].into_iter().filter_map(p).max_by(f64::total_cmp)?;
    Some((mean, p))
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
    let slopes = excerpt.iter().filter_map(Compared::slope_percent).map(|percent| f64::from(percent) / 100.0);
    let (sum, n) = slopes.fold((0.0, 0u64), |(sum, n), slope| (sum + slope * slope, n + 1));
    let offset = within as f64 / std::f64::consts::SQRT_2;
    (n > 0).then(|| (sum / n as f64).sqrt() * offset / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::gradient::Gradient;
    use crate::tile::strata::{Cover, Strata};

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
                    gradient: Some(Gradient::of([0.0, 0.2])),
                    local_gradient: None,
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
        assert_eq!(tilt(&level, &centred(&level), 30_000.0), None);
        let tilted = site(|x, y, _| 0.0002 * x - 0.0001 * y);
        let found = tilt(&tilted, &centred(&tilted), 30_000.0).unwrap();
        assert!(
            (found.gradient[0] - 200.0).abs() < 30.0 && (found.gradient[1] + 100.0).abs() < 50.0,
            "{found:?}"
        );
        assert!((found.range - 50_000.0).abs() < 8_000.0, "{found:?}");
    }

    #[test]
    fn what_is_no_tilt_is_not_taken_for_one() {
        // Canopy in the east with a bias of its own, which two in ten comparisons there do not share.
        let mut wood = site(|x, _, _| if x > 100.0 { 0.03 } else { 0.0 });
        wood.iter_mut().for_each(|one| {
            let canopy = one.x > 100_000_000;
            one.strata.cover = Some(if canopy { Cover::Canopy } else { Cover::Open });
        });
        assert_eq!(tilt(&wood, &centred(&wood), 30_000.0), None);
        // Eight bands, each with an offset of its own, which happen to rise a little.
        let offsets = [0.0, 0.015, -0.012, 0.004, 0.018, -0.002, 0.016, 0.008];
        let bands = site(|x, _, _| offsets[(x / 25.0) as usize % 8]);
        assert_eq!(tilt(&bands, &centred(&bands), 30_000.0), None);
    }

    #[test]
    fn strips_that_disagree_are_found() {
        let level = site(|_, _, _| 0.0);
        assert_eq!(strip_discrepancy(&level, &centred(&level), BLOCK, 30_000.0), None);
        let apart = site(|_, _, strip| if strip == 102 { 0.02 } else { 0.0 });
        let found = strip_discrepancy(&apart, &centred(&apart), BLOCK, 30_000.0).unwrap();
        assert_eq!(found.strips, [101, 102]);
        assert!((found.difference - 20_000.0).abs() < 4_000.0, "{found:?}");
        // Where the strips do not overlap, the site itself may be the difference.
        let mut beside = apart;
        beside
            .iter_mut()
            .for_each(|one| one.strata.strip = Some(if one.x < 100_000_000 { 101 } else { 102 }));
        assert_eq!(strip_discrepancy(&beside, &centred(&beside), BLOCK, 30_000.0), None);
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
