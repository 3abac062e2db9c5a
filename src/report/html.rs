//! `report.html`: one page that holds everything, for people in the field and in the office.

use askama::Template;

use crate::report::accounting;
use crate::report::alarms::alarms;
use crate::report::chart;
use crate::report::compliance;
use crate::report::decision::{self, DecisionRow};
use crate::report::sentences;
use crate::report::variogram;
use crate::results::confidence::{LimitResult, TruncationCorrected};
use crate::results::format;
use crate::results::format::UNDEFINED;
use crate::results::summary::{Histogram, Statistics, Summary};

/// Stands where the pipeline file gives no title.
const UNTITLED: &str = "Survey against reference";

/// The whole page as text. The same result gives the same bytes.
pub fn page(summary: &Summary, histogram: &Histogram) -> String {
    Page::new(summary, histogram).render().expect("the template writes text to memory")
}

// The template lies beside this file; including it by its path from the package root needs neither a folder
// `templates` nor a settings file.
#[derive(Template)]
#[template(ext = "html", source = r#"{% include "src/report/page.html" %}"#)]
struct Page<'a> {
    title: &'a str,
    sentence: String,
    alarms: Vec<String>,
    answers: Vec<String>,
    cover_heads: Vec<&'static str>,
    decision: Vec<DecisionRow>,
    has_trade: bool,
    trade_common: bool,
    accepted: Vec<Limit>,
    warnings: Vec<&'a str>,
    compliances: Vec<Row>,
    standard: &'static str,
    required: u64,
    reference_class: Option<f64>,
    offset: Option<String>,
    sure: Vec<Row>,
    truncation_corrected: Vec<Row>,
    block: Option<String>,
    variogram: Option<String>,
    compared: bool,
    units_in_words: &'static str,
    unit: &'static str,
    rows: Vec<Row>,
    some_undefined: bool,
    figures: Vec<String>,
    not_shown: Option<String>,
    ledger: Vec<Line>,
    read: [String; 2],
    has_reference: bool,
    invalid_return: Option<[String; 2]>,
    method: &'a str,
    reference_error: String,
    cautions: Vec<String>,
}

/// A limit of the client, told.
struct Limit {
    limit: String,
    value: String,
    ends: String,
    verdict: &'static str,
}

/// A row of a table.
pub(super) struct Row {
    pub name: String,
    pub cells: Vec<Cell>,
}

/// A figure, or a dash and why there is no figure.
pub(super) struct Cell {
    pub text: String,
    pub why: Option<&'static str>,
    /// The first column of its group, set off from the one before.
    pub first: bool,
}

/// A line of the account of points.
struct Line {
    label: String,
    cells: Vec<Option<[String; 2]>>,
}

impl<'a> Page<'a> {
    fn new(summary: &'a Summary, histogram: &Histogram) -> Self {
        let returns = summary.returns.iter().map(|row| (row.return_number.to_string(), &row.statistics));
        let rows: Vec<_> = returns
            .chain([("all".to_string(), &summary.all)])
            .map(|(name, statistics)| Row { name, cells: cells(statistics) })
            .collect();
        let some_undefined = rows.iter().any(|row| row.cells.iter().any(|cell| cell.why.is_some()));
        let reference = summary.reference.as_ref();
        let clouds = || [Some(&summary.survey), reference].into_iter();
        let pair = |value: fn(&crate::results::summary::CloudCounts) -> u64| {
            let mut values =
                clouds().map(|cloud| cloud.map_or(String::new(), |c| format::thousands(value(c))));
            [values.next().unwrap_or_default(), values.next().unwrap_or_default()]
        };
        let ledger = accounting::ledger(&summary.survey, reference)
            .into_iter()
            .map(|line| Line {
                label: line.label,
                cells: clouds()
                    .zip(line.counts)
                    .filter_map(|(cloud, count)| {
                        let read = cloud?.read;
                        Some(count.map(|n| [format::thousands(n), share(n, read)]))
                    })
                    .collect(),
            })
            .collect();
        Page {
            title: if summary.title.trim().is_empty() { UNTITLED } else { &summary.title },
            sentence: sentences::summary_sentence(summary),
            alarms: alarms(summary),
            answers: decision::sentences(summary),
            cover_heads: decision::covers(summary).iter().map(|cover| cover.head).collect(),
            decision: decision::rows(summary),
            has_trade: !summary.trust.terrain_by_returns.is_empty(),
            trade_common: summary
                .trust
                .terrain_by_returns
                .iter()
                .all(|row| row.terrain.rmse_terrain_common.is_some()),
            accepted: accepted(summary),
            warnings: summary.trust.warnings.iter().map(|warning| warning.text.as_str()).collect(),
            compliances: compliance::rows(summary),
            standard: summary.trust.standards.standard,
            required: summary.trust.standards.required_checkpoints,
            reference_class: summary.trust.standards.reference_class_cm,
            offset: compliance::offset(summary),
            sure: sure(summary),
            truncation_corrected: truncation_corrected(summary),
            block: block(summary),
            variogram: variogram::figure(summary),
            compared: summary.all.compared > 0,
            units_in_words: summary.units.words(),
            unit: summary.units.symbol(),
            rows,
            some_undefined,
            figures: chart::figures(summary, histogram),
            not_shown: not_shown(summary),
            ledger,
            read: pair(|counts| counts.read),
            has_reference: reference.is_some(),
            invalid_return: clouds()
                .flatten()
                .any(|counts| counts.invalid_return > 0)
                .then(|| pair(|counts| counts.invalid_return)),
            method: &summary.method,
            reference_error: sentences::reference_error(summary),
            cautions: sentences::cautions(summary),
        }
    }
}

fn minus(text: String) -> String {
    text.replace('-', "−")
}

fn share(n: u64, of: u64) -> String {
    if of == 0 { UNDEFINED.to_string() } else { format!("{} %", format::percent(n as f64 / of as f64)) }
}

fn cells(s: &Statistics) -> Vec<Cell> {
    let why = match s.compared {
        0 => "no comparison for this return",
        1 => "only one place compared: a spread needs two",
        _ => "does not exist for these values",
    };
    let text = |text: String| Cell { text, why: None, first: false };
    let maybe = |value: Option<f64>, why, format: fn(f64) -> String| match value {
        Some(value) => text(minus(format(value))),
        None => Cell { text: UNDEFINED.to_string(), why: Some(why), first: false },
    };
    let plain = |value| maybe(value, why, |v| format::decimal(v, 3));
    let with_sign = |value| maybe(value, why, |v| format::signed(v, 3));
    let mut cells = vec![
        text(format::thousands(s.points)),
        maybe(s.share, "no points", format::percent),
        text(format::thousands(s.ground)),
        maybe(s.ground_share, "no ground points", format::percent),
        text(format::thousands(s.compared)),
        with_sign(s.bias),
        plain(s.sd),
        plain(s.rmse),
        with_sign(s.median),
        plain(s.nmad),
        plain(s.abs_p95),
        with_sign(s.min),
        with_sign(s.max),
    ];
    for i in [0, 2, 4, 5] {
        cells[i].first = true;
    }
    cells
}

/// The limits of the client, told.
fn accepted(summary: &Summary) -> Vec<Limit> {
    let told = |value: f64, measure: &str| {
        if matches!(measure, "share" | "coverage") {
            format::decimal(value, 3)
        } else {
            format::length(value, summary.units)
        }
    };
    let one = |limit: &LimitResult| Limit {
        limit: limit.limit.clone(),
        value: limit.value.map_or(UNDEFINED.to_string(), |value| told(value, limit.measure)),
        ends: limit.ci95.map_or(UNDEFINED.to_string(), |[low, high]| {
            format!("{} to {}", told(low, limit.measure), told(high, limit.measure))
        }),
        verdict: limit.verdict,
    };
    summary.trust.accept.iter().map(one).collect()
}

/// The groups in the order of the page: each return, each group that is more than a return, all.
fn all_groups(summary: &Summary) -> impl Iterator<Item = (String, &Statistics)> {
    let returns =
        summary.returns.iter().map(|row| (format!("return {}", row.return_number), &row.statistics));
    let groups = summary.trust.groups.iter().filter(|group| !group.by.keys().eq(["return"]));
    let groups = groups.map(|group| (format::in_words(&group.by), &group.statistics));
    returns.chain(groups).chain([("all".to_string(), &summary.all)])
}

/// The intervals of every group that was compared.
fn sure(summary: &Summary) -> Vec<Row> {
    let known = all_groups(summary).filter(|(_, s)| s.bias_ci95.is_some());
    known.map(|(name, s)| Row { name, cells: sure_cells(s) }).collect()
}

fn sure_cells(s: &Statistics) -> Vec<Cell> {
    vec![
        plain(format::thousands(s.compared), true),
        plain(s.n_effective.map_or(UNDEFINED.to_string(), |n| format::thousands(n.round() as u64)), false),
        plain(told(s.bias, format::signed), true),
        plain(ends(s.bias_ci95, format::signed), false),
        plain(told(s.sd, format::decimal), true),
        plain(ends(s.sd_ci95, format::decimal), false),
        plain(told(s.rmse, format::decimal), true),
        plain(ends(s.rmse_ci95, format::decimal), false),
    ]
}

/// What the filter cut off of every group of which that can be told, and its figures without the cut.
fn truncation_corrected(summary: &Summary) -> Vec<Row> {
    let known = all_groups(summary).filter_map(|(name, s)| Some((name, s, s.truncation_corrected.as_ref()?)));
    known
        .map(|(name, s, truncation_corrected)| Row { name, cells: uncut_cells(s, truncation_corrected) })
        .collect()
}

fn uncut_cells(s: &Statistics, truncation_corrected: &TruncationCorrected) -> Vec<Cell> {
    let share = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), format::percent);
    let mut cells = vec![
        plain(share(truncation_corrected.within_sd_of_limit), true),
        plain(share(truncation_corrected.truncated), false),
        plain(told(s.bias, format::signed), true),
        plain(told(truncation_corrected.bias, format::signed), false),
        plain(ends(truncation_corrected.bias_ci95, format::signed), false),
        plain(told(s.sd, format::decimal), true),
        plain(told(truncation_corrected.sd, format::decimal), false),
        plain(ends(truncation_corrected.sd_ci95, format::decimal), false),
    ];
    if let Some(why) = &truncation_corrected.reason {
        cells.truncate(3);
        cells.push(plain(why.clone(), false));
    }
    cells
}

/// A figure that is there.
pub(super) fn plain(text: String, first: bool) -> Cell {
    Cell { text: minus(text), why: None, first }
}

/// A figure to three decimals, or a dash.
pub(super) fn told(value: Option<f64>, tell: fn(f64, usize) -> String) -> String {
    value.map_or(UNDEFINED.to_string(), |value| tell(value, 3))
}

fn ends(ends: Option<[f64; 2]>, tell: fn(f64, usize) -> String) -> String {
    ends.map_or(UNDEFINED.to_string(), |[low, high]| format!("{} to {}", tell(low, 3), tell(high, 3)))
}

/// What the intervals rest on.
fn block(summary: &Summary) -> Option<String> {
    let correlation = &summary.trust.correlation;
    let edge = format::decimal(correlation.block?, 1);
    let unit = summary.units.symbol();
    let range = match correlation.range {
        Some(range) => format!("dz is alike up to about {} {unit}", format::decimal(range, 1)),
        None => "no likeness can be told from noise".to_string(),
    };
    Some(format!("{} blocks of {edge} {unit}; {range}", format::thousands(correlation.blocks)))
}

/// The returns that have no panel in the figure.
fn not_shown(summary: &Summary) -> Option<String> {
    let numbers: Vec<_> = summary
        .returns
        .iter()
        .filter(|row| row.statistics.compared == 0)
        .map(|row| row.return_number.to_string())
        .collect();
    match numbers.as_slice() {
        [] => None,
        [one] => Some(format!("Return {one} has no comparison.")),
        several => Some(format!("Returns {} have no comparison.", format::listed(several))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn the_page_is_whole_and_needs_nothing_from_outside() {
        for (summary, histogram) in [
            sample::five_returns(Unit::Metre),
            sample::fifteen_returns(),
            sample::one_place(),
            sample::nothing_matched(),
        ] {
            let page = page(&summary, &histogram);
            assert!(page.starts_with("<!DOCTYPE html>") && page.trim_end().ends_with("</html>"));
            for outside in ["<script", "src=", "href=", "url(", "@import"] {
                assert!(!page.contains(outside), "{outside}");
            }
            let addresses = page.matches("http").count();
            assert_eq!(addresses, page.matches("http://www.w3.org/2000/svg").count());
        }
    }

    #[test]
    fn what_the_file_says_cannot_become_markup() {
        let (mut summary, histogram) = sample::five_returns(Unit::Metre);
        summary.title = "<script>alert('x')</script> & \"more\"".to_string();
        summary.method = "within <b>15 mm</b>".to_string();
        let page = page(&summary, &histogram);
        assert!(!page.contains("<script") && !page.contains("<b>15"));
        assert!(page.contains("&#60;script&#62;") || page.contains("&lt;script&gt;"));
    }

    #[test]
    fn a_dash_says_why() {
        let (summary, histogram) = sample::nothing_matched();
        let page = page(&summary, &histogram);
        assert!(page.contains("no comparison for this return"));
        assert!(page.contains("Nothing was compared"));
        assert!(!page.contains("<svg"));
    }

    #[test]
    fn a_survey_alone_has_no_column_for_a_reference() {
        let (mut summary, histogram) = sample::nothing_matched();
        summary.reference = None;
        let page = page(&summary, &histogram);
        assert!(page.contains("No reference was given"));
        assert!(!page.contains(">Reference</th>"));
    }

    #[test]
    fn a_page_always_has_a_title() {
        let (mut summary, histogram) = sample::one_place();
        summary.title.clear();
        assert!(page(&summary, &histogram).contains("<title>Survey against reference</title>"));
    }

    #[test]
    fn feet_say_which_foot() {
        let (summary, histogram) = sample::five_returns(Unit::UsSurveyFoot);
        let page = page(&summary, &histogram);
        assert!(page.contains("US survey feet") && page.contains("dz, ftUS"));
    }

    #[test]
    fn the_same_result_gives_the_same_bytes() {
        let (summary, histogram) = sample::fifteen_returns();
        assert_eq!(page(&summary, &histogram), page(&summary, &histogram));
    }
}
