//! How numbers and lengths are written for people, wherever they stand.

use crate::units::Unit;

/// What stands where a statistic does not exist.
pub const UNDEFINED: &str = "–";

/// The minus sign.
const MINUS: &str = "−";

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
    let sign = if value < 0.0 && digits.contains(|c| ('1'..='9').contains(&c)) { MINUS } else { "" };
    format!("{sign}{}{fraction}", group(whole))
}

/// A number with as many decimals as it has, and at the most so many, of which there is one at least.
pub fn shortest(value: f64, decimals: usize) -> String {
    decimal(value, decimals).trim_end_matches('0').trim_end_matches('.').to_string()
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

/// How numbers are written: [`decimal`] or [`signed`].
type Style = fn(f64, usize) -> String;

/// The ends of an interval, with as many more decimals as it takes to tell them apart.
fn ends([low, high]: [f64; 2], decimals: usize, style: Style) -> String {
    const MOST_MORE: usize = 3;
    let written = |decimals| (style(low, decimals), style(high, decimals));
    let mut text = written(decimals);
    for more in 1..=MOST_MORE {
        if text.0 != text.1 || low == high {
            break;
        }
        text = written(decimals + more);
    }
    format!("{} to {}", text.0, text.1)
}

/// How residuals stand in tables and on axes: millimetres with one decimal, or thousandths of a foot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResidualFormat {
    factor: f64,
    decimals: usize,
    /// The unit, as columns are headed.
    pub symbol: &'static str,
}

impl ResidualFormat {
    /// For a report in this unit.
    pub fn of(unit: Unit) -> Self {
        match unit {
            Unit::Metre => ResidualFormat { factor: 1000.0, decimals: 1, symbol: "mm" },
            Unit::Foot | Unit::UsSurveyFoot => {
                ResidualFormat { factor: 1.0, decimals: 3, symbol: unit.symbol() }
            }
        }
    }

    /// A length, without unit; a dash where there is none.
    pub fn length(self, value: Option<f64>) -> String {
        self.written(value, decimal)
    }

    /// A length with its sign, without unit; a dash where there is none.
    pub fn signed(self, value: Option<f64>) -> String {
        self.written(value, signed)
    }

    fn written(self, value: Option<f64>, style: Style) -> String {
        value.map_or(UNDEFINED.to_string(), |value| style(self.scaled(value), self.decimals))
    }

    /// An interval of lengths.
    pub fn interval(self, interval: Option<[f64; 2]>) -> String {
        self.written_ends(interval, decimal)
    }

    /// An interval of lengths with their signs.
    pub fn signed_interval(self, interval: Option<[f64; 2]>) -> String {
        self.written_ends(interval, signed)
    }

    fn written_ends(self, interval: Option<[f64; 2]>, style: Style) -> String {
        interval.map_or(UNDEFINED.to_string(), |interval| {
            ends(interval.map(|end| self.scaled(end)), self.decimals, style)
        })
    }

    /// A length as a number in the unit of columns and axes.
    pub fn scaled(self, value: f64) -> f64 {
        value * self.factor
    }

    /// Whether a length is written as zero.
    pub fn is_zero(self, value: f64) -> bool {
        self.scaled(value).abs() < 0.5 * 10f64.powi(-(self.decimals as i32))
    }
}

/// From this size on, metres: millimetres are no longer read as a residual.
const METRES_FROM: f64 = 2.0;

/// A residual in a sentence: `30.9 mm`, `2.345 m`, `0.102 ft`.
pub fn length(value: f64, unit: Unit) -> String {
    with_unit(value, unit, decimal)
}

/// An interval of residuals in a sentence: `21.3 to 21.9 mm`.
pub fn length_interval(interval: [f64; 2], unit: Unit) -> String {
    let format = ResidualFormat::of(unit);
    format!("{} {}", format.interval(Some(interval)), format.symbol)
}

/// As [`length_interval`], with the signs.
pub fn signed_length_interval(interval: [f64; 2], unit: Unit) -> String {
    let format = ResidualFormat::of(unit);
    format!("{} {}", format.signed_interval(Some(interval)), format.symbol)
}

/// As [`length`], with its sign.
pub fn signed_length(value: f64, unit: Unit) -> String {
    with_unit(value, unit, signed)
}

fn with_unit(value: f64, unit: Unit, style: Style) -> String {
    if unit == Unit::Metre && value.abs() >= METRES_FROM {
        return format!("{} m", style(value, 3));
    }
    let format = ResidualFormat::of(unit);
    format!("{} {}", format.written(Some(value), style), format.symbol)
}

/// A distance in plan: `12.5 m`.
pub fn distance(value: f64, unit: Unit) -> String {
    format!("{} {}", decimal(value, 1), unit.symbol())
}

/// A class of slope, by its name in results, for people: `20–40 %`.
pub fn slope_class(name: &str) -> String {
    let per_cent = |number: &str| {
        let text = format!("{:.1}", number.parse::<f64>().unwrap_or(f64::NAN) * 100.0);
        text.trim_end_matches(".0").to_string()
    };
    match (name.strip_prefix('<'), name.strip_prefix(">="), name.split_once('-')) {
        (Some(high), ..) => format!("under {} %", per_cent(high)),
        (_, Some(low), _) => format!("{} % and more", per_cent(low)),
        (.., Some((low, high))) => format!("{}–{} %", per_cent(low), per_cent(high)),
        _ => name.to_string(),
    }
}

/// A text with its first letter as a capital.
pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// Names one after the other: `2`, `2 and 3`, `2, 3 and 4`.
pub fn and_list(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// As [`and_list`], no more than the first `most` of them by name: `2, 3 and 4 more`.
pub fn and_list_of(names: &[String], most: usize) -> String {
    let more = names.len().saturating_sub(most);
    let mut listed = names[..names.len() - more].to_vec();
    listed.extend((more > 0).then(|| format!("{} more", thousands(more as u64))));
    and_list(&listed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_as_people_write_them() {
        assert_eq!(thousands(0), "0");
        assert_eq!(thousands(999), "999");
        assert_eq!(thousands(18_446_744_073_709_551_615), "18,446,744,073,709,551,615");
        assert_eq!(decimal(-1234.5678, 3), "−1,234.568");
        assert_eq!(decimal(-0.0004, 3), "0.000");
        assert_eq!(decimal(f64::NAN, 3), "–");
        assert_eq!(signed(0.007, 3), "+0.007");
        assert_eq!(signed(0.0001, 3), "0.000");
        assert_eq!(signed(-0.02, 3), "−0.020");
        assert_eq!(percent(0.000_01), "<0.1");
        assert_eq!(percent(1.0), "100.0");
    }

    #[test]
    fn residuals_are_millimetres_with_one_decimal_or_thousandths_of_a_foot() {
        assert_eq!(length(0.0309, Unit::Metre), "30.9 mm");
        assert_eq!(length(0.0004, Unit::Metre), "0.4 mm");
        assert_eq!(length(0.0, Unit::Metre), "0.0 mm");
        assert_eq!(length(12.3456, Unit::Metre), "12.346 m");
        assert_eq!(length(0.1017, Unit::Foot), "0.102 ft");
        assert_eq!(signed_length(-12.3456, Unit::UsSurveyFoot), "−12.346 ftUS");
        let (metric, feet) = (ResidualFormat::of(Unit::Metre), ResidualFormat::of(Unit::Foot));
        assert_eq!((metric.signed(Some(0.0072)), metric.symbol), ("+7.2".to_string(), "mm"));
        assert_eq!((feet.length(None), feet.length(Some(31.5))), ("–".to_string(), "31.500".to_string()));
        assert!(metric.is_zero(0.000_049) && !metric.is_zero(-0.000_051) && feet.is_zero(0.0004));
        assert_eq!(distance(12.3456, Unit::Metre), "12.3 m");
    }

    #[test]
    fn the_ends_of_an_interval_differ() {
        let feet = ResidualFormat::of(Unit::Foot);
        assert_eq!(feet.signed_interval(Some([-0.0013, -0.0011])), "−0.0013 to −0.0011");
        assert_eq!(feet.signed_interval(Some([-0.0013, 0.0011])), "−0.001 to +0.001");
        assert_eq!(feet.interval(Some([0.002, 0.002])), "0.002 to 0.002");
        assert_eq!(ResidualFormat::of(Unit::Metre).interval(Some([0.021, 0.0249])), "21.0 to 24.9");
    }

    #[test]
    fn lists_read_as_a_sentence() {
        let names: Vec<String> = ["1", "2", "3"].map(String::from).into();
        assert_eq!([0, 1, 2, 3].map(|n| and_list(&names[..n])), ["", "1", "1 and 2", "1, 2 and 3"]);
        let first = [1, 2, 3].map(|most| and_list_of(&names, most));
        assert_eq!(first, ["1 and 2 more", "1, 2 and 1 more", "1, 2 and 3"]);
    }
}
