//! The table of surveyed checkpoints, and what became of them in a sentence.

use crate::results::checkpoints::CheckpointRow;
use crate::results::format::{ResidualFormat, UNDEFINED, and_list_of, thousands};
use crate::results::summary::Summary;

/// A row of the table.
#[derive(Debug, PartialEq)]
pub struct SurveyedRow {
    /// Name of the point.
    pub name: String,
    /// Its residual.
    pub dz: String,
    /// Its own standard deviation.
    pub sigma: String,
    /// Cover of the ground.
    pub cover: &'static str,
    /// Slope of the ground, per cent.
    pub slope: String,
    /// Why it is not used, or what its siting has against it.
    pub remark: String,
    /// Whether it is used.
    pub used: bool,
}

/// A row for each surveyed point, those not used last; none for a reference that is a cloud.
pub fn rows(summary: &Summary) -> Vec<SurveyedRow> {
    let format = ResidualFormat::of(summary.units);
    let row = |one: &CheckpointRow| SurveyedRow {
        name: one.name.clone(),
        dz: format.signed(one.dz),
        sigma: format.length(one.sigma),
        cover: one.cover.unwrap_or(UNDEFINED),
        slope: one.slope.map_or(UNDEFINED.to_string(), |slope| format!("{:.0}", slope * 100.0)),
        remark: match &one.reason {
            Some(reason) => format!("not used: {reason}"),
            None => one.siting.join("; "),
        },
        used: one.used,
    };
    let mut rows: Vec<SurveyedRow> = summary.checkpoints.iter().flatten().map(row).collect();
    rows.sort_by_key(|row| !row.used);
    rows
}

/// How many points are used, and which are not and why.
pub fn sentence(summary: &Summary) -> Option<String> {
    let all = summary.checkpoints.as_ref()?;
    let used = all.iter().filter(|one| one.used).count();
    let mut text =
        format!("{} of {} surveyed points are used.", thousands(used as u64), thousands(all.len() as u64));
    let left: Vec<String> =
        all.iter().filter_map(|one| Some(format!("{} ({})", one.name, one.reason.as_ref()?))).collect();
    if !left.is_empty() {
        text += &format!(" Not used: {}.", and_list_of(&left, LISTED));
    }
    let poorly =
        all.iter().filter(|one| one.used && one.siting.iter().any(|what| !what.ends_with("VVA"))).count();
    if poorly > 0 {
        let lie = if poorly == 1 { "lies" } else { "lie" };
        text += &format!(
            " {} of those used {lie} on a slope or near a break: see the table of checkpoints.",
            thousands(poorly as u64)
        );
    }
    Some(text)
}

/// Points that are named in the sentence: the others are in the table.
const LISTED: usize = 5;
