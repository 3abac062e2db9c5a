//! Angles of instruments: degrees, gon, or degrees with minutes and seconds.

use std::borrow::Cow;
use std::f64::consts::PI;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, de::Error as _};

use crate::units::split_quantity;

/// The unit in which a file states directions and zenith angles.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum AngleUnit {
    /// Decimal degrees, 360 to the circle.
    #[default]
    Deg,
    /// Gon (grads), 400 to the circle.
    Gon,
    /// Degrees, minutes and seconds, apart: `123 45 06.7`, `123-45-06.7` or `123°45'06.7"`.
    Dms,
}

impl AngleUnit {
    /// Its units in a full circle.
    pub fn circle(self) -> f64 {
        if self == AngleUnit::Gon { 400.0 } else { 360.0 }
    }

    /// What it is called, for people.
    pub fn words(self) -> &'static str {
        match self {
            AngleUnit::Deg => "decimal degrees",
            AngleUnit::Gon => "gon",
            AngleUnit::Dms => "degrees, minutes and seconds",
        }
    }

    /// The unit of small angles (sigmas, residuals): seconds of arc, or milligon.
    pub fn small(self) -> &'static str {
        if self == AngleUnit::Gon { "mgon" } else { "arcsec" }
    }

    /// Its small units in one radian.
    pub fn small_per_radian(self) -> f64 {
        let per_unit = if self == AngleUnit::Gon { 1000.0 } else { 3600.0 };
        per_unit * self.circle() / (2.0 * PI)
    }

    /// An angle in this unit, in radians.
    pub fn radians(self, value: f64) -> f64 {
        value * (2.0 * PI / self.circle())
    }

    /// Radians in this unit.
    pub fn of_radians(self, radians: f64) -> f64 {
        radians * (self.circle() / (2.0 * PI))
    }

    /// Reads an angle as a table has it. `number` reads a plain number.
    pub fn parse(self, text: &str, number: impl Fn(&str) -> Option<f64>) -> Result<f64, String> {
        if self != AngleUnit::Dms {
            return number(text).filter(|value| value.is_finite()).ok_or_else(|| {
                format!("`{text}` is not an angle in {}: write for example `123.4567`", self.words())
            });
        }
        let (sign, size) = text.trim().strip_prefix('-').map_or((1.0, text), |size| (-1.0, size));
        let parts: Vec<&str> = size
            .split(|c: char| c.is_whitespace() || "-°'’′\"”″:dms".contains(c))
            .filter(|part| !part.is_empty())
            .collect();
        let wrong =
            || format!("`{text}` is not degrees, minutes and seconds: write for example `123 45 06.7`");
        let [degrees, minutes, seconds] = parts[..] else { return Err(wrong()) };
        let whole = |part: &str| part.parse::<u32>().ok().map(f64::from);
        let (degrees, minutes) = (whole(degrees).ok_or_else(wrong)?, whole(minutes).ok_or_else(wrong)?);
        let seconds = number(seconds).filter(|s| (0.0..60.0).contains(s)).ok_or_else(wrong)?;
        if minutes >= 60.0 {
            return Err(wrong());
        }
        Ok(sign * (degrees + minutes / 60.0 + seconds / 3600.0))
    }
}

/// A small angle as written in a file: `3 arcsec`, `1 mgon`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SmallAngle {
    /// In radians.
    pub radians: f64,
    /// As it was written.
    text: &'static str,
    value: f64,
}

/// Units of small angles: symbol, and how many are a full circle.
const SMALL: [(&str, f64); 4] =
    [("arcsec", 1_296_000.0), ("mgon", 400_000.0), ("deg", 360.0), ("gon", 400.0)];

impl SmallAngle {
    /// So many seconds of arc.
    pub fn arcsec(value: f64) -> Self {
        SmallAngle { radians: value * 2.0 * PI / SMALL[0].1, text: SMALL[0].0, value }
    }

    fn parse(text: &str) -> Result<Self, String> {
        let (value, unit) = split_quantity(text, "small angle", "`3 arcsec` or `1 mgon`")?;
        let (symbol, circle) = SMALL.iter().find(|(symbol, _)| *symbol == unit).ok_or_else(|| {
            format!("`{text}` is not a small angle: its unit is arcsec, mgon, deg or gon, as in `3 arcsec`")
        })?;
        if value <= 0.0 {
            return Err(format!("`{text}` is not above zero"));
        }
        Ok(SmallAngle { radians: value * 2.0 * PI / circle, text: symbol, value })
    }
}

impl std::fmt::Display for SmallAngle {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.value, self.text)
    }
}

impl<'de> Deserialize<'de> for SmallAngle {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        SmallAngle::parse(&String::deserialize(deserializer)?).map_err(D::Error::custom)
    }
}

impl Serialize for SmallAngle {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl JsonSchema for SmallAngle {
    fn schema_name() -> Cow<'static, str> {
        "SmallAngle".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({"type": "string", "x-expected": "a small angle with its unit, such as `3 arcsec` or `1 mgon`"})
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_are_read_in_their_units() {
        let number = |text: &str| text.parse().ok();
        assert_eq!(AngleUnit::Deg.parse("123.5", number), Ok(123.5));
        for text in ["123 30 36.0", "123-30-36", "123°30'36\"", "123d30m36s"] {
            assert!((AngleUnit::Dms.parse(text, number).unwrap() - 123.51).abs() < 1e-12, "{text}");
        }
        for text in ["-45 30 00", " -45-30-00", "-45°30'00\""] {
            assert_eq!(AngleUnit::Dms.parse(text, number), Ok(-45.5), "{text}");
        }
        for wrong in ["123.3036", "123 60 00", "123 30 60", "", "a b c", "123 30"] {
            assert!(AngleUnit::Dms.parse(wrong, number).is_err(), "{wrong}");
        }
        assert!((AngleUnit::Gon.radians(400.0) - 2.0 * PI).abs() < 1e-14);
        assert!((AngleUnit::Deg.small_per_radian() - 206_264.806_247).abs() < 1e-6);
    }

    #[test]
    fn small_angles_carry_their_unit() {
        assert_eq!(SmallAngle::parse("3 arcsec").unwrap(), SmallAngle::arcsec(3.0));
        let gon = SmallAngle::parse("1 mgon").unwrap();
        assert!((gon.radians - PI / 200_000.0).abs() < 1e-18);
        assert_eq!(SmallAngle::parse(" 1e-3deg").unwrap().to_string(), "0.001 deg");
        for wrong in ["3", "3 sec", "-1 arcsec", "arcsec", "NaN arcsec"] {
            assert!(SmallAngle::parse(wrong).is_err(), "{wrong}");
        }
    }
}
