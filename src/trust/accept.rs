//! The client's limits against what was found.

use crate::pipeline::accept::AcceptLimits;
use crate::results::confidence::{Compliance, Interval, LimitResult};
use crate::results::summary::Statistics;
use crate::terrain::by_returns::TerrainRow;
use crate::units::{Length, Unit};

use crate::results::format::in_words;
use crate::trust::groups::selected;

/// A group's figures, and how it stands.
pub struct Found<'a> {
    /// The figures.
    pub statistics: &'a Statistics,
    /// Against the standards.
    pub compliance: &'a Compliance,
}

/// Whether what is limited may not exceed its bound, or must reach it.
#[derive(Clone, Copy, PartialEq)]
enum Sense {
    AtMost,
    AtLeast,
}

/// Judges every limit. `find` gives the figures of a group by its name.
pub fn judge<'a>(
    all: &[AcceptLimits],
    find: impl Fn(&serde_json::Map<String, serde_json::Value>) -> Option<Found<'a>>,
    trade: &[TerrainRow],
    unit: Unit,
) -> Vec<LimitResult> {
    let mut judged = Vec::new();
    for limits in all {
        let group = selected(&limits.group);
        let found = find(&group);
        let s = found.as_ref().map(|found| found.statistics);
        let mut note = |measure,
                        words: &str,
                        bound: Bound,
                        sense,
                        (value, ci95): (Option<f64>, Option<Interval>)| {
            let (number, text) = bound.told(unit);
            let than = if sense == Sense::AtMost { "at most" } else { "at least" };
            let of = if measure == "coverage" {
                limits.group.return_number.map_or("all returns".to_string(), |n| format!("returns up to {n}"))
            } else {
                in_words(&group)
            };
            let verdict = verdict(value, ci95, number, sense, measure);
            let n = s.and_then(|s| s.n_effective);
            judged.push(LimitResult {
                limit: format!("{words}, {of}: {than} {text}"),
                group: group.clone(),
                measure,
                bound: number,
                value,
                ci95,
                verdict,
                more_checkpoints: (verdict == "undecided").then(|| more(value, ci95, number, n)).flatten(),
            });
        };
        let length = |length: Option<Length>| length.map(Bound::Length);
        if let Some(bound) = length(limits.rmse) {
            note("rmse", "RMSE", bound, Sense::AtMost, s.map_or((None, None), |s| (s.rmse, s.rmse_ci95)));
        }
        if let Some(bound) = length(limits.bias) {
            note("bias", "bias", bound, Sense::AtMost, s.map_or((None, None), |s| (s.bias, s.bias_ci95)));
        }
        if let Some(bound) = length(limits.sd) {
            note("sd", "SD", bound, Sense::AtMost, s.map_or((None, None), |s| (s.sd, s.sd_ci95)));
        }
        if let Some(bound) = length(limits.class) {
            let compliance = found.as_ref().map(|found| found.compliance);
            let value =
                compliance.map_or((None, None), |compliance| (compliance.rmse_v, compliance.rmse_v_ci95));
            note("class", "RMSE_V", bound, Sense::AtMost, value);
        }
        if let Some(share) = limits.share {
            let value = s.and_then(|s| s.ground_share);
            note("share", "share of the ground", Bound::Share(share), Sense::AtLeast, (value, None));
        }
        if let Some(share) = limits.coverage {
            let row = match limits.group.return_number {
                Some(number) => trade.iter().rev().find(|row| row.returns_up_to <= number),
                None => trade.last(),
            };
            let value = row.and_then(|row| row.coverage);
            note("coverage", "terrain filled", Bound::Share(share), Sense::AtLeast, (value, None));
        }
    }
    judged
}

/// What a value is held against.
enum Bound {
    Length(Length),
    Share(f64),
}

impl Bound {
    /// As a number, lengths in the unit of the report, and in words as the file has it.
    fn told(&self, unit: Unit) -> (f64, String) {
        match self {
            Bound::Length(length) => (unit.from_micrometres(length.exact_micrometres()), length.to_string()),
            Bound::Share(share) => (*share, format!("{share}")),
        }
    }
}

fn verdict(
    value: Option<f64>,
    ci95: Option<Interval>,
    bound: f64,
    sense: Sense,
    measure: &str,
) -> &'static str {
    let counted = matches!(measure, "share" | "coverage");
    let ends = match (value, ci95) {
        (Some(value), None) if counted => [value, value],
        (Some(_), Some(ends)) if measure == "bias" => {
            // The least and the greatest size that a bias in the interval has.
            let sizes = ends.map(f64::abs);
            let least = if ends[0] <= 0.0 && ends[1] >= 0.0 { 0.0 } else { sizes[0].min(sizes[1]) };
            [least, sizes[0].max(sizes[1])]
        }
        (Some(_), Some(ends)) => ends,
        _ => return "undecided",
    };
    match sense {
        Sense::AtMost if ends[1] <= bound => "met",
        Sense::AtMost if ends[0] > bound => "missed",
        Sense::AtLeast if ends[0] >= bound => "met",
        Sense::AtLeast if ends[1] < bound => "missed",
        _ => "undecided",
    }
}

/// So many more independent checkpoints than there are would be no answer.
const MOST_MORE: f64 = 1e6;

/// How many more independent checkpoints would shrink the interval until it leaves the limit out, should the figure
/// stay: its width goes with 1/√n.
fn more(value: Option<f64>, ci95: Option<Interval>, bound: f64, n_effective: Option<f64>) -> Option<u64> {
    let (value, [low, high], n) = (value?.abs(), ci95?, n_effective?);
    let half = (high - low) / 2.0;
    let distance = (value - bound).abs();
    let needed = n * (half / distance).powi(2) - n;
    (needed.is_finite() && needed < MOST_MORE).then(|| needed.max(1.0).ceil() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_met_missed_or_undecided() {
        let at_most = |ends: Interval| verdict(Some(0.05), Some(ends), 0.05, Sense::AtMost, "rmse");
        assert_eq!(at_most([0.03, 0.05]), "met");
        assert_eq!(at_most([0.04, 0.06]), "undecided");
        assert_eq!(at_most([0.0501, 0.06]), "missed");
        assert_eq!(verdict(None, None, 0.05, Sense::AtMost, "rmse"), "undecided");
        // A single place has a figure and no interval.
        assert_eq!(verdict(Some(0.01), None, 0.05, Sense::AtMost, "rmse"), "undecided");
        assert_eq!(verdict(Some(0.96), None, 0.95, Sense::AtLeast, "coverage"), "met");
        assert_eq!(verdict(Some(0.94), None, 0.95, Sense::AtLeast, "share"), "missed");
    }

    #[test]
    fn a_bias_counts_to_either_side_of_zero() {
        let bias = |ends: Interval| verdict(Some(0.0), Some(ends), 0.02, Sense::AtMost, "bias");
        assert_eq!(bias([-0.01, 0.015]), "met");
        assert_eq!(bias([-0.03, -0.021]), "missed");
        assert_eq!(bias([-0.03, 0.001]), "undecided");
        assert_eq!(bias([0.021, 0.03]), "missed");
    }

    #[test]
    fn four_times_as_many_checkpoints_halve_the_interval() {
        // Half-width 0.02 at 100; to clear a distance of 0.01 it must halve.
        assert_eq!(more(Some(0.04), Some([0.02, 0.06]), 0.05, Some(100.0)), Some(300));
        assert_eq!(more(Some(0.05), Some([0.02, 0.06]), 0.05, Some(100.0)), None);
        assert_eq!(more(Some(0.04), None, 0.05, Some(100.0)), None);
    }
}
