//! `keep`: which points go on, judged one by one.

use std::borrow::Cow;
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize, de};

use super::CloudChoice;
use crate::cloud::point::MAX_RETURN;
use crate::pipeline::units::{Angle, Length};

/// Keeps the points that meet every condition given; the others are dropped and counted.
///
/// A condition that is not given keeps everything. The stage may stand more than once; what it drops, later
/// stages do not see.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Keep {
    /// The cloud it applies to: `both`, `survey` or `reference`.
    pub cloud: CloudChoice,
    /// Return numbers to keep (1 to 15), or `last` (return number equals number of returns) or `single` (the
    /// only return of its pulse), alone or in a list: `[1, 2]`, `last`, `[1, last]`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, section 2.4"))]
    pub returns: Option<Returns>,
    /// Classification codes to keep, 0 to 255.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, classification tables"))]
    pub classes: Option<Vec<u8>>,
    /// Strips to keep, by point source ID, 0 to 65535.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, point source ID"))]
    pub strips: Option<Vec<u16>>,
    /// Greatest scan angle to keep, on either side of straight down.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, scan angle"))]
    pub scan_angle_max: Option<Angle>,
    /// Box to keep: `{x: [low, high], y: [low, high]}`, coordinates as lengths in the survey's coordinate
    /// system; the low sides belong to the box, the high sides do not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub area: Option<Area>,
}

/// An axis-parallel box, low sides included, high sides not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Area {
    /// Lowest and highest easting.
    pub x: [Length; 2],
    /// Lowest and highest northing.
    pub y: [Length; 2],
}

/// Which returns of a pulse.
#[derive(Clone, Debug, PartialEq)]
pub struct Returns(pub Vec<ReturnChoice>);

/// One choice of returns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReturnChoice {
    /// The return of this number, 1 to 15.
    Number(u8),
    /// Return number equals number of returns.
    Last,
    /// The only return of its pulse.
    Single,
}

impl Returns {
    fn parse_word(word: &str) -> Option<ReturnChoice> {
        match word {
            "last" => Some(ReturnChoice::Last),
            "single" => Some(ReturnChoice::Single),
            _ => None,
        }
    }
}

impl Serialize for Returns {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(&self.0)
    }
}

impl Serialize for ReturnChoice {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            ReturnChoice::Number(n) => serializer.serialize_u8(*n),
            ReturnChoice::Last => serializer.serialize_str("last"),
            ReturnChoice::Single => serializer.serialize_str("single"),
        }
    }
}

impl<'de> Deserialize<'de> for ReturnChoice {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct ChoiceVisitor;
        impl de::Visitor<'_> for ChoiceVisitor {
            type Value = ReturnChoice;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a return number from 1 to 15, `last` or `single`")
            }
            fn visit_u64<E: de::Error>(self, v: u64) -> Result<ReturnChoice, E> {
                if (1..=MAX_RETURN as u64).contains(&v) {
                    Ok(ReturnChoice::Number(v as u8))
                } else {
                    Err(E::invalid_value(de::Unexpected::Unsigned(v), &self))
                }
            }
            fn visit_i64<E: de::Error>(self, v: i64) -> Result<ReturnChoice, E> {
                Err(E::invalid_value(de::Unexpected::Signed(v), &self))
            }
            fn visit_str<E: de::Error>(self, v: &str) -> Result<ReturnChoice, E> {
                Returns::parse_word(v).ok_or_else(|| E::invalid_value(de::Unexpected::Str(v), &self))
            }
        }
        deserializer.deserialize_any(ChoiceVisitor)
    }
}

impl<'de> Deserialize<'de> for Returns {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct ReturnsVisitor;
        impl<'de> de::Visitor<'de> for ReturnsVisitor {
            type Value = Returns;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("return numbers from 1 to 15, `last` or `single`, alone or in a list")
            }
            fn visit_seq<A: de::SeqAccess<'de>>(self, mut seq: A) -> Result<Returns, A::Error> {
                let mut choices = Vec::new();
                while let Some(choice) = seq.next_element()? {
                    choices.push(choice);
                }
                if choices.is_empty() {
                    return Err(de::Error::invalid_length(0, &"at least one return"));
                }
                Ok(Returns(choices))
            }
            fn visit_u64<E: de::Error>(self, v: u64) -> Result<Returns, E> {
                ReturnChoice::deserialize(de::value::U64Deserializer::new(v)).map(|c| Returns(vec![c]))
            }
            fn visit_str<E: de::Error>(self, v: &str) -> Result<Returns, E> {
                ReturnChoice::deserialize(de::value::StrDeserializer::new(v)).map(|c| Returns(vec![c]))
            }
        }
        deserializer.deserialize_any(ReturnsVisitor)
    }
}

impl JsonSchema for Returns {
    fn schema_name() -> Cow<'static, str> {
        "Returns".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let one = json_schema!({ "anyOf": [{ "type": "integer", "minimum": 1, "maximum": MAX_RETURN }, { "enum": ["last", "single"] }] });
        json_schema!({
            "anyOf": [one, { "type": "array", "items": one, "minItems": 1 }],
            "x-expected": "return numbers from 1 to 15, `last` or `single`, alone or in a list",
        })
    }
}
