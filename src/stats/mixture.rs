//! Mixtures: hypotheses that each count as much as their likelihood says, and intervals of what they say together.

use libm::exp;

use crate::stats::distributions::{t_cdf, t_quantile};

/// Hypotheses with less of the probability are left out.
const NEGLIGIBLE: f64 = 1e-4;

/// Probabilities of hypotheses from the logarithms of their likelihoods, without those that hardly count; nothing where none has a
/// likelihood.
pub fn probabilities<T>(mut all: Vec<(f64, T)>) -> Option<Vec<(f64, T)>> {
    let best = all.iter().map(|(log, _)| *log).fold(f64::NEG_INFINITY, f64::max);
    if !best.is_finite() {
        return None;
    }
    let sum = |all: &[(f64, T)]| all.iter().map(|(p, _)| p).sum::<f64>();
    all.iter_mut().for_each(|(log, _)| *log = exp(*log - best));
    let whole = sum(&all);
    all.retain(|(p, _)| *p > NEGLIGIBLE * whole);
    let whole = sum(&all);
    all.iter_mut().for_each(|(p, _)| *p /= whole);
    Some(all)
}

/// One of a mixture of t distributions.
#[derive(Clone, Copy, Debug)]
pub struct Part {
    /// Its probability.
    pub probability: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// Its centre.
    pub centre: f64,
    /// What t is multiplied with.
    pub scale: f64,
}

/// Ends below and above which each 2.5 % of a mixture lie.
pub fn mixture_ends(parts: &[Part]) -> Option<[f64; 2]> {
    let widest = parts.iter().map(|part| part.scale).fold(0.0, f64::max);
    let (least, most) = parts
        .iter()
        .fold((f64::MAX, f64::MIN), |(least, most), part| (least.min(part.centre), most.max(part.centre)));
    let df = parts.iter().map(|part| part.df).fold(f64::INFINITY, f64::min);
    if widest.is_nan() || widest <= 0.0 || !(most - least + widest).is_finite() {
        return None;
    }
    let reach = widest * (t_quantile(0.9995, df)? + 1.0);
    let below = |x: f64| -> Option<f64> {
        let of = |part: &Part| {
            Some(part.probability * t_cdf((x - part.centre) / part.scale.max(widest * 1e-9), part.df)?)
        };
        parts.iter().map(of).sum()
    };
    let end = |share: f64| {
        let (mut low, mut high) = (least - reach, most + reach);
        for _ in 0..48 {
            let middle = 0.5 * (low + high);
            if below(middle)? < share { low = middle } else { high = middle }
        }
        Some(0.5 * (low + high))
    };
    Some([end(0.025)?, end(0.975)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn likelihoods_make_probabilities_of_those_that_count() {
        // Likelihoods of 3 to 1 whatever their scale, and one that is too small beside them.
        let logs = [(-1_000.0 + 3f64.ln(), 'a'), (-1_000.0, 'b'), (-1_020.0, 'c'), (f64::NEG_INFINITY, 'd')];
        let found = probabilities(logs.to_vec()).unwrap();
        assert_eq!(found.iter().map(|(_, name)| *name).collect::<String>(), "ab");
        assert!((found[0].0 - 0.75).abs() < 1e-12 && (found[1].0 - 0.25).abs() < 1e-12, "{found:?}");
        assert_eq!(probabilities(vec![(f64::NEG_INFINITY, ())]), None);
    }
}
