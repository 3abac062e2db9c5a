//! What a cloud says of its coordinate system, and above all of its units.
//!
//! The unit is read from its size in metres, not from its name; where the two contradict each other, the unit is not
//! reliably stated, and the caller learns of it. The vertical unit is read on its own: it is never taken from the
//! horizontal one.

mod geokeys;
mod heights;
mod vertical;
mod wkt;

use std::fmt;

use crate::cloud::crs::geokeys::GeoKeys;
use crate::cloud::crs::heights::{Heights, THREE_DIMENSIONAL_NAME};
use crate::cloud::crs::wkt::{Node, Value};
use crate::units::Unit;

/// Two sizes of a unit are the same when they differ by less than this share. The two feet differ by 2e-6;
/// files write the US survey foot with 7 to 16 digits.
const SAME_SIZE: f64 = 1e-7;

/// The unit that a file states for one direction.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum StatedUnit {
    /// The file does not state it.
    #[default]
    NotStated,
    /// Stated, and nothing in the file contradicts it.
    Stated(Unit),
    /// The file contradicts itself: this unit by its name, another by its size. Not reliably stated.
    Contradictory(Unit),
    /// Degrees of longitude and latitude, in which nothing can be measured here.
    Degrees,
    /// A unit or a kind of coordinates that the program does not know, as text.
    Other(String),
}

impl StatedUnit {
    /// The unit where it is reliably stated.
    pub fn unit(&self) -> Option<Unit> {
        match self {
            StatedUnit::Stated(unit) => Some(*unit),
            _ => None,
        }
    }

    /// The unit from its name, its EPSG code and its size in metres.
    fn from_parts(name: &str, code: Option<u32>, size: Option<f64>) -> Self {
        let by_size = size.map(unit_of_size);
        let by_name = units_of_name(name);
        let by_code = code.and_then(unit_of_code);
        let named = by_code.or(by_name.first().copied());
        match (by_size, named) {
            (Some(Some(unit)), _) => {
                let name_agrees = by_name.is_empty() || by_name.contains(&unit);
                if name_agrees && by_code.is_none_or(|code| code == unit) {
                    StatedUnit::Stated(unit)
                } else {
                    // The name is what people meant to write; the code is copied with it.
                    StatedUnit::Contradictory(by_name.first().copied().or(by_code).unwrap_or(unit))
                }
            }
            (Some(None), Some(unit)) => StatedUnit::Contradictory(unit),
            (Some(None), None) => {
                StatedUnit::Other(format!("{name} ({} m)", size.expect("a size was compared")))
            }
            (None, _) => by_code.map_or(StatedUnit::NotStated, StatedUnit::Stated),
        }
    }

    fn from_code(code: u32) -> Self {
        match unit_of_code(code) {
            Some(unit) => StatedUnit::Stated(unit),
            None => StatedUnit::Other(format!("unit with EPSG code {code}")),
        }
    }
}

impl fmt::Display for StatedUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StatedUnit::NotStated => f.write_str("not stated"),
            StatedUnit::Stated(unit) => f.write_str(unit.words()),
            StatedUnit::Contradictory(unit) => write!(f, "{} (contradictory)", unit.words()),
            StatedUnit::Degrees => f.write_str("degrees"),
            StatedUnit::Other(text) => f.write_str(text),
        }
    }
}

/// EPSG codes of the units of length: registry, 9001 to 9003.
fn unit_of_code(code: u32) -> Option<Unit> {
    match code {
        9001 => Some(Unit::Metre),
        9002 => Some(Unit::Foot),
        9003 => Some(Unit::UsSurveyFoot),
        _ => None,
    }
}

/// The unit that is `metres` long.
fn unit_of_size(metres: f64) -> Option<Unit> {
    Unit::ALL.into_iter().find(|unit| {
        let (numerator, denominator) = unit.ratio();
        let size = numerator as f64 / denominator as f64 / 1e6;
        ((metres - size) / size).abs() < SAME_SIZE
    })
}

/// The units that a name may stand for, the likeliest first. A plain "foot" may be either.
fn units_of_name(name: &str) -> Vec<Unit> {
    let name: String = name.to_lowercase().chars().filter(char::is_ascii_alphanumeric).collect();
    let foot = ["foot", "feet", "ft"].iter().any(|word| name.contains(word));
    match name.as_str() {
        "m" | "metre" | "meter" | "metres" | "meters" => vec![Unit::Metre],
        _ if foot && (name.contains("us") || name.contains("survey")) => vec![Unit::UsSurveyFoot],
        _ if foot && name.contains("int") => vec![Unit::Foot],
        "foot" | "feet" | "ft" => vec![Unit::Foot, Unit::UsSurveyFoot],
        _ => Vec::new(),
    }
}

/// What a cloud says of its coordinate system.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Crs {
    /// Name of the horizontal system.
    pub name: Option<String>,
    /// EPSG code of the horizontal system.
    pub horizontal_code: Option<u32>,
    /// Definition of the horizontal system as WKT, where the file has one.
    pub horizontal_wkt: Option<String>,
    /// Name of the vertical system.
    pub vertical_name: Option<String>,
    /// EPSG code of the vertical system.
    pub vertical_code: Option<u32>,
    /// Unit of x and y.
    pub horizontal_unit: StatedUnit,
    /// Unit of z, read on its own.
    pub vertical_unit: StatedUnit,
    /// What elevations are counted from, beyond the name.
    pub heights: Heights,
    /// What is wrong with the statement.
    pub problems: Vec<String>,
}

const PROJECTED: &[&str] = &["PROJCS", "PROJCRS", "PROJECTEDCRS"];
const GEOGRAPHIC: &[&str] =
    &["GEOGCS", "GEOGCRS", "GEOGRAPHICCRS", "GEODCRS", "GEODETICCRS", "GEOCCS", "BASEGEOGCRS", "BASEGEODCRS"];
const LOCAL: &[&str] = &["LOCAL_CS", "ENGCRS", "ENGINEERINGCRS", "DERIVEDPROJCRS"];
const VERTICAL: &[&str] = &["VERT_CS", "VERTCS", "VERTCRS", "VERTICALCRS"];
/// Parts that speak of another system than the cloud's own.
const CLOSED: &[&str] = &["TARGETCRS", "ABRIDGEDTRANSFORMATION", "BASEPROJCRS", "BASEVERTCRS"];
const UNIT: &[&str] = &["UNIT", "LENGTHUNIT"];

impl Crs {
    /// Reads WKT 1 or 2. Nothing where the text is not WKT or names no system.
    pub fn from_wkt(text: &str) -> Option<Crs> {
        let roots = wkt::parse(text)?;
        let find = |keywords: &[&str]| roots.iter().find_map(|root| root.find(keywords, CLOSED));
        let vertical = find(VERTICAL);
        let horizontal = find(PROJECTED).or_else(|| find(LOCAL)).or_else(|| find(GEOGRAPHIC));
        if horizontal.is_none() && vertical.is_none() {
            return None;
        }
        let mut crs = Crs::default();
        if let Some(node) = horizontal {
            crs.name = node.name().map(str::to_string);
            crs.horizontal_code = node.epsg();
            crs.horizontal_wkt = Some(node.to_text());
            let keyword = node.keyword.as_str();
            let geocentric = keyword == "GEOCCS"
                || node.child(&["CS"]).and_then(|cs| cs.values.first())
                    == Some(&Value::Word("CARTESIAN".into()));
            crs.horizontal_unit = if !GEOGRAPHIC.contains(&keyword) {
                unit_of(node, false)
            } else if geocentric {
                StatedUnit::Other("distances from the Earth's centre".into())
            } else {
                StatedUnit::Degrees
            };
            if !GEOGRAPHIC.contains(&keyword) && vertical.is_none() && dimensions(node) == 3 {
                crs.vertical_name = Some(THREE_DIMENSIONAL_NAME.into());
                crs.vertical_unit = unit_of(node, true);
                crs.heights.ellipsoidal = true;
            }
        }
        if let Some(node) = vertical {
            crs.vertical_name = node.name().map(str::to_string);
            crs.vertical_code = node.epsg();
            crs.vertical_unit = unit_of(node, true);
            crs.heights = Heights::of(node);
        }
        crs.add_unit_problems();
        Some(crs)
    }

    /// Reads GeoTIFF keys: the records 34735 (directory), 34736 (numbers) and 34737 (texts). Nothing where
    /// there is no key.
    pub fn from_geotiff(directory: &[u8], doubles: &[u8], ascii: &[u8]) -> Option<Crs> {
        let keys = GeoKeys::parse(directory, doubles, ascii)?;
        let code = |key| keys.code(key).filter(|code| *code != geokeys::USER_DEFINED).map(u32::from);
        let mut crs = Crs {
            name: [geokeys::PROJECTED_CITATION, geokeys::CITATION, geokeys::GEODETIC_CITATION]
                .into_iter()
                .find_map(|key| keys.text(key)),
            horizontal_code: code(geokeys::PROJECTED_CRS),
            vertical_name: keys.text(geokeys::VERTICAL_CITATION),
            vertical_code: code(geokeys::VERTICAL_CRS),
            ..Crs::default()
        };
        crs.horizontal_unit = match (keys.code(geokeys::MODEL_TYPE), keys.code(geokeys::LINEAR_UNITS)) {
            (Some(2), _) => StatedUnit::Degrees,
            (Some(3), _) => StatedUnit::Other("distances from the Earth's centre".into()),
            (_, Some(geokeys::USER_DEFINED)) => {
                StatedUnit::from_parts("user-defined unit", None, keys.double(geokeys::LINEAR_UNIT_SIZE))
            }
            (_, Some(unit)) => StatedUnit::from_code(unit.into()),
            (_, None) => StatedUnit::NotStated,
        };
        match keys.code(geokeys::VERTICAL_UNITS) {
            // OGC GeoTIFF 1.1, requirements class 16: a vertical unit has no size key, so it needs a code.
            Some(geokeys::USER_DEFINED) => crs.problems.push(
                "the file states a user-defined vertical unit without its size (GeoTIFF key 4099)".into(),
            ),
            Some(unit) => crs.vertical_unit = StatedUnit::from_code(unit.into()),
            None => {}
        }
        Some(crs)
    }

    /// This statement, completed where it is silent by a second one in the same file. Where both state a unit
    /// and disagree, the unit is contradictory.
    pub(super) fn completed_by(mut self, other: Crs) -> Crs {
        self.name = self.name.or(other.name);
        self.horizontal_code = self.horizontal_code.or(other.horizontal_code);
        self.horizontal_wkt = self.horizontal_wkt.or(other.horizontal_wkt);
        if !self.states_vertical() {
            self.heights = other.heights;
        }
        self.vertical_name = self.vertical_name.or(other.vertical_name);
        self.vertical_code = self.vertical_code.or(other.vertical_code);
        for (mine, theirs, what) in [
            (&mut self.horizontal_unit, other.horizontal_unit, "horizontal"),
            (&mut self.vertical_unit, other.vertical_unit, "vertical"),
        ] {
            match (&*mine, &theirs) {
                (StatedUnit::NotStated, _) => *mine = theirs,
                (StatedUnit::Stated(a), StatedUnit::Stated(b)) if a != b => {
                    self.problems.push(format!(
                        "the file states its {what} unit twice, once as {} and once as {}",
                        a.words(),
                        b.words()
                    ));
                    *mine = StatedUnit::Contradictory(*a);
                }
                _ => {}
            }
        }
        for problem in other.problems {
            if !self.problems.contains(&problem) {
                self.problems.push(problem);
            }
        }
        self
    }

    fn add_unit_problems(&mut self) {
        for (unit, what) in [(&self.horizontal_unit, "horizontal"), (&self.vertical_unit, "vertical")] {
            if let StatedUnit::Contradictory(unit) = unit {
                self.problems.push(format!(
                    "the {what} unit is contradictory: it is named {}, but the size that the file gives is \
                     another",
                    unit.words()
                ));
            }
        }
    }

    /// Whether both clouds have the same horizontal system: by code where both have one, else by name. Nothing
    /// where one of them does not say.
    pub fn same_horizontal(&self, other: &Crs) -> Option<bool> {
        if let (Some(a), Some(b)) = (self.horizontal_code, other.horizontal_code) {
            return Some(a == b);
        }
        let plain = |name: &str| -> String {
            name.to_lowercase().chars().filter(|c| !c.is_whitespace() && *c != '_').collect()
        };
        Some(plain(self.name.as_deref()?) == plain(other.name.as_deref()?))
    }

    /// The systems in words, such as `NAD83 / Oregon LCC (m) (EPSG 2991) + NAVD88 height (ftUS) (EPSG 6360)`.
    pub fn describe(&self) -> String {
        let part = |name: &Option<String>, code: Option<u32>| match (name, code) {
            (Some(name), Some(code)) => Some(format!("{name} (EPSG {code})")),
            (Some(name), None) => Some(name.clone()),
            (None, Some(code)) => Some(format!("EPSG {code}")),
            (None, None) => None,
        };
        let horizontal = part(&self.name, self.horizontal_code);
        let vertical = part(&self.vertical_name, self.vertical_code);
        match (horizontal, vertical) {
            (Some(horizontal), Some(vertical)) => format!("{horizontal} + {vertical}"),
            (Some(horizontal), None) => format!("{horizontal}; vertical system not stated"),
            (None, Some(vertical)) => format!("horizontal system not stated; {vertical}"),
            (None, None) => "not stated".into(),
        }
    }
}

/// Number of axes of a WKT 2 system; 2 where it is not said.
fn dimensions(node: &Node) -> usize {
    node.child(&["CS"]).and_then(|cs| cs.number(1)).map_or(2, |number| number as usize)
}

/// The unit of a system: that of its axes (upward ones where `up`, else the others), or its own.
fn unit_of(node: &Node, up: bool) -> StatedUnit {
    let read =
        |unit: &Node| StatedUnit::from_parts(unit.name().unwrap_or_default(), unit.epsg(), unit.number(1));
    let vertical_only = VERTICAL.contains(&node.keyword.as_str());
    let mut axes = node
        .children()
        .filter(|child| child.keyword == "AXIS")
        .filter(|axis| vertical_only || axis.values.contains(&Value::Word("UP".into())) == up)
        .filter_map(|axis| axis.child(UNIT))
        .map(read);
    match axes.next() {
        Some(first) => match axes.find(|next| *next != first) {
            Some(StatedUnit::Stated(_)) | Some(StatedUnit::Contradictory(_)) => {
                StatedUnit::Other("different units on the two axes".into())
            }
            Some(other) => other,
            None => first,
        },
        None => node.child(UNIT).map_or(StatedUnit::NotStated, read),
    }
}

#[cfg(test)]
mod tests;
