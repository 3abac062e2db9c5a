//! The answer to the question that a report is read for: which returns, for which class, under which cover, and how sure.

use serde_json::{Map, Value, json};

use crate::results::confidence::{Compliance, Interval, VsFirst};
use crate::results::format;
use crate::results::format::{UNDEFINED, comparisons, length, percent, thousands};
use crate::results::summary::Summary;
use crate::terrain::by_returns::TerrainRow;

/// A column of figures for one cover.
pub struct CoverColumns {
    /// Above the columns: `In the open (NVA)`.
    pub head: &'static str,
    /// The value of `cover` in results; none where cover is not told apart.
    cover: Option<&'static str>,
}

/// The covers that are told apart.
pub fn covers(summary: &Summary) -> Vec<CoverColumns> {
    let told = summary.trust.standards.groups.iter().any(|compliance| compliance.name == Some("NVA"));
    let crossed = summary.trust.groups.iter().any(|group| {
        group.by.len() == 2 && group.by.contains_key("cover") && group.by.contains_key("return")
    });
    if told && crossed {
        vec![
            CoverColumns { head: "In the open (NVA)", cover: Some("open") },
            CoverColumns { head: "Under canopy (VVA)", cover: Some("canopy") },
        ]
    } else {
        vec![CoverColumns { head: "Everywhere", cover: None }]
    }
}

/// A row of the table of decision.
pub struct DecisionRow {
    /// The return, or `all`.
    pub name: String,
    /// Per cover: RMSE_V, its interval, the class met.
    pub covers: Vec<[String; 3]>,
    /// Against the first return.
    pub against_first: String,
    /// With the returns up to this one: terrain filled, largest void, terrain RMSE, weighed.
    pub terrain: Option<[String; 4]>,
}

/// The table: a row a return, then all.
pub fn rows(summary: &Summary) -> Vec<DecisionRow> {
    let covers = covers(summary);
    let mut rows: Vec<DecisionRow> = summary
        .returns
        .iter()
        .map(|row| {
            let n = row.return_number;
            let trade = summary.trust.terrain_by_returns.iter().find(|trade| trade.returns_up_to == n);
            DecisionRow {
                name: n.to_string(),
                covers: covers
                    .iter()
                    .map(|cover| figures(summary, group_name(Some(n), cover.cover)))
                    .collect(),
                against_first: against_first(n, row.statistics.vs_first.as_ref()),
                terrain: trade.map(|trade| terrain(summary, trade)),
            }
        })
        .collect();
    rows.push(DecisionRow {
        name: "all".to_string(),
        covers: covers.iter().map(|cover| figures(summary, group_name(None, cover.cover))).collect(),
        against_first: String::new(),
        terrain: None,
    });
    rows
}

fn group_name(return_number: Option<u8>, cover: Option<&str>) -> Map<String, Value> {
    let mut name = Map::new();
    if let Some(number) = return_number {
        name.insert("return".to_string(), json!(number));
    }
    if let Some(cover) = cover {
        name.insert("cover".to_string(), json!(cover));
    }
    name
}

/// How a group stands.
fn compliance<'a>(summary: &'a Summary, name: &Map<String, Value>) -> Option<&'a Compliance> {
    summary.trust.standards.groups.iter().find(|compliance| compliance.by == *name)
}

fn figures(summary: &Summary, name: Map<String, Value>) -> [String; 3] {
    let Some(compliance) = compliance(summary, &name) else { return [(); 3].map(|()| UNDEFINED.to_string()) };
    let value = compliance.rmse_v.map_or(UNDEFINED.to_string(), |v| format::decimal(v, 3));
    let ends = compliance.rmse_v_ci95.map_or(UNDEFINED.to_string(), |ends| interval(ends, 3));
    let class = match (compliance.class_cm, compliance.class_cm_95) {
        (Some(met), Some(sure)) if met == sure => format!("{met}"),
        (Some(met), Some(sure)) => format!("{met} ({sure} sure)"),
        (Some(met), None) => format!("{met} (?)"),
        (None, _) => UNDEFINED.to_string(),
    };
    [value, ends, class]
}

fn interval([low, high]: Interval, decimals: usize) -> String {
    format!("{} to {}", format::decimal(low, decimals), format::decimal(high, decimals))
}

fn against_first(number: u8, against: Option<&VsFirst>) -> String {
    let Some(against) = against else {
        return if number == 1 { "the measure".to_string() } else { UNDEFINED.to_string() };
    };
    let ratio =
        against.rmse_ratio.map_or(String::new(), |ratio| format!(", × {}", format::decimal(ratio, 2)));
    match against.verdict {
        "worse" => format!("worse{ratio}"),
        "better" => format!("better{ratio}"),
        _ => format!("undecided{ratio}"),
    }
}

fn terrain(summary: &Summary, trade: &TerrainRow) -> [String; 4] {
    let area = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), |v| format::decimal(v, 1));
    let metres = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), |v| format::decimal(v, 3));
    let common = summary.trust.terrain_by_returns.iter().all(|row| row.terrain.rmse_terrain_common.is_some());
    let (plain, weighted) = if common {
        (trade.terrain.rmse_terrain_common, trade.weighted.rmse_terrain_common)
    } else {
        (trade.terrain.rmse_terrain, trade.weighted.rmse_terrain)
    };
    [
        trade.coverage.map_or(UNDEFINED.to_string(), percent),
        area(trade.largest_void_m2),
        metres(plain),
        metres(weighted),
    ]
}

/// The answer in a few sentences, each a point of its own.
pub fn sentences(summary: &Summary) -> Vec<String> {
    if summary.all.compared == 0 {
        return Vec::new();
    }
    [accuracy(summary), returns(summary), trade(summary), limits(summary), independent(summary)]
        .into_iter()
        .flatten()
        .collect()
}

fn accuracy(summary: &Summary) -> Vec<String> {
    let unit = summary.units;
    let of = |compliance: &Compliance, place: &str, pass: bool| {
        let (value, class) = (compliance.rmse_v?, compliance.class_cm);
        let ends = compliance.rmse_v_ci95.map_or(String::new(), |[low, high]| {
            format!(" (95 %: {} to {})", length(low, unit), length(high, unit))
        });
        let class = match (class, compliance.class_cm_95) {
            (Some(met), Some(sure)) if met == sure => format!("It meets the {met}-cm class, and surely so."),
            (Some(met), Some(sure)) => {
                format!("It meets the {met}-cm class; with this sample only the {sure}-cm class is sure.")
            }
            (Some(met), None) => {
                format!("It meets the {met}-cm class, but one cannot be sure with this sample.")
            }
            (None, _) => "It meets no common class.".to_string(),
        };
        let class =
            if pass { class } else { "Reported as found; the standard sets no limit here.".to_string() };
        Some(format!(
            "{place}: RMSE_V {}{ends} at {}. {class}",
            length(value, unit),
            comparisons(compliance.compared)
        ))
    };
    let named = |name: &str| summary.trust.standards.groups.iter().find(|s| s.name == Some(name));
    match (named("NVA"), named("VVA")) {
        (Some(nva), vva) => [
            of(nva, "In the open (non-vegetated, NVA)", true),
            vva.and_then(|vva| of(vva, "Under canopy (vegetated, VVA)", false)),
        ]
        .into_iter()
        .flatten()
        .collect(),
        _ => compliance(summary, &Map::new())
            .and_then(|all| of(all, "All ground together", true))
            .into_iter()
            .collect(),
    }
}

fn returns(summary: &Summary) -> Vec<String> {
    let with = |verdict: &str| -> Vec<String> {
        let rows = summary
            .returns
            .iter()
            .filter(|row| row.statistics.vs_first.as_ref().is_some_and(|against| against.verdict == verdict));
        rows.map(|row| row.return_number.to_string()).collect()
    };
    let sentence = |verdict: &str, one: &str, several: &str| {
        let numbers = with(verdict);
        match numbers.as_slice() {
            [] => None,
            [number] => Some(format!("Return {number} {one}.")),
            all => Some(format!("Returns {} {several}.", format::listed(all))),
        }
    };
    let all = [
        sentence("worse", "is worse than the first return", "are worse than the first return"),
        sentence("better", "is better than the first return", "are better than the first return"),
        sentence(
            "undecided",
            "cannot be told apart from the first with this sample",
            "cannot be told apart from the first with this sample",
        ),
    ];
    let all: Vec<String> = all.into_iter().flatten().collect();
    if all.is_empty() { Vec::new() } else { vec![all.join(" ")] }
}

fn trade(summary: &Summary) -> Vec<String> {
    let unit = summary.units;
    let rows = &summary.trust.terrain_by_returns;
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Vec::new() };
    let mut text = match (first.coverage, last.coverage) {
        (Some(a), Some(b)) if rows.len() > 1 => format!(
            "Ground points of first returns fill {} % of the terrain cells; with returns 1 to {} it is {} %.",
            percent(a),
            last.returns_up_to,
            percent(b)
        ),
        _ => return Vec::new(),
    };
    let known = rows.iter().filter_map(|row| Some((row, row.terrain.rmse_terrain_common?)));
    if let Some((row, rmse)) = known.min_by(|a, b| a.1.total_cmp(&b.1)) {
        text += &format!(
            " Where all of them reach, the terrain agrees best with the reference when made from {} (RMSE {})",
            up_to(row.returns_up_to),
            length(rmse, unit)
        );
        text += &match last.weighted.rmse_terrain_common {
            Some(weighed) => format!(
                "; weighing every return by its own variance and taking out its own bias gives {} with all of them.",
                length(weighed, unit)
            ),
            None => ".".to_string(),
        };
    }
    vec![text]
}

fn up_to(k: u8) -> String {
    if k == 1 { "first returns alone".to_string() } else { format!("returns 1 to {k}") }
}

fn limits(summary: &Summary) -> Vec<String> {
    let accept = &summary.trust.accept;
    if accept.is_empty() {
        return Vec::new();
    }
    let count = |verdict: &str| accept.iter().filter(|limit| limit.verdict == verdict).count();
    let (met, missed, undecided) = (count("met"), count("missed"), count("undecided"));
    let mut text = format!(
        "Of {} limit{} set, {met} {} met, {missed} missed and {undecided} cannot be decided with this sample.",
        accept.len(),
        if accept.len() == 1 { "" } else { "s" },
        if met == 1 { "is" } else { "are" }
    );
    for limit in accept.iter().filter(|limit| limit.verdict != "met") {
        text += &format!(" {}: {}", capital(limit.verdict), limit.limit);
        text += &match limit.more_checkpoints {
            Some(more) => {
                format!(" (about {} more independent checkpoints would settle it).", thousands(more))
            }
            None => ".".to_string(),
        };
    }
    vec![text]
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

fn independent(summary: &Summary) -> Vec<String> {
    let Some(n) = summary.all.n_effective.filter(|n| *n < 0.9 * summary.all.compared as f64) else {
        return Vec::new();
    };
    vec![format!(
        "Places near each other are alike: the {} comparisons tell as much about the bias as {} independent ones would. The \
         intervals allow for that.",
        thousands(summary.all.compared),
        thousands(n.round().max(1.0) as u64)
    )]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{html, text};
    use crate::results::sample;

    #[test]
    fn the_answer_says_which_returns_for_which_class_under_which_cover_and_how_sure() {
        let summary = sample::decided().0;
        let told = sentences(&summary);
        assert_eq!(
            told[0],
            "In the open (non-vegetated, NVA): RMSE_V 24 mm (95 %: 22 mm to 26 mm) at 2,000 comparisons. It meets the 2.5-cm \
             class; with this sample only the 5-cm class is sure."
        );
        assert!(
            told[1].starts_with("Under canopy (vegetated, VVA): RMSE_V 41 mm")
                && told[1].contains("as found")
        );
        assert_eq!(told[2], "Return 2 is worse than the first return.");
        assert!(
            told[3].contains("fill 86.7 %") && told[3].contains("with returns 1 to 2 it is 95.3 %"),
            "{}",
            told[3]
        );
        assert!(told[3].contains("made from returns 1 to 2 (RMSE 18 mm)") && told[3].contains("gives 17 mm"));
        assert!(
            told[4].contains("Of 2 limits set, 1 is met, 0 missed and 1 cannot be decided"),
            "{}",
            told[4]
        );
        assert!(told[4].contains("about 1,200 more independent checkpoints"), "{}", told[4]);
        assert!(told[5].contains("as much about the bias as 500 independent ones"), "{}", told[5]);
    }

    #[test]
    fn the_table_has_a_row_a_return_and_a_dash_where_nothing_is_known() {
        let rows = rows(&sample::decided().0);
        let names: Vec<&str> = rows.iter().map(|row| row.name.as_str()).collect();
        assert_eq!(names, ["1", "2", "all"]);
        assert_eq!(rows[0].covers[0], ["0.023", "0.021 to 0.025", "2.5"]);
        assert_eq!(rows[1].covers[0], [UNDEFINED; 3]);
        assert_eq!(rows[1].covers[1], ["0.044", UNDEFINED, "5 (?)"]);
        assert_eq!(rows[2].covers[0][2], "2.5 (5 sure)");
        assert_eq!(
            (rows[0].against_first.as_str(), rows[1].against_first.as_str()),
            ("the measure", "worse, × 1.50")
        );
        assert_eq!(rows[1].terrain.as_ref().unwrap(), &["95.3", "108.0", "0.018", "0.017"]);
    }

    #[test]
    fn page_and_text_begin_with_the_answer() {
        let (summary, histogram) = sample::decided();
        let page = html::page(&summary, &histogram);
        let (answer, by_return) =
            (page.find("Which returns can be trusted").unwrap(), page.find("By return").unwrap());
        assert!(answer < by_return);
        assert!(page.contains("dz changes across the site.") && page.contains("class=\"undecided\""));
        let text = text::result_text(&summary);
        assert!(
            text.contains("- Return 2 is worse than the first return.") && text.contains("Note: dz changes")
        );
        let nothing = sample::nothing_matched();
        assert!(!html::page(&nothing.0, &nothing.1).contains("can be trusted"));
        assert!(sentences(&nothing.0).is_empty());
    }
}
