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
//! correlated neighbours do not count as independent. As nothing can be known of the tail that is gone, a tenth of what the
//! correction changes is added to the half-widths: this program's own choice.
//!
//! The limit must be the one that the *other* points set: a point that lowers its own limit is less likely to be seen
//! than this says. An upper tail that is not noise, such as low vegetation above the limit, cannot be restored.

use std::borrow::Borrow;
use std::collections::BTreeMap;

use libm::{exp, hypot, log};

use crate::stats::distributions::t_quantile;
use crate::stats::placed::Placed;
use crate::stats::truncated_normal::{Beta, Beyond, Fitted, Parameters, Seen, fit};

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
    /// Less than 20 residuals, or less than three blocks of them.
    #[error("fewer than 20 comparisons, or comparisons in fewer than three blocks")]
    TooFew,
    /// All residuals are the same.
    #[error("all residuals are equal")]
    NoSpread,
    /// SD or mean run off together as the likelihood rises.
    #[error("the residuals rise towards their limits like no normal distribution")]
    NoMaximum,
    /// Residuals far below the others make up more than 15 % of the variance.
    #[error("low outliers or a heavy lower tail: the residuals are not normally distributed")]
    LowTail,
    /// More than 80 % truncated.
    #[error("more than 80 % were truncated: too much to be restored")]
    MostTruncated,
    /// A few residuals far above low limits stand for most of what was refused.
    #[error("a few comparisons at low limits carry most of the estimate")]
    FewCarry,
    /// The standard error of ln SD is above 0.25 (a factor of 1.6 either way at 95 %), or that of the mean above half the raw SD.
    #[error("too few comparisons to determine bias and SD before truncation")]
    Unsure,
}

const FEWEST_RESIDUALS: usize = 20;
const FEWEST_BLOCKS: usize = 3;
const MOST_LN_SD_SE: f64 = 0.25;
const MOST_MEAN_SE: f64 = 0.5;
/// Residuals farther from the median are not fitted, NMAD.
const FITTED: f64 = 2.5;
/// Nor those whose limit lies farther below it.
const LOWEST_LIMIT: f64 = 1.0;
/// How far from their own median limits may lie to explain residuals, NMAD of the limits.
const REGRESSED: f64 = 3.0;
/// What a residual may stand for beside itself: one in twenty accepted.
const MOST_ODDS: f64 = 19.0;
/// Variance of the limits, squared NMAD of the residuals, under which they explain nothing.
const LEAST_VARIANCE: f64 = 1e-4;
/// A residual that many SD under what is expected is far below.
const FAR_BELOW: f64 = 4.0;
/// Share of the variance that residuals far below may make up; and share truncated under which they do no harm.
const MOST_FAR_BELOW: f64 = 0.15;
const HARMLESS: f64 = 0.02;
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
    let sample = Sample::new(&used)?;
    let model = sample.model().ok_or(NoEstimate::NoMaximum)?;
    let whole = sample.restored(model.as_ref().map(|model| &model.parameters));
    let n = used.len() as f64;
    let truncated = 1.0 - n / whole.count;
    let influence = Influence::new(&sample, model.as_ref(), &whole);
    let mut blocks = BTreeMap::<(i64, i64), [f64; 3]>::new();
    let mut far_below = 0.0;
    for (residual, &(bin, z)) in used.iter().zip(&sample.values) {
        let of_bin = &influence.of_bins[usize::from(bin)];
        let sums = blocks.entry(residual.block(block_um)).or_default();
        let [on_mean, on_ln_sd] = of_bin.at(z, Sample::is_fitted(bin, z));
        sums[0] += on_mean;
        sums[1] += on_ln_sd;
        sums[2] += 1.0;
        if z < of_bin.far_below {
            far_below += (z - whole.mean) * (z - whole.mean);
        }
    }
    if blocks.len() < FEWEST_BLOCKS {
        return Err(NoEstimate::TooFew);
    }
    if truncated > HARMLESS && far_below > MOST_FAR_BELOW * whole.count * whole.sd * whole.sd {
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
        mean_variance: variance(0),
        ln_sd_variance: variance(1),
        blocks: blocks.len(),
        df,
    })
}

impl Maximum {
    /// The estimate; `inflation` (1 for none) multiplies the variances for correlation between blocks, as the bootstrap's
    /// estimate has it.
    pub fn inflated(&self, inflation: f64) -> Result<TruncatedFit, NoEstimate> {
        let Maximum { n, above_limit, truncated, centre, scale, blocks, raw, .. } = *self;
        let few = inflation * blocks as f64 / (blocks as f64 - 1.0);
        let (mean_se, ln_sd_se) = ((few * self.mean_variance).sqrt(), (few * self.ln_sd_variance).sqrt());
        // Written so that not-a-number is refused as well.
        if !(mean_se <= MOST_MEAN_SE * raw.1 && ln_sd_se <= MOST_LN_SD_SE) {
            return Err(NoEstimate::Unsure);
        }
        let t = t_quantile(0.975, self.df).ok_or(NoEstimate::TooFew)?;
        let (mean, sd) = (centre + scale * self.mean, scale * self.sd);
        let half_mean = scale * hypot(t * mean_se, UNKNOWN_TAIL * (self.mean - raw.0));
        let half_ln_sd = hypot(t * ln_sd_se, UNKNOWN_TAIL * log(self.sd / raw.1));
        Ok(TruncatedFit {
            n,
            above_limit,
            truncated,
            mean,
            mean_ci95: [mean - half_mean, mean + half_mean],
            sd,
            sd_ci95: [sd * exp(-half_ln_sd), sd * exp(half_ln_sd)],
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

/// Residuals less their median in units of their NMAD, gathered by limit, which the likelihood needs no closer than a
/// thirty-second of an NMAD where it truncates.
struct Sample {
    centre: f64,
    scale: f64,
    /// Bin and residual of each.
    values: Vec<(u16, f64)>,
    bins: Vec<Bin>,
}

/// Residuals of about the same limit.
#[derive(Clone, Copy, Default)]
struct Bin {
    /// The limit in the middle of the bin; none where it truncates nothing.
    limit: Option<f64>,
    /// The limit as it explains residuals, less the median of the limits.
    r: f64,
    n: f64,
    sum: f64,
    squares: f64,
    /// Of those that are fitted.
    fitted: Moment,
}

#[derive(Clone, Copy, Default)]
struct Moment {
    n: f64,
    sum: f64,
    squares: f64,
}

/// Bins of an eighth from −9 to −1, of a thirty-second to 3, of an eighth to 12; one for farther limits, one for no limit.
const FINE: u16 = 64;
const COARSE: u16 = FINE + 128;
const FAR: u16 = COARSE + 72;
const NONE: u16 = FAR + 1;
/// A limit that far above the median, NMAD, truncates nothing.
const FAR_LIMIT: f64 = 12.0;

fn bin_of(limit: Option<f64>) -> u16 {
    match limit {
        None => NONE,
        Some(limit) if limit < -LOWEST_LIMIT => ((limit + 9.0).max(0.0) * 8.0) as u16,
        Some(limit) if limit < 3.0 => FINE + (((limit + LOWEST_LIMIT) * 32.0) as u16).min(127),
        Some(limit) if limit < FAR_LIMIT => COARSE + (((limit - 3.0) * 8.0) as u16).min(71),
        Some(_) => FAR,
    }
}

fn middle_of(bin: u16) -> f64 {
    let at = |first: f64, nth: u16, count: f64| first + (f64::from(nth) + 0.5) / count;
    match bin {
        ..FINE => at(-9.0, bin, 8.0),
        FINE..COARSE => at(-LOWEST_LIMIT, bin - FINE, 32.0),
        COARSE..FAR => at(3.0, bin - COARSE, 8.0),
        FAR.. => FAR_LIMIT,
    }
}

/// Median and NMAD (1.4826 times the median distance from it).
fn median_and_nmad(values: &mut [i64]) -> Option<(i64, f64)> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let median = *values.select_nth_unstable(middle).1;
    values.iter_mut().for_each(|value| *value = (*value - median).abs());
    Some((median, 1.4826 * *values.select_nth_unstable(middle).1 as f64))
}

impl Sample {
    fn new(used: &[&Placed]) -> Result<Self, NoEstimate> {
        let mut residuals: Vec<i64> = used.iter().map(|r| r.dz).collect();
        let (median, mut scale) = median_and_nmad(&mut residuals).ok_or(NoEstimate::TooFew)?;
        if scale == 0.0 {
            // More than half of them equal.
            let squares = |r: &&Placed| ((r.dz - median) as f64) * ((r.dz - median) as f64);
            scale = (used.iter().map(squares).sum::<f64>() / used.len() as f64).sqrt();
        }
        if scale <= 0.0 {
            return Err(NoEstimate::NoSpread);
        }
        let centre = median as f64;
        let standard = |um: i64| (um as f64 - centre) / scale;
        let mut limits: Vec<i64> = used.iter().filter_map(|r| r.limit).collect();
        let (usual, spread) = median_and_nmad(&mut limits).unwrap_or((median, 0.0));
        let usual = standard(usual).min(FAR_LIMIT);
        let reach = REGRESSED * spread / scale;
        let mut bins: Vec<Bin> = (0..=NONE)
            .map(|bin| Bin {
                limit: (bin < FAR).then(|| middle_of(bin)),
                r: if bin == NONE { 0.0 } else { (middle_of(bin) - usual).clamp(-reach, reach) },
                ..Bin::default()
            })
            .collect();
        let values: Vec<(u16, f64)> =
            used.iter().map(|r| (bin_of(r.limit.map(standard)), standard(r.dz))).collect();
        for &(bin, z) in &values {
            let of_bin = &mut bins[usize::from(bin)];
            of_bin.n += 1.0;
            of_bin.sum += z;
            of_bin.squares += z * z;
            if Sample::is_fitted(bin, z) {
                of_bin.fitted.n += 1.0;
                of_bin.fitted.sum += z;
                of_bin.fitted.squares += z * z;
            }
        }
        Ok(Sample { centre, scale, values, bins })
    }

    fn is_fitted(bin: u16, z: f64) -> bool {
        bin >= FINE && z.abs() < FITTED
    }

    /// Mean and SD of the residuals as they are.
    fn raw(&self) -> (f64, f64) {
        let whole = self.restored(None);
        (whole.mean, whole.sd)
    }

    /// The model of the greatest likelihood; none is needed where no limit truncates anything. Nothing where there is none.
    fn model(&self) -> Option<Option<Model>> {
        if self.bins[..usize::from(FAR)].iter().all(|bin| bin.n == 0.0) {
            return Some(None);
        }
        let used = self.bins.iter().enumerate().filter(|(_, bin)| bin.fitted.n > 0.0);
        let (places, seen): (Vec<usize>, Vec<Seen>) = used.map(|(place, bin)| (place, bin.seen())).unzip();
        let n: f64 = seen.iter().map(|one| one.n).sum();
        let mean = seen.iter().map(|one| one.n * one.r).sum::<f64>() / n;
        let variance = seen.iter().map(|one| one.n * (one.r - mean) * (one.r - mean)).sum::<f64>() / n;
        let free = if variance > LEAST_VARIANCE { fit(&seen, Beta::Free) } else { None };
        let fitted = match free {
            // 1 / σ² and β / σ².
            Some(free) if free.parameters.values[1] > free.parameters.values[2] => fit(&seen, Beta::One),
            Some(free) if free.parameters.values[1] >= 0.0 => Some(free),
            _ => fit(&seen, Beta::Zero),
        };
        let Fitted { parameters, covariance, expected } = fitted?;
        let mut of_bins = vec![[0.0; 3]; self.bins.len()];
        places.into_iter().zip(expected).for_each(|(place, said)| of_bins[place] = said);
        Some(Some(Model { parameters, covariance, expected: of_bins }))
    }

    /// The residuals with what was refused.
    fn restored(&self, model: Option<&Parameters>) -> Restored {
        let beyond: Vec<Beyond> = self.bins.iter().map(|bin| bin.beyond(model)).collect();
        let (mut count, mut sum, mut squares, mut squared_weights) = (0.0, 0.0, 0.0, 0.0);
        for (bin, beyond) in self.bins.iter().zip(&beyond) {
            let refused = bin.n * beyond.odds;
            count += bin.n + refused;
            sum += bin.sum + refused * beyond.mean;
            squares += bin.squares + refused * beyond.square;
            squared_weights += bin.n * (1.0 + beyond.odds) * (1.0 + beyond.odds);
        }
        let (mean, square) = (sum / count, squares / count);
        Restored { count, mean, square, sd: (square - mean * mean).max(0.0).sqrt(), squared_weights, beyond }
    }
}

impl Bin {
    fn seen(&self) -> Seen {
        let Moment { n, sum, squares } = self.fitted;
        let high = self.limit.map_or(FITTED, |limit| limit.min(FITTED));
        Seen { n, r: self.r, low: -FITTED, high, sum, squares }
    }

    fn beyond(&self, model: Option<&Parameters>) -> Beyond {
        let known = model.zip(self.limit).filter(|_| self.n > 0.0);
        known.map_or(Beyond::default(), |(model, limit)| model.at(self.r).beyond(limit, MOST_ODDS))
    }
}

/// The fitted model, and what it expects of each bin.
struct Model {
    parameters: Parameters,
    covariance: [[f64; 3]; 3],
    expected: Vec<[f64; 3]>,
}

/// Accepted and refused together.
struct Restored {
    count: f64,
    mean: f64,
    /// Mean of the squares.
    square: f64,
    sd: f64,
    squared_weights: f64,
    /// For each bin.
    beyond: Vec<Beyond>,
}

/// What each residual adds to the error of the mean and of ln SD.
struct Influence {
    of_bins: Vec<OfBin>,
}

/// As sums of powers of a residual: 1, z, z².
#[derive(Clone, Copy, Default)]
struct OfBin {
    kept: [[f64; 3]; 2],
    /// With what it says of the model.
    fitted: [[f64; 3]; 2],
    far_below: f64,
}

impl OfBin {
    fn at(&self, z: f64, fitted: bool) -> [f64; 2] {
        let of = if fitted { &self.fitted } else { &self.kept };
        of.map(|[a, b, c]| a + z * (b + z * c))
    }
}

impl Influence {
    fn new(sample: &Sample, model: Option<&Model>, whole: &Restored) -> Self {
        let Restored { count, mean, square, sd, .. } = *whole;
        let of_model = model.map_or([[0.0; 3]; 2], |model| model.on_moments(sample));
        // From mean and mean square to mean and ln SD.
        let of_figures = |on: [[f64; 3]; 2]| {
            let on_ln_sd = |k: usize| (on[1][k] - 2.0 * mean * on[0][k]) / (2.0 * sd * sd);
            [on[0], [on_ln_sd(0), on_ln_sd(1), on_ln_sd(2)]]
        };
        let of_bin = |(place, bin): (usize, &Bin)| {
            let beyond = &whole.beyond[place];
            let kept = [
                [(-mean + beyond.odds * (beyond.mean - mean)) / count, 1.0 / count, 0.0],
                [(-square + beyond.odds * (beyond.square - square)) / count, 0.0, 1.0 / count],
            ];
            let mut fitted = kept;
            let mut far_below = mean - FAR_BELOW * sd;
            if let Some(model) = model {
                let (at, expected) = (&model.parameters, &model.expected[place]);
                let says = [expected.map(|said| -said), at.says(bin.r, 1.0, 0.0), at.says(bin.r, 0.0, 1.0)];
                for (fitted, of_model) in fitted.iter_mut().zip(&of_model) {
                    for (power, says) in fitted.iter_mut().zip(&says) {
                        *power += of_model.iter().zip(says).map(|(a, b)| a * b).sum::<f64>();
                    }
                }
                let normal = at.at(bin.r);
                far_below = normal.mean - FAR_BELOW * normal.sd;
            }
            OfBin { kept: of_figures(kept), fitted: of_figures(fitted), far_below }
        };
        Influence { of_bins: sample.bins.iter().enumerate().map(of_bin).collect() }
    }
}

impl Model {
    /// What a unit of score of each parameter does to mean and mean square.
    fn on_moments(&self, sample: &Sample) -> [[f64; 3]; 2] {
        let mut slopes = [[0.0; 3]; 2];
        for i in 0..self.parameters.len() {
            let step = 1e-4 * self.parameters.values[i].abs().max(0.1);
            let at = |step: f64| {
                let mut moved = self.parameters;
                moved.values[i] += step;
                sample.restored(Some(&moved))
            };
            let (above, below) = (at(step), at(-step));
            slopes[0][i] = (above.mean - below.mean) / (2.0 * step);
            slopes[1][i] = (above.square - below.square) / (2.0 * step);
        }
        slopes.map(|slope| {
            let mut on = [0.0; 3];
            for (on, column) in on.iter_mut().zip(&self.covariance) {
                *on = column.iter().zip(&slope).map(|(c, s)| c * s).sum();
            }
            on
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
        let mut residuals = Vec::new();
        while residuals.len() < 20_000 {
            let field = shared * 60.0 * random.next();
            let limit = ((20.0 + field + 20.0 * random.next()) * MM) as i64;
            let dz = ((field + 60.0 * random.next()) * MM) as i64;
            if dz <= limit {
                let mut place = || (random.uniform() * 1e8) as i64;
                residuals.push(Placed { x: place(), y: place(), dz, limit: Some(limit), group: 0 });
            }
        }
        residuals.sort_unstable();
        residuals
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
