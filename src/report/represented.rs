//! Which part of the survey the reference represents, as a table.

use crate::report::row::{Row, cell};
use crate::results::confidence::RepresentedRow;
use crate::results::format::{UNDEFINED, decimal, percent, thousands};
use crate::results::summary::Summary;

/// A row for each strip, slope class and cover, where a reference was given.
pub(super) fn rows(summary: &Summary) -> Vec<Row> {
    if summary.reference.is_none() {
        return Vec::new();
    }
    let represented = &summary.trust.represented;
    let all = [&represented.strips, &represented.slopes, &represented.covers];
    all.into_iter().flatten().map(row).collect()
}

fn row(row: &RepresentedRow) -> Row {
    let share = |share: Option<f64>| cell(share.map_or(UNDEFINED.to_string(), percent), false);
    let cells = vec![
        cell(thousands(row.ground), true),
        share(row.ground_share),
        cell(thousands(row.compared), true),
        share(row.compared_share),
    ];
    Row { name: row.by.to_string(), cells }
}

/// How much of the survey's ground has comparisons, in a sentence.
pub(super) fn area(summary: &Summary) -> Option<String> {
    let area = summary.trust.represented.area.as_ref()?;
    let (compared, share) = area.compared_m2.zip(area.compared_share)?;
    Some(format!(
        "The survey has ground in terrain cells of {} m² in all; {} m² of that ({} %) have comparisons.",
        decimal(area.ground_m2, 0),
        decimal(compared, 0),
        percent(share)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::html::page;
    use crate::report::text::result_text;
    use crate::results::confidence::RepresentedArea;
    use crate::results::group_key::{GroupKey, Property};
    use crate::results::sample;

    #[test]
    fn each_strip_has_its_shares_of_ground_and_comparisons_on_the_page() {
        let (mut summary, pictures) = sample::decided();
        let strip = |number, ground_share, compared| RepresentedRow {
            by: GroupKey::new([Property::Strip(Some(number))]),
            ground: 120_000,
            ground_share: Some(ground_share),
            compared,
            compared_share: Some(compared as f64 / 1_000.0),
        };
        summary.trust.represented.strips = vec![strip(101, 0.75, 1_000), strip(102, 0.25, 0)];
        summary.trust.represented.area = Some(RepresentedArea {
            ground_m2: 12_345.25,
            compared_m2: Some(1_234.5),
            compared_share: Some(0.1),
        });
        let texts = |row: &Row| row.cells.iter().map(|cell| cell.text.clone()).collect::<Vec<_>>();
        let rows = rows(&summary);
        assert_eq!(
            (rows[1].name.as_str(), texts(&rows[1])),
            ("strip 102", ["120,000", "25.0", "0", "0.0"].map(String::from).into())
        );
        let page = page(&summary, &pictures);
        assert!(
            page.contains("What the reference represents")
                && page.contains("12,345 m² in all; 1,234 m² of that (10.0 %)"),
            "{:?}",
            area(&summary)
        );
        summary.reference = None;
        assert!(super::rows(&summary).is_empty());
        assert!(!result_text(&summary).is_empty());
    }
}
