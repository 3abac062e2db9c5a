//! The table of decision: of each return, on which ground it meets which class, and how it stands against the first.

use crate::results::confidence::{Compliance, VerticalAccuracy};
use crate::results::format::{ResidualFormat, UNDEFINED, decimal, thousands};
use crate::results::group_key::{GroupKey, Property};
use crate::results::statistics::{Interval, Statistics, VsFirst};
use crate::results::summary::Summary;
use crate::tile::strata::{By, Cover};
use crate::units::Unit;

/// Columns of figures for one cover.
pub struct CoverColumns {
    /// Above the columns: `Open ground (NVA)`.
    pub head: &'static str,
    /// The cover; none where cover is not told apart.
    pub cover: Option<Cover>,
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

/// The key of a return, or of all, on one cover, or on all.
pub fn group_key(return_number: Option<u8>, cover: Option<Cover>) -> GroupKey {
    let number = return_number.map(Property::Return);
    let cover = cover.map(|cover| Property::Cover(Some(cover)));
    GroupKey::new(number.into_iter().chain(cover))
}

/// The compliance of a group.
pub fn compliance<'a>(summary: &'a Summary, key: &GroupKey) -> Option<&'a Compliance> {
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
    let [met, upper] = compliance.classes();
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

/// The interval of RMSE_V as the client's limits are judged: a stated offset removed.
pub fn interval(compliance: &Compliance) -> Option<Interval> {
    match &compliance.offset_removed {
        Some(removed) => removed.rmse_v_ci95,
        None => compliance.rmse_v_ci95,
    }
}

/// RMSE_V likewise, where there is enough to show it.
pub fn judged_rmse_v(compliance: &Compliance) -> Option<f64> {
    let value = match &compliance.offset_removed {
        Some(removed) => removed.rmse_v,
        None => compliance.rmse_v,
    };
    value.filter(|_| compliance.support().is_enough())
}

/// The comparison with first returns, where there are figures of this return.
pub fn versus(statistics: &Statistics) -> Option<&VsFirst> {
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
        against.bias_verdict.word(),
        format.signed(Some(bias)),
        against.spread_verdict.word()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

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
            ("baseline", "bias different, −3.0; SD worse, × 1.30")
        );
    }
}
