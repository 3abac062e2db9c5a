//! The answer to the question that a report is read for: which returns meet which class on which ground, and how well that
//! is known.

use crate::report::compliance::short_name;
use crate::report::data_loss::implausible;
use crate::results::confidence::{Compliance, Verdict, VerticalAccuracy};
use crate::results::format::{
    ResidualFormat, UNDEFINED, and_list, decimal, distance, length, length_interval, percent, thousands,
};
use crate::results::group_key::{GroupKey, Property};
use crate::results::statistics::{Interval, VsFirst};
use crate::results::statistics::{Statistics, Support};
use crate::results::summary::Summary;
use crate::stats::versus::RmseOrder;
use crate::terrain::by_returns::{TerrainFigures, TerrainRow};
use crate::terrain::lesson::ReturnWeight;
use crate::tile::strata::{By, Cover};
use crate::units::Unit;

/// Columns of figures for one cover.
pub struct CoverColumns {
    /// Above the columns: `Open ground (NVA)`.
    pub head: &'static str,
    /// The cover; none where cover is not told apart.
    cover: Option<Cover>,
}

/// The covers that are told apart.
pub fn covers(summary: &Summary) -> Vec<CoverColumns> {
    let groups = &summary.trust.standards.groups;
    let apart = groups.iter().any(|compliance| compliance.name == Some(VerticalAccuracy::Nva));
    let crossed = summary.trust.groups.iter().any(|group| group.by.is_by(&[By::Return, By::Cover]));
    if apart && crossed {
        let columns = [
            CoverColumns { head: "Open ground (NVA)", cover: Some(Cover::Open) },
            CoverColumns { head: "Low vegetation (VVA)", cover: Some(Cover::Low) },
            CoverColumns { head: "Under canopy (VVA)", cover: Some(Cover::Canopy) },
        ];
        // Where no ground is under low vegetation, no columns are given to it.
        let none_low =
            compliance(summary, &group_key(None, Some(Cover::Low))).is_none_or(|low| low.compared == 0);
        columns.into_iter().filter(|column| !(none_low && column.cover == Some(Cover::Low))).collect()
    } else {
        vec![CoverColumns { head: "All ground", cover: None }]
    }
}

/// A row of the table of decision.
pub struct DecisionRow {
    /// The return, or `all`.
    pub name: String,
    /// Per cover: number of comparisons, RMSE_V, its interval, the class met.
    pub covers: Vec<[String; 4]>,
    /// Against the first return.
    pub against_first: String,
}

/// A row of the table of the terrain from returns 1 to k.
#[derive(Debug, PartialEq)]
pub struct TerrainText {
    /// The returns used: `1 to 3`.
    pub name: String,
    /// Share of the cells that have ground, per cent.
    pub coverage: String,
    /// Area of the largest void.
    pub largest_void: String,
    /// Number of cells of the reference that the terrain is tested against.
    pub cells: String,
    /// Level, SD and RMSE of the unweighted and of the variance-weighted terrain.
    pub estimates: [[String; 3]; 2],
}

/// The table: a row a return, then all.
pub fn rows(summary: &Summary) -> Vec<DecisionRow> {
    let covers = covers(summary);
    let figures = |number: Option<u8>| {
        covers.iter().map(|cover| figures(summary, &group_key(number, cover.cover))).collect()
    };
    let by_return = summary.returns.iter().map(|row| {
        let n = row.return_number;
        DecisionRow {
            name: n.to_string(),
            covers: figures(Some(n)),
            against_first: against_first(n, &row.statistics),
        }
    });
    let all = DecisionRow { name: "all".to_string(), covers: figures(None), against_first: String::new() };
    by_return.chain([all]).collect()
}

fn group_key(return_number: Option<u8>, cover: Option<Cover>) -> GroupKey {
    let number = return_number.map(Property::Return);
    let cover = cover.map(|cover| Property::Cover(Some(cover)));
    GroupKey::new(number.into_iter().chain(cover))
}

fn compliance<'a>(summary: &'a Summary, key: &GroupKey) -> Option<&'a Compliance> {
    summary.trust.standards.groups.iter().find(|compliance| compliance.by == *key)
}

fn figures(summary: &Summary, key: &GroupKey) -> [String; 4] {
    let undefined = || UNDEFINED.to_string();
    let Some(compliance) = compliance(summary, key) else { return [(); 4].map(|()| undefined()) };
    let n = thousands(compliance.compared);
    if !compliance.support().is_enough() {
        return [n, undefined(), undefined(), undefined()];
    }
    let format = ResidualFormat::of(summary.units);
    let class = match (compliance.class_cm, compliance.class_cm_95) {
        (Some(met), Some(upper)) if met == upper => format!("{met}"),
        (Some(met), Some(upper)) => format!("{met} ({upper})"),
        (Some(met), None) => format!("{met} (none)"),
        (None, _) => "none".to_string(),
    };
    [n, format.length(compliance.rmse_v), format.interval(compliance.rmse_v_ci95), class]
}

/// The comparison with first returns, where there are figures of this return.
fn versus(statistics: &Statistics) -> Option<&VsFirst> {
    statistics.vs_first.as_ref().filter(|_| statistics.support().is_enough())
}

fn against_first(number: u8, statistics: &Statistics) -> String {
    let Some(against) = versus(statistics) else {
        return if number == 1 { "baseline".to_string() } else { UNDEFINED.to_string() };
    };
    let order = match against.verdict {
        RmseOrder::Worse => "worse",
        RmseOrder::Better => "better",
        RmseOrder::Undecided => "undecided",
    };
    let ratio = against.rmse_ratio.map_or(String::new(), |ratio| format!(", × {}", decimal(ratio, 2)));
    format!("{order}{ratio}")
}

/// Whether every terrain has figures over the cells that all of them cover.
pub fn has_common_cells(summary: &Summary) -> bool {
    summary.trust.terrain_by_returns.iter().all(|row| row.terrain.sd_terrain_common.is_some())
}

/// The table of the terrain: a row for each k.
pub fn terrain_rows(summary: &Summary) -> Vec<TerrainText> {
    summary.trust.terrain_by_returns.iter().map(|row| terrain(summary, row)).collect()
}

fn terrain(summary: &Summary, row: &TerrainRow) -> TerrainText {
    let format = ResidualFormat::of(summary.units);
    let common = has_common_cells(summary);
    let cells = if common { row.terrain.common_cells } else { row.terrain.terrain_cells };
    let enough = cells >= Support::FEWEST_COMPARISONS;
    let texts = |of: &TerrainFigures| {
        let [level, sd, rmse] = match common {
            true => [of.level_terrain_common, of.sd_terrain_common, of.rmse_terrain_common],
            false => [of.level_terrain, of.sd_terrain, of.rmse_terrain],
        }
        .map(|figure| figure.filter(|_| enough));
        [format.signed(level), format.length(sd), format.length(rmse)]
    };
    TerrainText {
        name: if row.returns_up_to == 1 { "1".to_string() } else { format!("1 to {}", row.returns_up_to) },
        coverage: row.coverage.map_or(UNDEFINED.to_string(), percent),
        largest_void: row.largest_void_m2.map_or(UNDEFINED.to_string(), |area| decimal(area, 1)),
        cells: thousands(cells),
        estimates: [&row.terrain, &row.weighted].map(texts),
    }
}

/// The answer in a few sentences, each a point of its own.
pub fn sentences(summary: &Summary) -> Vec<String> {
    if summary.all.compared == 0 {
        return Vec::new();
    }
    if implausible(summary).is_some() {
        return [
            vec!["No class is given and no limit passes: the bias is beyond anything plausible.".to_string()],
            limits(summary),
        ]
        .concat();
    }
    [accuracy(summary), returns(summary), terrain_sentence(summary), limits(summary), effective_size(summary)]
        .into_iter()
        .flatten()
        .collect()
}

fn accuracy(summary: &Summary) -> Vec<String> {
    let unit = summary.units;
    let named = |name| summary.trust.standards.groups.iter().find(|s| s.name == Some(name));
    let Some(nva) = named(VerticalAccuracy::Nva) else {
        let all = compliance(summary, &GroupKey::all());
        return all
            .map(|all| format!("All ground: {} {}", accuracy_of(all, unit), class_sentence(all)))
            .into_iter()
            .collect();
    };
    let open = format!(
        "Open ground ({}): {} {}",
        short_name(VerticalAccuracy::Nva),
        accuracy_of(nva, unit),
        class_sentence(nva)
    );
    let canopy = named(VerticalAccuracy::Vva).map(|vva| {
        format!(
            "Vegetated ground ({}): {} Reported as found: the standard sets no limit for vegetated ground.",
            short_name(VerticalAccuracy::Vva),
            accuracy_of(vva, unit)
        )
    });
    [open].into_iter().chain(canopy).collect()
}

/// `RMSE_V 24.0 mm (95 %: 22.0 to 26.0 mm), n = 2,000.`
fn accuracy_of(compliance: &Compliance, unit: Unit) -> String {
    let n = format!("n = {}", thousands(compliance.compared));
    let Some(value) = compliance.rmse_v.filter(|_| compliance.support().is_enough()) else {
        return format!("{n}, too few for a figure.");
    };
    let interval = |ends: Interval| format!(" (95 %: {})", length_interval(ends, unit));
    let interval = compliance.rmse_v_ci95.map_or(String::new(), interval);
    format!("RMSE_V {}{interval}, {n}.", length(value, unit))
}

fn class_sentence(compliance: &Compliance) -> String {
    if !compliance.support().is_enough() {
        return "No class is given.".to_string();
    }
    match (compliance.class_cm, compliance.class_cm_95) {
        (Some(met), Some(upper)) if met == upper => {
            format!("It meets the {met}-cm class, also at the upper 95 % limit.")
        }
        (Some(met), Some(upper)) => format!(
            "It meets the {met}-cm class, but not at 95 % confidence: the upper 95 % limit meets the {upper}-cm class."
        ),
        (Some(met), None) => format!("It meets the {met}-cm class, but not at 95 % confidence."),
        (None, _) => "It meets no common class.".to_string(),
    }
}

fn returns(summary: &Summary) -> Vec<String> {
    let with = |order: RmseOrder| -> Vec<String> {
        let rows = summary
            .returns
            .iter()
            .filter(|row| versus(&row.statistics).is_some_and(|against| against.verdict == order));
        rows.map(|row| row.return_number.to_string()).collect()
    };
    let sentence = |order, one: &str, several: &str| match with(order).as_slice() {
        [] => None,
        [number] => Some(format!("Return {number} {one}.")),
        all => Some(format!("Returns {} {several}.", and_list(all))),
    };
    let undecided = "cannot be distinguished from the first return at 95 % confidence";
    let all = [
        sentence(RmseOrder::Worse, "is worse than the first return", "are worse than the first return"),
        sentence(RmseOrder::Better, "is better than the first return", "are better than the first return"),
        sentence(RmseOrder::Undecided, undecided, undecided),
    ];
    let all: Vec<String> = all.into_iter().flatten().collect();
    if all.is_empty() { Vec::new() } else { vec![all.join(" ")] }
}

fn terrain_sentence(summary: &Summary) -> Vec<String> {
    let unit = summary.units;
    let rows = &summary.trust.terrain_by_returns;
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Vec::new() };
    let (Some(of_first), Some(of_all)) = (first.coverage, last.coverage) else { return Vec::new() };
    if rows.len() < 2 {
        return Vec::new();
    }
    let mut text = format!(
        "Ground points of first returns cover {} % of the terrain cells, those of returns 1 to {} cover {} %.",
        percent(of_first),
        last.returns_up_to,
        percent(of_all)
    );
    let enough = |row: &&TerrainRow| row.terrain.common_cells >= Support::FEWEST_COMPARISONS;
    let known = rows.iter().filter(enough).filter_map(|row| Some((row, row.terrain.sd_terrain_common?)));
    if let Some((row, sd)) = known.min_by(|a, b| a.1.total_cmp(&b.1)) {
        text += &format!(
            " Over the {} test cells that all of them reach, the terrain has its lowest SD against the reference when made \
             from {} ({})",
            thousands(row.terrain.common_cells),
            up_to(row.returns_up_to),
            length(sd, unit)
        );
        text += &match last.weighted.sd_terrain_common {
            Some(weighted) => format!(
                "; the variance-weighted terrain from all returns, brought to the level of the first, has {}.",
                length(weighted, unit)
            ),
            None => ".".to_string(),
        };
    }
    vec![text]
}

fn up_to(k: u8) -> String {
    if k == 1 { "first returns alone".to_string() } else { format!("returns 1 to {k}") }
}

/// What the figures of the weighted terrain rest on, a line each.
pub fn terrain_notes(summary: &Summary) -> Vec<String> {
    let Some(weights) = &summary.trust.terrain_weights else { return Vec::new() };
    let unit = summary.units;
    let mut notes = Vec::new();
    if let Some((first, later)) = weights.returns.split_first().filter(|(_, later)| !later.is_empty()) {
        let format = ResidualFormat::of(unit);
        let of_return = |of: &ReturnWeight| {
            let level = match format.is_zero(of.difference) {
                true => "level".to_string(),
                false => format!("{} {}", format.signed(Some(of.difference)), format.symbol),
            };
            format!("return {}: {level}, weight {}", of.return_number, decimal(of.weight, 2))
        };
        notes.push(format!(
            "Taken out for the variance-weighted terrain, against return {} (weight {}) at the same place: {}.",
            first.return_number,
            decimal(first.weight, 2),
            later.iter().map(of_return).collect::<Vec<_>>().join("; ")
        ));
    }
    if !weights.returns.is_empty() {
        notes.push(match weights.independent {
            true => format!(
                "Its figures are independent: tested at least {} from where differences and weights were learned.",
                distance(weights.gap, unit)
            ),
            false => format!(
                "Its figures are not independent: the reference covers too little ground to leave {}, the range of \
                 correlation, between where differences and weights are learned and where they are tested.",
                distance(weights.gap, unit)
            ),
        });
    }
    if summary.trust.terrain_by_returns.iter().any(|row| row.offset_removed == Some(true)) {
        notes.push(
            "The known offset of the reference is removed from level and RMSE in this table.".to_string(),
        );
    }
    notes
}

/// A verdict for people.
pub fn verdict_label(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Met => "PASS",
        Verdict::Missed => "FAIL",
        Verdict::Inconclusive => "INCONCLUSIVE",
    }
}

fn limits(summary: &Summary) -> Vec<String> {
    let limits = &summary.trust.accept;
    if limits.is_empty() {
        return Vec::new();
    }
    let counts = [Verdict::Met, Verdict::Missed, Verdict::Inconclusive].map(|verdict| {
        let count = limits.iter().filter(|limit| limit.verdict == verdict).count();
        format!("{count} {}", verdict_label(verdict))
    });
    let mut all = vec![format!("Acceptance limits: {}.", counts.join(", "))];
    for limit in limits.iter().filter(|limit| limit.verdict != Verdict::Met) {
        let more = limit.more_checkpoints.map_or(String::new(), |more| {
            format!(" (a decision needs about {} more independent checkpoints)", thousands(more))
        });
        all.push(format!("{}: {}{more}.", verdict_label(limit.verdict), limit.limit));
    }
    all
}

fn effective_size(summary: &Summary) -> Vec<String> {
    let compared = summary.all.compared;
    let enough = summary.all.support().is_enough();
    let Some(n) = summary.all.n_effective.filter(|n| enough && *n < 0.9 * compared as f64) else {
        return Vec::new();
    };
    let correlated = match summary.trust.correlation.range {
        Some(range) => {
            format!(", as residuals are spatially correlated (range {})", distance(range, summary.units))
        }
        None => String::new(),
    };
    vec![format!(
        "The effective sample size of the {} comparisons is n_eff = {}{correlated}; the confidence intervals allow for that.",
        thousands(compared),
        thousands(n.round().max(1.0) as u64)
    )]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{html, text};
    use crate::results::sample;

    #[test]
    fn the_answer_says_which_returns_meet_which_class_on_which_ground() {
        let summary = sample::decided().0;
        let sentences = sentences(&summary);
        assert_eq!(
            sentences[0],
            "Open ground (NVA): RMSE_V 24.0 mm (95 %: 22.0 to 26.0 mm), n = 2,000. It meets the 2.5-cm class, but not at \
             95 % confidence: the upper 95 % limit meets the 5-cm class."
        );
        assert!(
            sentences[1].starts_with("Vegetated ground (VVA): RMSE_V 41.0 mm")
                && sentences[1].contains("as found")
        );
        assert_eq!(sentences[2], "Return 2 is worse than the first return.");
        assert!(
            sentences[3].contains("cover 86.7 %")
                && sentences[3].contains("those of returns 1 to 2 cover 95.3 %"),
            "{}",
            sentences[3]
        );
        assert!(
            sentences[3].contains("made from returns 1 to 2 (18.0 mm)")
                && sentences[3].contains("has 17.0 mm")
        );
        assert_eq!(sentences[4], "Acceptance limits: 1 PASS, 0 FAIL, 1 INCONCLUSIVE.");
        assert_eq!(
            sentences[5],
            "INCONCLUSIVE: RMSE, return 2: at most 30 mm (a decision needs about 1,200 more independent checkpoints)."
        );
        assert!(sentences[6].contains("n_eff = 500, as residuals are spatially correlated (range 8.0 m)"));
    }

    #[test]
    fn the_table_has_a_row_a_return_and_a_dash_where_nothing_is_known() {
        let rows = rows(&sample::decided().0);
        let names: Vec<&str> = rows.iter().map(|row| row.name.as_str()).collect();
        assert_eq!(names, ["1", "2", "all"]);
        assert_eq!(rows[0].covers[0], ["2,000", "23.0", "21.0 to 24.9", "2.5"]);
        assert_eq!(rows[1].covers[0], [UNDEFINED; 4]);
        assert_eq!(rows[1].covers[1], ["2,000", "44.0", UNDEFINED, "5 (none)"]);
        assert_eq!(rows[2].covers[0][3], "2.5 (5)");
        assert_eq!(
            (rows[0].against_first.as_str(), rows[1].against_first.as_str()),
            ("baseline", "worse, × 1.50")
        );
        let terrain = terrain_rows(&sample::decided().0);
        let texts =
            |row: &TerrainText| [&row.name, &row.coverage, &row.largest_void, &row.cells].map(String::clone);
        assert_eq!(texts(&terrain[1]), ["1 to 2", "95.3", "108.0", "900"]);
        assert_eq!(terrain[1].estimates, [["+1.0", "18.0", "18.0"], ["+1.0", "17.0", "17.0"]]);
    }

    #[test]
    fn page_and_text_begin_with_the_answer() {
        let (summary, histogram) = sample::decided();
        let page = html::page(&summary, &histogram);
        let (answer, by_return) =
            (page.find("Summary of results").unwrap(), page.find("<h2>By return</h2>").unwrap());
        assert!(answer < by_return);
        assert!(page.contains("dz changes across the site.") && page.contains("class=\"inconclusive\""));
        let text = text::result_text(&summary);
        assert!(
            text.contains("- Return 2 is worse than the first return.")
                && text.contains("Warning: dz changes")
        );
        let nothing = sample::nothing_matched();
        assert!(!html::page(&nothing.0, &nothing.1).contains("Summary of results"));
        assert!(sentences(&nothing.0).is_empty());
    }
}
