//! The client's limits against what was found. A limit is judged by the confidence interval: where that holds the limit, the
//! verdict is inconclusive, which is not met, since a signature needs the first.

use std::fmt;

use crate::pipeline::accept::AcceptLimits;
use crate::results::confidence::{Compliance, LimitResult, Measure, Verdict};
use crate::results::group_key::GroupKey;
use crate::results::statistics::Interval;
use crate::results::statistics::Statistics;
use crate::terrain::by_returns::TerrainRow;
use crate::trust::groups::selected;
use crate::units::{Length, Unit};

/// The figures of a group, and its compliance with the standards.
pub struct GroupFigures<'a> {
    /// The figures.
    pub statistics: &'a Statistics,
    /// Compliance with the standards.
    pub compliance: &'a Compliance,
}

/// Judges every limit. `find` gives the figures of a group.
pub fn judge<'a>(
    all: &[AcceptLimits],
    find: impl Fn(&GroupKey) -> Option<GroupFigures<'a>>,
    terrain: &[TerrainRow],
    unit: Unit,
) -> Vec<LimitResult> {
    all.iter().flat_map(|limits| judge_group(limits, &find, terrain, unit)).collect()
}

fn judge_group<'a>(
    limits: &AcceptLimits,
    find: impl Fn(&GroupKey) -> Option<GroupFigures<'a>>,
    terrain: &[TerrainRow],
    unit: Unit,
) -> Vec<LimitResult> {
    let group = selected(&limits.group);
    let found = find(&group);
    let length = |length: Option<Length>| length.map(Bound::Length);
    let share = |share: Option<f64>| share.map(Bound::Share);
    let set = [
        (Measure::Rmse, length(limits.rmse)),
        (Measure::Bias, length(limits.bias)),
        (Measure::Sd, length(limits.sd)),
        (Measure::Class, length(limits.class)),
        (Measure::Share, share(limits.share)),
        (Measure::Coverage, share(limits.coverage)),
    ];
    let set = set.into_iter().filter_map(|(measure, bound)| Some((measure, bound?)));
    set.map(|(measure, bound)| {
        let (value, ci95) = match (measure, &found) {
            (Measure::Coverage, _) => (coverage(limits.group.return_number, terrain), None),
            (_, None) => (None, None),
            (Measure::Rmse, Some(found)) => (found.statistics.rmse, found.statistics.rmse_ci95),
            (Measure::Bias, Some(found)) => (found.statistics.bias, found.statistics.bias_ci95),
            (Measure::Sd, Some(found)) => (found.statistics.sd, found.statistics.sd_ci95),
            (Measure::Class, Some(found)) => (found.compliance.rmse_v, found.compliance.rmse_v_ci95),
            (Measure::Share, Some(found)) => (found.statistics.ground_share, None),
        };
        let statistics = found.as_ref().map(|found| found.statistics);
        let verdict = verdict(value, ci95, bound.number(unit), measure);
        let n_effective = statistics.and_then(|s| s.n_effective);
        LimitResult {
            limit: limit_text(measure, &bound, &group, limits.group.return_number),
            group: group.clone(),
            measure,
            bound: bound.number(unit),
            value,
            ci95,
            support: statistics.filter(|_| !measure.is_share()).map(Statistics::support),
            verdict,
            more_checkpoints: match verdict {
                Verdict::Inconclusive => more_checkpoints(value, ci95, bound.number(unit), n_effective),
                Verdict::Met | Verdict::Missed => None,
            },
        }
    })
    .collect()
}

/// The share of terrain cells that have ground of the returns up to this one, or of all.
fn coverage(return_number: Option<u8>, terrain: &[TerrainRow]) -> Option<f64> {
    let row = match return_number {
        Some(number) => terrain.iter().rev().find(|row| row.returns_up_to <= number),
        None => terrain.last(),
    };
    row.and_then(|row| row.coverage)
}

/// The limit for people: `RMSE, return 1: at most 5 cm`.
fn limit_text(measure: Measure, bound: &Bound, group: &GroupKey, return_number: Option<u8>) -> String {
    let name = match measure {
        Measure::Rmse => "RMSE",
        Measure::Bias => "bias",
        Measure::Sd => "SD",
        Measure::Class => "RMSE_V",
        Measure::Share => "share of the ground",
        Measure::Coverage => "coverage",
    };
    let of = match (measure, return_number) {
        (Measure::Coverage, Some(number)) => format!("returns up to {number}"),
        (Measure::Coverage, None) => "all returns".to_string(),
        _ => group.to_string(),
    };
    let than = if measure.is_share() { "at least" } else { "at most" };
    format!("{name}, {of}: {than} {bound}")
}

/// What a value is held against.
enum Bound {
    Length(Length),
    Share(f64),
}

impl Bound {
    /// As a number, lengths in the unit of the report.
    fn number(&self, unit: Unit) -> f64 {
        match self {
            Bound::Length(length) => unit.from_micrometres(length.exact_micrometres()),
            Bound::Share(share) => *share,
        }
    }
}

/// As the pipeline file has it.
impl fmt::Display for Bound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Bound::Length(length) => write!(f, "{length}"),
            Bound::Share(share) => write!(f, "{share}"),
        }
    }
}

/// Shares must reach their bound, lengths may not exceed it.
fn verdict(value: Option<f64>, ci95: Option<Interval>, bound: f64, measure: Measure) -> Verdict {
    let ends = match (value, ci95) {
        (Some(value), None) if measure.is_share() => [value, value],
        (Some(_), Some(ends)) if measure == Measure::Bias => {
            // The least and the greatest size that a bias in the interval has.
            let sizes = ends.map(f64::abs);
            let least = if ends[0] <= 0.0 && ends[1] >= 0.0 { 0.0 } else { sizes[0].min(sizes[1]) };
            [least, sizes[0].max(sizes[1])]
        }
        (Some(_), Some(ends)) => ends,
        _ => return Verdict::Inconclusive,
    };
    let (met, missed) = if measure.is_share() {
        (ends[0] >= bound, ends[1] < bound)
    } else {
        (ends[1] <= bound, ends[0] > bound)
    };
    match (met, missed) {
        (true, _) => Verdict::Met,
        (_, true) => Verdict::Missed,
        _ => Verdict::Inconclusive,
    }
}

/// A larger number of further checkpoints is no answer.
const MOST_MORE: f64 = 1e6;

/// How many more independent checkpoints would shrink the interval until it leaves the limit out, should the figure
/// stay: its width goes with 1/√n.
fn more_checkpoints(
    value: Option<f64>,
    ci95: Option<Interval>,
    bound: f64,
    n_effective: Option<f64>,
) -> Option<u64> {
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
    fn a_limit_is_met_missed_or_inconclusive() {
        let at_most = |ends: Interval| verdict(Some(0.05), Some(ends), 0.05, Measure::Rmse);
        assert_eq!(at_most([0.03, 0.05]), Verdict::Met);
        assert_eq!(at_most([0.04, 0.06]), Verdict::Inconclusive);
        assert_eq!(at_most([0.0501, 0.06]), Verdict::Missed);
        assert_eq!(verdict(None, None, 0.05, Measure::Rmse), Verdict::Inconclusive);
        // A single comparison has a figure and no interval.
        assert_eq!(verdict(Some(0.01), None, 0.05, Measure::Rmse), Verdict::Inconclusive);
        assert_eq!(verdict(Some(0.96), None, 0.95, Measure::Coverage), Verdict::Met);
        assert_eq!(verdict(Some(0.94), None, 0.95, Measure::Share), Verdict::Missed);
    }

    #[test]
    fn a_bias_counts_to_either_side_of_zero() {
        let bias = |ends: Interval| verdict(Some(0.0), Some(ends), 0.02, Measure::Bias);
        assert_eq!(bias([-0.01, 0.015]), Verdict::Met);
        assert_eq!(bias([-0.03, -0.021]), Verdict::Missed);
        assert_eq!(bias([-0.03, 0.001]), Verdict::Inconclusive);
        assert_eq!(bias([0.021, 0.03]), Verdict::Missed);
    }

    #[test]
    fn four_times_as_many_checkpoints_halve_the_interval() {
        // Half-width 0.02 at 100; to clear a distance of 0.01 it must halve.
        assert_eq!(more_checkpoints(Some(0.04), Some([0.02, 0.06]), 0.05, Some(100.0)), Some(300));
        assert_eq!(more_checkpoints(Some(0.05), Some([0.02, 0.06]), 0.05, Some(100.0)), None);
        assert_eq!(more_checkpoints(Some(0.04), None, 0.05, Some(100.0)), None);
    }
}
