//! The properties that the points of a group share, as results name them.

use std::fmt;

use serde::ser::{Serialize, SerializeMap, Serializer};

use crate::tile::strata::{By, Cover, ReturnType};

/// One property and its value; none where the value is not known of the points.
#[derive(Clone, Debug, PartialEq)]
pub enum Property {
    /// Return number.
    Return(u8),
    /// What stands over the ground.
    Cover(Option<Cover>),
    /// Under low vegetation or canopy.
    Vegetated,
    /// Class of slope, by its name.
    Slope(Option<String>),
    /// Band of the scan angle, by its name.
    ScanAngle(Option<String>),
    /// Flight strip.
    Strip(Option<u16>),
    /// Place among the returns of the pulse.
    ReturnType(Option<ReturnType>),
}

impl Property {
    /// Which property it is.
    pub fn by(&self) -> By {
        match self {
            Property::Return(_) => By::Return,
            Property::Cover(_) | Property::Vegetated => By::Cover,
            Property::Slope(_) => By::Slope,
            Property::ScanAngle(_) => By::ScanAngle,
            Property::Strip(_) => By::Strip,
            Property::ReturnType(_) => By::ReturnType,
        }
    }
}

/// What the points of a group have in common; nothing in particular where it holds all of them.
///
/// In JSON a map, as `{"return": 1, "cover": "open"}`. Two are equal whatever the order of their properties.
#[derive(Clone, Debug, Default)]
pub struct GroupKey(Vec<Property>);

impl GroupKey {
    /// The group of the points that have all these properties.
    pub fn new(properties: impl IntoIterator<Item = Property>) -> Self {
        GroupKey(properties.into_iter().collect())
    }

    /// All points.
    pub fn all() -> Self {
        GroupKey::default()
    }

    /// Whether it is the group of all points.
    pub fn is_all(&self) -> bool {
        self.0.is_empty()
    }

    /// The cover that its points share, where it names one.
    pub fn cover(&self) -> Option<Cover> {
        self.0.iter().find_map(|property| match property {
            Property::Cover(cover) => *cover,
            _ => None,
        })
    }

    /// Whether it is told apart by exactly these properties, in any order.
    pub fn is_by(&self, by: &[By]) -> bool {
        self.0.len() == by.len() && self.0.iter().all(|property| by.contains(&property.by()))
    }
}

impl PartialEq for GroupKey {
    fn eq(&self, other: &Self) -> bool {
        self.0.len() == other.0.len() && self.0.iter().all(|property| other.0.contains(property))
    }
}

impl Serialize for GroupKey {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for property in &self.0 {
            let key = property.by().word();
            match property {
                Property::Return(number) => map.serialize_entry(key, number)?,
                Property::Cover(cover) => map.serialize_entry(key, cover)?,
                Property::Vegetated => map.serialize_entry(key, &[Cover::Low, Cover::Canopy])?,
                Property::Slope(class) | Property::ScanAngle(class) => map.serialize_entry(key, class)?,
                Property::Strip(strip) => map.serialize_entry(key, strip)?,
                Property::ReturnType(one) => map.serialize_entry(key, one)?,
            }
        }
        map.end()
    }
}

impl fmt::Display for Property {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Property::Return(number) => write!(f, "return {number}"),
            Property::Cover(Some(Cover::Open)) => write!(f, "open ground"),
            Property::Cover(Some(Cover::Low)) => write!(f, "low vegetation"),
            Property::Cover(Some(Cover::Canopy)) => write!(f, "under canopy"),
            Property::Vegetated => write!(f, "vegetated ground"),
            Property::Slope(Some(class)) => write!(f, "slope {class}"),
            Property::ScanAngle(Some(class)) => write!(f, "scan angle {class}"),
            Property::Strip(Some(strip)) => write!(f, "strip {strip}"),
            Property::ReturnType(Some(ReturnType::Single)) => write!(f, "single returns"),
            Property::ReturnType(Some(ReturnType::FirstOfMany)) => write!(f, "first of many returns"),
            Property::ReturnType(Some(ReturnType::Intermediate)) => write!(f, "intermediate returns"),
            Property::ReturnType(Some(ReturnType::LastOfMany)) => write!(f, "last of many returns"),
            unknown => write!(f, "{} unknown", unknown.by().word().replace('_', " ")),
        }
    }
}

/// The group for people: `return 1, open ground`, `all returns`.
impl fmt::Display for GroupKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_all() {
            return write!(f, "all returns");
        }
        for (i, property) in self.0.iter().enumerate() {
            write!(f, "{}{property}", if i > 0 { ", " } else { "" })?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_a_map_for_programs_and_a_name_for_people() {
        let key = GroupKey::new([
            Property::Return(2),
            Property::Cover(Some(Cover::Canopy)),
            Property::Slope(Some(">=0.4".to_string())),
            Property::ScanAngle(None),
            Property::Strip(Some(7)),
            Property::ReturnType(Some(ReturnType::LastOfMany)),
        ]);
        assert_eq!(
            serde_json::to_string(&key).unwrap(),
            r#"{"return":2,"cover":"canopy","slope":">=0.4","scan_angle":null,"strip":7,"return_type":"last_of_many"}"#
        );
        assert_eq!(
            key.to_string(),
            "return 2, under canopy, slope >=0.4, scan angle unknown, strip 7, last of many returns"
        );
        assert_eq!(serde_json::to_string(&GroupKey::all()).unwrap(), "{}");
        assert_eq!(GroupKey::all().to_string(), "all returns");
    }

    #[test]
    fn keys_are_equal_whatever_their_order() {
        let (one, open) = (Property::Return(1), Property::Cover(Some(Cover::Open)));
        let key = GroupKey::new([one.clone(), open.clone()]);
        assert_eq!(key, GroupKey::new([open.clone(), one.clone()]));
        assert_ne!(key, GroupKey::new([one.clone()]));
        assert_ne!(GroupKey::new([one.clone()]), GroupKey::new([Property::Return(2)]));
        assert!(key.is_by(&[By::Cover, By::Return]) && !key.is_by(&[By::Return]));
        assert!(GroupKey::all().is_by(&[]) && !GroupKey::new([open]).is_all());
    }
}
