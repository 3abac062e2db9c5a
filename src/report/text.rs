//! The result as `run` prints it on standard output.

use crate::report::accounting;
use crate::report::alarms::alarms;
use crate::report::decision;
use crate::report::sentences;
use crate::results::format;
use crate::results::format::UNDEFINED;
use crate::results::summary::{Statistics, Summary};

/// No line is longer, so that the result fits a terminal and a message.
const WIDTH: usize = 100;

/// The title, the summary in words, a table by return and what was left out.
pub fn result_text(summary: &Summary) -> String {
    // A title from a file must not steer the terminal.
    let title: String = summary.title.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let mut out = String::new();
    for part in [title.trim(), &sentences::summary_sentence(summary)] {
        if !part.is_empty() {
            out += &wrap(part);
            out.push('\n');
        }
    }
    for alarm in alarms(summary) {
        out += &wrap(&format!("WARNING: {alarm}"));
        out.push('\n');
    }
    for answer in decision::sentences(summary) {
        out += &wrap(&format!("- {answer}"));
    }
    for warning in &summary.trust.warnings {
        out += &wrap(&format!("Note: {}", warning.text));
    }
    if !out.ends_with("\n\n") {
        out.push('\n');
    }
    out += &table(summary);
    let clouds = [Some(("survey", &summary.survey)), summary.reference.as_ref().map(|c| ("reference", c))];
    let left_out: String = clouds
        .into_iter()
        .flatten()
        .filter_map(|(name, counts)| accounting::left_out(name, counts))
        .map(|s| wrap(&s))
        .collect();
    if !left_out.is_empty() {
        out.push('\n');
        out += &left_out;
    }
    out
}

fn table(summary: &Summary) -> String {
    let unit = summary.units;
    let header = ["return", "points", "ground", "compared", "bias", "SD", "RMSE", "NMAD", "95 % |dz|"];
    let mut rows = vec![header.map(String::from)];
    for row in &summary.returns {
        rows.push(table_row(row.return_number.to_string(), &row.statistics));
    }
    rows.push(table_row("all".to_string(), &summary.all));
    let widths: Vec<_> =
        (0..header.len()).map(|i| rows.iter().map(|row| row[i].chars().count()).max().unwrap_or(0)).collect();
    let mut out = format!("By return; bias to 95 % |dz| in {} ({})\n", unit.words(), unit.symbol());
    for row in rows {
        let cells: Vec<_> = row.iter().zip(&widths).map(|(cell, &width)| format!("{cell:>width$}")).collect();
        out += &cells.join("  ");
        out.push('\n');
    }
    out
}

fn table_row(name: String, s: &Statistics) -> [String; 9] {
    let value = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), |v| format::decimal(v, 3));
    [
        name,
        format::thousands(s.points),
        format::thousands(s.ground),
        format::thousands(s.compared),
        s.bias.map_or(UNDEFINED.to_string(), |v| format::signed(v, 3)),
        value(s.sd),
        value(s.rmse),
        value(s.nmad),
        value(s.abs_p95),
    ]
}

fn wrap(text: &str) -> String {
    let mut out = String::new();
    let mut length = 0;
    for word in text.split_whitespace() {
        let more = word.chars().count();
        if length > 0 && length + 1 + more > WIDTH {
            out.push('\n');
            length = 0;
        } else if length > 0 {
            out.push(' ');
            length += 1;
        }
        out += word;
        length += more;
    }
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn no_line_is_too_long_and_columns_line_up() {
        let mut big = sample::five_returns(Unit::UsSurveyFoot).0;
        for row in &mut big.returns {
            row.statistics.points = 999_999_999_999;
            row.statistics.compared = 999_999_999;
        }
        for summary in [big, sample::fifteen_returns().0, sample::nothing_matched().0, sample::far_off().0] {
            let text = result_text(&summary);
            assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
            let table: Vec<_> = text
                .lines()
                .skip_while(|line| !line.contains("return  "))
                .take(summary.returns.len() + 2)
                .collect();
            let ends = |line: &&str| line.chars().count();
            assert!(table.iter().map(ends).all(|n| n == ends(&table[0])), "{text}");
        }
    }

    #[test]
    fn a_title_cannot_steer_the_terminal() {
        let mut summary = sample::one_place().0;
        summary.title = "Site\u{1b}[2J\nB".to_string();
        assert!(result_text(&summary).starts_with("Site [2J B\n"));
    }

    #[test]
    fn what_does_not_exist_is_a_dash_and_what_is_left_out_is_told() {
        let text = result_text(&sample::one_place().0);
        let all = text.lines().find(|line| line.starts_with("   all")).unwrap();
        assert!(all.contains("+0.007   –  0.007"), "{all}");
        assert!(text.contains("Left out of the survey: 34 flagged withheld,"), "{text}");
        assert!(text.contains("In no row by return: 12 of the survey"), "{text}");
    }
}
