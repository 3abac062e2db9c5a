//! The classes as delivered held against the ground filter, for the page and the terminal.

use crate::report::row::{Cell, Row, cell};
use crate::results::cross_check::{CrossRow, CrossSet};
use crate::results::format::{
    ResidualFormat, UNDEFINED, comparisons, length, percent, signed_length, thousands,
};
use crate::results::statistics::Support;
use crate::results::summary::Summary;
use crate::units::Unit;

/// Whether figures of a set are shown to people.
fn is_enough(set: &CrossSet) -> bool {
    set.compared >= Support::FEWEST_COMPARISONS
}

/// How far both agree, in sentences; nothing where that was not asked for.
pub fn sentence(summary: &Summary) -> Option<String> {
    let all = &summary.cross_check.as_ref()?.all;
    let share =
        |share: Option<f64>| share.map_or(UNDEFINED.to_string(), |share| format!("{} %", percent(share)));
    let [by_filter, by_classes] = all.refused().map(share);
    let agree = format!(
        "Of {} points of class 2 the ground filter refuses {by_filter}; of {} points that the \
         filter accepts {by_classes} are of another class.",
        thousands(all.classes.points),
        thousands(all.filter.points),
    );
    let sets = [
        ("what is ground in both", &all.both),
        ("class 2 that the filter refuses", &all.classes_only),
        ("other classes that it accepts", &all.filter_only),
    ];
    let figures: Vec<String> = sets
        .into_iter()
        .filter(|(_, set)| set.compared > 0)
        .map(|(name, set)| format!("{name} {} ({})", in_words(set, summary.units), comparisons(set.compared)))
        .collect();
    Some(match figures.is_empty() {
        true => agree,
        false => format!("{agree} Bias and SD: {}.", figures.join("; ")),
    })
}

fn in_words(set: &CrossSet, units: Unit) -> String {
    match (set.bias, set.sd) {
        (Some(bias), Some(sd)) if is_enough(set) => {
            format!("{} and {}", signed_length(bias, units), length(sd, units))
        }
        _ => "too few to say".to_string(),
    }
}

/// The rows of the table: all returns together, then return by return.
pub fn rows(summary: &Summary) -> Vec<Row> {
    let Some(found) = &summary.cross_check else { return Vec::new() };
    let one = found.returns.len() == 1;
    let returns = found.returns.iter().filter(|_| !one).flat_map(|row| rows_of(row, summary.units));
    rows_of(&found.all, summary.units).chain(returns).collect()
}

/// Points of which none is compared.
const NEITHER: &str = "ground in neither";

fn rows_of(row: &CrossRow, units: Unit) -> impl Iterator<Item = Row> {
    let format = ResidualFormat::of(units);
    let of = row.return_number.map_or("all returns".to_string(), |number| format!("return {number}"));
    let all = row.both.points + row.classes_only.points + row.filter_only.points + row.neither;
    let neither = CrossSet { points: row.neither, ..CrossSet::default() };
    [
        ("ground in both", &row.both),
        ("class 2 alone", &row.classes_only),
        ("filter alone", &row.filter_only),
        (NEITHER, &neither),
        ("class 2, in all", &row.classes),
        ("filter, in all", &row.filter),
    ]
    .map(|(name, set)| {
        let compared = if name == NEITHER { UNDEFINED.to_string() } else { thousands(set.compared) };
        let share = if all == 0 { UNDEFINED.to_string() } else { percent(set.points as f64 / all as f64) };
        let mut cells = vec![cell(thousands(set.points), true), cell(share, false), cell(compared, true)];
        if is_enough(set) {
            cells.push(cell(format.signed(set.bias), true));
            cells.extend([set.sd, set.rmse].map(|value| cell(format.length(value), false)));
        } else if set.compared > 0 {
            cells.push(Cell { columns: 3, ..cell("too few comparisons".to_string(), true) });
        } else {
            cells.push(cell(UNDEFINED.to_string(), true));
            cells.extend([(); 2].map(|()| cell(UNDEFINED.to_string(), false)));
        }
        Row { name: format!("{of}, {name}"), cells }
    })
    .into_iter()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    #[test]
    fn shares_and_figures_are_those_of_the_sets_and_few_comparisons_have_none() {
        let mut summary = sample::five_returns(Unit::Metre).0;
        assert!(sentence(&summary).is_none() && rows(&summary).is_empty());
        summary.cross_check = Some(sample::cross_check());
        let text = sentence(&summary).unwrap();
        assert!(text.contains("Of 80,000 points of class 2 the ground filter refuses 2.5 %"), "{text}");
        assert!(
            text.contains("of 79,000 points that the filter accepts 1.3 % are of another class"),
            "{text}"
        );
        assert!(text.contains("what is ground in both +4.0 mm and 21.0 mm (50,000 comparisons)"), "{text}");
        assert!(text.contains("other classes that it accepts too few to say (19 comparisons)"), "{text}");
        let rows = rows(&summary);
        assert_eq!(rows.len(), 6);
        let cells = |row: &Row| row.cells.iter().map(|cell| cell.text.clone()).collect::<Vec<_>>();
        assert_eq!(rows[1].name, "all returns, class 2 alone");
        assert_eq!(cells(&rows[1]), ["2,000", "1.0", "800", "+152.0", "60.0", "163.4"]);
        assert_eq!(cells(&rows[2])[3..], ["too few comparisons"]);
        assert_eq!(cells(&rows[3]), ["119,000", "59.5", "–", "–", "–", "–"]);
    }
}
