//! The client's limits against what was found. A limit is judged by the confidence interval: where that holds the limit, the
//! verdict is inconclusive, which is not met, since a signature needs the first.
//!
//! Both ends are those of the two-sided 95 % interval, so that a limit that the survey meets exactly comes out as met in
//! 2.5 of 100 samples: half of what a one-sided bound would allow, as room for intervals that are a little too narrow. A stated
//! offset of the reference is taken out first; an error that all of the reference shares is in the interval of the bias.

use std::fmt;

use crate::pipeline::accept::AcceptLimits;
use crate::results::confidence::{Compliance, LimitResult, Measure, Verdict};
use crate::results::group_key::GroupKey;
use crate::results::statistics::{Interval, Statistics, Support};
use crate::terrain::by_returns::TerrainRow;
use crate::trust::compliance::{Reference, sizes, widened};
use crate::trust::groups::selected;
use crate::units::{Length, Unit};

/// The figures of a group, and its compliance with the standards.
pub struct GroupFigures<'a> {
    /// The figures.
    pub statistics: &'a Statistics,
    /// Compliance with the standards.
    pub compliance: &'a Compliance,
    /// Standard deviation of the error of the reference that its comparisons may share, in the unit of the report.
    pub common: f64,
}

/// Judges every limit. `find` gives the figures of a group.
pub fn judge<'a>(
    all: &[AcceptLimits],
    find: impl Fn(&GroupKey) -> Option<GroupFigures<'a>>,
    terrain: &[TerrainRow],
    reference: &Reference,
    unit: Unit,
) -> Vec<LimitResult> {
    all.iter().flat_map(|limits| judge_group(limits, &find, terrain, reference, unit)).collect()
}

/// A figure as it is judged.
#[derive(Clone, Copy, Debug, Default)]
struct Figure {
    value: Option<f64>,
    ci95: Option<Interval>,
    /// Part of the half-width that no further checkpoint would shrink.
    common: f64,
    /// With the offset of the reference in it, where that is taken out.
    raw: Option<f64>,
}

impl GroupFigures<'_> {
    /// What is judged, the offset of the reference taken out where one is stated.
    fn judged(&self, measure: Measure, reference: &Reference) -> Figure {
        let (s, compliance) = (self.statistics, self.compliance);
        let removed = compliance.offset_removed.as_ref();
        let (raw, value, ci95) = match measure {
            Measure::Rmse => (s.rmse, removed.map(|r| r.rmse), removed.map_or(s.rmse_ci95, |r| r.rmse_ci95)),
            Measure::Bias => (s.bias, removed.map(|r| r.bias), removed.map_or(s.bias_ci95, |r| r.bias_ci95)),
            Measure::Class => {
                let ci95 = removed.map_or(compliance.rmse_v_ci95, |r| r.rmse_v_ci95);
                (compliance.rmse_v, removed.map(|r| r.rmse_v), ci95)
            }
            // An offset leaves the spread as it is.
            Measure::Sd => (s.sd, removed.map(|_| s.sd), s.sd_ci95),
            Measure::Share => (s.ground_share, None, None),
            Measure::Coverage => (None, None, None),
        };
        let value = value.unwrap_or(raw);
        let raw = raw.filter(|_| removed.is_some() && !measure.is_share());
        if measure != Measure::Bias {
            return Figure { value, ci95, common: 0.0, raw };
        }
        let ci95 = value.zip(ci95).map(|(value, ends)| widened(ends, value, self.common));
        Figure { value, ci95, common: reference.half_of(self.common), raw }
    }
}

fn judge_group<'a>(
    limits: &AcceptLimits,
    find: impl Fn(&GroupKey) -> Option<GroupFigures<'a>>,
    terrain: &[TerrainRow],
    reference: &Reference,
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
        let figure = match (measure, &found) {
            (Measure::Coverage, _) => {
                Figure { value: coverage(limits.group.return_number, terrain), ..Figure::default() }
            }
            (_, None) => Figure::default(),
            (_, Some(found)) => found.judged(measure, reference),
        };
        let statistics = found.as_ref().map(|found| found.statistics).filter(|_| !measure.is_share());
        let support = statistics.map(Statistics::support);
        let no_interval = statistics.and_then(|s| s.interval_reason.as_deref());
        let (verdict, reason) = match cannot_judge(measure, &figure, support, no_interval, bound.number(unit))
        {
            Some(reason) => (Verdict::Inconclusive, Some(reason)),
            None => (verdict(figure.value, figure.ci95, bound.number(unit), measure), None),
        };
        let more_checkpoints = if verdict == Verdict::Inconclusive && reason.is_none() {
            more_checkpoints(&figure, bound.number(unit), statistics.and_then(|s| s.n_effective))
        } else {
            None
        };
        LimitResult {
            limit: limit_text(measure, &bound, &group, limits.group.return_number),
            group: group.clone(),
            measure,
            bound: bound.number(unit),
            value: figure.value,
            ci95: figure.ci95,
            offset_removed: figure.raw.is_some(),
            raw_value: figure.raw,
            support,
            verdict,
            more_checkpoints,
            reason,
        }
    })
    .collect()
}

/// Why there can be no verdict.
fn cannot_judge(
    measure: Measure,
    figure: &Figure,
    support: Option<Support>,
    no_interval: Option<&str>,
    bound: f64,
) -> Option<String> {
    if measure.is_share() {
        return figure.value.is_none().then(|| "there is no such figure".to_string());
    }
    let support = support.unwrap_or_default();
    if support.comparisons == 0 {
        return Some("nothing was compared".to_string());
    }
    if !support.is_enough_for_a_verdict() {
        return Some(support.too_few_for_a_verdict());
    }
    if figure.ci95.is_none() {
        return Some(no_interval.unwrap_or("no interval can be made from this sample").to_string());
    }
    let inside = figure.value.is_some_and(|value| (value.abs() - bound).abs() <= figure.common);
    (figure.common > 0.0 && inside)
        .then(|| "the common error of the reference alone may be the difference".to_string())
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
        (Some(_), Some(ends)) if measure == Measure::Bias => sizes(ends),
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
/// stay: its width goes with 1/√n, but for what the reference itself does not know.
fn more_checkpoints(figure: &Figure, bound: f64, n_effective: Option<f64>) -> Option<u64> {
    let (value, [low, high], n) = (figure.value?.abs(), figure.ci95?, n_effective?);
    let without = |half: f64| half * half - figure.common * figure.common;
    let ratio = without((high - low) / 2.0) / without((value - bound).abs());
    let needed = n * ratio - n;
    (needed.is_finite() && ratio > 0.0 && needed < MOST_MORE).then(|| needed.max(1.0).ceil() as u64)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::tile::strata::Strata;
    use crate::trust::compliance::compliance;
    use crate::trust::groups::{Group, Role};

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
        let more = |value, ci95, common| {
            more_checkpoints(&Figure { value: Some(value), ci95, common, raw: None }, 0.05, Some(100.0))
        };
        // Half-width 0.02 at 100; to clear a distance of 0.01 it must halve.
        assert_eq!(more(0.04, Some([0.02, 0.06]), 0.0), Some(300));
        assert_eq!(more(0.05, Some([0.02, 0.06]), 0.0), None);
        assert_eq!(more(0.04, None, 0.0), None);
        // A part of 0.006 stays: of 0.02² it leaves 0.000364, of 0.01² 0.000064.
        assert_eq!(more(0.04, Some([0.02, 0.06]), 0.006), Some(469));
        assert_eq!(more(0.04, Some([0.02, 0.06]), 0.012), None);
    }

    fn group(statistics: &Statistics, reference: &Reference, limits: Value) -> LimitResult {
        let limits: AcceptLimits = serde_json::from_value(limits).unwrap();
        let by = GroupKey::all();
        let group = Group { role: Role::All, strata: Strata::default(), by, members: Vec::new() };
        let compliance = compliance(&group, statistics, reference, Unit::Metre);
        let find = |_: &GroupKey| {
            Some(GroupFigures { statistics, compliance: &compliance, common: reference.common })
        };
        judge(&[limits], find, &[], reference, Unit::Metre).remove(0)
    }

    fn low() -> Statistics {
        Statistics {
            compared: 2_000,
            blocks: 60,
            bias: Some(-0.036),
            bias_ci95: Some([-0.038, -0.034]),
            sd: Some(0.03),
            sd_ci95: Some([0.028, 0.032]),
            rmse: Some(0.0468),
            rmse_ci95: Some([0.045, 0.049]),
            n_effective: Some(900.0),
            ..Statistics::default()
        }
    }

    #[test]
    fn a_stated_offset_is_taken_out_before_a_limit_is_judged() {
        let offset = |value: f64, sigma: f64| Reference {
            offset: Some((value, sigma, "snow".to_string())),
            ..Reference::default()
        };
        let raw = group(&low(), &Reference::default(), json!({"bias": "2 cm"}));
        assert_eq!((raw.verdict, raw.offset_removed, raw.raw_value), (Verdict::Missed, false, None));
        let bias = group(&low(), &offset(0.04, 0.005), json!({"bias": "2 cm"}));
        assert_eq!((bias.verdict, bias.offset_removed, bias.raw_value), (Verdict::Met, true, Some(-0.036)));
        assert!((bias.value.unwrap() - 0.004).abs() < 1e-12);
        // 4 mm within 19.6 mm of sigma may be more than 20 mm, and no number of checkpoints tells.
        let unsure = group(&low(), &offset(0.04, 0.01), json!({"bias": "2 cm"}));
        assert_eq!((unsure.verdict, unsure.more_checkpoints), (Verdict::Inconclusive, None));
        let rmse = group(&low(), &offset(0.04, 0.001), json!({"rmse": "4 cm"}));
        assert_eq!((rmse.verdict, rmse.offset_removed), (Verdict::Met, true));
        let class = group(&low(), &offset(0.04, 0.05), json!({"class": "4 cm"}));
        assert_eq!(class.verdict, Verdict::Missed);
        let sd = group(&low(), &offset(0.04, 0.001), json!({"sd": "4 cm"}));
        assert_eq!((sd.verdict, sd.offset_removed, sd.value), (Verdict::Met, true, Some(0.03)));
    }

    #[test]
    fn an_error_common_to_the_reference_is_in_the_interval_of_the_bias_alone() {
        let common = Reference { uncertainty: Some(0.01), common: 0.01, ..Reference::default() };
        let bias = |limit: &str| group(&low(), &common, json!({"bias": limit}));
        assert_eq!(bias("50 mm").verdict, Verdict::Inconclusive);
        assert_eq!(bias("56 mm").verdict, Verdict::Met);
        assert!(bias("50 mm").reason.unwrap().contains("common error of the reference"));
        let exact = Reference { common: 0.0, ..common.clone() };
        assert_eq!(group(&low(), &exact, json!({"bias": "50 mm"})).verdict, Verdict::Met);
        assert_eq!(group(&low(), &common, json!({"rmse": "50 mm"})).verdict, Verdict::Met);
    }

    #[test]
    fn too_few_comparisons_or_blocks_have_no_verdict() {
        for few in [Statistics { compared: 29, ..low() }, Statistics { blocks: 2, ..low() }] {
            for limit in ["1 m", "1 mm"] {
                let result = group(&few, &Reference::default(), json!({"rmse": limit}));
                assert_eq!((result.verdict, result.more_checkpoints), (Verdict::Inconclusive, None));
                assert_eq!(result.reason.unwrap(), "fewer than 30 comparisons or 3 blocks");
            }
        }
    }
}
