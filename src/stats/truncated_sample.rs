//! Accepted residuals gathered by their limits, what a normal model of them restores, and what each adds to its error.

use crate::stats::placed::Placed;
use crate::stats::truncated_normal::{Beta, Beyond, Fitted, Parameters, Seen, fit};

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
/// One that many SD under it is in the lower tail.
pub const TAIL: f64 = 2.5;

/// Residuals less their median in units of their NMAD, gathered by limit, which the likelihood needs no closer than a
/// thirty-second of an NMAD where it truncates.
pub struct Sample {
    pub centre: f64,
    pub scale: f64,
    /// Bin and residual of each.
    pub values: Vec<(u16, f64)>,
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
    /// Nothing where all residuals are equal.
    pub fn new(used: &[&Placed]) -> Option<Self> {
        let mut residuals: Vec<i64> = used.iter().map(|r| r.dz).collect();
        let (median, mut scale) = median_and_nmad(&mut residuals)?;
        if scale == 0.0 {
            // More than half of them equal.
            let squares = |r: &&Placed| ((r.dz - median) as f64) * ((r.dz - median) as f64);
            scale = (used.iter().map(squares).sum::<f64>() / used.len() as f64).sqrt();
        }
        if scale <= 0.0 {
            return None;
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
        Some(Sample { centre, scale, values, bins })
    }

    pub fn is_fitted(bin: u16, z: f64) -> bool {
        bin >= FINE && z.abs() < FITTED
    }

    /// Mean and SD of the residuals as they are.
    pub fn raw(&self) -> (f64, f64) {
        let whole = self.restored(None);
        (whole.mean, whole.sd)
    }

    /// The model of the greatest likelihood; none is needed where no limit truncates anything. Nothing where there is none.
    pub fn model(&self) -> Option<Option<Model>> {
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
    pub fn restored(&self, model: Option<&Parameters>) -> Restored {
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
pub struct Model {
    pub parameters: Parameters,
    covariance: [[f64; 3]; 3],
    expected: Vec<[f64; 3]>,
}

/// Accepted and refused together.
pub struct Restored {
    pub count: f64,
    pub mean: f64,
    /// Mean of the squares.
    square: f64,
    pub sd: f64,
    /// Sum of the squares of what each accepted residual stands for.
    pub squared_weights: f64,
    /// For each bin.
    beyond: Vec<Beyond>,
}

/// What each residual adds to the error of the mean and of ln SD.
pub struct Influence {
    pub of_bins: Vec<OfBin>,
}

/// As sums of powers of a residual: 1, z, z².
#[derive(Clone, Copy, Default)]
pub struct OfBin {
    kept: [[f64; 3]; 2],
    /// With what it says of the model.
    fitted: [[f64; 3]; 2],
    /// A residual under this is far below the others.
    pub far_below: f64,
    /// A residual under this is in the lower tail.
    pub tail: f64,
    /// Mean that the model expects, and as far below it as the limit is above.
    pub middle: f64,
    pub mirrored: f64,
}

impl OfBin {
    pub fn at(&self, z: f64, fitted: bool) -> [f64; 2] {
        let of = if fitted { &self.fitted } else { &self.kept };
        of.map(|[a, b, c]| a + z * (b + z * c))
    }
}

impl Influence {
    pub fn new(sample: &Sample, model: Option<&Model>, whole: &Restored) -> Self {
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
            let (mut far_below, mut middle, mut mirrored) = (mean - FAR_BELOW * sd, mean, f64::NEG_INFINITY);
            let mut tail = f64::NEG_INFINITY;
            if let Some(model) = model {
                let (at, expected) = (&model.parameters, &model.expected[place]);
                let says = [expected.map(|said| -said), at.says(bin.r, 1.0, 0.0), at.says(bin.r, 0.0, 1.0)];
                for (fitted, of_model) in fitted.iter_mut().zip(&of_model) {
                    for (power, says) in fitted.iter_mut().zip(&says) {
                        *power += of_model.iter().zip(says).map(|(a, b)| a * b).sum::<f64>();
                    }
                }
                let normal = at.at(bin.r);
                (far_below, middle) = (normal.mean - FAR_BELOW * normal.sd, normal.mean);
                tail = normal.mean - TAIL * normal.sd;
                mirrored = bin.limit.map_or(mirrored, |limit| 2.0 * normal.mean - limit);
            }
            OfBin { kept: of_figures(kept), fitted: of_figures(fitted), far_below, tail, middle, mirrored }
        };
        Influence { of_bins: sample.bins.iter().enumerate().map(of_bin).collect() }
    }
}

impl Model {
    /// What a unit of score of each parameter does to mean and mean square.
    fn on_moments(&self, sample: &Sample) -> [[f64; 3]; 2] {
        let mut slopes = [[0.0; 3]; 2];
        for (i, value) in self.parameters.values.iter().enumerate().take(self.parameters.len()) {
            let step = 1e-4 * value.abs().max(0.1);
            let at = |step: f64| {
                let mut moved = self.parameters;
                moved.values[i] += step;
                sample.restored(Some(&moved))
            };
            let (above, below) = (at(step), at(-step));
            let [of_mean, of_square] = &mut slopes;
            of_mean[i] = (above.mean - below.mean) / (2.0 * step);
            of_square[i] = (above.square - below.square) / (2.0 * step);
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
