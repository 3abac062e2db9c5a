//! What stands beside a file in a pipeline file: the names of its columns, and the units of its coordinates. Each has a short form.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::cloud::point_list::Columns;
use crate::pipeline::short::{self, short_or_long};
use crate::units::Unit;

/// Names of columns that are called otherwise in a file.
pub type Renamed = BTreeMap<String, String>;

/// A list of surveyed points.
pub type PointsInput = FileInput<Columns>;

/// A text file with a header, and a line an observation or a point.
pub type TableInput = FileInput<Renamed>;

/// Names of columns, where they are not the default ones.
pub trait ColumnNames: Clone + Default + PartialEq + Serialize + DeserializeOwned + JsonSchema {
    /// What a file with such columns is called in the schema.
    const SCHEMA: &'static str;
}

impl ColumnNames for Columns {
    const SCHEMA: &'static str = "PointsInput";
}

impl ColumnNames for Renamed {
    const SCHEMA: &'static str = "TableInput";
}

/// A file, and the names of its columns that are not the default ones.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FileInput<C> {
    /// The file, relative to the folder of the file that names it.
    pub file: PathBuf,
    /// Names of its columns that are not the default ones.
    pub columns: C,
}

/// The long form of [`FileInput`] in a file.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, bound = "C: ColumnNames")]
struct WithColumns<C: ColumnNames> {
    /// The file, relative to the folder of the pipeline file.
    file: PathBuf,
    /// Names of its columns that are not the default ones.
    #[serde(default, skip_serializing_if = "is_default")]
    columns: C,
}

fn is_default<C: ColumnNames>(columns: &C) -> bool {
    *columns == C::default()
}

impl<C: ColumnNames> Serialize for FileInput<C> {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let FileInput { file, columns } = self.clone();
        if is_default(&columns) {
            file.serialize(serializer)
        } else {
            WithColumns { file, columns }.serialize(serializer)
        }
    }
}

impl<'de, C: ColumnNames> Deserialize<'de> for FileInput<C> {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        short_or_long(
            deserializer,
            "a file, or a file and the names of its columns",
            |file: PathBuf| FileInput { file, columns: C::default() },
            |WithColumns { file, columns }| FileInput { file, columns },
        )
    }
}

impl<C: ColumnNames> JsonSchema for FileInput<C> {
    fn schema_name() -> Cow<'static, str> {
        C::SCHEMA.into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        short::schema::<String, WithColumns<C>>(generator)
    }
}

/// Units of the coordinates of a cloud, in place of what its files state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CloudUnits {
    /// Unit of easting and northing; none: as the files state.
    pub horizontal: Option<Unit>,
    /// Unit of the elevation; none: as the files state.
    pub vertical: Option<Unit>,
}

impl CloudUnits {
    /// The units, horizontal and vertical: `other` where none is given.
    pub fn or(self, other: (Unit, Unit)) -> (Unit, Unit) {
        (self.horizontal.unwrap_or(other.0), self.vertical.unwrap_or(other.1))
    }
}

/// The long form of [`CloudUnits`] in a file.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct AxisUnits {
    /// Unit of easting and northing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    horizontal: Option<Unit>,
    /// Unit of the elevation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    vertical: Option<Unit>,
}

impl Serialize for CloudUnits {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match *self {
            CloudUnits { horizontal: Some(one), vertical: Some(other) } if one == other => {
                one.serialize(serializer)
            }
            CloudUnits { horizontal, vertical } => AxisUnits { horizontal, vertical }.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for CloudUnits {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        short_or_long(
            deserializer,
            "a unit, or one for each axis",
            |both: Unit| CloudUnits { horizontal: Some(both), vertical: Some(both) },
            |AxisUnits { horizontal, vertical }| CloudUnits { horizontal, vertical },
        )
    }
}

impl JsonSchema for CloudUnits {
    fn schema_name() -> Cow<'static, str> {
        "CloudUnits".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        short::schema::<Unit, AxisUnits>(generator)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_of_a_cloud_are_one_or_one_for_each_axis() {
        let units = |text: &str| serde_json::from_str::<CloudUnits>(text).unwrap();
        let each = CloudUnits { horizontal: Some(Unit::Metre), vertical: Some(Unit::UsSurveyFoot) };
        assert_eq!(units(r#"{"horizontal": "m", "vertical": "ftUS"}"#), each);
        assert_eq!(units(r#""ft""#).vertical, Some(Unit::Foot));
        assert_eq!(units(r#"{"vertical": "ft"}"#).horizontal, None);
        for text in [r#""ft""#, r#"{"vertical":"ft"}"#, r#"{"horizontal":"m","vertical":"ftUS"}"#] {
            assert_eq!(serde_json::to_string(&units(text)).unwrap(), text);
        }
    }
}
