//! `uncertainty:` of the reference: one length, or one each for what all of it shares and what it does not.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Serialize};

use crate::pipeline::short::{self, short_or_long};
use crate::stages::auto::Auto;
use crate::units::Length;

/// The vertical uncertainty of the reference, one sigma.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Uncertainty {
    /// One length for both parts: how much of it is common is not said.
    One(Length),
    /// The two parts.
    Parts(Parts),
    /// What the registration of the scans gives: known once there are comparisons, which then put [`Uncertainty::Parts`] in its place.
    Auto,
}

/// The long form of [`Uncertainty`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Parts {
    /// What all of the reference shares, such as an error of its control.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub common: Option<Length>,
    /// What differs from point to point.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub random: Option<Length>,
}

impl Uncertainty {
    /// Both parts together, micrometres.
    pub fn total_um(&self) -> f64 {
        match self {
            Uncertainty::One(length) => length.exact_micrometres(),
            Uncertainty::Auto => 0.0,
            Uncertainty::Parts(parts) => {
                let [common, random] = [parts.common, parts.random].map(um);
                libm::hypot(common, random)
            }
        }
    }

    /// The part that all comparisons share, micrometres, where it is stated.
    pub fn stated_common_um(&self) -> Option<f64> {
        match self {
            Uncertainty::One(_) | Uncertainty::Auto => None,
            Uncertainty::Parts(parts) => Some(um(parts.common)),
        }
    }

    /// The part that differs from point to point, micrometres: the whole of it where it is not told apart.
    pub fn random_at_most_um(&self) -> f64 {
        match self {
            Uncertainty::One(length) => length.exact_micrometres(),
            Uncertainty::Auto => 0.0,
            Uncertainty::Parts(parts) => um(parts.random),
        }
    }

    /// The part that all comparisons may share, micrometres: the whole of it where that is not stated.
    pub fn common_at_most_um(&self) -> f64 {
        self.stated_common_um().unwrap_or(self.total_um())
    }

    /// The lengths that it states, with their names in the long form.
    pub fn lengths(&self) -> Vec<(Option<&'static str>, Length)> {
        match self {
            Uncertainty::One(length) => vec![(None, *length)],
            Uncertainty::Auto => Vec::new(),
            Uncertainty::Parts(Parts { common, random }) => {
                let named = [(Some("common"), *common), (Some("random"), *random)];
                named.into_iter().filter_map(|(name, length)| Some((name, length?))).collect()
            }
        }
    }
}

fn um(length: Option<Length>) -> f64 {
    length.map_or(0.0, Length::exact_micrometres)
}

impl Serialize for Uncertainty {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Uncertainty::One(length) => length.serialize(serializer),
            Uncertainty::Auto => Auto::<Length>::Auto.serialize(serializer),
            Uncertainty::Parts(parts) => parts.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Uncertainty {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        short_or_long(
            deserializer,
            "a length, `{common: …, random: …}`, or `auto`",
            |short: Auto<Length>| match short {
                Auto::Auto => Uncertainty::Auto,
                Auto::Fixed(length) => Uncertainty::One(length),
            },
            Uncertainty::Parts,
        )
    }
}

impl JsonSchema for Uncertainty {
    fn schema_name() -> Cow<'static, str> {
        "Uncertainty".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        short::schema::<Auto<Length>, Parts>(generator)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_length_or_parts_that_add_in_squares() {
        let of = |text: &str| serde_json::from_str::<Uncertainty>(text).unwrap();
        let one = of(r#""10 mm""#);
        assert_eq!(
            (one.total_um(), one.stated_common_um(), one.common_at_most_um()),
            (10_000.0, None, 10_000.0)
        );
        let parts = of(r#"{"common":"3 mm","random":"4 mm"}"#);
        assert_eq!(
            (parts.total_um(), parts.stated_common_um(), parts.common_at_most_um()),
            (5_000.0, Some(3_000.0), 3_000.0)
        );
        assert_eq!(of(r#"{"random":"4 mm"}"#).stated_common_um(), Some(0.0));
        for text in [r#""10 mm""#, r#"{"common":"3 mm","random":"4 mm"}"#, r#"{"random":"4 mm"}"#] {
            assert_eq!(serde_json::to_string(&of(text)).unwrap(), text);
        }
        assert!(serde_json::from_str::<Uncertainty>(r#"{"shared":"3 mm"}"#).is_err());
    }
}
