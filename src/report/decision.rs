//! The answer to the question that a report is read for: which returns meet which class on which ground, and how well that
//! is known.

use crate::report::compliance::short_name;
use crate::report::data_loss::implausible;
use crate::results::confidence::{Compliance, LimitResult, Verdict, VerticalAccuracy};
use crate::results::format::{
    ResidualFormat, UNDEFINED, and_list, decimal, distance, length, length_interval, percent, thousands,
};
use crate::results::group_key::{GroupKey, Property};
use crate::results::statistics::{Interval, Order, VsFirst};
use crate::results::statistics::{Statistics, Support};
use crate::results::summary::Summary;
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
            against_first: against_first(n, &row.statistics, summary.units),
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
    let [met, upper] = classes(compliance);
    let class = match (met, upper) {
        (Some(met), Some(upper)) if met == upper => format!("{met}"),
        (Some(met), Some(upper)) => format!("{met} ({upper})"),
        (Some(met), None) => format!("{met} (none)"),
        (None, _) => "none".to_string(),
    };
    let raw = format.length(compliance.rmse_v);
    match &compliance.offset_removed {
        Some(removed) => {
            let value = format!("{} (raw {raw})", format.length(removed.rmse_v));
            [n, value, format.interval(removed.rmse_v_ci95), class]
        }
        None => [n, raw, format.interval(compliance.rmse_v_ci95), class],
    }
}

/// The class met, and that met at the upper 95 % limit, as the client's limits are judged: a stated offset removed.
fn classes(compliance: &Compliance) -> [Option<f64>; 2] {
    match &compliance.offset_removed {
        Some(removed) => [removed.class_cm, removed.class_cm_95],
        None => [compliance.class_cm, compliance.class_cm_95],
    }
}

/// The interval of RMSE_V, likewise.
fn interval(compliance: &Compliance) -> Option<Interval> {
    match &compliance.offset_removed {
        Some(removed) => removed.rmse_v_ci95,
        None => compliance.rmse_v_ci95,
    }
}

/// The comparison with first returns, where there are figures of this return.
fn versus(statistics: &Statistics) -> Option<&VsFirst> {
    statistics.vs_first.as_ref().filter(|_| statistics.support().is_enough())
}

fn against_first(number: u8, statistics: &Statistics, unit: Unit) -> String {
    let Some(against) = versus(statistics) else {
        return if number == 1 { "baseline".to_string() } else { UNDEFINED.to_string() };
    };
    let Some(bias) = against.bias else { return "no common ground".to_string() };
    let format = ResidualFormat::of(unit);
    let ratio = against.sd_ratio.map_or(String::new(), |ratio| format!(", × {}", decimal(ratio, 2)));
    format!(
        "bias {}, {}; SD {}{ratio}",
        order_word(against.bias_verdict),
        format.signed(Some(bias)),
        order_word(against.spread_verdict)
    )
}

fn order_word(order: Order) -> &'static str {
    match order {
        Order::Worse => "worse",
        Order::Better => "better",
        Order::Undecided => "undecided",
    }
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
            .map(|all| format!("All ground: {} {}", accuracy_of(all, unit), class_sentence(all, summary)))
            .into_iter()
            .collect();
    };
    let open = format!(
        "Open ground ({}): {} {}",
        short_name(VerticalAccuracy::Nva),
        accuracy_of(nva, unit),
        class_sentence(nva, summary)
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
    let Some(raw) = compliance.rmse_v.filter(|_| compliance.support().is_enough()) else {
        return format!("{n}, too few for a figure.");
    };
    let interval = |ends: Interval| format!(" (95 %: {})", length_interval(ends, unit));
    let removed = compliance.offset_removed.as_ref();
    match removed.and_then(|removed| Some((removed.rmse_v?, removed.rmse_v_ci95))) {
        Some((value, ends)) => format!(
            "RMSE_V {}{} with the stated offset of the reference removed (raw {}), {n}.",
            length(value, unit),
            ends.map_or(String::new(), interval),
            length(raw, unit)
        ),
        None => {
            let interval = compliance.rmse_v_ci95.map_or(String::new(), interval);
            format!("RMSE_V {}{interval}, {n}.", length(raw, unit))
        }
    }
}

fn class_sentence(compliance: &Compliance, summary: &Summary) -> String {
    let support = compliance.support();
    if !support.is_enough() {
        return "No class is given.".to_string();
    }
    let [met, upper] = classes(compliance);
    let Some(met) = met else { return "It meets no common class.".to_string() };
    // A claim that the reference does not support is none, whatever the figures.
    let supported = summary.trust.standards.reference_class_cm;
    if summary.reference_uncertainty.is_some() && supported.is_none_or(|supported| supported > met) {
        let supports = match supported {
            Some(class) => {
                format!("the reference supports a claim for the {class}-cm class and coarser only")
            }
            None => "the reference is too uncertain to support a claim for any class".to_string(),
        };
        return format!("That is within the {met}-cm class, but {supports}.");
    }
    match upper {
        Some(upper) if met == upper => format!("It meets the {met}-cm class, also at the upper 95 % limit."),
        Some(upper) => format!(
            "It meets the {met}-cm class, but not at 95 % confidence: the upper 95 % limit meets the {upper}-cm class."
        ),
        None if !support.is_enough_for_a_verdict() => format!(
            "It meets the {met}-cm class as observed; under {} comparisons nothing is said at 95 % confidence.",
            Support::FEWEST_FOR_A_VERDICT
        ),
        None if interval(compliance).is_none() => {
            format!(
                "It meets the {met}-cm class as observed; without an interval nothing is said at 95 % confidence."
            )
        }
        None => format!("It meets the {met}-cm class, but not at 95 % confidence."),
    }
}

/// Each return beside the first, on the same ground.
fn returns(summary: &Summary) -> Vec<String> {
    let mut standings: Vec<(String, Vec<String>)> = Vec::new();
    let mut others = Vec::new();
    for row in &summary.returns {
        let Some(against) = versus(&row.statistics) else { continue };
        let number = row.return_number.to_string();
        if let Some(reason) = &against.reason {
            others.push(format!("{}.", capitalised(reason)));
            continue;
        }
        let apart = against.bias.zip(against.bias_ci95).filter(|(_, [low, high])| *low > 0.0 || *high < 0.0);
        let apart = apart.filter(|_| against.bias_verdict == Order::Undecided);
        if let Some((bias, ends)) = apart {
            others.push(format!(
                "Return {number} lies {} {} the first return (95 %: {}); which of the two is nearer the ground cannot be told.",
                length(bias.abs(), summary.units),
                if bias > 0.0 { "above" } else { "below" },
                length_interval(if bias > 0.0 { ends } else { [-ends[1], -ends[0]] }, summary.units)
            ));
        }
        let standing = standing(against, apart.is_some());
        match standings.iter_mut().find(|(known, _)| *known == standing) {
            Some((_, numbers)) => numbers.push(number),
            None => standings.push((standing, vec![number])),
        }
    }
    let told = standings.iter().map(|(standing, numbers)| match numbers.as_slice() {
        [number] => format!("On the same ground, return {number} {standing}."),
        several => {
            let standing = standing.replacen("is ", "are ", 1).replacen("has ", "have ", 1);
            format!("On the same ground, returns {} {standing}.", and_list(several))
        }
    });
    let all: Vec<String> = told.chain(others).collect();
    if all.is_empty() { Vec::new() } else { vec![all.join(" ")] }
}

/// How a return stands to the first; `apart` where their levels surely differ.
fn standing(against: &VsFirst, apart: bool) -> String {
    use Order::{Better, Undecided, Worse};
    let cannot = "cannot be distinguished from it at 95 % confidence";
    match (against.bias_verdict, against.spread_verdict) {
        (Worse, Worse) => "is worse than the first return, in bias and in spread".to_string(),
        (Better, Better) => "is better than the first return, in bias and in spread".to_string(),
        (Worse, Better) => "is worse than the first return in bias and better in spread".to_string(),
        (Better, Worse) => "is worse than the first return in spread and better in bias".to_string(),
        (bias @ (Worse | Better), Undecided) => {
            format!("is {} than the first return in bias; its spread {cannot}", order_word(bias))
        }
        (Undecided, spread @ (Worse | Better)) if apart => {
            format!("is {} than the first return in spread", order_word(spread))
        }
        (Undecided, spread @ (Worse | Better)) => {
            format!("is {} than the first return in spread; its bias {cannot}", order_word(spread))
        }
        (Undecided, Undecided) if apart => {
            "has a spread that cannot be distinguished from that of the first return".to_string()
        }
        (Undecided, Undecided) => {
            "cannot be distinguished from the first return at 95 % confidence".to_string()
        }
    }
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
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
    let removed = if limits.iter().any(|limit| limit.offset_removed) {
        " They are judged with the stated offset of the reference removed."
    } else {
        ""
    };
    let mut all = vec![format!("Acceptance limits: {}.{removed}", counts.join(", "))];
    for limit in limits.iter().filter(|limit| limit.verdict != Verdict::Met) {
        let why = match (&limit.reason, limit.more_checkpoints) {
            (Some(reason), _) => format!(" ({reason})"),
            (None, Some(more)) => {
                format!(" (a decision needs about {} more independent checkpoints)", thousands(more))
            }
            (None, None) if limit.verdict == Verdict::Missed && is_vegetated(limit) => {
                " (the client's limit: the standard sets none for vegetated ground)".to_string()
            }
            (None, None) => String::new(),
        };
        all.push(format!("{}: {}{why}.", verdict_label(limit.verdict), limit.limit));
    }
    all
}

/// Whether a limit is for ground on which the standard sets none.
fn is_vegetated(limit: &LimitResult) -> bool {
    limit.group.cover().is_some_and(|cover| cover != Cover::Open)
}

fn effective_size(summary: &Summary) -> Vec<String> {
    let compared = summary.all.compared;
    let Some(n) = fewer_effective(summary) else { return Vec::new() };
    vec![format!(
        "The effective sample size of the {} comparisons is n_eff = {}: {}. The confidence intervals allow for that.",
        thousands(compared),
        thousands(n.round().max(1.0) as u64),
        correlated(summary)
    )]
}

/// The effective sample size, where it is clearly below the number of comparisons.
fn fewer_effective(summary: &Summary) -> Option<f64> {
    let enough = summary.all.support().is_enough();
    summary.all.n_effective.filter(|n| enough && *n < 0.9 * summary.all.compared as f64)
}

/// What is known of how far residuals are correlated: the one sentence for all places, without its full stop.
pub fn correlated(summary: &Summary) -> String {
    match summary.trust.correlation.range {
        Some(range) => {
            format!("residuals are spatially correlated (range {})", distance(range, summary.units))
        }
        None if fewer_effective(summary).is_some() => {
            "the semivariogram shows no range, but this sample does not exclude error that comparisons share"
                .to_string()
        }
        None => "no spatial correlation detected".to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{html, text};
    use crate::results::confidence::OffsetRemoved;
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
        assert_eq!(
            sentences[2],
            "On the same ground, return 2 is worse than the first return in spread. Return 2 lies 3.0 mm below the first \
             return (95 %: 1.0 to 5.0 mm); which of the two is nearer the ground cannot be told."
        );
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
        assert!(sentences[6].contains("n_eff = 500: residuals are spatially correlated (range 8.0 m)"));
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
            ("baseline", "bias undecided, −3.0; SD worse, × 1.30")
        );
        let terrain = terrain_rows(&sample::decided().0);
        let texts =
            |row: &TerrainText| [&row.name, &row.coverage, &row.largest_void, &row.cells].map(String::clone);
        assert_eq!(texts(&terrain[1]), ["1 to 2", "95.3", "108.0", "900"]);
        assert_eq!(terrain[1].estimates, [["+1.0", "18.0", "18.0"], ["+1.0", "17.0", "17.0"]]);
    }

    /// The sentence on return 2 beside the first.
    fn second(change: impl Fn(&mut VsFirst)) -> String {
        let mut summary = sample::decided().0;
        change(summary.returns[1].statistics.vs_first.as_mut().unwrap());
        returns(&summary).join(" ")
    }

    #[test]
    fn bias_and_spread_have_their_own_words() {
        use Order::{Better, Undecided, Worse};
        let of = |bias_verdict, spread_verdict, bias_ci95| {
            second(|against| {
                (against.bias_verdict, against.spread_verdict) = (bias_verdict, spread_verdict);
                against.bias_ci95 = Some(bias_ci95);
            })
        };
        let (sure, open) = ([-0.005, -0.001], [-0.005, 0.001]);
        assert!(
            of(Worse, Undecided, sure).contains("is worse than the first return in bias; its spread cannot")
        );
        assert!(
            of(Better, Worse, sure).contains("is worse than the first return in spread and better in bias.")
        );
        assert_eq!(
            of(Undecided, Undecided, open),
            "On the same ground, return 2 cannot be distinguished from the first return at 95 % confidence."
        );
        let apart = of(Undecided, Undecided, sure);
        assert!(apart.contains("has a spread that cannot") && apart.contains("lies 3.0 mm below"), "{apart}");
        let none = second(|against| {
            let reason = Some("return 2 and return 1 share no cover: cannot be compared".to_string());
            *against = VsFirst { reason, ..VsFirst::default() };
        });
        assert_eq!(none, "Return 2 and return 1 share no cover: cannot be compared.");
    }

    #[test]
    fn a_stated_offset_is_in_sentences_and_table() {
        let mut summary = sample::decided().0;
        summary.trust.standards.groups[1].offset_removed = Some(OffsetRemoved {
            rmse_v: Some(0.021),
            rmse_v_ci95: Some([0.019, 0.0245]),
            class_cm: Some(2.5),
            class_cm_95: Some(2.5),
            ..OffsetRemoved::default()
        });
        summary.trust.accept[1].offset_removed = true;
        let sentences = sentences(&summary);
        assert_eq!(
            sentences[0],
            "Open ground (NVA): RMSE_V 21.0 mm (95 %: 19.0 to 24.5 mm) with the stated offset of the reference removed (raw \
             24.0 mm), n = 2,000. It meets the 2.5-cm class, also at the upper 95 % limit."
        );
        assert!(sentences[4].ends_with("judged with the stated offset of the reference removed."));
        assert_eq!(rows(&summary)[2].covers[0], ["2,000", "21.0 (raw 24.0)", "19.0 to 24.5", "2.5"]);
    }

    #[test]
    fn no_class_is_claimed_beyond_the_reference_or_from_few_comparisons() {
        let mut summary = sample::decided().0;
        summary.trust.standards.reference_class_cm = Some(5.0);
        assert!(accuracy(&summary)[0].ends_with(
            "That is within the 2.5-cm class, but the reference supports a claim for the 5-cm class and coarser only."
        ));
        summary.trust.standards.reference_class_cm = Some(2.5);
        let group = &mut summary.trust.standards.groups[1];
        (group.compared, group.class_cm_95) = (29, None);
        assert!(accuracy(&summary)[0].ends_with("under 30 comparisons nothing is said at 95 % confidence."));
    }

    #[test]
    fn a_limit_that_is_not_met_says_why() {
        let mut summary = sample::decided().0;
        summary.trust.accept[1].reason = Some("fewer than 30 comparisons or 3 blocks".to_string());
        assert!(limits(&summary)[1].ends_with("at most 30 mm (fewer than 30 comparisons or 3 blocks)."));
        let limit = &mut summary.trust.accept[0];
        limit.verdict = Verdict::Missed;
        limit.group = GroupKey::new([Property::Cover(Some(Cover::Canopy))]);
        assert!(limits(&summary)[1].contains("the client's limit: the standard sets none"));
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
            text.contains("- On the same ground, return 2 is worse than the first return in spread.")
                && text.contains("Warning: dz changes")
        );
        let nothing = sample::nothing_matched();
        assert!(!html::page(&nothing.0, &nothing.1).contains("Summary of results"));
        assert!(sentences(&nothing.0).is_empty());
    }
}
