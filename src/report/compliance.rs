//! The table of groups against the published standards.

use crate::report::html::{Cell, Row, plain, told};
use crate::results::confidence::Compliance;
use crate::results::format;
use crate::results::format::{UNDEFINED, length};
use crate::results::summary::Summary;

/// A row for all together, for each return, and for open ground and ground under canopy.
pub(super) fn rows(summary: &Summary) -> Vec<Row> {
    let shown = |compliance: &&Compliance| {
        compliance.compared > 0
            && (compliance.name.is_some() || compliance.by.is_empty() || compliance.by.keys().eq(["return"]))
    };
    summary.trust.standards.groups.iter().filter(shown).map(|compliance| row(summary, compliance)).collect()
}

fn row(summary: &Summary, compliance: &Compliance) -> Row {
    let name = format::in_words(&compliance.by);
    let name = compliance.name.map_or(name.clone(), |short| format!("{name} ({short})"));
    let class = |class: Option<f64>| class.map_or("none".to_string(), |class| class.to_string());
    let few = if compliance.enough_checkpoints { "" } else { " (too few)" };
    let mut cells = vec![
        plain(format!("{}{few}", format::thousands(compliance.compared)), true),
        plain(told(compliance.rmse_v1, format::decimal), true),
        plain(told(summary.reference_uncertainty, format::decimal), false),
        plain(told(compliance.rmse_v, format::decimal), false),
        plain(class(compliance.class_cm), true),
        plain(compliance.quality_level.unwrap_or("none").to_string(), false),
        plain(compliance.bias_to_class.map_or(UNDEFINED.to_string(), format::percent), false),
        plain(told(compliance.nssda_95, format::decimal), true),
        plain(told(compliance.abs_p95, format::decimal), false),
    ];
    if summary.trust.standards.offset.is_some() {
        let without = compliance.offset_removed.as_ref();
        let more: [Cell; 3] = [
            plain(told(without.and_then(|without| without.bias), format::signed), true),
            plain(told(without.and_then(|without| without.rmse_v), format::decimal), false),
            plain(class(without.and_then(|without| without.class_cm)), false),
        ];
        cells.extend(more);
    }
    Row { name, cells }
}

/// What is said of a known offset of the reference.
pub(super) fn offset(summary: &Summary) -> Option<String> {
    let (value, sigma, why) = summary.trust.standards.offset.as_ref()?;
    let side = if *value < 0.0 { "below" } else { "above" };
    Some(format!(
        "The reference is stated to lie {} {side} the ground that it stands for, with an uncertainty of {} (one sigma): {why}. \
         The last columns have that taken out and its uncertainty combined; all other figures here are raw.",
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
        assert_eq!(names, ["all returns", "in the open (NVA)", "under canopy (VVA)"]);
        assert_eq!(
            texts(&rows_raw[1]),
            ["2,000", "0.024", "0.010", "0.024", "2.5", "QL0", "10.0", "0.047", "0.048"]
        );
        assert_eq!(offset(&summary), None);
        summary.trust.standards.offset = Some((0.04, 0.01, "fresh snow".to_string()));
        summary.trust.standards.groups[1].offset_removed = Some(OffsetRemoved {
            bias: Some(-0.01),
            rmse: Some(0.02),
            rmse_v: Some(0.025),
            class_cm: Some(2.5),
        });
        assert_eq!(texts(&rows(&summary)[1])[9..], ["−0.010", "0.025", "2.5"]);
        assert!(offset(&summary).unwrap().contains("lie 40 mm above the ground that it stands for"));
    }
}
