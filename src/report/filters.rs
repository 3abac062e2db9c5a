//! Settings of the ground filter side by side, for the page and the terminal.

use crate::report::lines::{columns, wrap};
use crate::report::row::{Cell, Row, cell};
use crate::report::svg::{Drawing, Scale, ticks};
use crate::results::filters::{FilterReturn, FilterSetting, FiltersCompared};
use crate::results::format::{ResidualFormat, UNDEFINED, decimal, percent, signed, thousands};
use crate::results::statistics::Support;
use crate::results::summary::Summary;
use crate::trust::filters::name;
use crate::trust::warnings::MANY_NEAR_LIMIT;

/// All settings, the run's own first, each with its name.
fn settings(found: &FiltersCompared) -> impl Iterator<Item = (String, &FilterSetting)> {
    let own = [(format!("{} (own)", name(&found.own, &found.own)), &found.own)];
    let others = found.alternatives.iter().map(|setting| (name(setting, &found.own), setting));
    own.into_iter().chain(others)
}

/// What the counts speak for.
pub fn sentence(summary: &Summary) -> Option<String> {
    Some(summary.filters_compared.as_ref()?.suggestion.clone())
}

/// Ground beside that of the run's own setting, per cent.
fn beside_own(row: &FilterReturn, own: &FilterReturn) -> String {
    match own.ground {
        0 => UNDEFINED.to_string(),
        ground => signed(100.0 * (row.ground as f64 / ground as f64 - 1.0), 1),
    }
}

fn share(value: Option<f64>) -> String {
    value.map_or(UNDEFINED.to_string(), percent)
}

/// The table for the terminal: a line a setting, all returns together, and truncation of the return that has most.
pub fn text(summary: &Summary) -> Option<String> {
    let found = summary.filters_compared.as_ref()?;
    let format = ResidualFormat::of(summary.units);
    let header =
        ["setting", "ground", "vs own", "compared", "near", "refused", "cells", "bias", "SD", "RMSE"];
    let row = |(name, setting): (String, &FilterSetting)| {
        let all = &setting.all;
        let enough = all.compared >= Support::FEWEST_COMPARISONS;
        let near = setting.returns.iter().filter(|row| row.compared >= Support::FEWEST_COMPARISONS);
        let near = near.filter_map(|row| row.within_sd_of_limit).max_by(f64::total_cmp);
        let reference = setting.reference.as_ref();
        [
            name,
            thousands(all.ground),
            beside_own(all, &found.own.all),
            thousands(all.compared),
            share(near),
            share(reference.and_then(|reference| reference.share_refused)),
            share(setting.coverage),
            format.signed(all.bias.filter(|_| enough)),
            format.length(all.sd.filter(|_| enough)),
            format.length(all.rmse.filter(|_| enough)),
        ]
    };
    let rows = settings(found).map(row);
    let mut rows: Vec<[String; 10]> = [header.map(String::from)].into_iter().chain(rows).collect();
    // Names too long for the table stand below it.
    let mut key = String::new();
    if rows.iter().any(|row| row[0].chars().count() > LONGEST_NAME) {
        for (i, row) in rows.iter_mut().enumerate().skip(1) {
            let short = if i == 1 { "own".to_string() } else { format!("{}", i - 1) };
            key += &wrap(&format!("{short}: {}", row[0].trim_end_matches(" (own)")));
            row[0] = short;
        }
    }
    Some(format!(
        "Settings of the ground filter; residuals (dz) in {}, shares in per cent. Near: comparisons within\n\
         one SD of the limit, of the return with most. Refused: of the reference's ground, for its slope.\n\
         Cells: with ground.\n{}{key}\n{}",
        format.symbol,
        columns(&rows, 1),
        wrap(&found.suggestion)
    ))
}

/// Characters of a setting's name in the table of the terminal.
const LONGEST_NAME: usize = 24;

/// The rows of the page: setting by setting for all returns together, then return by return.
pub fn rows(summary: &Summary) -> Vec<Row> {
    let Some(found) = &summary.filters_compared else { return Vec::new() };
    let mut rows = Vec::new();
    for (name, setting) in settings(found) {
        let reference = setting.reference.as_ref();
        let refused = share(reference.and_then(|reference| reference.share_refused));
        let more = [refused, share(setting.coverage)];
        rows.push(row(&format!("all returns, {name}"), &setting.all, &found.own.all, more, summary));
    }
    for (i, of_own) in found.own.returns.iter().enumerate() {
        let number = of_own.return_number.unwrap_or(0);
        for (name, setting) in settings(found) {
            let more = [(); 2].map(|()| UNDEFINED.to_string());
            let name = format!("return {number}, {name}");
            rows.push(row(&name, &setting.returns[i], of_own, more, summary));
        }
    }
    rows
}

fn row(name: &str, row: &FilterReturn, own: &FilterReturn, more: [String; 2], summary: &Summary) -> Row {
    let format = ResidualFormat::of(summary.units);
    let mut cells = vec![
        cell(thousands(row.ground), true),
        cell(beside_own(row, own), false),
        cell(thousands(row.compared), true),
    ];
    if row.compared >= Support::FEWEST_COMPARISONS {
        cells.push(cell(share(row.within_sd_of_limit), false));
        cells.push(cell(format.signed(row.bias), true));
        cells.extend([row.sd, row.rmse].map(|value| cell(format.length(value), false)));
    } else {
        cells.push(Cell { columns: 4, ..cell("too few comparisons".to_string(), false) });
    }
    let [refused, coverage] = more;
    cells.extend([cell(refused, true), cell(coverage, false)]);
    Row { name: name.to_string(), cells }
}

const WIDTH: f64 = 520.0;
const HEIGHT: f64 = 250.0;
/// What the chart shows.
pub(super) const TITLE: &str =
    "Comparisons within one SD of the limit of the ground filter, by setting and return";

/// The share near the limit by setting, a line a return; nothing without comparisons.
pub fn figure(summary: &Summary) -> Option<String> {
    let found = summary.filters_compared.as_ref()?;
    // From the tightest to the loosest, so that a line tells where it stops falling.
    let mut all: Vec<(String, &FilterSetting)> = settings(found).collect();
    all.sort_by_key(|(_, setting)| setting.all.ground);
    let shares = |i: usize| -> Option<Vec<f64>> {
        all.iter()
            .map(|(_, setting)| {
                let row = &setting.returns[i];
                row.within_sd_of_limit.filter(|_| row.compared >= Support::FEWEST_COMPARISONS)
            })
            .collect()
    };
    let lines: Vec<(u8, Vec<f64>)> = found
        .own
        .returns
        .iter()
        .enumerate()
        .filter_map(|(i, row)| Some((row.return_number?, shares(i)?)))
        .collect();
    let most = lines.iter().flat_map(|(_, shares)| shares).copied().fold(MANY_NEAR_LIMIT, f64::max) * 108.0;
    if lines.is_empty() || all.len() < 2 {
        return None;
    }
    let x = Scale { values: [0.0, all.len() as f64 - 1.0], positions: [96.0, WIDTH - 90.0] };
    let y = Scale { values: [0.0, most], positions: [HEIGHT - 48.0, 30.0] };
    let describe = |(number, shares): &(u8, Vec<f64>)| {
        let shares: Vec<String> = shares.iter().map(|share| percent(*share)).collect();
        format!("Return {number}: {} %", shares.join(", "))
    };
    let description = lines.iter().map(describe).collect::<Vec<_>>().join(". ");
    let mut drawing = Drawing::new("filters", WIDTH, HEIGHT, TITLE, &description);
    let (left, right) = (x.positions[0] - 20.0, x.positions[1] + 20.0);
    let (values, decimals) = ticks(0.0, most, 6);
    for value in values {
        drawing.line("grid", [left, y.at(value)], [right, y.at(value)]);
        drawing.text("tick", "end", left - 8.0, y.at(value) + 4.0, &decimal(value, decimals));
    }
    let limit = y.at(100.0 * MANY_NEAR_LIMIT);
    drawing.line("class", [left, limit], [right, limit]);
    drawing.text("hint", "end", right, limit - 4.0, "a warning from here on");
    for (i, (name, _)) in all.iter().enumerate() {
        // Every other name a line lower, so that they do not run into each other.
        let below = HEIGHT - 30.0 + 15.0 * (i % 2) as f64;
        drawing.line("axis", [x.at(i as f64), y.positions[0]], [x.at(i as f64), y.positions[0] + 4.0]);
        drawing.text("tick", "middle", x.at(i as f64), below, &name.replace("dh_initial ", ""));
    }
    drawing.line("axis", [left, y.positions[0]], [right, y.positions[0]]);
    for (_, shares) in &lines {
        let at: Vec<[f64; 2]> =
            shares.iter().enumerate().map(|(i, share)| [x.at(i as f64), y.at(100.0 * share)]).collect();
        at.windows(2).for_each(|pair| drawing.line("whisker", pair[0], pair[1]));
        at.iter().for_each(|at| drawing.ellipse("mark", *at, [2.6, 2.6], 0.0));
    }
    // The returns are named at the setting where the lines are farthest from each other.
    let at = widest_apart(&lines, all.len());
    for (number, shares) in &lines {
        let height = y.at(100.0 * shares[at]);
        drawing.text("label", "start", x.at(at as f64) + 6.0, height - 3.0, &number.to_string());
    }
    drawing.text("hint", "start", 0.0, 14.0, "% of the comparisons; lines are returns");
    Some(drawing.finish())
}

/// The setting at which the two lines nearest to each other are farthest apart.
fn widest_apart(lines: &[(u8, Vec<f64>)], settings: usize) -> usize {
    let gap = |at: usize| {
        let mut shares: Vec<f64> = lines.iter().map(|(_, shares)| shares[at]).collect();
        shares.sort_by(f64::total_cmp);
        shares.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::INFINITY, f64::min)
    };
    (0..settings).max_by(|a, b| gap(*a).total_cmp(&gap(*b)).then(b.cmp(a))).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn each_setting_has_a_row_of_all_and_of_each_return_and_the_lines_fit() {
        let mut summary = sample::five_returns(Unit::Metre).0;
        assert!(text(&summary).is_none() && rows(&summary).is_empty() && figure(&summary).is_none());
        summary.filters_compared = Some(sample::filters_compared());
        let found = rows(&summary);
        assert_eq!(found.len(), 3 * 3);
        assert_eq!(found[1].name, "all returns, dh_initial 0.2 m");
        let cells: Vec<&str> = found[1].cells.iter().map(|cell| cell.text.as_str()).collect();
        assert_eq!(cells, ["90,000", "−10.0", "9,000", "5.0", "−4.0", "40.0", "40.2", "0.5", "96.5"]);
        assert!(found.iter().all(|row| row.cells.iter().map(|cell| cell.columns).sum::<usize>() == 9));
        let text = text(&summary).unwrap();
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        assert!(text.contains("dh_initial 0.3 m (own)"), "{text}");
        let svg = figure(&summary).unwrap();
        assert!(!svg.contains("NaN") && svg.matches("<ellipse").count() == 6, "{svg}");
        // Names too long for the table are told below it.
        for setting in summary.filters_compared.as_mut().unwrap().alternatives.iter_mut() {
            setting.options.insert("window_growth".to_string(), "exponential".into());
        }
        let text = super::text(&summary).unwrap();
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        assert!(text.contains("1: dh_initial 0.2 m, window_growth exponential"), "{text}");
    }
}
