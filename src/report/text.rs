//! The result as `run` prints it on standard output.

use crate::report::accounting;
use crate::report::agreement;
use crate::report::cross_check;
use crate::report::data_loss::{data_loss, implausible};
use crate::report::decision;
use crate::report::filters;
use crate::report::fit;
use crate::report::left_out;
use crate::report::lines::{columns, wrap};
use crate::report::matching;
use crate::report::plan_shift;
use crate::report::registration;
use crate::report::sentences;
use crate::report::surveyed;
use crate::report::terrain;
use crate::report::verdicts;
use crate::results::format::{self, ResidualFormat};
use crate::results::statistics::Statistics;
use crate::results::summary::Summary;
use crate::units::Unit;

/// The title, the result in sentences, warnings, a table by return and the points that are not ground.
pub fn result_text(summary: &Summary) -> String {
    let mut out = String::new();
    for part in [summary.title.trim(), &sentences::summary_sentence(summary)] {
        if !part.is_empty() {
            out += &wrap(part);
            out.push('\n');
        }
    }
    for warning in data_loss(summary) {
        out += &wrap(&format!("WARNING: {warning}"));
        out.push('\n');
    }
    if let Some(text) = surveyed::sentence(summary) {
        out += &wrap(&text);
        out.push('\n');
    }
    for line in verdicts::lines(summary) {
        out += &wrap(&format!("{}  {}", line.label, line.text));
    }
    if let Some(note) = verdicts::note(summary).filter(|_| !summary.trust.accept.is_empty()) {
        out += &wrap(note);
    }
    if !out.ends_with("\n\n") {
        out.push('\n');
    }
    for answer in decision::sentences(summary) {
        out += &wrap(&format!("- {answer}"));
    }
    for warning in summary.trust.warnings.iter().skip(usize::from(implausible(summary).is_some())) {
        out += &wrap(&format!("Warning: {}", warning.text));
    }
    if !out.ends_with("\n\n") {
        out.push('\n');
    }
    out += &table(summary);
    let in_plan = plan_shift::sentence(summary).map(|text| format!("Agreement in plan: {text}"));
    let crossed =
        cross_check::sentence(summary).map(|text| format!("Cross-check of the classification: {text}"));
    let joined = |text: Vec<String>| (!text.is_empty()).then(|| text.join(" "));
    let notes = [matching::sentence(summary), in_plan, crossed]
        .into_iter()
        .chain([joined(registration::sentences(summary)), joined(fit::sentences(summary))])
        .flatten()
        .chain(agreement::sentences(summary))
        .chain(terrain::model(summary));
    let clouds = [Some(("survey", &summary.survey)), summary.reference.as_ref().map(|c| ("reference", c))];
    let not_ground =
        clouds.into_iter().flatten().filter_map(|(name, counts)| accounting::not_ground(name, counts));
    let notes: String = notes
        .chain(not_ground)
        .chain(left_out::sentences(summary))
        .map(|s| wrap(&format!("- {s}")))
        .collect();
    if !notes.is_empty() {
        out.push('\n');
        out += &notes;
    }
    if let Some(text) = filters::text(summary) {
        out.push('\n');
        out += &text;
    }
    if let Some(next) = next(summary) {
        out.push('\n');
        out += &wrap(&next);
    }
    out
}

/// What to open next.
fn next(summary: &Summary) -> Option<String> {
    if summary.all.compared == 0 {
        return None;
    }
    let profiles = if summary.checkpoints.is_some() { "" } else { ", profiles at the worst places" };
    Some(format!(
        "Next: open report.html in the run folder: map of dz{profiles}, intervals, draft statement. All figures for programs: \
         summary.json."
    ))
}

fn table(summary: &Summary) -> String {
    let unit = summary.units;
    let header = ["return", "points", "ground", "comparisons", "bias", "SD", "RMSE", "NMAD", "95 % |dz|"];
    let mut rows = vec![header.map(String::from)];
    for row in &summary.returns {
        rows.push(table_row(row.return_number.to_string(), &row.statistics, unit));
    }
    rows.push(table_row("all".to_string(), &summary.all, unit));
    rows.extend(plan_shift::printed_row(summary));
    let residuals = match unit {
        Unit::Metre => "millimetres",
        Unit::Foot | Unit::UsSurveyFoot => unit.words(),
    };
    let symbol = ResidualFormat::of(unit).symbol;
    format!("By return; residuals (dz) in {residuals} ({symbol})\n{}", columns(&rows, 0))
}

fn table_row(name: String, s: &Statistics, unit: Unit) -> [String; 9] {
    let format = ResidualFormat::of(unit);
    let enough = s.support().is_enough();
    let value = |value: Option<f64>| format.length(value.filter(|_| enough));
    [
        name,
        format::thousands(s.points),
        format::thousands(s.ground),
        format::thousands(s.compared),
        format.signed(s.bias.filter(|_| enough)),
        value(s.sd),
        value(s.rmse),
        value(s.nmad),
        value(s.abs_p95),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::lines::WIDTH;
    use crate::results::confidence::{Warning, WarningCode};
    use crate::results::sample;
    use crate::results::summary::ExcludedArea;

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
    fn what_a_file_says_cannot_steer_the_terminal() {
        let mut summary = sample::one_comparison().0;
        summary.title = "Site\u{1b}[2J\nB".to_string();
        assert!(result_text(&summary).starts_with("Site [2J B\n"));
        let text = "offset of P7\u{1b}[2J by hand".to_string();
        summary.trust.warnings.push(Warning { code: WarningCode::FewCheckpoints, text });
        let (area, why) = ("deck.geojson".into(), "bridge\u{1b} deck".into());
        summary.excluded = vec![ExcludedArea { area, why, survey: 5, reference: 0 }];
        let text = result_text(&summary);
        assert!(text.contains("Warning: offset of P7 [2J by hand\n"), "{text}");
        assert!(text.contains("deck.geojson (bridge deck): 5 ground points"), "{text}");
        assert!(text.chars().all(|c| c == '\n' || !c.is_control()), "{text}");
    }

    #[test]
    fn too_few_comparisons_are_a_number_alone_and_points_that_are_not_ground_are_counted() {
        let text = result_text(&sample::one_comparison().0);
        let all = text.lines().find(|line| line.starts_with("   all")).unwrap();
        assert_eq!(all.split_whitespace().skip(3).collect::<Vec<_>>(), ["1", "–", "–", "–", "–", "–"]);
        assert!(text.contains("- Points of the survey that are not ground: 34 flagged withheld,"), "{text}");
        assert!(text.contains("Next: open report.html"), "{text}");
        assert!(!result_text(&sample::nothing_matched().0).contains("Next:"));
        assert!(text.contains("Excluded from per-return results: 12 of the survey"), "{text}");
    }
}
