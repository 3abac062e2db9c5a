//! The tables that a network file names, and other values of it with a short form.

use std::collections::BTreeMap;
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::value::MapAccessDeserializer;
use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};

use crate::units::{Length, Unit};

/// One table: its file, and the names of its columns where they are not the default ones.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TableInput {
    /// The file, relative to the folder of the network file.
    pub file: String,
    /// Names of its columns that are not the default ones, as in `{from: Von}`.
    #[serde(default)]
    pub columns: BTreeMap<String, String>,
}

/// One table or a list of them, each a file name or `{file: …, columns: …}`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Inputs(pub Vec<TableInput>);

struct InputsVisitor;

impl<'de> Visitor<'de> for InputsVisitor {
    type Value = Inputs;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a file name, or a list of them")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Inputs, E> {
        Ok(Inputs(vec![TableInput { file: text.to_string(), ..TableInput::default() }]))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Inputs, A::Error> {
        TableInput::deserialize(MapAccessDeserializer::new(map)).map(|one| Inputs(vec![one]))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Inputs, A::Error> {
        let mut all = Vec::new();
        while let Some(Inputs(some)) = seq.next_element()? {
            all.extend(some);
        }
        Ok(Inputs(all))
    }
}

impl<'de> Deserialize<'de> for Inputs {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(InputsVisitor)
    }
}

impl JsonSchema for Inputs {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Inputs".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({"x-expected": "a file name, `{file: …, columns: {…}}`, or a list of them"})
    }
}

/// A name of a point, which may be a number.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Name(pub String);

struct NameVisitor;

impl Visitor<'_> for NameVisitor {
    type Value = Name;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the name of a point")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Name, E> {
        Ok(Name(text.trim().to_string()))
    }

    fn visit_u64<E: Error>(self, number: u64) -> Result<Name, E> {
        Ok(Name(number.to_string()))
    }

    fn visit_i64<E: Error>(self, number: i64) -> Result<Name, E> {
        Ok(Name(number.to_string()))
    }
}

impl<'de> Deserialize<'de> for Name {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(NameVisitor)
    }
}

impl JsonSchema for Name {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Name".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({"x-expected": "the name of a point; in quotes where it has decimals or zeros in front"})
    }
}

/// A standard deviation: a bare number, in the units of the file, or a length with its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sigma {
    /// In the units of the file.
    Bare(f64),
    /// With its own unit.
    Stated(Length),
}

impl Sigma {
    /// In metres, where bare numbers are in `unit`.
    pub fn metres(self, unit: Unit) -> f64 {
        match self {
            Sigma::Bare(value) => value * unit.metres(),
            Sigma::Stated(length) => length.exact_metres(),
        }
    }
}

struct SigmaVisitor;

impl Visitor<'_> for SigmaVisitor {
    type Value = Sigma;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a standard deviation")
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Sigma, E> {
        Ok(Sigma::Bare(value))
    }

    fn visit_u64<E: Error>(self, value: u64) -> Result<Sigma, E> {
        Ok(Sigma::Bare(value as f64))
    }

    fn visit_i64<E: Error>(self, value: i64) -> Result<Sigma, E> {
        Ok(Sigma::Bare(value as f64))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Sigma, E> {
        Length::parse(text).map(Sigma::Stated).map_err(E::custom)
    }
}

impl<'de> Deserialize<'de> for Sigma {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(SigmaVisitor)
    }
}

impl JsonSchema for Sigma {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Sigma".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({"x-expected": "a standard deviation, `5 mm` or a number in the units of the file"})
    }
}
