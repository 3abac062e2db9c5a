//! The tables of a run as files: `returns.csv` and `summary.json`.

use crate::results::checkpoints::{CheckpointRow, FIRST_COLUMNS, GROUND_COLUMNS};
use crate::results::statistics::Statistics;
use crate::results::summary::Summary;
use crate::units::Unit;

/// Decimals of `returns.csv`, in metres and feet alike: well below what any survey can show.
const DECIMALS: usize = 6;

/// Columns of `returns.csv`.
const COLUMNS: usize = 24;

/// `returns.csv`: a row a return, then `all`. A statistic that does not exist is an empty cell; `_low` and `_high` are
/// the ends of 95 % intervals, `corrected_` figures those with the truncation by the ground filter corrected.
pub fn returns_csv(summary: &Summary) -> String {
    let mut table = csv::Writer::from_writer(Vec::new());
    let header = [
        "return",
        "points",
        "share",
        "ground",
        "ground_share",
        "compared",
        "bias",
        "sd",
        "rmse",
        "min",
        "max",
        "median",
        "nmad",
        "abs_p95",
        "units",
        "n_effective",
        "bias_low",
        "bias_high",
        "sd_low",
        "sd_high",
        "rmse_low",
        "rmse_high",
        "corrected_bias",
        "corrected_sd",
    ];
    let rows = summary.returns.iter().map(|row| (row.return_number.to_string(), &row.statistics));
    let rows = rows.chain([("all".to_string(), &summary.all)]);
    table.write_record(header).expect("writing to memory");
    for (name, statistics) in rows {
        table.write_record(returns_row(name, statistics, summary.units)).expect("writing to memory");
    }
    let bytes = table.into_inner().expect("writing to memory");
    String::from_utf8(bytes).expect("written from text")
}

fn returns_row(name: String, statistics: &Statistics, unit: Unit) -> [String; COLUMNS] {
    let s = statistics;
    let low = |ends: Option<[f64; 2]>| cell(ends.map(|[low, _]| low));
    let high = |ends: Option<[f64; 2]>| cell(ends.map(|[_, high]| high));
    let truncation_corrected = s.truncation_corrected.as_ref();
    [
        name,
        s.points.to_string(),
        cell(s.share),
        s.ground.to_string(),
        cell(s.ground_share),
        s.compared.to_string(),
        cell(s.bias),
        cell(s.sd),
        cell(s.rmse),
        cell(s.min),
        cell(s.max),
        cell(s.median),
        cell(s.nmad),
        cell(s.abs_p95),
        unit.symbol().to_string(),
        s.n_effective.map(|n| format!("{n:.1}")).unwrap_or_default(),
        low(s.bias_ci95),
        high(s.bias_ci95),
        low(s.sd_ci95),
        high(s.sd_ci95),
        low(s.rmse_ci95),
        high(s.rmse_ci95),
        cell(truncation_corrected.and_then(|truncation_corrected| truncation_corrected.bias)),
        cell(truncation_corrected.and_then(|truncation_corrected| truncation_corrected.sd)),
    ]
}

/// `checkpoints.csv` of a list of surveyed points: a row for each, used or not. x and y are in the survey's own unit, other
/// lengths in that of the report; `z` is the survey's elevation, from the ground of all returns together.
pub fn surveyed_csv(rows: &[CheckpointRow], horizontal: Unit, units: Unit) -> String {
    let mut table = csv::Writer::from_writer(Vec::new());
    let own = ["name", "sigma", "used", "reason", "siting"];
    let is_fitted = rows.iter().any(|row| row.fit.is_some());
    let fit: &[&str] = if is_fitted { &["fit"] } else { &[] };
    let header = FIRST_COLUMNS.iter().chain(&own).chain(&GROUND_COLUMNS).chain(fit);
    table.write_record(header).expect("writing to memory");
    for row in rows {
        let mut record = vec![
            cell(Some(row.easting)),
            cell(Some(row.northing)),
            cell(row.survey_elevation),
            String::new(),
            String::new(),
            cell(Some(row.elevation)),
            cell(row.dz),
            row.name.clone(),
            cell(row.sigma),
            if row.used { "yes" } else { "no" }.to_string(),
            row.reason.clone().unwrap_or_default(),
            row.siting.join("; "),
            horizontal.symbol().to_string(),
            units.symbol().to_string(),
            row.cover.unwrap_or_default().to_string(),
            row.slope.map(|slope| format!("{slope:.2}")).unwrap_or_default(),
        ];
        record.extend(is_fitted.then(|| cell(row.fit)));
        table.write_record(&record).expect("writing to memory");
    }
    let bytes = table.into_inner().expect("writing to memory");
    String::from_utf8(bytes).expect("written from text")
}

fn cell(value: Option<f64>) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else { return String::new() };
    let text = format!("{value:.DECIMALS$}");
    match text.strip_prefix('-') {
        Some(digits) if !digits.contains(|c| ('1'..='9').contains(&c)) => digits.to_string(),
        _ => text,
    }
}

/// `summary.json`: readable, in the order of the struct, with a line end at the end.
pub fn summary_json(summary: &Summary) -> String {
    let mut text = serde_json::to_string_pretty(summary).expect("numbers and text only");
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    fn records(text: &str) -> Vec<csv::StringRecord> {
        csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(text.as_bytes())
            .records()
            .collect::<Result<_, _>>()
            .unwrap()
    }

    #[test]
    fn returns_have_a_row_each_and_one_for_all() {
        for (summary, _) in [sample::five_returns(Unit::Foot), sample::nothing_matched()] {
            let rows = records(&returns_csv(&summary));
            assert_eq!(rows.len(), summary.returns.len() + 2);
            assert!(rows.iter().all(|row| row.len() == COLUMNS));
            assert_eq!(
                rows[0].iter().collect::<Vec<_>>().join(","),
                "return,points,share,ground,ground_share,compared,bias,sd,rmse,min,max,median,nmad,abs_p95,units,n_effective,\
                 bias_low,bias_high,sd_low,sd_high,rmse_low,rmse_high,corrected_bias,corrected_sd"
            );
            assert_eq!(&rows[rows.len() - 1][0], "all");
            assert_eq!(&rows[1][14], summary.units.symbol());
        }
    }

    #[test]
    fn what_does_not_exist_is_an_empty_cell_or_null() {
        let (summary, _) = sample::one_comparison();
        let rows = records(&returns_csv(&summary));
        assert_eq!((&rows[1][6], &rows[1][7]), ("0.007000", ""));
        let json: serde_json::Value = serde_json::from_str(&summary_json(&summary)).unwrap();
        assert_eq!(json["returns"][0]["return"], 1);
        assert!(json["all"]["sd"].is_null() && json["all"]["bias"] == 0.007);
        assert_eq!(cell(Some(-0.000_000_1)), "0.000000");
        assert_eq!(cell(Some(f64::NAN)), "");
    }

    #[test]
    fn json_keeps_the_order_of_the_contract() {
        let text = summary_json(&sample::five_returns(Unit::Metre).0);
        let at = |key: &str| text.find(key).unwrap();
        assert!(at("\"units\"") < at("\"points\"") && at("\"points\"") < at("\"returns\""));
        assert!(at("\"bias\"") < at("\"sd\"") && at("\"nmad\"") < at("\"abs_p95\""));
        assert!(text.ends_with("}\n"));
    }
}
