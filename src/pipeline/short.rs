//! Values of a pipeline file that have a short form, a text, and a long one, a map.

use std::fmt;
use std::marker::PhantomData;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::value::{MapAccessDeserializer, StrDeserializer};
use serde::de::{Deserialize, Deserializer, Error, MapAccess, Visitor};

/// Reads either form; `expecting` says what is expected, for messages.
///
/// # Errors
/// What is wrong with the form that the file has.
pub(super) fn short_or_long<'de, D: Deserializer<'de>, S: Deserialize<'de>, L: Deserialize<'de>, T>(
    deserializer: D,
    expecting: &'static str,
    short: fn(S) -> T,
    long: fn(L) -> T,
) -> Result<T, D::Error> {
    deserializer.deserialize_any(Either { expecting, short, long, of: PhantomData })
}

/// The schema of a value with two forms.
pub(super) fn schema<S: JsonSchema, L: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    json_schema!({"anyOf": [generator.subschema_for::<S>(), generator.subschema_for::<L>()]})
}

struct Either<S, L, T> {
    expecting: &'static str,
    short: fn(S) -> T,
    long: fn(L) -> T,
    of: PhantomData<(S, L)>,
}

impl<'de, S: Deserialize<'de>, L: Deserialize<'de>, T> Visitor<'de> for Either<S, L, T> {
    type Value = T;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.expecting)
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<T, E> {
        S::deserialize(StrDeserializer::new(text)).map(self.short)
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<T, A::Error> {
        L::deserialize(MapAccessDeserializer::new(map)).map(self.long)
    }
}
