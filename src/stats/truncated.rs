//! Truncation correction: mean and SD of the residuals before a ground filter refused all that lay above a limit.
//!
//! Each accepted residual z had its own known upper limit u. If residuals are normal (μ, σ), its likelihood is
//! φ((z − μ)/σ) / (σ Φ((u − μ)/σ)): a normal truncated at u. The maximum over μ and ln σ is found by damped Newton steps;
//! standard errors come from sums of scores over blocks (the sandwich estimator), so that correlated neighbours do
//! not count as independent.
//!
//! The limit must be the one that the *other* points set: a point that lowers its own limit is less likely to be seen
//! than this says. And the tail that is gone is taken from the normal distribution, as nothing else can be known of it:
//! low vegetation taken for ground, or gross outliers, spoil this as they spoil a plain mean and SD.

use crate::stats::distributions::{ln_normal_cdf, t_quantile};
use crate::stats::placed::Placed;
use libm::{exp, log};
use std::borrow::Borrow;
use std::collections::BTreeMap;
use std::f64::consts::PI;

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
    /// Standard error of the mean.
    pub mean_se: f64,
    /// 95 % interval of the mean.
    pub mean_ci95: [f64; 2],
    /// SD before truncation.
    pub sd: f64,
    /// Standard error of ln SD.
    pub ln_sd_se: f64,
    /// 95 % interval of the SD.
    pub sd_ci95: [f64; 2],
    /// Number of blocks of the standard errors.
    pub blocks: usize,
}

/// Why there is no estimate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoEstimate {
    /// Less than 20 residuals, or less than three blocks of them.
    #[error("fewer than 20 comparisons, or comparisons in fewer than three blocks")]
    TooFew,
    /// All residuals are the same.
    #[error("all residuals are equal")]
    NoSpread,
    /// No maximum after 60 steps, or one at more than four times the raw SD: the likelihood goes on rising as mean and SD run off together.
    #[error("the likelihood has no maximum")]
    NoMaximum,
    /// The standard error of ln SD is above 0.25 (a factor of 1.6 either way at 95 %), or that of the mean above half the raw SD.
    #[error("the likelihood is too flat to determine bias and SD before truncation")]
    Unsure,
}

const FEWEST_RESIDUALS: usize = 20;
const FEWEST_BLOCKS: usize = 3;
const MOST_STEPS: usize = 60;
const MOST_GROWTH: f64 = 4.0;
const MOST_LN_SD_SE: f64 = 0.25;
const MOST_MEAN_SE: f64 = 0.5;
/// A limit that many SD above the mean truncates nothing (less than 1e-15).
const FAR: f64 = 8.0;

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
    let n = used.len() as f64;
    let centre = used.iter().map(|r| r.dz as f64).sum::<f64>() / n;
    let scale = (used.iter().map(|r| (r.dz as f64 - centre).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    if scale <= 0.0 {
        return Err(NoEstimate::NoSpread);
    }
    let standard = |dz: i64| (dz as f64 - centre) / scale;
    let sample = Sample::new(used.iter().map(|r| (standard(r.dz), r.limit.map(standard))));
    let top = sample.maximum().ok_or(NoEstimate::NoMaximum)?;
    let (mean, ln_sd) = top.at;
    let sd = exp(ln_sd);

    let mut scores = BTreeMap::<(i64, i64), [f64; 3]>::new();
    let mut before_truncation = 0.0;
    for (residual, (z, limit)) in used.iter().zip(&sample.values) {
        let t = (z - mean) / sd;
        let truncation = limit.map_or(Truncation::default(), |limit| Truncation::at((limit - mean) / sd));
        before_truncation += exp(-truncation.ln_kept);
        let sums = scores.entry(residual.block(block_um)).or_default();
        sums[0] += (t + truncation.ratio) / sd;
        sums[1] += t * t - 1.0 + truncation.ratio * truncation.v;
        sums[2] += 1.0;
    }
    let blocks = scores.len();
    if blocks < FEWEST_BLOCKS {
        return Err(NoEstimate::TooFew);
    }
    let (mean_variance, ln_sd_variance) = top.sandwich(scores.values());
    // Blocks that hold many residuals leave fewer degrees of freedom than there are blocks.
    let df = n * n / scores.values().map(|sums| sums[2] * sums[2]).sum::<f64>() - 1.0;
    let (above_limit, truncated) = ((all - used.len()) as u64, 1.0 - n / before_truncation);
    let n = used.len() as u64;
    Ok(Maximum {
        n,
        above_limit,
        truncated,
        centre,
        scale,
        mean,
        sd,
        mean_variance,
        ln_sd_variance,
        blocks,
        df,
    })
}

impl Maximum {
    /// The estimate; `inflation` (1 for none) multiplies the variances for correlation between blocks, as the
    /// intervals of the bias have it.
    pub fn inflated(&self, inflation: f64) -> Result<TruncatedFit, NoEstimate> {
        let Maximum { n, above_limit, truncated, centre, scale, blocks, .. } = *self;
        let few = inflation * blocks as f64 / (blocks as f64 - 1.0);
        let (mean_se, ln_sd_se) = ((few * self.mean_variance).sqrt(), (few * self.ln_sd_variance).sqrt());
        // Written so that not-a-number is refused as well.
        if !(mean_se <= MOST_MEAN_SE && ln_sd_se <= MOST_LN_SD_SE) {
            return Err(NoEstimate::Unsure);
        }
        let t = t_quantile(0.975, self.df).ok_or(NoEstimate::TooFew)?;
        let (mean, sd, mean_se) = (centre + scale * self.mean, scale * self.sd, scale * mean_se);
        Ok(TruncatedFit {
            n,
            above_limit,
            truncated,
            mean,
            mean_se,
            mean_ci95: [mean - t * mean_se, mean + t * mean_se],
            sd,
            ln_sd_se,
            sd_ci95: [sd * exp(-t * ln_sd_se), sd * exp(t * ln_sd_se)],
            blocks,
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

/// Standardised residuals with their limits, if these can matter at all.
struct Sample {
    values: Vec<(f64, Option<f64>)>,
    limits: Vec<f64>,
    sum: f64,
    squares: f64,
}

/// The log-likelihood at (mean, ln SD), its gradient and its second derivatives (negative: the information).
#[derive(Clone, Copy)]
struct Likelihood {
    at: (f64, f64),
    value: f64,
    gradient: [f64; 2],
    information: [f64; 3],
}

/// What a limit v standard deviations above the mean does: ln Φ(v), and φ(v)/Φ(v).
#[derive(Clone, Copy, Default)]
struct Truncation {
    v: f64,
    ln_kept: f64,
    ratio: f64,
}

impl Truncation {
    fn at(v: f64) -> Self {
        if v > FAR {
            return Truncation::default();
        }
        let ln_kept = ln_normal_cdf(v);
        Truncation { v, ln_kept, ratio: exp(-0.5 * v * v - 0.5 * log(2.0 * PI) - ln_kept) }
    }
}

impl Sample {
    fn new(values: impl Iterator<Item = (f64, Option<f64>)>) -> Self {
        let values: Vec<_> = values.collect();
        Sample {
            limits: values.iter().filter_map(|(_, limit)| *limit).collect(),
            sum: values.iter().map(|(z, _)| z).sum(),
            squares: values.iter().map(|(z, _)| z * z).sum(),
            values,
        }
    }

    fn likelihood(&self, (mean, ln_sd): (f64, f64)) -> Likelihood {
        let (n, sd) = (self.values.len() as f64, exp(ln_sd));
        let t = (self.sum - n * mean) / sd;
        let tt = (self.squares - 2.0 * mean * self.sum + n * mean * mean) / (sd * sd);
        let mut value = -n * ln_sd - 0.5 * tt;
        let (mut of_mean, mut of_ln_sd) = (t, tt - n);
        let [mut mm, mut ms, mut ss] = [n, 2.0 * t, 2.0 * tt];
        for limit in &self.limits {
            let Truncation { v, ln_kept, ratio } = Truncation::at((limit - mean) / sd);
            let bend = ratio * (v + ratio);
            value -= ln_kept;
            of_mean += ratio;
            of_ln_sd += ratio * v;
            mm -= bend;
            ms += ratio - v * bend;
            ss += v * ratio - v * v * bend;
        }
        let information = [mm / (sd * sd), ms / sd, ss];
        Likelihood { at: (mean, ln_sd), value, gradient: [of_mean / sd, of_ln_sd], information }
    }

    /// Where the likelihood is greatest, starting from mean and SD as they are (0 and 1).
    fn maximum(&self) -> Option<Likelihood> {
        let mut here = self.likelihood((0.0, 0.0));
        for _ in 0..MOST_STEPS {
            let step = here.step();
            let size = step[0].abs().max(step[1].abs());
            // Newton's error falls to its square: the last step needs no check, which rounding could not pass.
            if size < 1e-6 {
                let top = self.likelihood((here.at.0 + step[0], here.at.1 + step[1]));
                let within = top.at.1 < log(MOST_GROWTH) && top.at.0.abs() < MOST_GROWTH * MOST_GROWTH;
                return (within && top.determinant() > 0.0).then_some(top);
            }
            // No step longer than half an SD, and none downhill (but for rounding).
            let mut share = (0.5 / size).min(1.0);
            here = loop {
                let there = self.likelihood((here.at.0 + share * step[0], here.at.1 + share * step[1]));
                if there.value >= here.value - 1e-12 * here.value.abs() {
                    break there;
                }
                share *= 0.5;
                if share < 1e-3 {
                    return None;
                }
            };
        }
        None
    }
}

impl Likelihood {
    /// Of the information; not positive unless it is positive definite.
    fn determinant(&self) -> f64 {
        let [mm, ms, ss] = self.information;
        if mm > 0.0 { mm * ss - ms * ms } else { -1.0 }
    }

    /// Newton's step; with the information made positive definite where it is not.
    fn step(&self) -> [f64; 2] {
        let [mut mm, ms, mut ss] = self.information;
        let least = 0.5 * (mm + ss) - (0.25 * (mm - ss).powi(2) + ms * ms).sqrt();
        let floor = 1e-6 * (mm.abs() + ss.abs());
        if least < floor {
            mm += floor - 2.0 * least.min(0.0);
            ss += floor - 2.0 * least.min(0.0);
        }
        let determinant = mm * ss - ms * ms;
        let [a, b] = self.gradient;
        [(ss * a - ms * b) / determinant, (mm * b - ms * a) / determinant]
    }

    /// Variances of mean and ln SD: inverse information, times squares of the blocks' scores, times it again.
    fn sandwich<'a>(&self, scores: impl Iterator<Item = &'a [f64; 3]>) -> (f64, f64) {
        let [mm, ms, ss] = self.information;
        let determinant = self.determinant();
        scores.fold((0.0, 0.0), |(mean, ln_sd), [a, b, _]| {
            let (m, s) = ((ss * a - ms * b) / determinant, (mm * b - ms * a) / determinant);
            (mean + m * m, ln_sd + s * s)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::distributions::normal_sf;
    use crate::stats::moments::Moments;
    use crate::stats::simulated::Normal;

    const MM: f64 = 1_000.0;
    const TRUTH: (f64, f64) = (-20.0 * MM, 90.0 * MM);

    /// LimitResult residuals of a return, each below its own limit: `threshold` over an opened surface that lies some
    /// 100 mm, give or take 60, below the ground. On a site of 100 m by 100 m.
    fn accepted(threshold: f64, count: usize, random: &mut Normal) -> Vec<Placed> {
        let mut residuals = Vec::with_capacity(count);
        while residuals.len() < count {
            let limit = (threshold + (60.0 * random.next() - 100.0) * MM) as i64;
            let dz = (TRUTH.0 + TRUTH.1 * random.next()) as i64;
            if dz <= limit {
                let mut place = || (random.uniform() * 1e8) as i64;
                residuals.push(Placed { x: place(), y: place(), dz, limit: Some(limit), group: 0 });
            }
        }
        residuals.sort_unstable();
        residuals
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
            assert!(held.iter().all(|h| (930..=970).contains(h)), "{threshold}: {held:?} of 1,000");
            assert!(off.0.abs() < 0.5 * MM && off.1.abs() < 0.005, "{threshold}: {off:?} on average");
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
        assert!((found.mean_se * 3_000.0f64.sqrt() / found.sd - 1.0).abs() < 0.2);
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
