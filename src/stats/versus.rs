//! One group of residuals against another at the same places: one partition into blocks serves both, so that the error which
//! they share cancels out.

use libm::exp;
use serde::Serialize;

use crate::stats::blocks::BlockSums;
use crate::stats::distributions::t_quantile;
use crate::stats::estimates::{Centred, FEWEST_CELLS, Interval};

/// A group beside the first, differences in micrometres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Versus {
    /// Its mean less the first's.
    pub bias: f64,
    /// Interval of that difference.
    pub bias_ci95: Option<Interval>,
    /// Its SD over the first's.
    pub sd_ratio: Option<f64>,
    /// Interval of that ratio.
    pub sd_ratio_ci95: Option<Interval>,
    /// Its RMSE over the first's.
    pub rmse_ratio: Option<f64>,
    /// Interval of that ratio.
    pub rmse_ratio_ci95: Option<Interval>,
    /// What the interval of the ratio of RMSE says.
    pub verdict: RmseOrder,
}

/// Whether a group has a larger or smaller RMSE than the first, at 95 % confidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum RmseOrder {
    /// The whole interval of the ratio of RMSE lies above 1.
    Worse,
    /// The whole interval lies below 1.
    Better,
    /// The interval holds 1, or there is none.
    Undecided,
}

/// One group beside another; nothing if either has no residuals. The intervals are the widest of those from blocks of the
/// size of `fine`, twice as wide, and so on, as long as there are enough effective blocks.
pub fn versus(fine: &BlockSums, group: &[u16], first: &[u16]) -> Option<Versus> {
    let mut sums = fine.clone();
    let mut found: Option<Versus> = None;
    loop {
        let (a, b) = (Centred::new(&sums.together(group))?, Centred::new(&sums.together(first))?);
        let mut all = found.unwrap_or_else(|| figures(&a, &b));
        let blocks = effective_blocks(&a).min(effective_blocks(&b));
        if blocks >= FEWEST_CELLS {
            let quantile = t_quantile(0.975, blocks - 1.0)?;
            let wider = |old: Option<Interval>, new: Option<Interval>| match (old, new) {
                (Some(old), Some(new)) if old[1] - old[0] >= new[1] - new[0] => Some(old),
                (old, new) => new.or(old),
            };
            let half = |terms: &dyn Fn(usize) -> f64| {
                let variance: f64 = (0..a.n.len()).map(|i| terms(i) * terms(i)).sum();
                (variance > 0.0).then(|| quantile * (variance * blocks / (blocks - 1.0)).sqrt())
            };
            let bias = half(&|i| a.first[i] / a.count - b.first[i] / b.count);
            all.bias_ci95 = wider(all.bias_ci95, bias.map(|half| [all.bias - half, all.bias + half]));
            let share = |of: &Centred, square: &[f64], i: usize| {
                let mean = square.iter().sum::<f64>() / of.count;
                0.5 * (square[i] - of.n[i] * mean) / (of.count * mean)
            };
            let around = |ratio: Option<f64>, half: Option<f64>| {
                let (ratio, half) = (ratio?, half?);
                Some([ratio * exp(-half), ratio * exp(half)])
            };
            let sd = half(&|i| share(&a, &a.second, i) - share(&b, &b.second, i));
            all.sd_ratio_ci95 = wider(all.sd_ratio_ci95, around(all.sd_ratio, sd));
            let (of_a, of_b) = (a.about_zero(), b.about_zero());
            let rmse = half(&|i| share(&a, &of_a, i) - share(&b, &of_b, i));
            all.rmse_ratio_ci95 = wider(all.rmse_ratio_ci95, around(all.rmse_ratio, rmse));
        }
        found = Some(all);
        if sums.len() <= FEWEST_CELLS as usize {
            break;
        }
        sums = sums.coarsened(2);
    }
    found.map(|found| Versus {
        verdict: match found.rmse_ratio_ci95 {
            Some([low, _]) if low > 1.0 => RmseOrder::Worse,
            Some([_, high]) if high < 1.0 => RmseOrder::Better,
            _ => RmseOrder::Undecided,
        },
        ..found
    })
}

fn figures(a: &Centred, b: &Centred) -> Versus {
    let ratio =
        |x: Option<f64>, y: Option<f64>| Some(x? / y?).filter(|ratio| ratio.is_finite() && *ratio > 0.0);
    Versus {
        bias: a.mean - b.mean,
        bias_ci95: None,
        sd_ratio: ratio(a.sd(), b.sd()),
        sd_ratio_ci95: None,
        rmse_ratio: ratio(Some(a.mean_square()), Some(b.mean_square())).map(f64::sqrt),
        rmse_ratio_ci95: None,
        verdict: RmseOrder::Undecided,
    }
}

fn effective_blocks(of: &Centred) -> f64 {
    of.count * of.count / of.n.iter().map(|n| n * n).sum::<f64>()
}
