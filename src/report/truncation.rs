//! The truncation correction of every group, for the page.

use crate::report::intervals::all_groups;
use crate::report::row::{Cell, Folded, Row, cell};
use crate::results::format::{ResidualFormat, UNDEFINED, percent, thousands};
use crate::results::statistics::{Statistics, TruncationCorrected};
use crate::results::summary::Summary;
use crate::tile::points::GroundFrom;
use crate::units::Unit;

/// A row for each group that was compared; none where nothing can be corrected.
pub(super) fn rows(summary: &Summary) -> Folded {
    if none(summary).is_some() {
        return Folded::default();
    }
    let known = all_groups(summary).filter_map(|(name, s)| {
        let corrected = s.truncation_corrected.as_ref()?;
        Some((s.compared, Row { name, cells: cells(s, corrected, summary.units) }))
    });
    Folded::of(known, summary)
}

/// Why there is no truncation correction at all: the survey's ground was classified by others, or its elevation at surveyed
/// points lies between several.
pub fn none(summary: &Summary) -> Option<String> {
    let reason = summary.all.truncation_corrected.as_ref()?.reason.as_ref()?;
    if summary.survey.ground_from == Some(GroundFrom::Classes) {
        return Some(format!("No truncation correction: {reason}."));
    }
    let interpolated = "an elevation interpolated between ground points has no limit of its own";
    summary.checkpoints.as_ref().map(|_| format!("No truncation correction: {interpolated}."))
}

fn cells(s: &Statistics, corrected: &TruncationCorrected, unit: Unit) -> Vec<Cell> {
    let n = cell(thousands(s.compared), true);
    if !s.support().is_enough() {
        return vec![n, Cell::too_few(8)];
    }
    let format = ResidualFormat::of(unit);
    let share = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), percent);
    let mut cells = vec![
        n,
        cell(share(corrected.within_sd_of_limit), true),
        cell(share(corrected.truncated), false),
        cell(format.signed(s.bias), true),
        cell(format.signed(corrected.bias), false),
        cell(format.signed_interval(corrected.bias_ci95), false),
        cell(format.length(s.sd), true),
        cell(format.length(corrected.sd), false),
        cell(format.interval(corrected.sd_ci95), false),
    ];
    if let Some(reason) = &corrected.reason {
        cells.truncate(4);
        cells.push(Cell { columns: 5, ..cell(reason.clone(), false) });
    }
    cells
}
