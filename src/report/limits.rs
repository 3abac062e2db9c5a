//! The table of the client's limits.

use crate::report::decision::verdict_label;
use crate::results::confidence::{LimitResult, Verdict};
use crate::results::format::{self, UNDEFINED};
use crate::results::statistics::Support;
use crate::results::summary::Summary;
use crate::units::Unit;

/// A limit of the client and its result.
pub(super) struct LimitRow {
    pub limit: String,
    pub n: String,
    pub value: String,
    pub ends: String,
    pub verdict: &'static str,
    pub class: &'static str,
}

/// A row for each limit, in the order of the pipeline file.
pub(super) fn rows(summary: &Summary) -> Vec<LimitRow> {
    summary.trust.accept.iter().map(|limit| limit_row(limit, summary.units)).collect()
}

fn limit_row(limit: &LimitResult, unit: Unit) -> LimitRow {
    let write = |value: f64| {
        if limit.measure.is_share() { format::decimal(value, 3) } else { format::length(value, unit) }
    };
    // A share has none.
    let interval = limit.ci95.map(|ends| format::length_interval(ends, unit));
    let shown = limit.support.is_none_or(Support::is_enough);
    let dash = || UNDEFINED.to_string();
    LimitRow {
        limit: limit.limit.clone(),
        n: limit.support.map_or_else(dash, |support| format::thousands(support.comparisons)),
        value: limit.value.filter(|_| shown).map_or_else(dash, |value| match limit.raw_value {
            Some(raw) => format!("{} (raw {})", write(value), write(raw)),
            None => write(value),
        }),
        ends: interval.filter(|_| shown).unwrap_or_else(dash),
        verdict: verdict_label(limit.verdict),
        class: match limit.verdict {
            Verdict::Met => "met",
            Verdict::Missed => "missed",
            Verdict::Inconclusive => "inconclusive",
        },
    }
}
