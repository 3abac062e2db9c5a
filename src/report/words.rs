//! The wording and the number formats that the page and the printed result share.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use super::summary::{CloudCounts, ReturnRow, Statistics, Summary};
use crate::pipeline::units::Unit;
use crate::standards::MIN_CHECKPOINTS;

/// What stands where a statistic does not exist.
pub const UNDEFINED: &str = "–";

/// At most this many returns are told one by one in the summary sentence; beyond it the table does that better.
const TOLD_ONE_BY_ONE: usize = 5;

/// A bias below this is level: the tables, to three decimals, show it as zero.
const LEVEL: f64 = 0.0005;

/// `1234567` as `1,234,567`.
pub fn thousands(n: u64) -> String {
    group(&n.to_string())
}

fn group(digits: &str) -> String {
    let mut out = String::with_capacity(digits.len() * 4 / 3 + 1);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// `value` with so many decimals and thousands separators; what rounds to zero has no sign.
pub fn decimal(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return UNDEFINED.to_string();
    }
    let digits = format!("{:.decimals$}", value.abs());
    let (whole, fraction) = digits.split_at(digits.find('.').unwrap_or(digits.len()));
    let sign = if value < 0.0 && digits.contains(|c| ('1'..='9').contains(&c)) { "-" } else { "" };
    format!("{sign}{}{fraction}", group(whole))
}

/// As [`decimal`], with a plus sign where the value is above zero.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = decimal(value, decimals);
    let plus = value > 0.0 && text.contains(|c| ('1'..='9').contains(&c));
    if plus { format!("+{text}") } else { text }
}

/// A share (0 to 1) in per cent with one decimal; what is there but rounds to nothing says so.
pub fn percent(share: f64) -> String {
    if share > 0.0 && share < 0.0005 { "<0.1".to_string() } else { decimal(share * 100.0, 1) }
}

/// A count and its noun: `1 place`, `12,431 places`.
pub fn places(n: u64) -> String {
    format!("{} place{}", thousands(n), if n == 1 { "" } else { "s" })
}

/// The factor, decimals and symbol in which people say a length of this size: millimetres up to two metres.
fn spoken(value: f64, unit: Unit) -> (f64, usize, &'static str) {
    let size = value.abs();
    match unit {
        Unit::Metre if size >= 2.0 => (1.0, 3, "m"),
        Unit::Metre if (0.000_05..0.000_95).contains(&size) => (1000.0, 1, "mm"),
        Unit::Metre => (1000.0, 0, "mm"),
        Unit::Foot | Unit::UsSurveyFoot => (1.0, if size < 10.0 { 3 } else { 2 }, unit.symbol()),
    }
}

/// A length of the report as people say it: `31 mm`, `2.345 m`, `0.102 ft`.
pub fn length(value: f64, unit: Unit) -> String {
    let (factor, decimals, symbol) = spoken(value, unit);
    format!("{} {symbol}", decimal(value * factor, decimals))
}

/// As [`length`], with its sign, and never finer than the tables.
pub fn signed_length(value: f64, unit: Unit) -> String {
    let (factor, decimals, symbol) = spoken(if value.abs() < 0.001 { 0.0 } else { value }, unit);
    format!("{} {symbol}", signed(value * factor, decimals))
}

/// `7 mm above`, `20 mm below` or `level with`: where the survey lies from the reference.
fn side(dz: f64, unit: Unit) -> String {
    if dz.abs() < LEVEL {
        "level with".to_string()
    } else {
        format!("{} {}", length(dz.abs(), unit), if dz > 0.0 { "above" } else { "below" })
    }
}

/// The result in plain words; where nothing was compared, why that may be and what to look at.
pub fn summary_sentence(summary: &Summary) -> String {
    let unit = summary.units;
    let all = &summary.all;
    let Some(mean) = all.mean.filter(|_| all.compared > 0) else {
        return nothing_compared(summary);
    };
    let mut text = if all.compared == 1 {
        format!(
            "At the one place where survey and reference meet, the airborne ground lies {} the reference. One \
             place says nothing about spread.",
            side(mean, unit)
        )
    } else {
        let spread = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), |v| length(v, unit));
        format!(
            "Over {} where survey and reference meet, the airborne ground lies {} the reference on average \
             (bias), with a standard deviation of {} and an RMSE of {}.",
            places(all.compared),
            side(mean, unit),
            spread(all.sd),
            spread(all.rmse)
        )
    };
    let told: Vec<_> = summary.returns.iter().filter_map(|row| one_return(row, unit)).collect();
    match told.as_slice() {
        [] | [_] => {}
        several if several.len() <= TOLD_ONE_BY_ONE => {
            text += &format!(" Return by return, it lies {}.", listed(several));
        }
        [first, .., last] => {
            text += &format!(
                " Return by return, it lies {first}, up to {last}; the table has each of the {} returns compared.",
                told.len()
            );
        }
    }
    text
}

fn one_return(row: &ReturnRow, unit: Unit) -> Option<String> {
    let Statistics { compared, mean, sd, .. } = row.statistics;
    let spread = match sd {
        Some(sd) => format!("SD {}", length(sd, unit)),
        None => places(compared),
    };
    let it = if mean?.abs() < LEVEL { " it" } else { "" };
    Some(format!("{}{it} for return {} ({spread})", side(mean?, unit), row.return_number))
}

fn nothing_compared(summary: &Summary) -> String {
    let Some(reference) = &summary.reference else {
        return "No reference was given, so nothing was compared: this report only counts the survey's points, \
                return by return. To learn how well the ground agrees, name the files of a better measurement \
                under “reference” and add the stages “ground” and “compare”."
            .to_string();
    };
    if summary.method.is_empty() {
        return "A reference was given, but nothing was compared: the list of stages has no “compare”. Add it \
                after “ground”."
            .to_string();
    }
    for (counts, cloud) in [(&summary.survey, "survey"), (reference, "reference")] {
        if counts.ground == 0 {
            return format!(
                "Nothing was compared, for not one point of the {cloud} was accepted as ground. Look at where its \
                 points went (below), at what the “keep” stages drop and at the thresholds of “ground”."
            );
        }
    }
    format!(
        "Nothing was compared: the survey has {} ground points and the reference {}, but nowhere do the two lie \
         near enough in plan. Look at whether both are in the same coordinate system and units, whether they cover \
         the same ground, and whether “within” of “compare” is smaller than the spacing of the reference.",
        thousands(summary.survey.ground),
        thousands(reference.ground)
    )
}

/// Why one point of a cloud is not ground, in the order in which points are judged, and how many there are.
struct Reason {
    order: (u8, usize),
    label: String,
    count: u64,
}

fn reasons(counts: &CloudCounts) -> Vec<Reason> {
    let reason = |order, label: &str, count| Reason { order: (order, 0), label: label.to_string(), count };
    let mut all = vec![
        reason(1, "flagged withheld", counts.withheld),
        reason(2, "out of the usable range", counts.out_of_range),
    ];
    if counts.lost_points > 0 {
        all.insert(0, reason(0, "lost in damaged blocks", counts.lost_points));
    }
    all.extend(counts.keep.iter().map(|keep| Reason {
        order: (3, keep.stage),
        label: format!("dropped by keep (stage {})", keep.stage),
        count: keep.dropped,
    }));
    all.extend([
        reason(4, "of a noise class (7 or 18)", counts.noise),
        reason(5, "low outliers", counts.low_outlier),
        reason(6, "above the ground", counts.above_ground),
    ]);
    all
}

/// Points that no reason accounts for: kept, but no ground filter judged them.
fn not_judged(counts: &CloudCounts) -> u64 {
    let told: u64 = reasons(counts).iter().map(|reason| reason.count).sum();
    counts.read.saturating_sub(told + counts.ground)
}

/// One line of the account of points: what happened to them, and how many of the survey and of the reference
/// (none where the line does not apply to that cloud).
pub struct LedgerLine {
    /// What happened to these points.
    pub label: String,
    /// How many of the survey, and of the reference.
    pub counts: [Option<u64>; 2],
}

/// Where the points went: every point read stands in exactly one line.
pub fn ledger(survey: &CloudCounts, reference: Option<&CloudCounts>) -> Vec<LedgerLine> {
    let mut lines: BTreeMap<(u8, usize), LedgerLine> = BTreeMap::new();
    for (cloud, counts) in [Some(survey), reference].into_iter().enumerate() {
        let Some(counts) = counts else { continue };
        let mut all = reasons(counts);
        let rest = not_judged(counts);
        if rest > 0 {
            all.push(Reason {
                order: (7, 0),
                label: "kept, but judged by no ground filter".to_string(),
                count: rest,
            });
        }
        all.push(Reason { order: (8, 0), label: "accepted as ground".to_string(), count: counts.ground });
        for Reason { order, label, count } in all {
            lines.entry(order).or_insert(LedgerLine { label, counts: [None, None] }).counts[cloud] =
                Some(count);
        }
    }
    lines.into_values().collect()
}

/// Things one after the other: `2`, `2 and 3`, `2, 3 and 4`.
pub fn listed(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// A group in words: `return 1, open`, `all returns`.
pub fn in_words(by: &Map<String, Value>) -> String {
    if by.is_empty() {
        return "all returns".to_string();
    }
    let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_string);
    let one = |(key, value): (&String, &Value)| match (key.as_str(), value) {
        (_, Value::Null) => format!("{} not known", key.replace('_', " ")),
        ("cover", Value::String(cover)) if cover == "canopy" => "under canopy".to_string(),
        ("cover", _) => "in the open".to_string(),
        ("slope" | "scan_angle" | "return" | "strip", _) => {
            format!("{} {}", key.replace('_', " "), text(value))
        }
        _ => format!("{} echo", text(value)),
    };
    by.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// What was left out of one cloud, in one sentence; none where every point is ground.
pub fn left_out(cloud: &str, counts: &CloudCounts) -> Option<String> {
    let mut parts: Vec<_> = reasons(counts)
        .iter()
        .filter(|reason| reason.count > 0)
        .map(|reason| format!("{} {}", thousands(reason.count), reason.label))
        .collect();
    if not_judged(counts) > 0 {
        parts.push(format!("{} judged by no ground filter", thousands(not_judged(counts))));
    }
    let mut text = String::new();
    if !parts.is_empty() {
        text = format!("Left out of the {cloud}: {}.", parts.join(", "));
    }
    if counts.invalid_return > 0 {
        let n = thousands(counts.invalid_return);
        let invalid = format!("In no row by return: {n} of the {cloud} with an invalid return number.");
        text = if text.is_empty() { invalid } else { format!("{text} {invalid}") };
    }
    (!text.is_empty()).then_some(text)
}

/// What is said of the reference's own error.
pub fn reference_error(summary: &Summary) -> String {
    match summary.reference_uncertainty {
        Some(sigma) => format!(
            "The reference's own vertical uncertainty is stated as {} (one sigma). Its random part is within the \
             SD and RMSE above, any constant part within the bias: nothing has been subtracted.",
            length(sigma, summary.units)
        ),
        None => {
            "No uncertainty is stated for the reference. The figures hold the errors of survey and reference \
                 together."
                .to_string()
        }
    }
}

/// What every reader must know before using the figures.
pub fn cautions(summary: &Summary) -> Vec<String> {
    let mut all = Vec::new();
    let few: Vec<_> = summary
        .returns
        .iter()
        .filter(|row| (1..MIN_CHECKPOINTS).contains(&row.statistics.compared))
        .map(|row| row.return_number.to_string())
        .collect();
    if !few.is_empty() {
        let (noun, verb) = if few.len() == 1 { ("Return", "rests") } else { ("Returns", "rest") };
        all.push(format!(
            "{noun} {} {verb} on fewer than {MIN_CHECKPOINTS} places: take those figures as a hint, not as a result.",
            listed(&few)
        ));
    }
    all.extend(
        [
            "A threshold of the ground filter near the noise of the late returns cuts off their upper tail: a point \
             that lies too high over its surroundings is not ground, so it is never compared. SD then comes out too \
             small and bias too low while both look plausible. Look at the SD of late returns, and at how lopsided \
             their histogram is, with care.",
            "The figures hold only where the reference was measured. Ground of another kind – steeper, wetter, under \
             denser cover – may agree better or worse.",
            "This is not a survey certification.",
            "Terrain used for design, flood or safety work is for licensed practice under local rules.",
        ]
        .map(String::from),
    );
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn numbers_read_as_people_write_them() {
        assert_eq!(thousands(0), "0");
        assert_eq!(thousands(999), "999");
        assert_eq!(thousands(18_446_744_073_709_551_615), "18,446,744,073,709,551,615");
        assert_eq!(decimal(-1234.5678, 3), "-1,234.568");
        assert_eq!(decimal(-0.0004, 3), "0.000");
        assert_eq!(decimal(f64::NAN, 3), "–");
        assert_eq!(signed(0.007, 3), "+0.007");
        assert_eq!(signed(0.0001, 3), "0.000");
        assert_eq!(signed(-0.02, 3), "-0.020");
        assert_eq!(percent(0.000_01), "<0.1");
        assert_eq!(percent(1.0), "100.0");
    }

    #[test]
    fn lengths_are_said_in_sensible_decimals() {
        assert_eq!(length(0.0309, Unit::Metre), "31 mm");
        assert_eq!(length(0.0004, Unit::Metre), "0.4 mm");
        assert_eq!(length(0.000_96, Unit::Metre), "1 mm");
        assert_eq!(length(0.0, Unit::Metre), "0 mm");
        assert_eq!(length(12.3456, Unit::Metre), "12.346 m");
        assert_eq!(length(0.1017, Unit::Foot), "0.102 ft");
        assert_eq!(signed_length(-12.3456, Unit::UsSurveyFoot), "-12.35 ftUS");
    }

    #[test]
    fn the_sentence_says_above_and_below() {
        let text = summary_sentence(&sample::five_returns(Unit::Metre).0);
        assert!(text.contains("above the reference on average (bias)"), "{text}");
        assert!(text.contains("above for return 1 (SD "), "{text}");
        assert!(text.contains(" and 2") && text.contains("below for return 5 (SD "), "{text}");
        let mut level = sample::five_returns(Unit::Foot).0;
        level.all.mean = Some(0.0001);
        assert!(summary_sentence(&level).contains("lies level with the reference on average"));
    }

    #[test]
    fn many_returns_are_not_told_one_by_one() {
        let text = summary_sentence(&sample::fifteen_returns().0);
        assert!(text.contains("for return 1 (SD ") && text.contains("for return 15 (SD "), "{text}");
        assert!(!text.contains("for return 7"), "{text}");
    }

    #[test]
    fn no_comparison_says_what_to_look_at() {
        let mut summary = sample::nothing_matched().0;
        assert!(summary_sentence(&summary).contains("same coordinate system and units"));
        summary.reference.as_mut().unwrap().ground = 0;
        assert!(summary_sentence(&summary).contains("not one point of the reference"));
        summary.method.clear();
        assert!(summary_sentence(&summary).contains("no “compare”"));
        summary.reference = None;
        assert!(summary_sentence(&summary).contains("No reference was given"));
    }

    #[test]
    fn one_place_has_no_spread() {
        let text = summary_sentence(&sample::one_place().0);
        assert_eq!(
            text,
            "At the one place where survey and reference meet, the airborne ground lies 7 mm above the reference. \
             One place says nothing about spread."
        );
    }

    #[test]
    fn every_point_read_stands_in_one_line_of_the_ledger() {
        let summary = sample::five_returns(Unit::Metre).0;
        let lines = ledger(&summary.survey, summary.reference.as_ref());
        for (cloud, read) in [summary.survey.read, summary.reference.unwrap().read].into_iter().enumerate() {
            assert_eq!(lines.iter().filter_map(|line| line.counts[cloud]).sum::<u64>(), read);
        }
        let unfiltered = CloudCounts { read: 10, withheld: 1, ..CloudCounts::default() };
        assert_eq!(
            left_out("survey", &unfiltered).unwrap(),
            "Left out of the survey: 1 flagged withheld, 9 judged by no ground filter."
        );
        assert_eq!(left_out("survey", &CloudCounts { read: 3, ground: 3, ..CloudCounts::default() }), None);
    }

    #[test]
    fn returns_with_few_places_are_told() {
        let mut summary = sample::five_returns(Unit::Metre).0;
        assert_eq!(cautions(&summary).len(), 4);
        summary.returns[4].statistics.compared = 29;
        assert!(cautions(&summary)[0].starts_with("Return 5 rests on fewer than 30 places"));
        summary.returns[3].statistics.compared = 1;
        assert!(cautions(&summary)[0].starts_with("Returns 4 and 5 rest on"));
    }
}
