//! The table of published standards.

use crate::report::row::{Cell, Row, cell};
use crate::results::confidence::{Compliance, VerticalAccuracy};
use crate::results::format::{ResidualFormat, UNDEFINED, length, percent, thousands};
use crate::results::summary::Summary;
use crate::standards::MIN_CHECKPOINTS;
use crate::tile::strata::By;

/// A row for all together, for each return, for open and vegetated ground, and for each vegetated cover.
pub(super) fn rows(summary: &Summary) -> Vec<Row> {
    let shown = |compliance: &&Compliance| {
        compliance.compared > 0
            && (compliance.by.is_all()
                || compliance.by.is_by(&[By::Return])
                || compliance.by.is_by(&[By::Cover]))
    };
    summary.trust.standards.groups.iter().filter(shown).map(|compliance| row(summary, compliance)).collect()
}

/// The name of a vertical accuracy in the standard.
pub(super) fn short_name(name: VerticalAccuracy) -> &'static str {
    match name {
        VerticalAccuracy::Nva => "NVA",
        VerticalAccuracy::Vva => "VVA",
    }
}

fn row(summary: &Summary, compliance: &Compliance) -> Row {
    let name = match compliance.name {
        Some(name) => format!("{} ({})", compliance.by, short_name(name)),
        None => compliance.by.to_string(),
    };
    let few =
        if compliance.enough_checkpoints { String::new() } else { format!(" (under {MIN_CHECKPOINTS})") };
    let n = cell(format!("{}{few}", thousands(compliance.compared)), true);
    let offset = summary.trust.standards.offset.is_some();
    if !compliance.support().is_enough() {
        return Row { name, cells: vec![n, Cell::too_few(if offset { 11 } else { 8 })] };
    }
    let format = ResidualFormat::of(summary.units);
    let class = |class: Option<f64>| class.map_or("none".to_string(), |class| class.to_string());
    let mut cells = vec![
        n,
        cell(format.length(compliance.rmse_v1), true),
        cell(format.length(compliance.rmse_v2), false),
        cell(format.length(compliance.rmse_v), false),
        cell(class(compliance.class_cm), true),
        cell(compliance.quality_level.unwrap_or("none").to_string(), false),
        cell(compliance.bias_to_class.map_or(UNDEFINED.to_string(), percent), false),
        cell(format.length(compliance.nssda_95), true),
        cell(format.length(compliance.abs_p95), false),
    ];
    if offset {
        let removed = compliance.offset_removed.as_ref();
        cells.extend([
            cell(format.signed(removed.and_then(|removed| removed.bias)), true),
            cell(format.length(removed.and_then(|removed| removed.rmse_v)), false),
            cell(class(removed.and_then(|removed| removed.class_cm)), false),
        ]);
    }
    Row { name, cells }
}

/// Bias, RMSE_V and class as found and with the stated offset of the reference removed, side by side; no row without an offset.
pub(super) fn with_offset(summary: &Summary) -> Vec<Row> {
    let Some((offset, ..)) = &summary.trust.standards.offset else { return Vec::new() };
    let format = ResidualFormat::of(summary.units);
    let class = |class: Option<f64>| class.map_or("none".to_string(), |class| class.to_string());
    let groups = summary.trust.standards.groups.iter().filter(|group| group.compared > 0);
    let groups = groups
        .filter(|group| group.by.is_all() || group.by.is_by(&[By::Return]) || group.by.is_by(&[By::Cover]));
    let row = |group: &Compliance| {
        let removed = group.offset_removed.as_ref()?;
        let n = cell(thousands(group.compared), true);
        if !group.support().is_enough() {
            return Some(Row { name: group.by.to_string(), cells: vec![n, Cell::too_few(8)] });
        }
        let cells = vec![
            n,
            // A reference that lies too high makes dz too small.
            cell(format.signed(removed.bias.map(|bias| bias - offset)), true),
            cell(format.signed(removed.bias), false),
            cell(format.length(group.rmse_v1), true),
            cell(format.length(removed.rmse), false),
            cell(format.length(group.rmse_v), true),
            cell(format.length(removed.rmse_v), false),
            cell(class(group.class_cm), true),
            cell(class(removed.class_cm), false),
        ];
        Some(Row { name: group.by.to_string(), cells })
    };
    groups.filter_map(row).collect()
}

/// The known offset of the reference, in a sentence.
pub(super) fn offset(summary: &Summary) -> Option<String> {
    let (value, sigma, why) = summary.trust.standards.offset.as_ref()?;
    let side = if *value < 0.0 { "below" } else { "above" };
    Some(format!(
        "The reference is stated to lie {} {side} the ground, with an uncertainty of {} (one standard deviation): {why}. The \
         last columns have that removed and its uncertainty combined; all other figures of this table are raw.",
        length(value.abs(), summary.units),
        length(*sigma, summary.units),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::confidence::OffsetRemoved;
    use crate::results::sample;

    fn texts(row: &Row) -> Vec<&str> {
        row.cells.iter().map(|cell| cell.text.as_str()).collect()
    }

    #[test]
    fn ground_is_named_as_the_standards_name_it() {
        let mut summary = sample::decided().0;
        let rows_raw = rows(&summary);
        let names: Vec<&str> = rows_raw.iter().map(|row| row.name.as_str()).collect();
        assert_eq!(names, ["all returns", "open ground (NVA)", "vegetated ground (VVA)"]);
        assert_eq!(
            texts(&rows_raw[1]),
            ["2,000", "24.0", "10.0", "24.0", "2.5", "QL0", "10.0", "47.0", "48.0"]
        );
        assert_eq!(offset(&summary), None);
        summary.trust.standards.offset = Some((0.04, 0.01, "fresh snow".to_string()));
        summary.trust.standards.groups[1].offset_removed = Some(OffsetRemoved {
            bias: Some(-0.01),
            rmse: Some(0.02),
            rmse_v: Some(0.025),
            class_cm: Some(2.5),
            ..OffsetRemoved::default()
        });
        assert_eq!(texts(&rows(&summary)[1])[9..], ["−10.0", "25.0", "2.5"]);
        assert!(offset(&summary).unwrap().contains("lie 40.0 mm above the ground"));
        assert_eq!(
            with_offset(&summary).iter().map(texts).collect::<Vec<_>>(),
            [["2,000", "−50.0", "−10.0", "24.0", "20.0", "24.0", "25.0", "2.5", "2.5"]]
        );
        summary.trust.standards.offset = None;
        assert!(with_offset(&summary).is_empty());
    }

    #[test]
    fn too_few_comparisons_have_no_class() {
        let mut summary = sample::decided().0;
        let group = &mut summary.trust.standards.groups[0];
        (group.compared, group.enough_checkpoints) = (19, false);
        assert_eq!(texts(&rows(&summary)[0]), ["19 (under 30)", "too few comparisons or blocks"]);
    }
}
