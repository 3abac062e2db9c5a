//! The table of confidence intervals.

use crate::report::decision;
use crate::report::row::{Cell, Folded, Row, cell};
use crate::results::format::{self, ResidualFormat, UNDEFINED};
use crate::results::statistics::Statistics;
use crate::results::summary::Summary;
use crate::tile::strata::By;
use crate::units::Unit;

/// The groups in the order of the page: each return, each group that is more than a return, all.
pub(super) fn all_groups(summary: &Summary) -> impl Iterator<Item = (String, &Statistics)> {
    let returns =
        summary.returns.iter().map(|row| (format!("return {}", row.return_number), &row.statistics));
    let groups = summary.trust.groups.iter().filter(|group| !group.by.is_by(&[By::Return]));
    let groups = groups.map(|group| (group.by.to_string(), &group.statistics));
    returns.chain(groups).chain([("all".to_string(), &summary.all)])
}

/// The confidence intervals of every group that was compared.
pub(super) fn rows(summary: &Summary) -> Folded {
    let known = all_groups(summary).filter(|(_, s)| s.bias_ci95.is_some());
    let row = |(name, s): (String, &Statistics)| {
        (s.compared, Row { name, cells: interval_cells(s, summary.units) })
    };
    Folded::of(known.map(row), summary)
}

pub(super) fn interval_cells(s: &Statistics, unit: Unit) -> Vec<Cell> {
    let n = cell(format::thousands(s.compared), true);
    if !s.support().is_enough() {
        return vec![n, Cell::too_few(7)];
    }
    let format = ResidualFormat::of(unit);
    let n_eff = s.n_effective.map_or(UNDEFINED.to_string(), |n| format::thousands(n.round() as u64));
    vec![
        n,
        cell(n_eff, false),
        cell(format.signed(s.bias), true),
        cell(format.signed_interval(s.bias_ci95), false),
        cell(format.length(s.sd), true),
        cell(format.interval(s.sd_ci95), false),
        cell(format.length(s.rmse), true),
        cell(format.interval(s.rmse_ci95), false),
    ]
}

/// What the intervals rest on.
pub(super) fn basis(summary: &Summary) -> Option<String> {
    let correlation = &summary.trust.correlation;
    let block = format::distance(correlation.block?, summary.units);
    let blocks = correlation.blocks;
    let noun = if blocks == 1 { "block" } else { "blocks" };
    Some(format!(
        "The comparisons lie in {} {noun} of {block}; {}.",
        format::thousands(blocks),
        decision::correlated(summary)
    ))
}
