//! Option values with a word in place of the number: `auto`, `all`.

use std::borrow::Cow;
use std::fmt;
use std::marker::PhantomData;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A value, or `auto`: chosen by the program.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Auto<T> {
    /// The program chooses.
    Auto,
    /// The file says.
    Fixed(T),
}

impl<T: Serialize> Serialize for Auto<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Auto::Auto => serializer.serialize_str("auto"),
            Auto::Fixed(value) => value.serialize(serializer),
        }
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Auto<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct AutoVisitor<T>(PhantomData<T>);
        impl<'de, T: Deserialize<'de>> de::Visitor<'de> for AutoVisitor<T> {
            type Value = Auto<T>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value, or `auto`")
            }
            fn visit_str<E: de::Error>(self, v: &str) -> Result<Auto<T>, E> {
                if v == "auto" {
                    return Ok(Auto::Auto);
                }
                T::deserialize(de::value::StrDeserializer::new(v)).map(Auto::Fixed)
            }
            fn visit_seq<A: de::SeqAccess<'de>>(self, seq: A) -> Result<Auto<T>, A::Error> {
                T::deserialize(de::value::SeqAccessDeserializer::new(seq)).map(Auto::Fixed)
            }
            fn visit_u64<E: de::Error>(self, v: u64) -> Result<Auto<T>, E> {
                T::deserialize(de::value::U64Deserializer::new(v)).map(Auto::Fixed)
            }
            fn visit_i64<E: de::Error>(self, v: i64) -> Result<Auto<T>, E> {
                T::deserialize(de::value::I64Deserializer::new(v)).map(Auto::Fixed)
            }
            fn visit_f64<E: de::Error>(self, v: f64) -> Result<Auto<T>, E> {
                T::deserialize(de::value::F64Deserializer::new(v)).map(Auto::Fixed)
            }
        }
        deserializer.deserialize_any(AutoVisitor(PhantomData))
    }
}

impl<T: JsonSchema> JsonSchema for Auto<T> {
    fn schema_name() -> Cow<'static, str> {
        format!("AutoOr{}", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let value = generator.subschema_for::<T>();
        json_schema!({ "anyOf": [{ "const": "auto" }, value] })
    }
}

/// A number, or `all`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Count {
    /// No limit.
    All,
    /// At most this many, at least 1.
    AtMost(u64),
}

impl Serialize for Count {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Count::All => serializer.serialize_str("all"),
            Count::AtMost(n) => serializer.serialize_u64(*n),
        }
    }
}

impl<'de> Deserialize<'de> for Count {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct CountVisitor;
        impl de::Visitor<'_> for CountVisitor {
            type Value = Count;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a whole number from 1 up, or `all`")
            }
            fn visit_str<E: de::Error>(self, v: &str) -> Result<Count, E> {
                if v == "all" { Ok(Count::All) } else { Err(E::invalid_value(de::Unexpected::Str(v), &self)) }
            }
            fn visit_u64<E: de::Error>(self, v: u64) -> Result<Count, E> {
                if v > 0 {
                    Ok(Count::AtMost(v))
                } else {
                    Err(E::invalid_value(de::Unexpected::Unsigned(v), &self))
                }
            }
        }
        deserializer.deserialize_any(CountVisitor)
    }
}

impl JsonSchema for Count {
    fn schema_name() -> Cow<'static, str> {
        "Count".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "anyOf": [{ "const": "all" }, { "type": "integer", "minimum": 1 }] })
    }
}
