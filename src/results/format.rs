//! How numbers, lengths and groups are written for people, wherever they stand.

use serde_json::{Map, Value};

use crate::units::Unit;

/// What stands where a statistic does not exist.
pub const UNDEFINED: &str = "–";

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

/// A count and its noun: `1 comparison`, `12,431 comparisons`.
pub fn comparisons(n: u64) -> String {
    format!("{} comparison{}", thousands(n), if n == 1 { "" } else { "s" })
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

#[cfg(test)]
mod tests {
    use super::*;

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
}
