//! `select`: which points are used, judged one by one.

use std::borrow::Cow;
use std::collections::{BTreeMap, HashSet};
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize, de};

use crate::cloud::Ground;
use crate::cloud::point::{Fields, MAX_RETURN, Point};
use crate::raster::Raster;
use crate::stages::stage::{
    CloudChoice, PointFilter, Preparing, StageOptions, Step, TileStage, Visitor, WhileReading,
};
use crate::tile::at_work::Tile;
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::tile::yields::{YieldError, Yields};
use crate::units::{Angle, Length};

/// Selects the points that meet every condition given. The others are counted as not selected.
///
/// Without any condition all points are selected. The stage may be listed more than once; later stages see only the
/// points that earlier ones selected.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Select {
    /// The cloud it applies to: `both`, `survey` or `reference`.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub cloud: CloudChoice,
    /// Returns to select: return numbers from 1 to 15, `last` (return number equals number of returns, single returns
    /// included) or `single` (the only return of its pulse), alone or in a list: `[1, 2]`, `last`, `[1, last]`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, section 2.4"))]
    pub returns: Option<Returns>,
    /// Classification codes to select, 0 to 255.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, classification tables"))]
    pub classes: Option<Vec<u8>>,
    /// Strips to select, by point source ID, 0 to 65535.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, point source ID"))]
    pub strips: Option<Vec<u16>>,
    /// Largest scan angle to select, on either side of nadir.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "LAS 1.4 R16, scan angle"))]
    pub scan_angle_max: Option<Angle>,
    /// Box to select: `{x: [low, high], y: [low, high]}`, coordinates as lengths in the survey's coordinate
    /// system. The low sides belong to the box, the high sides do not. Of a COPC file only those nodes are decoded that the
    /// box meets; points of the others are counted as `outside_area`, and stand in no other count but `read`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "this program's own choice"))]
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

/// How many points a `select` stage selected, and how many not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    /// Points selected.
    pub selected: u64,
    /// Points not selected.
    pub not_selected: u64,
}

impl Tally {
    /// Counts one point.
    pub fn count(&mut self, selected: bool) {
        if selected { self.selected += 1 } else { self.not_selected += 1 }
    }

    /// Adds the counts of another.
    pub fn merge(&mut self, other: &Tally) {
        self.selected += other.selected;
        self.not_selected += other.not_selected;
    }
}

impl Select {
    /// The fields that the conditions look at.
    pub fn fields(&self) -> Fields {
        Fields { strip: self.strips.is_some(), scan_angle: self.scan_angle_max.is_some(), gps_time: false }
    }

    /// The conditions, made ready to judge many points.
    pub fn filter(&self) -> Filter {
        Filter {
            fields: self.fields(),
            returns: self.returns.as_ref().map(Returns::table),
            classes: self.classes.as_ref().map(|classes| {
                let mut table = [false; 256];
                classes.iter().for_each(|&class| table[class as usize] = true);
                table
            }),
            strips: self.strips.as_ref().map(|strips| strips.iter().copied().collect()),
            scan_angle_max: self.scan_angle_max.map(|limit| limit.degrees + 1e-9),
            area: self.area.as_ref().map(|area| {
                let range = |side: &[Length; 2]| side[0].micrometres()..side[1].micrometres();
                (range(&area.x), range(&area.y))
            }),
        }
    }
}

/// The conditions of a `select` stage, made ready to judge many points: what a point can say in a byte is looked up.
pub struct Filter {
    fields: Fields,
    /// By [`Point::returns`].
    returns: Option<[bool; 256]>,
    classes: Option<[bool; 256]>,
    strips: Option<HashSet<u16>>,
    /// Degrees.
    scan_angle_max: Option<f64>,
    area: Option<Ground>,
}

impl Filter {
    /// Whether a point meets every condition.
    #[inline]
    pub fn selects(&self, point: &Point) -> bool {
        self.returns.as_ref().is_none_or(|table| table[usize::from(point.returns())])
            && self.classes.as_ref().is_none_or(|table| table[point.class as usize])
            && self.strips.as_ref().is_none_or(|s| s.contains(&point.strip))
            && self
                .scan_angle_max
                .is_none_or(|limit| f64::from(point.scan_angle.unsigned_abs()) * SCAN_ANGLE_UNIT <= limit)
            && self.area.as_ref().is_none_or(|(x, y)| x.contains(&point.x) && y.contains(&point.y))
    }
}

impl PointFilter for Filter {
    fn fields(&self) -> Fields {
        self.fields
    }

    fn ground(&self) -> Option<&Ground> {
        self.area.as_ref()
    }

    fn selects(&self, point: &Point) -> bool {
        Filter::selects(self, point)
    }

    fn retain(&self, points: &mut Vec<Point>) {
        points.retain(|point| self.selects(point));
    }
}

/// Degrees in one unit of scan angle. Source: LAS 1.4 R16, scan angle of point formats 6 to 10.
const SCAN_ANGLE_UNIT: f64 = 0.006;

impl Returns {
    /// Whether a point is selected, by [`Point::returns`].
    pub fn table(&self) -> [bool; 256] {
        let mut table = [false; 256];
        for number_of_returns in 0..=MAX_RETURN as u8 {
            for return_number in 0..=MAX_RETURN as u8 {
                let point = Point { return_number, number_of_returns, ..Point::default() };
                table[usize::from(point.returns())] = point.valid_return().is_some_and(|number| {
                    self.0.iter().any(|choice| match choice {
                        ReturnChoice::Number(n) => *n == number,
                        ReturnChoice::Last => point.is_last(),
                        ReturnChoice::Single => number_of_returns == 1,
                    })
                });
            }
        }
        table
    }
}

impl StageOptions for Select {
    fn step(&self) -> Step {
        Step::Filter
    }

    fn prepare(&self, place: usize, preparing: &mut Preparing<'_>) {
        for cloud in self.cloud.clouds() {
            if preparing.classified.contains(&cloud) {
                let stage = SelectGround { select: self.clone(), cloud, stage: place };
                preparing.tiles.push(Box::new(stage));
            } else {
                let filter = Box::new(self.filter());
                preparing.while_reading.push(WhileReading { cloud, place, filter });
            }
        }
    }
}

/// A `select` stage that stands after the ground filter: it judges ground points.
pub struct SelectGround {
    /// The conditions.
    pub select: Select,
    /// The cloud it applies to.
    pub cloud: Cloud,
    /// Its place in the list of stages, from 1.
    pub stage: usize,
}

impl TileStage for SelectGround {
    fn fields(&self) -> Fields {
        self.select.fields()
    }

    fn visitor<'a>(&'a self, _: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        Some(Box::new(SelectVisitor { stage: self, filter: self.select.filter(), tally: Tally::default() }))
    }
}

struct SelectVisitor<'a> {
    stage: &'a SelectGround,
    filter: Filter,
    tally: Tally,
}

impl Visitor for SelectVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud != self.stage.cloud {
            return;
        }
        for (i, (point, status)) in piece.points.iter().zip(&mut piece.statuses).enumerate() {
            if *status != PointStatus::Ground {
                continue;
            }
            let selected = self.filter.selects(point);
            if !selected {
                *status = PointStatus::NotSelected;
            }
            if i < piece.core {
                self.tally.count(selected);
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        let SelectGround { cloud, stage, .. } = self.stage;
        let Tally { selected, not_selected } = self.tally;
        let cloud = u64::from(*cloud == Cloud::Reference);
        for word in [cloud, *stage as u64, selected, not_selected] {
            tile.sections.of(SECTION).extend_from_slice(&word.to_le_bytes());
        }
    }
}

/// The section of the tallies: four numbers each, the cloud, the stage, points selected, points not selected.
const SECTION: &str = "select";

/// Tallies by place of the stage in the list of stages, from 1.
pub type Tallies = BTreeMap<usize, Tally>;

/// What the `select` stages behind the ground filter did, to the survey and to the reference.
///
/// # Errors
/// Where the disk does not give it back.
pub fn tallies(yields: &dyn Yields) -> Result<[Tallies; 2], YieldError> {
    let mut all: [Tallies; 2] = Default::default();
    yields.for_each(SECTION, &mut |bytes| {
        let (words, rest) = bytes.as_chunks::<8>();
        let (records, odd) = words.as_chunks::<4>();
        for record in records {
            let [cloud, stage, selected, not_selected] = record.map(u64::from_le_bytes);
            let tally = all.get_mut(cloud as usize)?.entry(stage as usize).or_default();
            tally.merge(&Tally { selected, not_selected });
        }
        (rest.is_empty() && odd.is_empty()).then_some(())
    })?;
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::given::Given;
    use crate::tile::yields::Sections;

    fn point(return_number: u8, number_of_returns: u8) -> Point {
        Point { return_number, number_of_returns, ..Point::default() }
    }

    #[test]
    fn returns_by_number_last_and_single() {
        let keep = |choices: &[ReturnChoice], n, of| {
            Select { returns: Some(Returns(choices.to_vec())), ..Select::default() }
                .filter()
                .selects(&point(n, of))
        };
        assert!(keep(&[ReturnChoice::Number(2)], 2, 3));
        assert!(!keep(&[ReturnChoice::Number(2)], 3, 3));
        assert!(keep(&[ReturnChoice::Last], 3, 3) && !keep(&[ReturnChoice::Last], 2, 3));
        assert!(keep(&[ReturnChoice::Single], 1, 1) && !keep(&[ReturnChoice::Single], 1, 2));
        assert!(keep(&[ReturnChoice::Number(1), ReturnChoice::Last], 3, 3));
        // A return number above the number of returns is no return at all.
        assert!(!keep(&[ReturnChoice::Number(4), ReturnChoice::Last], 4, 3));
    }

    #[test]
    fn scan_angle_class_strip_and_area_must_all_hold() {
        let keep = Select {
            classes: Some(vec![2]),
            strips: Some(vec![7]),
            scan_angle_max: Some(Angle { degrees: 18.0 }),
            area: Some(Area {
                x: [Length::metres(0.0), Length::metres(1.0)],
                y: [Length::metres(-1.0), Length::metres(1.0)],
            }),
            ..Select::default()
        }
        .filter();
        let good = Point { class: 2, strip: 7, scan_angle: -3000, ..point(1, 1) };
        assert!(keep.selects(&good));
        assert!(!keep.selects(&Point { scan_angle: 3001, ..good }));
        assert!(!keep.selects(&Point { class: 1, ..good }));
        assert!(!keep.selects(&Point { strip: 8, ..good }));
        assert!(!keep.selects(&Point { x: 1_000_000, ..good }));
        assert!(keep.selects(&Point { x: 999_999, y: -1_000_000, ..good }));
    }

    #[test]
    fn after_the_ground_filter_ground_alone_is_judged_and_the_core_alone_counted() {
        let select = Select { returns: Some(Returns(vec![ReturnChoice::Last])), ..Select::default() };
        let stage = SelectGround { select, cloud: Cloud::Survey, stage: 4 };
        let mut visitor =
            SelectVisitor { stage: &stage, filter: stage.select.filter(), tally: Tally::default() };
        let (ground, above, not) = (PointStatus::Ground, PointStatus::AboveGround, PointStatus::NotSelected);
        let mut piece = PointSet::default();
        for (number, status) in [(2, ground), (1, ground), (1, above), (1, ground), (2, ground), (1, ground)]
        {
            piece.add(point(number, 2));
            *piece.statuses.last_mut().unwrap() = status;
        }
        piece.core = 4;
        visitor.visit(Cloud::Reference, &mut piece);
        assert_eq!(visitor.tally, Tally::default());
        visitor.visit(Cloud::Survey, &mut piece);
        assert_eq!(piece.statuses, [ground, not, above, not, ground, not]);
        assert_eq!(visitor.tally, Tally { selected: 1, not_selected: 2 });
    }

    #[test]
    fn tallies_of_all_tiles_are_added_up_by_cloud_and_stage() {
        let mut given = Given::default();
        for (words, more) in [([0, 4, 10, 1], [1, 4, 20, 2]), ([0, 4, 100, 10], [0, 6, 30, 3])] {
            let mut sections = Sections::default();
            let bytes = words.into_iter().chain(more).flat_map(u64::to_le_bytes);
            sections.of(SECTION).extend(bytes);
            given.add(&sections);
        }
        let tally = |selected, not_selected| Tally { selected, not_selected };
        let [survey, reference] = tallies(&given).unwrap();
        assert_eq!(survey, Tallies::from([(4, tally(110, 11)), (6, tally(30, 3))]));
        assert_eq!(reference, Tallies::from([(4, tally(20, 2))]));
    }

    #[test]
    fn bytes_that_are_no_tallies_are_an_error() {
        // Cut off within a number, within a record, and a third cloud.
        for bytes in [&[0u8; 33][..], &[0; 24], &[[2u8; 8]; 4].concat()] {
            let mut sections = Sections::default();
            sections.of(SECTION).extend(bytes);
            let mut given = Given::default();
            given.add(&sections);
            assert!(matches!(tallies(&given), Err(YieldError::Damaged { .. })), "{bytes:?}");
        }
    }
}
