//! PASS, FAIL or INCONCLUSIVE: a line for each limit that the client set, worst first.

use crate::report::decision::verdict_label;
use crate::results::confidence::{LimitResult, Verdict};
use crate::results::format::{capitalised, decimal, length, length_interval, percent, thousands};
use crate::results::statistics::Support;
use crate::results::summary::Summary;
use crate::tile::strata::Cover;
use crate::units::Unit;

/// A limit and what became of it.
pub(super) struct VerdictLine {
    /// `PASS`, `FAIL` or `INCONCLUSIVE`.
    pub label: &'static str,
    /// The same as a class of the style sheet.
    pub class: &'static str,
    /// The limit, the figure found, its interval and n; what an undecided one lacks.
    pub text: String,
}

/// The lines: those missed, then the inconclusive ones, then those met, each in the order of the pipeline file.
pub(super) fn lines(summary: &Summary) -> Vec<VerdictLine> {
    let of = |verdict| summary.trust.accept.iter().filter(move |limit| limit.verdict == verdict);
    let worst_first = [Verdict::Missed, Verdict::Inconclusive, Verdict::Met].into_iter().flat_map(of);
    worst_first.map(|limit| line(limit, summary.units)).collect()
}

/// What applies to all of them.
pub(super) fn note(summary: &Summary) -> Option<&'static str> {
    let limits = &summary.trust.accept;
    if limits.is_empty() {
        return Some(
            "No acceptance limit was set (`accept` in the pipeline file): nothing passes or fails here.",
        );
    }
    let removed = limits.iter().any(|limit| limit.offset_removed);
    removed.then_some("Limits are judged with the stated offset of the reference removed.")
}

fn line(limit: &LimitResult, unit: Unit) -> VerdictLine {
    let found = found(limit, unit).map(|found| format!("; found {found}")).unwrap_or_default();
    let why = why(limit).map(|why| format!("; {why}")).unwrap_or_default();
    VerdictLine {
        label: verdict_label(limit.verdict),
        class: match limit.verdict {
            Verdict::Met => "met",
            Verdict::Missed => "missed",
            Verdict::Inconclusive => "inconclusive",
        },
        text: capitalised(&format!("{}{found}{why}.", limit.limit)),
    }
}

/// `29.1 mm (95 %: 27.0 to 31.2 mm), n = 2,000`.
fn found(limit: &LimitResult, unit: Unit) -> Option<String> {
    let n = limit.support.map(|support| format!("n = {}", thousands(support.comparisons)));
    if limit.support.is_some_and(|support| !support.is_enough()) {
        return n;
    }
    let value = limit.value?;
    if limit.measure.is_share() {
        return Some(format!("{} %", percent(value)));
    }
    let ends = limit.ci95.map(|ends| format!(" (95 %: {})", length_interval(ends, unit)));
    let raw = limit.raw_value.map(|raw| format!(", raw {}", length(raw, unit)));
    let parts = [Some(length(value, unit)), ends, raw, n.map(|n| format!(", {n}"))];
    Some(parts.into_iter().flatten().collect())
}

fn why(limit: &LimitResult) -> Option<String> {
    match (&limit.reason, limit.more_checkpoints) {
        (Some(reason), _) => Some(reason.clone()),
        (None, Some(more)) => Some(format!(
            "a decision needs about {} more independent checkpoints",
            thousands(two_digits(more))
        )),
        (None, None) if limit.verdict == Verdict::Missed && is_vegetated(limit) => {
            Some("the client's limit: the standard sets none for vegetated ground".to_string())
        }
        (None, None) => None,
    }
}

/// Rounded to two digits: more is not known.
fn two_digits(n: u64) -> u64 {
    let mut unit = 1;
    while n / unit >= 100 {
        unit *= 10;
    }
    (n + unit / 2) / unit * unit
}

/// Whether a limit is for ground on which the standard sets none.
fn is_vegetated(limit: &LimitResult) -> bool {
    limit.group.cover().is_some_and(|cover| cover != Cover::Open)
}

/// What the words stand for.
pub(super) fn meaning() -> String {
    format!(
        "PASS: the whole 95 % interval meets the limit; FAIL: all of it misses; otherwise, and always under {} comparisons or {} \
         blocks, INCONCLUSIVE.",
        decimal(Support::FEWEST_FOR_A_VERDICT as f64, 0),
        Support::FEWEST_BLOCKS
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::group_key::{GroupKey, Property};
    use crate::results::sample;

    #[test]
    fn the_worst_stands_first_with_its_figure_its_interval_and_what_it_lacks() {
        let mut summary = sample::decided().0;
        let met = summary.trust.accept.iter().position(|limit| limit.verdict == Verdict::Met).unwrap();
        let mut missed = summary.trust.accept[met].clone();
        missed.verdict = Verdict::Missed;
        summary.trust.accept.push(missed);
        let lines = lines(&summary);
        let labels: Vec<&str> = lines.iter().map(|line| line.label).collect();
        assert_eq!(labels, ["FAIL", "INCONCLUSIVE", "PASS"]);
        let inconclusive = &lines[1].text;
        assert!(inconclusive.starts_with("RMSE, return 2: at most 30 mm; found "), "{inconclusive}");
        assert!(inconclusive.ends_with("; a decision needs about 1,200 more independent checkpoints."));
    }

    #[test]
    fn a_limit_that_is_not_met_says_why() {
        let mut summary = sample::decided().0;
        summary.trust.accept[1].reason = Some("fewer than 30 comparisons or 3 blocks".to_string());
        assert!(lines(&summary)[0].text.ends_with("; fewer than 30 comparisons or 3 blocks."));
        let limit = &mut summary.trust.accept[0];
        limit.verdict = Verdict::Missed;
        limit.group = GroupKey::new([Property::Cover(Some(Cover::Canopy))]);
        assert!(lines(&summary)[0].text.contains("the client's limit: the standard sets none"));
    }

    #[test]
    fn what_is_needed_is_known_to_two_digits() {
        assert_eq!([7, 99, 104, 1_250, 70_626].map(two_digits), [7, 99, 100, 1_300, 71_000]);
    }

    #[test]
    fn where_no_limit_was_set_nothing_passes_or_fails() {
        let mut summary = sample::decided().0;
        summary.trust.accept.clear();
        assert!(lines(&summary).is_empty());
        assert!(note(&summary).unwrap().contains("nothing passes or fails"));
    }
}
