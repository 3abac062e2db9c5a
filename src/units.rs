//! Lengths and angles with their units, kept as they were written and converted by exact ratios.
//!
//! Inside the program every length and coordinate is a whole number of micrometres ([`Micrometres`]).

use std::borrow::Cow;
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};

/// A length or coordinate in whole micrometres, the program's own unit.
pub type Micrometres = i64;

/// A unit of length in which a cloud or a report states its numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[schemars(extend("x-expected" = "`m`, `ft` (international foot) or `ftUS` (US survey foot)"))]
pub enum Unit {
    /// The metre.
    #[serde(rename = "m")]
    Metre,
    /// The international foot, 0.3048 m exactly.
    #[serde(rename = "ft")]
    Foot,
    /// The US survey foot, 1200/3937 m exactly.
    #[serde(rename = "ftUS")]
    UsSurveyFoot,
}

impl Unit {
    /// All units, for messages and loops.
    pub const ALL: [Unit; 3] = [Unit::Metre, Unit::Foot, Unit::UsSurveyFoot];

    /// Micrometres in one unit, as an exact ratio (numerator, denominator).
    ///
    /// Source: 0.3048 m: 85 FR 62698; 1200/3937 m: Mendenhall Order of 1893, as restated by NGS.
    pub const fn ratio(self) -> (i64, i64) {
        match self {
            Unit::Metre => (1_000_000, 1),
            Unit::Foot => (304_800, 1),
            Unit::UsSurveyFoot => (1_200_000_000, 3937),
        }
    }

    /// Micrometres in one unit.
    pub fn micrometres(self) -> f64 {
        let (numerator, denominator) = self.ratio();
        numerator as f64 / denominator as f64
    }

    /// Metres in one unit.
    pub fn metres(self) -> f64 {
        self.micrometres() * 1e-6
    }

    /// `value`, given in this unit, in whole micrometres (half away from zero).
    pub fn to_micrometres(self, value: f64) -> Micrometres {
        let (numerator, denominator) = self.ratio();
        (value * numerator as f64 / denominator as f64).round() as Micrometres
    }

    /// `micrometres` (whole or not) in this unit.
    pub fn from_micrometres(self, micrometres: f64) -> f64 {
        let (numerator, denominator) = self.ratio();
        micrometres * denominator as f64 / numerator as f64
    }

    /// The unit's code in the EPSG registry.
    pub const fn epsg(self) -> u16 {
        match self {
            Unit::Metre => 9001,
            Unit::Foot => 9002,
            Unit::UsSurveyFoot => 9003,
        }
    }

    /// The unit as written in a pipeline file: `m`, `ft` or `ftUS`.
    pub const fn symbol(self) -> &'static str {
        match self {
            Unit::Metre => "m",
            Unit::Foot => "ft",
            Unit::UsSurveyFoot => "ftUS",
        }
    }

    /// The full name of the unit.
    pub const fn words(self) -> &'static str {
        match self {
            Unit::Metre => "metres",
            Unit::Foot => "international feet",
            Unit::UsSurveyFoot => "US survey feet",
        }
    }

    /// Decimals that show a coordinate to the micrometre or a little coarser: enough for the value of a file
    /// scaled to a thousandth of a unit to come back as it was.
    pub const fn decimals(self) -> usize {
        match self {
            Unit::Metre => 6,
            Unit::Foot | Unit::UsSurveyFoot => 5,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// Units that a length in a pipeline file may carry: symbol, and micrometres as an exact ratio.
const LENGTH_UNITS: [(&str, (i64, i64)); 5] = [
    ("mm", (1_000, 1)),
    ("cm", (10_000, 1)),
    ("m", Unit::Metre.ratio()),
    ("ft", Unit::Foot.ratio()),
    ("ftUS", Unit::UsSurveyFoot.ratio()),
];

/// A length as written in a pipeline file: a number and its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Length {
    value: f64,
    unit: usize,
}

impl Length {
    /// `value` millimetres.
    pub const fn millimetres(value: f64) -> Self {
        Length { value, unit: 0 }
    }

    /// `value` metres.
    pub const fn metres(value: f64) -> Self {
        Length { value, unit: 2 }
    }

    /// The length in whole micrometres (half away from zero).
    pub fn micrometres(self) -> Micrometres {
        self.exact_micrometres().round() as Micrometres
    }

    /// The length in micrometres, not rounded.
    pub fn exact_micrometres(self) -> f64 {
        let (numerator, denominator) = LENGTH_UNITS[self.unit].1;
        self.value * numerator as f64 / denominator as f64
    }

    /// The length in metres, not rounded.
    pub fn exact_metres(self) -> f64 {
        self.exact_micrometres() * 1e-6
    }

    /// Reads `0.5 m`, `15 mm`, `20 cm`, `0.05 ft` or `0.05 ftUS`.
    ///
    /// # Errors
    /// What is wrong with the text, and what to write instead.
    pub fn parse(text: &str) -> Result<Self, String> {
        let (value, symbol) = split_quantity(text, "length", "`0.5 m`, `15 mm`, `0.05 ft`")?;
        let Some(unit) = LENGTH_UNITS.iter().position(|(known, _)| *known == symbol) else {
            let hint = match symbol.to_ascii_lowercase().as_str() {
                "" => "; write for example `0.5 m`".to_string(),
                "feet" | "foot" | "'" => {
                    "; write `ft` (international foot) or `ftUS` (US survey foot)".to_string()
                }
                "usft" | "us-ft" | "ftus" | "sft" => "; the US survey foot is written `ftUS`".to_string(),
                "metre" | "metres" | "meter" | "meters" => "; write `m`".to_string(),
                _ => String::new(),
            };
            return Err(if symbol.is_empty() {
                format!("length `{}` has no unit: a length needs mm, cm, m, ft or ftUS{hint}", text.trim())
            } else {
                format!("`{symbol}` is not a unit of length: use mm, cm, m, ft or ftUS{hint}")
            });
        };
        Ok(Length { value, unit })
    }
}

/// Splits `12.5 m` into its number and its unit; the unit may be empty.
pub(crate) fn split_quantity<'a>(
    text: &'a str,
    what: &str,
    examples: &str,
) -> Result<(f64, &'a str), String> {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.eE".contains(c))).unwrap_or(text.len());
    let (number, rest) = text.split_at(end);
    if rest.starts_with(',') && rest[1..].starts_with(|c: char| c.is_ascii_digit()) {
        return Err(format!("`{text}` has a decimal comma: write `{}`", text.replacen(',', ".", 1)));
    }
    match number.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok((value, rest.trim())),
        _ => Err(format!("`{text}` is not a {what}: expected a number and its unit, such as {examples}")),
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, LENGTH_UNITS[self.unit].0)
    }
}

impl Serialize for Length {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Length {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Length::parse(&scalar(deserializer)?).map_err(D::Error::custom)
    }
}

impl JsonSchema for Length {
    fn schema_name() -> Cow<'static, str> {
        "Length".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "description": "A length with its unit: mm, cm, m, ft (international foot) or ftUS (US survey foot).",
            "pattern": r"^\s*[-+]?[0-9.]+([eE][-+]?[0-9]+)?\s*(mm|cm|m|ft|ftUS)\s*$",
            "examples": ["0.5 m", "15 mm", "0.05 ft"],
            "x-expected": "a length with its unit, such as `0.5 m`, `15 mm` or `0.05 ft`",
        })
    }
}

/// An angle as written in a pipeline file, in degrees: `20 deg`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Angle {
    /// Degrees.
    pub degrees: f64,
}

impl Angle {
    /// Reads `20 deg`.
    ///
    /// # Errors
    /// What is wrong with the text, and what to write instead.
    pub fn parse(text: &str) -> Result<Self, String> {
        match split_quantity(text, "angle", "`20 deg`")? {
            (degrees, "deg") => Ok(Angle { degrees }),
            (_, "") => Err(format!("angle `{0}` has no unit: write `{0} deg`", text.trim())),
            (_, other) => Err(format!("`{other}` is not a unit of angle: use deg")),
        }
    }
}

impl fmt::Display for Angle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} deg", self.degrees)
    }
}

impl Serialize for Angle {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Angle {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Angle::parse(&scalar(deserializer)?).map_err(D::Error::custom)
    }
}

impl JsonSchema for Angle {
    fn schema_name() -> Cow<'static, str> {
        "Angle".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "description": "An angle with its unit, degrees.",
            "pattern": r"^\s*[-+]?[0-9.]+\s*deg\s*$",
            "examples": ["20 deg"],
            "x-expected": "an angle in degrees, such as `20 deg`",
        })
    }
}

/// A YAML scalar as text, whether it was written as text or as a bare number.
fn scalar<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    struct Scalar;
    impl serde::de::Visitor<'_> for Scalar {
        type Value = String;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a number with its unit, such as `0.5 m`")
        }
        fn visit_str<E: serde::de::Error>(self, v: &str) -> Result<String, E> {
            Ok(v.to_string())
        }
        fn visit_i64<E: serde::de::Error>(self, v: i64) -> Result<String, E> {
            Ok(v.to_string())
        }
        fn visit_u64<E: serde::de::Error>(self, v: u64) -> Result<String, E> {
            Ok(v.to_string())
        }
        fn visit_f64<E: serde::de::Error>(self, v: f64) -> Result<String, E> {
            Ok(v.to_string())
        }
    }
    deserializer.deserialize_any(Scalar)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn feet_convert_by_the_exact_ratio() {
        // NGS: 304800 m = 999998.000 US survey ft = 1000000.000 international ft (standards: units).
        assert_eq!(Unit::UsSurveyFoot.to_micrometres(999_998.0), 304_800_000_000);
        assert_eq!(Unit::Foot.to_micrometres(1_000_000.0), 304_800_000_000);
        assert_eq!(Length::parse("3937 ftUS").unwrap().micrometres(), 1_200_000_000);
    }

    #[test]
    fn a_length_is_written_back_as_it_was_read() {
        for text in ["0.5 m", "15 mm", "0.05 ft", "0.05 ftUS", "20 cm"] {
            assert_eq!(Length::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(Length::parse(" 0.05ft ").unwrap().micrometres(), 15_240);
    }

    #[test]
    fn a_wrong_length_says_what_to_write() {
        let error = |text| Length::parse(text).unwrap_err();
        assert!(error("0.5").contains("has no unit"));
        assert!(error("0,5 m").contains("write `0.5 m`"));
        assert!(error("5 feet").contains("`ftUS` (US survey foot)"));
        assert!(error("NaN m").contains("is not a length"));
        assert!(error("1e999 m").contains("is not a length"));
    }
}
