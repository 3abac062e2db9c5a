//! Truncation correction: mean and SD of the residuals before a ground filter refused all that lay above a limit.
//!
//! Each accepted residual z had its own known upper limit u. What was refused is put back: each accepted residual stands for as many
//! above its limit as a normal distribution has there. Which normal, the residuals near their middle say:
//!
//! - **The limit moves with the surface** that judges, and that shares errors with the residuals. So z is taken as normal about
//!   α + β u, truncated at u: a truncated regression (Hausman and Wise 1977, citation not verified). β is held between 0 (the
//!   surface has nothing of the residual's error) and 1 (it has all of it). Mean and SD are then taken over the limits of all
//!   accepted residuals, each weighed by what it stands for.
//! - **Blunders and heavy tails** must not shape it: only residuals within 2.5 NMAD of the median are fitted, and only those whose
//!   limit lies above median − NMAD. The likelihood knows these bounds, and stays valid. Residuals beyond them are kept as observed.
//!
//! Standard errors come from sums over blocks of each residual's influence on mean and SD (the sandwich estimator), so that
//! correlated neighbours do not count as independent. The shape of the tail that is gone cannot be known. So the intervals reach at
//! least to what comes out were it the image of the lower tail, and a tenth of what the correction changes is added to the
//! half-widths: this program's own choice.
//!
//! The limit must be the one that the *other* points set: a point that lowers its own limit is less likely to be seen
//! than this says. An upper tail that is not noise, such as low vegetation above the limit, cannot be restored.

use std::borrow::Borrow;
use std::collections::BTreeMap;

use libm::{exp, hypot, log};

use crate::stats::distributions::{normal_sf, t_quantile};
use crate::stats::placed::Placed;
use crate::stats::truncated_sample::{Influence, Sample, TAIL};

/// What the likelihood says; lengths in micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruncatedFit {
    /// Number of residuals used.
    pub n: u64,
    /// Residuals above their own limit, which cannot be: left out.
    pub above_limit: u64,
    /// Share of all that was truncated, as estimated.
    pub truncated: f64,
    /// Mean before truncation.
    pub mean: f64,
    /// 95 % interval of the mean.
    pub mean_ci95: [f64; 2],
    /// SD before truncation.
    pub sd: f64,
    /// 95 % interval of the SD.
    pub sd_ci95: [f64; 2],
}

/// Why there is no estimate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoEstimate {
    /// No limit is known of any comparison of the study.
    #[error("the limits of the ground filter are not known")]
    NotJudged,
    /// Ground was classified by others.
    #[error(
        "the ground is class 2 as delivered, and up to what limit its classification accepted points is not known"
    )]
    Delivered,
    /// Less than 20 residuals, or less than three blocks of them.
    #[error("fewer than 20 comparisons, or comparisons in fewer than three blocks")]
    TooFew,
    /// All residuals are the same.
    #[error("all residuals are equal")]
    NoSpread,
    /// SD or mean run off together as the likelihood rises.
    #[error("the residuals rise towards their limits like no normal distribution")]
    NoMaximum,
    /// Residuals far below the others make up more than 15 % of the variance, or the lower tail has several times what a normal
    /// distribution has there.
    #[error("low outliers or a heavy lower tail: the residuals are not normally distributed")]
    LowTail,
    /// More than 80 % truncated.
    #[error("more than 80 % were truncated: too much to be restored")]
    MostTruncated,
    /// A few residuals far above low limits stand for most of what was refused.
    #[error("a few comparisons at low limits carry most of the estimate")]
    FewCarry,
    /// The observed figures have none either.
    #[error("no confidence interval can be given for these comparisons")]
    NoInterval,
    /// The standard error of ln SD is above 0.25 (a factor of 1.6 either way at 95 %), or that of the mean above half the raw SD.
    #[error("too few comparisons to determine bias and SD before truncation")]
    Unsure,
}

const FEWEST_RESIDUALS: usize = 20;
const FEWEST_BLOCKS: usize = 3;
const MOST_LN_SD_SE: f64 = 0.25;
const MOST_MEAN_SE: f64 = 0.5;
/// Share of the variance that residuals far below may make up; and share truncated under which they do no harm.
const MOST_FAR_BELOW: f64 = 0.15;
const HARMLESS: f64 = 0.02;
/// How many times as many residuals as a normal distribution has 2.5 SD and more below its mean show that it is none. Normal
/// noise has 0.9 to 1.0 times as many, t with 5 degrees of freedom 3.4, with 4 or 3 and Laplace noise 4 to 6 (simulated).
const HEAVY: f64 = 3.8;
const MOST_TRUNCATED: f64 = 0.8;
/// Effective share of the weights (Kish; citation not verified).
const LEAST_EFFECTIVE: f64 = 0.2;
/// Share of what the correction changes that the half-widths grow by, in squares.
const UNKNOWN_TAIL: f64 = 0.1;

/// Where the likelihood of some residuals is greatest; the standard errors are not inflated yet.
pub struct Maximum {
    n: u64,
    above_limit: u64,
    truncated: f64,
    centre: f64,
    scale: f64,
    /// Of the residuals less `centre`, in units of `scale`.
    mean: f64,
    sd: f64,
    /// The same of the residuals as they are.
    raw: (f64, f64),
    /// And were the upper tail the image of the lower one.
    symmetric: (f64, f64),
    mean_variance: f64,
    ln_sd_variance: f64,
    blocks: usize,
    df: f64,
}

/// Mean and SD before truncation, of the residuals of one group, sorted; see [`Maximum::inflated`].
#[cfg(test)]
pub fn truncation_corrected(
    residuals: &[impl Borrow<Placed>],
    block_um: i64,
    inflation: f64,
) -> Result<TruncatedFit, NoEstimate> {
    maximum(residuals, block_um)?.inflated(inflation)
}

/// Where the likelihood of the residuals of one group, sorted, is greatest. Blocks of side `block_um` micrometres carry the
/// standard errors.
pub fn maximum(residuals: &[impl Borrow<Placed>], block_um: i64) -> Result<Maximum, NoEstimate> {
    let all = residuals.len();
    let residuals = residuals.iter().map(Borrow::borrow);
    debug_assert!(residuals.clone().is_sorted());
    let possible = |r: &&Placed| r.limit.is_none_or(|limit| r.dz <= limit);
    let used: Vec<&Placed> = residuals.filter(possible).collect();
    if used.len() < FEWEST_RESIDUALS {
        return Err(NoEstimate::TooFew);
    }
    let sample = Sample::new(&used).ok_or(NoEstimate::NoSpread)?;
    let model = sample.model().ok_or(NoEstimate::NoMaximum)?;
    let whole = sample.restored(model.as_ref().map(|model| &model.parameters));
    let n = used.len() as f64;
    let truncated = 1.0 - n / whole.count;
    let influence = Influence::new(&sample, model.as_ref(), &whole);
    let mut blocks = BTreeMap::<(i64, i64), [f64; 3]>::new();
    let (mut far_below, mut in_tail) = (0.0, 0.0);
    // Count, sum and sum of squares of the residuals, and of images of those in the lower tail.
    let mut symmetric = [0.0; 3];
    for (residual, &(bin, z)) in used.iter().zip(&sample.values) {
        let of_bin = &influence.of_bins[usize::from(bin)];
        let sums = blocks.entry(residual.block(block_um)).or_default();
        let [on_mean, on_ln_sd] = of_bin.at(z, Sample::is_fitted(bin, z));
        sums[0] += on_mean;
        sums[1] += on_ln_sd;
        sums[2] += 1.0;
        let image = (z < of_bin.mirrored).then_some(2.0 * of_bin.middle - z);
        for z in [Some(z), image].into_iter().flatten() {
            symmetric[0] += 1.0;
            symmetric[1] += z;
            symmetric[2] += z * z;
        }
        if z < of_bin.tail {
            in_tail += 1.0;
        }
        if z < of_bin.far_below {
            far_below += (z - whole.mean) * (z - whole.mean);
        }
    }
    if blocks.len() < FEWEST_BLOCKS {
        return Err(NoEstimate::TooFew);
    }
    // Not what chance does with a few: three standard errors of a count.
    let heavy = HEAVY * normal_sf(TAIL) * whole.count;
    let is_heavy = in_tail > heavy + 3.0 * heavy.sqrt();
    if truncated > HARMLESS && (is_heavy || far_below > MOST_FAR_BELOW * whole.count * whole.sd * whole.sd) {
        return Err(NoEstimate::LowTail);
    }
    if truncated > MOST_TRUNCATED {
        return Err(NoEstimate::MostTruncated);
    }
    if whole.count * whole.count < LEAST_EFFECTIVE * n * whole.squared_weights {
        return Err(NoEstimate::FewCarry);
    }
    let variance = |of: usize| blocks.values().map(|sums| sums[of] * sums[of]).sum::<f64>();
    // Blocks that hold many residuals leave fewer degrees of freedom than there are blocks.
    let df = n * n / variance(2) - 1.0;
    Ok(Maximum {
        n: used.len() as u64,
        above_limit: (all - used.len()) as u64,
        truncated,
        centre: sample.centre,
        scale: sample.scale,
        mean: whole.mean,
        sd: whole.sd,
        raw: sample.raw(),
        symmetric: mean_and_sd(symmetric),
        mean_variance: variance(0),
        ln_sd_variance: variance(1),
        blocks: blocks.len(),
        df,
    })
}

/// Mean and SD, from count, sum and sum of squares.
fn mean_and_sd([n, sum, squares]: [f64; 3]) -> (f64, f64) {
    let mean = sum / n;
    (mean, (squares / n - mean * mean).max(0.0).sqrt())
}

impl Maximum {
    /// The estimate; `inflation` (1 for none) multiplies the variances for correlation between blocks, as the
    /// intervals of the bias have it.
    pub fn inflated(&self, inflation: f64) -> Result<TruncatedFit, NoEstimate> {
        let Maximum { n, above_limit, truncated, centre, scale, blocks, raw, .. } = *self;
        let few = inflation * blocks as f64 / (blocks as f64 - 1.0);
        let (mean_se, ln_sd_se) = ((few * self.mean_variance).sqrt(), (few * self.ln_sd_variance).sqrt());
        // Written so that not-a-number is refused as well.
        if !(mean_se <= MOST_MEAN_SE * raw.1 && ln_sd_se <= MOST_LN_SD_SE) {
            return Err(NoEstimate::Unsure);
        }
        let t = t_quantile(0.975, self.df).ok_or(NoEstimate::TooFew)?;
        let half_mean = hypot(t * mean_se, UNKNOWN_TAIL * (self.mean - raw.0));
        let half_ln_sd = hypot(t * ln_sd_se, UNKNOWN_TAIL * log(self.sd / raw.1));
        let around = |middle: f64, half: f64, other: f64, half_other: f64| {
            [(middle - half).min(other - half_other), (middle + half).max(other + half_other)]
        };
        let of_mean = around(self.mean, half_mean, self.symmetric.0, t * mean_se);
        let of_ln_sd = around(log(self.sd), half_ln_sd, log(self.symmetric.1), t * ln_sd_se);
        Ok(TruncatedFit {
            n,
            above_limit,
            truncated,
            mean: centre + scale * self.mean,
            mean_ci95: of_mean.map(|end| centre + scale * end),
            sd: scale * self.sd,
            sd_ci95: of_ln_sd.map(|end| scale * exp(end)),
        })
    }
}

/// Share of the residuals within one (raw) SD below their own limit.
pub fn within_sd_of_limit(residuals: &[impl Borrow<Placed>]) -> f64 {
    let n = residuals.len() as f64;
    let residuals = residuals.iter().map(Borrow::borrow);
    let mean = residuals.clone().map(|r| r.dz as f64).sum::<f64>() / n;
    let squares = residuals.clone().map(|r| (r.dz as f64 - mean).powi(2)).sum::<f64>();
    let sd = (squares / (n - 1.0).max(1.0)).sqrt();
    let near = |r: &&Placed| r.limit.is_some_and(|limit| (limit - r.dz) as f64 <= sd);
    residuals.filter(near).count() as f64 / n
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::moments::Moments;
    use crate::stats::simulated::Normal;

    const MM: f64 = 1_000.0;
    const TRUTH: (f64, f64) = (-20.0 * MM, 90.0 * MM);

    /// So many residuals on a site of 100 m by 100 m of those drawn, (dz, limit), that lie below their limit.
    fn below_limit(
        count: usize,
        random: &mut Normal,
        mut draw: impl FnMut(&mut Normal) -> (i64, i64),
    ) -> Vec<Placed> {
        let mut residuals = Vec::with_capacity(count);
        while residuals.len() < count {
            let (dz, limit) = draw(random);
            if dz <= limit {
                let mut place = || (random.uniform() * 1e8) as i64;
                residuals.push(Placed { x: place(), y: place(), dz, limit: Some(limit), group: 0 });
            }
        }
        residuals.sort_unstable();
        residuals
    }

    /// Residuals of a return, each below its own limit: `threshold` over an opened surface that lies some 100 mm, give or take
    /// 60, below the ground.
    fn accepted(threshold: f64, count: usize, random: &mut Normal) -> Vec<Placed> {
        below_limit(count, random, |random| {
            let limit = (threshold + (60.0 * random.next() - 100.0) * MM) as i64;
            ((TRUTH.0 + TRUTH.1 * random.next()) as i64, limit)
        })
    }

    #[test]
    fn truth_is_found_and_the_intervals_hold_it() {
        for (threshold, sd_within, mean_within) in [(300.0, 0.03, 3.0 * MM), (150.0, 0.10, 15.0 * MM)] {
            let right = |found: &TruncatedFit| {
                (found.mean - TRUTH.0).abs() <= mean_within && (found.sd / TRUTH.1 - 1.0).abs() <= sd_within
            };
            let mut held = [0; 2];
            let mut off = (0.0, 0.0);
            for trial in 0..1_000 {
                let residuals = accepted(threshold * MM, 2_000, &mut Normal::new(trial));
                let found = truncation_corrected(&residuals, 10_000_000, 1.0).unwrap();
                held[0] += i32::from((found.mean_ci95[0]..=found.mean_ci95[1]).contains(&TRUTH.0));
                held[1] += i32::from((found.sd_ci95[0]..=found.sd_ci95[1]).contains(&TRUTH.1));
                off.0 += (found.mean - TRUTH.0) / 1_000.0;
                off.1 += (found.sd / TRUTH.1 - 1.0) / 1_000.0;
            }
            // Where much is corrected a tenth of it is added for the unknown tail.
            let most = if threshold < 200.0 { 1_000 } else { 970 };
            assert!(held.iter().all(|h| (930..=most).contains(h)), "{threshold}: {held:?} of 1,000");
            // As β is not below 0, a small sample of noise alone comes out a little low: 1.2 mm of 40 at 0.15 m.
            assert!(off.0.abs() < 1.5 * MM && off.1.abs() < 0.008, "{threshold}: {off:?} on average");
            // As many as a return has on a small site; the raw figures are badly biased at the lower threshold.
            let many = accepted(threshold * MM, 20_000, &mut Normal::new(1));
            let found = truncation_corrected(&many, 10_000_000, 1.0).unwrap();
            assert!(right(&found), "{threshold}: {found:?}");
            if threshold < 200.0 {
                let n = many.len() as f64;
                let mean = many.iter().map(|r| r.dz as f64).sum::<f64>() / n;
                let sd = (many.iter().map(|r| (r.dz as f64 - mean).powi(2)).sum::<f64>() / n).sqrt();
                assert!(mean < TRUTH.0 - 30.0 * MM && sd < 0.85 * TRUTH.1, "{mean} {sd}");
                // Refused: the difference of two normals, N(50, 60) for the limit, below 0.
                let refused = normal_sf((50.0 + 20.0) / 90.0f64.hypot(60.0));
                assert!((found.truncated - refused).abs() < 0.02, "{} {refused}", found.truncated);
            }
        }
    }

    /// Residuals of which the surface that judges shares `shared` of SD 60 mm, under noise of 60 mm of their own.
    fn with_the_surface(shared: f64, random: &mut Normal) -> Vec<Placed> {
        below_limit(20_000, random, |random| {
            let field = shared * 60.0 * random.next();
            let limit = ((20.0 + field + 20.0 * random.next()) * MM) as i64;
            (((field + 60.0 * random.next()) * MM) as i64, limit)
        })
    }

    #[test]
    fn a_limit_that_moves_with_the_surface_is_known_to() {
        for shared in [0.0, 0.5, 1.0] {
            let found = truncation_corrected(&with_the_surface(shared, &mut Normal::new(8)), 10_000_000, 1.0)
                .unwrap();
            // All residuals, refused or not, are normal: (0, 60 √(1 + shared²)) mm.
            let sd = 60.0 * MM * (1.0 + shared * shared).sqrt();
            assert!(found.mean.abs() < 4.0 * MM && (found.sd / sd - 1.0).abs() < 0.04, "{shared} {found:?}");
        }
    }

    #[test]
    fn low_blunders_spoil_nothing_or_are_said() {
        let mut random = Normal::new(9);
        let mut residuals = with_the_surface(0.0, &mut random);
        let clean = truncation_corrected(&residuals, 10_000_000, 1.0).unwrap();
        // One in a thousand 0.3 to 0.9 m too low, half of them seen only by a limit that another one set.
        let blunder = |one: &mut Placed, random: &mut Normal| {
            one.dz = -((300.0 + 600.0 * random.uniform()) * MM) as i64;
            if random.uniform() < 0.5 {
                one.limit = Some(one.dz + 10_000);
            }
        };
        residuals.iter_mut().step_by(1_000).for_each(|one| blunder(one, &mut random));
        let found = truncation_corrected(&residuals, 10_000_000, 1.0).unwrap();
        assert!(
            (found.mean - clean.mean).abs() < 3.0 * MM && found.sd < 1.06 * clean.sd,
            "{found:?} {clean:?}"
        );
        assert!((found.truncated - clean.truncated).abs() < 0.02, "{found:?} {clean:?}");
        residuals.iter_mut().step_by(50).for_each(|one| blunder(one, &mut random));
        assert_eq!(truncation_corrected(&residuals, 10_000_000, 1.0), Err(NoEstimate::LowTail));
    }

    #[test]
    fn heavy_tails_are_refused_and_normal_ones_are_not() {
        // Noise of 60 mm whose limits lie 0.8 SD above its middle, give or take half as much.
        let limit = |random: &mut Normal| ((50.0 + 30.0 * random.next()) * MM) as i64;
        let mut refused = [0; 3];
        for trial in 0..40 {
            let mut random = Normal::new(900 + trial);
            let laplace = |random: &mut Normal| {
                let (side, u) = (random.uniform() < 0.5, random.uniform());
                let size = -log(u.max(1e-12)) * 60.0 / 2.0f64.sqrt() * MM;
                (if side { size } else { -size }) as i64
            };
            // Student's t with four degrees of freedom: a normal over the root of a mean of four squares.
            let t4 = |random: &mut Normal| {
                let squares: f64 = (0..4).map(|_| random.next()).map(|z| z * z).sum();
                (60.0 / 2.0f64.sqrt() * MM * random.next() / (squares / 4.0).sqrt()) as i64
            };
            let normal = |random: &mut Normal| (60.0 * MM * random.next()) as i64;
            let draws: [&dyn Fn(&mut Normal) -> i64; 3] = [&normal, &laplace, &t4];
            for (refused, draw) in refused.iter_mut().zip(draws) {
                let residuals = below_limit(8_000, &mut random, |random| (draw(random), limit(random)));
                let found = truncation_corrected(&residuals, 10_000_000, 1.0);
                *refused += i32::from(found == Err(NoEstimate::LowTail));
            }
        }
        assert!(refused[0] == 0 && refused[1] == 40 && refused[2] > 20, "{refused:?} of 40");
    }

    #[test]
    fn what_was_nearly_all_refused_is_not_made_up() {
        let mut random = Normal::new(10);
        let mut residuals = Vec::new();
        while residuals.len() < 20_000 {
            let dz = (60.0 * MM * random.next()) as i64;
            if dz < -66_000 {
                let mut place = || (random.uniform() * 1e8) as i64;
                residuals.push(Placed { x: place(), y: place(), dz, limit: Some(-66_000), group: 0 });
            }
        }
        residuals.sort_unstable();
        // 86 % were refused.
        let found = truncation_corrected(&residuals, 10_000_000, 1.0);
        assert!(
            matches!(found, Err(NoEstimate::MostTruncated | NoEstimate::Unsure | NoEstimate::NoMaximum)),
            "{found:?}"
        );
    }

    #[test]
    fn without_limits_it_is_the_plain_mean_and_sd() {
        let mut residuals = accepted(1e6 * MM, 3_000, &mut Normal::new(5));
        let far = truncation_corrected(&residuals, 10_000_000, 1.0).unwrap();
        residuals.iter_mut().for_each(|r| r.limit = None);
        let found = truncation_corrected(&residuals, 10_000_000, 1.0).unwrap();
        let mut moments = Moments::default();
        residuals.iter().for_each(|r| moments.add(r.dz));
        assert!((found.mean - moments.mean().unwrap()).abs() < 1e-6);
        // The likelihood's SD has n where the sample's has n − 1.
        assert!((found.sd / moments.sd().unwrap() / (2_999.0f64 / 3_000.0).sqrt() - 1.0).abs() < 1e-12);
        let se = (found.mean_ci95[1] - found.mean) / 1.97;
        assert!((se * 3_000.0f64.sqrt() / found.sd - 1.0).abs() < 0.2, "{found:?}");
        assert_eq!((found.truncated, within_sd_of_limit(&residuals)), (0.0, 0.0));
        assert_eq!(far, found);
    }

    #[test]
    fn too_flat_is_said() {
        let at = |i: i64, dz: i64, limit| Placed { x: i * 1_000_000, y: 0, dz, limit, group: 0 };
        let few: Vec<Placed> = (0..19).map(|i| at(i, i, None)).collect();
        assert_eq!(truncation_corrected(&few, 1_000_000, 1.0), Err(NoEstimate::TooFew));
        let same: Vec<Placed> = (0..40).map(|i| at(i, 3, None)).collect();
        assert_eq!(truncation_corrected(&same, 1_000_000, 1.0), Err(NoEstimate::NoSpread));
        let one_place: Vec<Placed> = (0..40).map(|i| at(0, i, None)).collect();
        assert_eq!(truncation_corrected(&one_place, 1_000_000, 1.0), Err(NoEstimate::TooFew));
        // Rising to the limit more steeply than any normal does: one with its top far above fits ever better.
        let rising: Vec<Placed> = (0..400).map(|i| at(i, -(i * i * i), Some(0))).collect();
        assert_eq!(truncation_corrected(&rising, 1_000_000, 1.0), Err(NoEstimate::NoMaximum));
        // A few residuals from far down the tail of a normal.
        let mut random = Normal::new(3);
        let mut tail = Vec::new();
        while tail.len() < 60 {
            let dz = (90_000.0 * random.next()) as i64;
            if dz < -135_000 {
                tail.push(at(tail.len() as i64, dz, Some(-135_000)));
            }
        }
        assert!(matches!(
            truncation_corrected(&tail, 1_000_000, 1.0),
            Err(NoEstimate::Unsure | NoEstimate::NoMaximum)
        ));
        // What lies above its own limit is left out, and counted.
        let mut above = accepted(300.0 * MM, 500, &mut Normal::new(4));
        let clean = truncation_corrected(&above, 10_000_000, 1.0).unwrap();
        above.push(Placed { x: 200_000_000, y: 0, dz: 7, limit: Some(6), group: 0 });
        assert_eq!(
            truncation_corrected(&above, 10_000_000, 1.0),
            Ok(TruncatedFit { above_limit: 1, ..clean })
        );
    }
}
