//! `report.html`: one page that holds everything, for people in the field and in the office.

use askama::Template;

use crate::report::accounting;
use crate::report::accuracy_chart;
use crate::report::agreement::{self, SideText};
use crate::report::chain::{self, Link};
use crate::report::chart;
use crate::report::compared::{self, FileText};
use crate::report::compliance;
use crate::report::cross_check;
use crate::report::data_loss::data_loss;
use crate::report::decision;
use crate::report::decision_table::{self, DecisionRow};
use crate::report::filters;
use crate::report::fit::{self, FitSection};
use crate::report::intervals;
use crate::report::left_out::{self, AreaRow};
use crate::report::limits::{self, LimitRow};
use crate::report::map::{self, MapText};
use crate::report::matching;
use crate::report::plan_shift;
use crate::report::profiles::{self, ProfileText};
use crate::report::quantiles;
use crate::report::registration::{self, RegistrationSection};
use crate::report::represented;
use crate::report::row::{Cell, Folded, Row, cell, shown};
use crate::report::sentences;
use crate::report::statement::{self, Statement};
use crate::report::surveyed::{self, SurveyedRow};
use crate::report::svg::escape;
use crate::report::terrain::{self, TerrainText};
use crate::report::truncation;
use crate::report::variogram;
use crate::report::verdicts::{self, VerdictLine};
use crate::report::warning_links;
use crate::results::format::{self, ResidualFormat, UNDEFINED};
use crate::results::pictures::Pictures;
use crate::results::statistics::Statistics;
use crate::results::summary::{CloudCounts, Summary};
use crate::units::Unit;

/// Stands where the pipeline file gives no title.
const UNTITLED: &str = "Survey against reference";

/// The whole page as text. The same result gives the same bytes.
pub fn page(summary: &Summary, pictures: &Pictures) -> String {
    Page::new(summary, pictures).render().expect("the template writes text to memory")
}

// The template lies beside this file; including it by its path from the package root needs neither a folder
// `templates` nor a settings file.
#[derive(Template)]
#[template(ext = "html", source = r#"{% include "src/report/page.html" %}"#)]
struct Page<'a> {
    title: &'a str,
    sentence: String,
    compared_line: Option<String>,
    version: &'static str,
    verdicts: Vec<VerdictLine>,
    /// As HTML.
    verdict_note: Option<String>,
    verdict_meaning: String,
    accuracy: Option<String>,
    map: Option<MapText>,
    profiles: Vec<ProfileText>,
    profiles_note: String,
    /// Figures with the stated offset of the reference, and without it.
    with_offset: Vec<Row>,
    statement: Option<Statement>,
    quantiles: Option<String>,
    files: Vec<FileText>,
    file_notes: Vec<String>,
    data_loss: Vec<String>,
    answers: Vec<String>,
    cover_heads: Vec<&'static str>,
    decision: Vec<DecisionRow>,
    terrain: Vec<TerrainText>,
    terrain_notes: Vec<String>,
    terrain_model: Option<String>,
    has_common_cells: bool,
    limits: Vec<LimitRow>,
    /// As HTML.
    warnings: Vec<(String, Option<(&'static str, &'static str)>)>,
    compliances: Vec<Row>,
    standard: &'static str,
    required: u64,
    reference_class: Option<f64>,
    offset: Option<String>,
    plan_shift: Option<String>,
    plan_shift_rows: Vec<Row>,
    /// The figures as found and with the shift taken out.
    shift_removed: Vec<Row>,
    /// The same for the table by return, where a shift is claimed.
    shift_removed_cells: Vec<Cell>,
    shift_explained: Option<String>,
    represented: Vec<Row>,
    represented_left: usize,
    represented_area: Option<String>,
    intervals: Folded,
    truncation_corrected: Folded,
    /// Why there is no truncation correction at all, where the ground was classified by others.
    no_correction: Option<String>,
    interval_basis: Option<String>,
    /// Why there are no intervals at all, where that is so.
    no_intervals: Option<String>,
    variogram: Option<String>,
    has_range: bool,
    compared: bool,
    units: String,
    /// The unit of residuals.
    unit: &'static str,
    rows: Vec<Row>,
    some_undefined: bool,
    fewest: String,
    surveyed: Vec<SurveyedRow>,
    surveyed_left: usize,
    surveyed_sentence: Option<String>,
    registration: Option<RegistrationSection>,
    fit: Option<FitSection>,
    chain: Vec<Link>,
    figures: Vec<String>,
    not_shown: Option<String>,
    accounting: Vec<AccountRow>,
    /// How strips agree, and setups.
    agreement: Vec<SideText>,
    agreement_note: Option<String>,
    /// The classes as delivered held against the ground filter.
    cross_check: Vec<Row>,
    cross_check_sentence: Option<String>,
    /// Settings of the ground filter side by side.
    filters: Vec<Row>,
    filters_sentence: Option<String>,
    filters_figure: Option<String>,
    /// Areas left out of the comparisons.
    left_out: Vec<AreaRow>,
    areas_left: usize,
    read: [String; 2],
    has_reference: bool,
    invalid_return: Option<[String; 2]>,
    method: &'a str,
    reference_error: String,
    matching: Option<String>,
    /// The reference by slope class.
    slopes: Vec<Row>,
    cautions: Vec<String>,
}

/// A line of the point accounting.
struct AccountRow {
    label: String,
    cells: Vec<Option<[String; 2]>>,
}

impl<'a> Page<'a> {
    fn new(summary: &'a Summary, pictures: &Pictures) -> Self {
        let unit = summary.units;
        let returns = summary.returns.iter().map(|row| (row.return_number.to_string(), &row.statistics));
        let rows: Vec<_> = returns
            .chain([("all".to_string(), &summary.all)])
            .map(|(name, statistics)| Row { name, cells: cells(statistics, unit) })
            .collect();
        let some_undefined = rows.iter().any(|row| row.cells.iter().any(|cell| cell.why.is_some()));
        let reference = summary.reference.as_ref();
        let clouds = || [Some(&summary.survey), reference].into_iter();
        let pair = |value: fn(&CloudCounts) -> u64| {
            let mut values =
                clouds().map(|cloud| cloud.map_or(String::new(), |c| format::thousands(value(c))));
            [values.next().unwrap_or_default(), values.next().unwrap_or_default()]
        };
        let accounting = accounting::lines(&summary.survey, reference)
            .into_iter()
            .map(|line| AccountRow {
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
        let (surveyed, surveyed_left) = shown(surveyed::rows(summary));
        let (represented, represented_left) = shown(represented::rows(summary));
        let (left_out, areas_left) = shown(left_out::rows(summary));
        let compliances = compliance::rows(summary);
        let truncation_corrected = truncation::rows(summary);
        let intervals = intervals::rows(summary);
        let slopes = matching::slope_rows(summary);
        // A link leads to a section that this page has.
        let link = |code| {
            Some(warning_links::section(code)).filter(|(name, _)| match *name {
                "truncation" => !intervals.is_empty() && !truncation_corrected.is_empty(),
                "histograms" => summary.all.compared > 0,
                "standards" => !compliances.is_empty(),
                "registration" => summary.registration.is_some(),
                "fit" => summary.fit.is_some(),
                "plan-shift" => plan_shift::sentence(summary).is_some(),
                "strips" => !agreement::sides(summary).is_empty(),
                "intervals" => !intervals.is_empty(),
                "represented" => !represented.is_empty(),
                "slopes" => !slopes.is_empty(),
                _ => true,
            })
        };
        let warnings = summary.trust.warnings.iter().map(|w| (code_spans(&w.text), link(w.code))).collect();
        Page {
            title: if summary.title.trim().is_empty() { UNTITLED } else { &summary.title },
            sentence: sentences::summary_sentence(summary),
            compared_line: compared::line(summary, pictures),
            version: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")),
            verdicts: verdicts::lines(summary),
            verdict_note: verdicts::note(summary).filter(|_| summary.all.compared > 0).map(code_spans),
            verdict_meaning: verdicts::meaning(),
            accuracy: accuracy_chart::figure(summary),
            map: map::map(summary, pictures),
            profiles: profiles::figures(summary, pictures),
            profiles_note: profiles::note(pictures),
            with_offset: compliance::with_offset(summary),
            statement: statement::statement(summary),
            quantiles: quantiles::figure(summary, &pictures.histogram),
            files: compared::files(pictures),
            file_notes: compared::notes(pictures),
            data_loss: data_loss(summary),
            answers: decision::sentences(summary),
            cover_heads: decision_table::covers(summary).iter().map(|cover| cover.head).collect(),
            decision: decision_table::rows(summary),
            terrain: terrain::rows(summary),
            terrain_notes: terrain::notes(summary),
            terrain_model: terrain::model(summary),
            has_common_cells: terrain::has_common_cells(summary),
            limits: limits::rows(summary),
            warnings,
            compliances,
            standard: summary.trust.standards.standard,
            required: summary.trust.standards.required_checkpoints,
            reference_class: summary.trust.standards.reference_class_cm,
            offset: compliance::offset(summary),
            surveyed,
            surveyed_left,
            surveyed_sentence: surveyed::sentence(summary),
            plan_shift: plan_shift::sentence(summary),
            plan_shift_rows: plan_shift::rows(summary),
            shift_removed: plan_shift::removed_rows(summary),
            shift_removed_cells: plan_shift::removed_cells(summary),
            shift_explained: plan_shift::explained(summary),
            registration: registration::section(summary),
            fit: fit::section(summary),
            chain: chain::links(summary),
            represented,
            represented_left,
            represented_area: represented::area(summary),
            intervals,
            truncation_corrected,
            no_correction: truncation::none(summary),
            interval_basis: intervals::basis(summary),
            no_intervals: summary.all.interval_reason.clone(),
            variogram: variogram::figure(summary),
            has_range: summary.trust.correlation.range.is_some(),
            compared: summary.all.compared > 0,
            units: match unit {
                Unit::Metre => "Residuals in millimetres (mm), other lengths in metres (m)".to_string(),
                Unit::Foot | Unit::UsSurveyFoot => format!("Lengths in {} ({})", unit.words(), unit.symbol()),
            },
            unit: ResidualFormat::of(unit).symbol,
            rows,
            some_undefined,
            fewest: summary.all.support().fewest(),
            figures: chart::figures(summary, &pictures.histogram),
            not_shown: not_shown(summary),
            accounting,
            agreement: agreement::sides(summary),
            agreement_note: agreement::note(summary),
            cross_check: cross_check::rows(summary),
            cross_check_sentence: cross_check::sentence(summary),
            filters: filters::rows(summary),
            filters_sentence: filters::sentence(summary).map(|text| code_spans(&text)),
            filters_figure: filters::figure(summary),
            left_out,
            areas_left,
            read: pair(|counts| counts.read),
            has_reference: reference.is_some(),
            invalid_return: clouds()
                .flatten()
                .any(|counts| counts.invalid_return > 0)
                .then(|| pair(|counts| counts.invalid_return)),
            method: &summary.method,
            reference_error: sentences::reference_error(summary),
            matching: matching::sentence(summary),
            slopes,
            cautions: sentences::cautions(summary),
        }
    }
}

/// Text as HTML, with what stands between backticks as code.
fn code_spans(text: &str) -> String {
    let parts = text.split('`').map(escape).enumerate();
    parts.map(|(i, part)| if i % 2 == 1 { format!("<code>{part}</code>") } else { part }).collect()
}

fn share(n: u64, of: u64) -> String {
    if of == 0 { UNDEFINED.to_string() } else { format!("{} %", format::percent(n as f64 / of as f64)) }
}

fn cells(s: &Statistics, unit: Unit) -> Vec<Cell> {
    let support = s.support();
    let why = match s.compared {
        0 => "no comparison for this return",
        n if n < support.fewest_comparisons() => "too few comparisons",
        _ if !support.is_enough() => "comparisons in too few blocks",
        _ => "does not exist for these values",
    };
    let undefined = |why| Cell { why: Some(why), ..cell(UNDEFINED.to_string(), false) };
    let share = |value: Option<f64>, why| {
        value.map_or_else(|| undefined(why), |value| cell(format::percent(value), false))
    };
    let residual = |value: Option<f64>, write: fn(ResidualFormat, Option<f64>) -> String| {
        let value = value.filter(|_| support.is_enough());
        value.map_or_else(|| undefined(why), |_| cell(write(ResidualFormat::of(unit), value), false))
    };
    let mut cells = vec![
        cell(format::thousands(s.points), true),
        share(s.share, "no points"),
        cell(format::thousands(s.ground), true),
        share(s.ground_share, "no ground points"),
        cell(format::thousands(s.compared), true),
        residual(s.bias, ResidualFormat::signed),
        residual(s.sd, ResidualFormat::length),
        residual(s.rmse, ResidualFormat::length),
        residual(s.median, ResidualFormat::signed),
        residual(s.nmad, ResidualFormat::length),
        residual(s.abs_p95, ResidualFormat::length),
        residual(s.min, ResidualFormat::signed),
        residual(s.max, ResidualFormat::signed),
    ];
    cells[5].first = true;
    cells
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
        several => Some(format!("Returns {} have no comparison.", format::and_list(several))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::confidence::{Warning, WarningCode};
    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn the_page_is_whole_and_needs_nothing_from_outside() {
        for (summary, pictures) in [
            sample::five_returns(Unit::Metre),
            sample::fifteen_returns(),
            sample::one_comparison(),
            sample::nothing_matched(),
        ] {
            let page = page(&summary, &pictures);
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
        let (mut summary, pictures) = sample::five_returns(Unit::Metre);
        summary.title = "<script>alert('x')</script> & \"more\"".to_string();
        summary.method = "within <b>15 mm</b>".to_string();
        let page = page(&summary, &pictures);
        assert!(!page.contains("<script") && !page.contains("<b>15"));
        assert!(page.contains("&#60;script&#62;") || page.contains("&lt;script&gt;"));
    }

    #[test]
    fn a_dash_says_why() {
        let (summary, pictures) = sample::nothing_matched();
        let page = page(&summary, &pictures);
        assert!(page.contains("no comparison for this return"));
        assert!(page.contains("Nothing was compared"));
        assert!(!page.contains("<svg"));
    }

    #[test]
    fn a_survey_alone_has_no_column_for_a_reference() {
        let (mut summary, pictures) = sample::nothing_matched();
        summary.reference = None;
        let page = page(&summary, &pictures);
        assert!(page.contains("No reference was given"));
        assert!(!page.contains(">Reference</th>"));
    }

    #[test]
    fn a_page_always_has_a_title() {
        let (mut summary, pictures) = sample::one_comparison();
        summary.title.clear();
        assert!(page(&summary, &pictures).contains("<title>Survey against reference</title>"));
    }

    #[test]
    fn feet_say_which_foot() {
        let (summary, pictures) = sample::five_returns(Unit::UsSurveyFoot);
        let page = page(&summary, &pictures);
        assert!(page.contains("US survey feet") && page.contains("dz, ftUS"));
    }

    #[test]
    fn the_same_result_gives_the_same_bytes() {
        let (summary, pictures) = sample::fifteen_returns();
        assert_eq!(page(&summary, &pictures), page(&summary, &pictures));
    }

    #[test]
    fn too_few_comparisons_are_a_number_alone() {
        let (mut summary, pictures) = sample::decided();
        let row = &mut summary.returns[0].statistics;
        row.compared = 19;
        let texts = |cells: Vec<Cell>| cells.into_iter().map(|cell| cell.text).collect::<Vec<_>>();
        assert_eq!(texts(cells(row, Unit::Metre))[4..], ["19", "–", "–", "–", "–", "–", "–", "–", "–"]);
        assert_eq!(
            texts(intervals::interval_cells(row, Unit::Metre)),
            ["19", "too few comparisons or blocks"]
        );
        (row.compared, row.blocks) = (1_000, 2);
        assert_eq!(texts(intervals::interval_cells(row, Unit::Metre))[0], "1,000");
        assert!(page(&summary, &pictures).contains("comparisons in too few blocks"));
    }

    #[test]
    fn a_warning_leads_to_its_section_where_the_page_has_it() {
        let (mut summary, pictures) = sample::decided();
        let of = |code| Warning { code, text: "Look there.".to_string() };
        let codes = [WarningCode::CutTail, WarningCode::StripOff, WarningCode::FitTest, WarningCode::Bias];
        summary.trust.warnings = codes.map(of).to_vec();
        for with_strips in [true, false] {
            if !with_strips {
                summary.agreement = None;
            }
            let page = page(&summary, &pictures);
            let links: Vec<&str> =
                page.split("href=\"#").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
            for link in &links {
                assert_eq!(page.matches(&format!("id=\"{link}\"")).count(), 1, "{links:?}");
            }
            assert!(links.contains(&"by-return"), "{links:?}");
            assert_eq!(links.contains(&"strips"), with_strips, "{links:?}");
        }
    }

    #[test]
    fn options_in_warnings_are_code_and_never_markup() {
        assert_eq!(code_spans("Raise `a<b` & look"), "Raise <code>a&lt;b</code> &amp; look");
        let (mut summary, pictures) = sample::decided();
        summary.trust.warnings[0].text = "Raise `dh_initial`.".to_string();
        let page = page(&summary, &pictures);
        assert!(page.contains("Raise <code>dh_initial</code>.") && !page.contains('`'));
    }
}
