//! Truncation correction (ground-filter threshold), for groups of one return and of several.
//!
//! Returns differ in SD, so that several together are not normally distributed: each return of a group is fitted by
//! itself, and the group is their mixture, each counting as many points as it had before truncation.

use crate::results::statistics::TruncationCorrected;
use crate::stats::placed::Placed;
use crate::stats::truncated::{self, Maximum, NoEstimate, maximum, within_sd_of_limit};
use crate::units::{Micrometres, Unit};

/// A return that has less than this share of a group's comparisons may be left out of the mixture, where there is no
/// estimate for it.
const LITTLE: f64 = 0.02;

/// One return of a group, corrected, micrometres.
struct Part {
    /// Points before truncation.
    weight: f64,
    fit: truncated::TruncatedFit,
}

/// The residuals of a group that are of one return.
pub struct OfReturn {
    n: usize,
    within_sd_of_limit: f64,
    maximum: Result<Maximum, NoEstimate>,
}

impl OfReturn {
    /// Of `own`, sorted; nothing of none.
    pub fn new(own: &[&Placed], block: Micrometres) -> Option<Self> {
        let some = || OfReturn {
            n: own.len(),
            within_sd_of_limit: within_sd_of_limit(own),
            maximum: maximum(own, block),
        };
        (!own.is_empty()).then(some)
    }

    fn corrected(&self, inflation: Option<f64>) -> Result<truncated::TruncatedFit, NoEstimate> {
        let maximum = self.maximum.as_ref().map_err(|why| *why)?;
        maximum.inflated(inflation.ok_or(NoEstimate::NoInterval)?)
    }
}

/// Bias and SD of a group before truncation, in the unit of the report, from its returns, ascending. `no_limits` is
/// why no limits are known, where no comparison has one. `inflation` is how much more the mean varies than blocks show: none where the group has no interval.
pub fn truncation_correction(
    returns: &[&OfReturn],
    no_limits: Option<NoEstimate>,
    inflation: Option<f64>,
    units: Unit,
) -> Option<TruncationCorrected> {
    if returns.is_empty() {
        return None;
    }
    if let Some(why) = no_limits {
        return Some(no_estimate(why, None));
    }
    let all = returns.iter().map(|own| own.n).sum::<usize>() as f64;
    let (mut parts, mut near, mut reason) = (Vec::new(), 0.0, None);
    for own in returns {
        let share = own.n as f64 / all;
        near += share * own.within_sd_of_limit;
        match own.corrected(inflation) {
            Ok(fit) => parts.push(Part { weight: own.n as f64 / (1.0 - fit.truncated), fit }),
            Err(_) if share < LITTLE => {}
            Err(why) => reason = Some(why),
        }
    }
    if let Some(why) = reason.or_else(|| parts.is_empty().then_some(NoEstimate::TooFew)) {
        return Some(no_estimate(why, Some(near)));
    }
    let length = |um: f64| units.from_micrometres(um);
    let mixture = Mixture::of(&parts);
    Some(TruncationCorrected {
        bias: Some(length(mixture.mean)),
        bias_ci95: Some(mixture.bias_ci95.map(length)),
        sd: Some(length(mixture.sd)),
        sd_ci95: Some(mixture.sd_ci95.map(length)),
        within_sd_of_limit: Some(near),
        truncated: Some(1.0 - parts.iter().map(|part| part.fit.n as f64).sum::<f64>() / mixture.weight),
        reason: None,
    })
}

/// No figures, and why.
fn no_estimate(why: NoEstimate, within_sd_of_limit: Option<f64>) -> TruncationCorrected {
    TruncationCorrected {
        bias: None,
        bias_ci95: None,
        sd: None,
        sd_ci95: None,
        within_sd_of_limit,
        truncated: None,
        reason: Some(why.to_string()),
    }
}

struct Mixture {
    weight: f64,
    mean: f64,
    bias_ci95: [f64; 2],
    sd: f64,
    sd_ci95: [f64; 2],
}

impl Mixture {
    fn of(parts: &[Part]) -> Self {
        if let [Part { weight, fit }] = parts {
            return Mixture {
                weight: *weight,
                mean: fit.mean,
                bias_ci95: fit.mean_ci95,
                sd: fit.sd,
                sd_ci95: fit.sd_ci95,
            };
        }
        let weight: f64 = parts.iter().map(|part| part.weight).sum();
        let over = |of: &dyn Fn(&truncated::TruncatedFit) -> f64| {
            parts.iter().map(|part| part.weight / weight * of(&part.fit)).sum::<f64>()
        };
        let mean = over(&|fit| fit.mean);
        let sd = over(&|fit| fit.sd * fit.sd + (fit.mean - mean).powi(2)).sqrt();
        // Returns share errors of the flight: half-widths are added as if they all went together, which is the most
        // that they can.
        let of_mean = |fit: &truncated::TruncatedFit, end: usize| (fit.mean_ci95[end] - fit.mean).abs();
        let of_ln_sd = |fit: &truncated::TruncatedFit, end: usize| libm::log(fit.sd_ci95[end] / fit.sd).abs();
        let half_mean = [0, 1].map(|end| over(&|fit| of_mean(fit, end)));
        let half_ln_sd = [0, 1].map(|end| {
            let of_means = |fit: &truncated::TruncatedFit| of_mean(fit, 0).max(of_mean(fit, 1));
            let of_sd = |fit: &truncated::TruncatedFit| {
                fit.sd * fit.sd * of_ln_sd(fit, end) + (fit.mean - mean).abs() * of_means(fit)
            };
            over(&of_sd) / (sd * sd)
        });
        Mixture {
            weight,
            mean,
            bias_ci95: [mean - half_mean[0], mean + half_mean[1]],
            sd,
            sd_ci95: [sd * libm::exp(-half_ln_sd[0]), sd * libm::exp(half_ln_sd[1])],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two returns, of which a limit of 60 mm truncates what lies higher.
    fn truncated_at_60_mm(sds: [f64; 2], means: [f64; 2]) -> (Vec<Placed>, Vec<f64>) {
        let mut state = 9u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let (mut placed, mut whole) = (Vec::new(), Vec::new());
        for i in 0..40_000u64 {
            let group = (i % 2) as u16;
            let noise = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
            let dz = means[usize::from(group)] + sds[usize::from(group)] * noise;
            whole.push(dz);
            if dz <= 60_000.0 {
                let (x, y) = ((uniform() * 1e8) as i64, (uniform() * 1e8) as i64);
                placed.push(Placed { x, y, dz: dz as i64, limit: Some(60_000), group });
            }
        }
        placed.sort_unstable();
        (placed, whole)
    }

    /// The correction of residuals of which each group is a return.
    fn correction(placed: &[Placed]) -> Option<TruncationCorrected> {
        let of_return = |number: u16| {
            let own: Vec<&Placed> = placed.iter().filter(|one| one.group == number).collect();
            OfReturn::new(&own, 10_000_000)
        };
        let returns: Vec<OfReturn> = [0, 1].into_iter().filter_map(of_return).collect();
        truncation_correction(&returns.iter().collect::<Vec<_>>(), None, Some(1.0), Unit::Metre)
    }

    #[test]
    fn several_returns_are_the_mixture_that_they_were_before_truncation() {
        let (placed, whole) = truncated_at_60_mm([20_000.0, 50_000.0], [0.0, -10_000.0]);
        let found = correction(&placed).unwrap();
        let n = whole.len() as f64;
        let mean = whole.iter().sum::<f64>() / n;
        let sd = (whole.iter().map(|dz| (dz - mean).powi(2)).sum::<f64>() / n).sqrt();
        assert!((found.bias.unwrap() * 1e6 - mean).abs() < 700.0, "{found:?} {mean}");
        assert!((found.sd.unwrap() * 1e6 / sd - 1.0).abs() < 0.02, "{found:?} {sd}");
        let [low, high] = found.sd_ci95.unwrap();
        assert!(low * 1e6 < sd && sd < high * 1e6, "{found:?} {sd}");
        let truncated_share = 1.0 - placed.len() as f64 / n;
        assert!((found.truncated.unwrap() - truncated_share).abs() < 0.01, "{found:?} {truncated_share}");
    }

    #[test]
    fn too_few_have_no_figures_and_say_why() {
        let (placed, _) = truncated_at_60_mm([20_000.0; 2], [0.0; 2]);
        let found = correction(&placed[..9]).unwrap();
        assert_eq!((found.bias, found.sd_ci95), (None, None));
        assert!(found.within_sd_of_limit.is_some() && found.reason.unwrap().contains("fewer than 20"));
        assert_eq!(correction(&[]), None);
    }

    #[test]
    fn without_limits_there_is_a_reason_and_no_figure() {
        let (placed, _) = truncated_at_60_mm([20_000.0; 2], [0.0; 2]);
        let own: Vec<&Placed> = placed.iter().collect();
        let all = OfReturn::new(&own, 10_000_000).unwrap();
        let found = |why| truncation_correction(&[&all], Some(why), Some(1.0), Unit::Metre).unwrap();
        for (why, text) in [
            (NoEstimate::NotJudged, "limits of the ground filter are not known"),
            (NoEstimate::Delivered, "the ground is class 2 as delivered"),
        ] {
            let found = found(why);
            assert_eq!((found.bias, found.within_sd_of_limit), (None, None));
            assert!(found.reason.unwrap().contains(text));
        }
    }
}
