//! Agreement in plan: the shift of the survey against the reference, for the page and the terminal.

use crate::report::row::{Cell, Row, cell};
use crate::results::format::{ResidualFormat, UNDEFINED, length, percent, signed_length_interval, thousands};
use crate::results::plan_shift::PlanShift;
use crate::results::statistics::{Interval, Statistics};
use crate::results::summary::Summary;
use crate::trust::plan_shift::in_words;
use crate::units::Unit;

/// The shift in a sentence or two; nothing where nothing was compared.
pub fn sentence(summary: &Summary) -> Option<String> {
    let found = summary.trust.plan_shift.as_ref()?;
    if let Some(reason) = &found.reason {
        return Some(format!("A shift in plan cannot be told from this sample: {reason}."));
    }
    let units = summary.units;
    let interval =
        |ends: Option<Interval>| ends.map_or(String::new(), |ends| signed_length_interval(ends, units));
    let lies = format!(
        "The survey lies {} of the reference (95 %: east {}, north {})",
        in_words(found.east?, found.north?, units),
        interval(found.east_ci95),
        interval(found.north_ci95)
    );
    if !found.significant {
        return Some(format!("{lies}, which is not significant: no shift is claimed."));
    }
    Some(format!(
        "{lies}. On slopes of {} % (root mean square) that adds {} to the spread of dz.",
        percent(found.slope_rms.unwrap_or(0.0)),
        length(found.adds_sd.unwrap_or(0.0), units),
    ))
}

/// The shift of all comparisons together and of each strip, where there is one of all.
pub fn rows(summary: &Summary) -> Vec<Row> {
    let Some(found) = summary.trust.plan_shift.as_ref().filter(|found| found.reason.is_none()) else {
        return Vec::new();
    };
    let format = ResidualFormat::of(summary.units);
    let cells = |n: u64, [east, north]: [(Option<f64>, Option<Interval>); 2], reason: &Option<String>| {
        let n = cell(thousands(n), true);
        if let Some(reason) = reason {
            return vec![n, Cell { columns: 4, ..cell(reason.clone(), true) }];
        }
        vec![
            n,
            cell(format.signed(east.0), true),
            cell(format.signed_interval(east.1), false),
            cell(format.signed(north.0), true),
            cell(format.signed_interval(north.1), false),
        ]
    };
    let strips = found.strips.iter().map(|strip| Row {
        name: format!("strip {}{}", strip.strip, if strip.differs { ", differs" } else { "" }),
        cells: cells(
            strip.n,
            [(strip.east, strip.east_ci95), (strip.north, strip.north_ci95)],
            &strip.reason,
        ),
    });
    let all = Row {
        name: "all".to_string(),
        cells: cells(found.n, [(found.east, found.east_ci95), (found.north, found.north_ci95)], &None),
    };
    strips.chain([all]).collect()
}

/// The shift, where one is claimed.
fn claimed(summary: &Summary) -> Option<&PlanShift> {
    summary.trust.plan_shift.as_ref().filter(|found| found.significant)
}

/// The figures of all comparisons as found and with the shift taken out, where one is claimed.
pub fn removed_rows(summary: &Summary) -> Vec<Row> {
    let Some(removed) = removed(summary) else { return Vec::new() };
    let row = |name: &str, s: &Statistics| Row { name: name.to_string(), cells: figures(s, summary.units) };
    vec![row("as found", &summary.all), row("shift in plan taken out", &removed)]
}

fn figures(s: &Statistics, units: Unit) -> Vec<Cell> {
    let format = ResidualFormat::of(units);
    vec![
        cell(thousands(s.compared), true),
        cell(format.signed(s.bias), true),
        cell(format.length(s.sd), false),
        cell(format.length(s.rmse), false),
    ]
}

/// What the shift explains, for the note on the page, where one is claimed.
pub fn explained(summary: &Summary) -> Option<String> {
    let PlanShift { share_explained, adds_sd, .. } = claimed(summary)?;
    Some(format!(
        "The shift adds {} to the spread of dz and explains {} % of its variance.",
        length((*adds_sd)?, summary.units),
        percent((*share_explained)?)
    ))
}

/// The figures of all comparisons with the shift taken out, where one is claimed.
fn removed(summary: &Summary) -> Option<Statistics> {
    let removed = claimed(summary)?.shift_removed.as_ref()?;
    Some(Statistics {
        compared: removed.compared,
        blocks: summary.all.blocks,
        bias: Some(removed.bias),
        sd: removed.sd,
        rmse: Some(removed.rmse),
        ..Statistics::default()
    })
    .filter(|statistics| statistics.support().is_enough())
}

/// The row of the table by return: counts and order statistics are those of the row above.
pub fn removed_cells(summary: &Summary) -> Vec<Cell> {
    removed(summary).map_or(Vec::new(), |removed| figures(&removed, summary.units))
}

/// The row of the printed table, of which the counts stand in the row above.
pub fn printed_row(summary: &Summary) -> Option<[String; 9]> {
    let s = removed(summary)?;
    let format = ResidualFormat::of(summary.units);
    let none = || UNDEFINED.to_string();
    Some([
        "shift taken out".to_string(),
        none(),
        none(),
        thousands(s.compared),
        format.signed(s.bias),
        format.length(s.sd),
        format.length(s.rmse),
        none(),
        none(),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::html::page;
    use crate::report::text::result_text;
    use crate::results::sample::{self, shifted};

    #[test]
    fn a_shift_stands_on_page_and_terminal_with_its_row_beside_the_raw_figures() {
        let (mut summary, pictures) = sample::five_returns(Unit::Metre);
        summary.trust.plan_shift = Some(shifted(true));
        let sentence = sentence(&summary).unwrap();
        assert_eq!(
            sentence,
            "The survey lies 52.1 mm east and 3.4 mm south of the reference (95 %: east +41.0 to +63.0 mm, \
             north −12.0 to +5.0 mm). On slopes of 12.4 % (root mean square) that adds 4.6 mm to the spread of dz."
        );
        let page = page(&summary, &pictures);
        for text in
            [&sentence[..], "strip 102, differs", "its slopes differ too little", "shift in plan taken out"]
        {
            assert!(page.contains(text), "{text}");
        }
        assert!(page.contains("explains 4.1 % of its variance"));
        assert!(!page.contains("Agreement in plan:"));
        let text = result_text(&summary).replace('\n', " ");
        assert!(text.contains("Agreement in plan: The survey lies 52.1 mm east"), "{text}");
        let row = result_text(&summary).lines().find(|l| l.contains("shift taken out")).unwrap().to_string();
        assert!(row.contains("+8.1") && row.contains("29.1") && row.contains("30.2"), "{row}");
    }

    #[test]
    fn none_is_claimed_where_none_is_told_and_the_reason_stands_where_it_cannot_be() {
        let (mut summary, pictures) = sample::five_returns(Unit::UsSurveyFoot);
        summary.trust.plan_shift = Some(shifted(false));
        let said = sentence(&summary).unwrap();
        assert!(
            said.ends_with("north −0.012 to +0.005 ftUS), which is not significant: no shift is claimed."),
            "{said}"
        );
        assert!(!result_text(&summary).contains("shift taken out"));
        assert!(!rows(&summary).is_empty() && removed_rows(&summary).is_empty());
        let page = page(&summary, &pictures);
        assert!(page.contains(&said) && !page.contains("explains 4.1 %"));
        assert!(!page.contains("shift in plan taken out"));
        let reason = Some("the ground is nearly flat".to_string());
        summary.trust.plan_shift = Some(PlanShift { reason, ..PlanShift::default() });
        assert_eq!(
            sentence(&summary).unwrap(),
            "A shift in plan cannot be told from this sample: the ground is nearly flat."
        );
        assert!(rows(&summary).is_empty() && removed_rows(&summary).is_empty());
        assert!(
            self::page(&summary, &pictures)
                .contains("cannot be told from this sample: the ground is nearly flat")
        );
        summary.trust.plan_shift = None;
        assert!(!self::page(&summary, &pictures).contains("Agreement in plan"));
    }
}
