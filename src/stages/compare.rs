//! `compare`: dz, survey elevation minus reference elevation.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::packed::{pack_40, unpack_40};
use crate::cloud::point::{Fields, Point};
use crate::stages::acceptance_limit::AcceptanceLimits;
use crate::stages::cell_attributes::slope_at;
use crate::stages::draw::Drawn;
use crate::stages::ground::Limits;
use crate::stages::summarise::Summarise;
use crate::stages::{Halo, TileStage, Wanted};
use crate::tile::points::{Cloud, Tile};
use crate::tile::strata::{self, Strata};
use crate::units::{Length, Micrometres};

/// Compares each checkpoint with the reference ground near it: dz = survey elevation − reference elevation.
///
/// The search is horizontal, never in three dimensions: a search radius in height would limit the very error that is
/// to be measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Compare {
    /// `nearest`: the reference ground point at the smallest horizontal distance. `plane`: the least-squares plane
    /// through the reference ground points within the distance `within` (at least six, not in line), evaluated at the
    /// checkpoint.
    #[serde(rename = "match")]
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub method: Method,
    /// Largest horizontal distance between a checkpoint and the reference points used; by default 15 mm for
    /// `nearest` and 0.5 m for `plane`. With `nearest`, distance × slope enters dz.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "common practice, no source", "x-default" = "15 mm (nearest), 0.5 m (plane)"))]
    pub within: Option<Length>,
}

/// How reference elevation at a checkpoint is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// The reference ground point at the smallest horizontal distance.
    Nearest,
    /// The least-squares plane through the reference ground points within reach.
    Plane,
}

impl Default for Compare {
    fn default() -> Self {
        Compare { method: Method::Nearest, within: None }
    }
}

impl Compare {
    /// The greatest distance in plan: as given, or the default of the method.
    pub fn reach(&self) -> Length {
        self.within.unwrap_or(match self.method {
            Method::Nearest => Length::millimetres(15.0),
            Method::Plane => Length::metres(0.5),
        })
    }
}

/// One dz, with its place and what is known of the point that it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Compared {
    /// Easting, micrometres.
    pub x: Micrometres,
    /// Northing, micrometres.
    pub y: Micrometres,
    /// Survey elevation minus reference elevation, micrometres.
    pub dz: Micrometres,
    /// How much higher the point could lie and still be ground, as the other points set it, in steps of
    /// [`Compared::ROOM_STEP`]; none where no other point sets a limit.
    pub room: Option<u16>,
    /// Slope of the ground there, rise over run, in hundredths and at most [`u8::MAX`] − 1 of them; none where the
    /// ground has too few cells.
    pub slope_percent: Option<u8>,
    /// The strata it belongs to.
    pub strata: Strata,
}

/// Bytes of a comparison on disk.
pub const ENCODED: usize = 5 + 5 + 5 + 2 + 1 + strata::ENCODED;

impl Compared {
    /// A tenth of a millimetre: far below what a threshold is good for.
    pub const ROOM_STEP: Micrometres = 100;

    /// `room` from the point's elevation and the highest that would have been accepted.
    pub fn room(z: Micrometres, highest: Option<Micrometres>) -> Option<u16> {
        // The greatest value stands for "none"; so much room cuts nothing off.
        highest.map(|highest| ((highest - z).max(0) / Self::ROOM_STEP).min(i64::from(u16::MAX) - 1) as u16)
    }

    /// The highest dz that the ground filter would have accepted here, micrometres.
    pub fn limit(&self) -> Option<Micrometres> {
        self.room.map(|room| self.dz + i64::from(room) * Self::ROOM_STEP)
    }

    /// Adds it as bytes, its place counted from `base`; whether that was near enough.
    pub fn encode(&self, base: (Micrometres, Micrometres), to: &mut Vec<u8>) -> bool {
        let (dx, dy) = (self.x - base.0, self.y - base.1);
        if [dx, dy].iter().any(|d| !(-FARTHEST..FARTHEST).contains(d)) {
            return false;
        }
        for value in [dx, dy, self.dz] {
            to.extend_from_slice(&pack_40(value));
        }
        to.extend_from_slice(&self.room.unwrap_or(u16::MAX).to_le_bytes());
        to.push(self.slope_percent.unwrap_or(u8::MAX));
        to.extend_from_slice(&self.strata.encode());
        true
    }

    /// What [`Compared::encode`] turned into these bytes.
    pub fn decode(b: &[u8; ENCODED], base: (Micrometres, Micrometres)) -> Self {
        let room = u16::from_le_bytes([b[15], b[16]]);
        Compared {
            x: base.0 + unpack_40(&b[0..5]),
            y: base.1 + unpack_40(&b[5..10]),
            dz: unpack_40(&b[10..15]),
            room: (room != u16::MAX).then_some(room),
            slope_percent: Some(b[17]).filter(|slope| *slope != u8::MAX),
            strata: Strata::decode([b[18], b[19], b[20], b[21], b[22]]),
        }
    }
}

/// Places are stored up to this far from their base, micrometres: what fits 40 bits.
const FARTHEST: Micrometres = 1 << 39;

/// The stage at work: turns the reference found at candidates into dz.
pub struct CompareTile {
    /// The options.
    pub options: Compare,
    /// Which strata the results will be told apart by, and their breaks.
    pub summarise: Summarise,
}

impl TileStage for CompareTile {
    fn fields(&self) -> Fields {
        // Strips that disagree are found whether results are told apart by strip or not.
        Fields { strip: true, ..self.summarise.fields() }
    }

    fn halo(&self) -> Halo {
        Halo { survey: 0, reference: self.options.reach().micrometres() }
    }

    fn wants(&self, _: Cloud, tile: &Tile) -> Wanted {
        if tile.is_compared() { Wanted::NearReference } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile) {
        let limits_of_points = tile
            .survey_limits
            .as_ref()
            .filter(|_| !(tile.counted.is_empty() && tile.spaced.is_empty()))
            .and_then(|limits| AcceptanceLimits::new(limits, tile.core, &tile.survey));
        let ground = tile.survey_limits.as_ref().and_then(Limits::ground);
        let compared = |point: &Point, reference: Micrometres| {
            let highest = limits_of_points
                .as_ref()
                .and_then(|limits_of_points| limits_of_points.at(point.x, point.y, point.z));
            Compared {
                x: point.x,
                y: point.y,
                dz: point.z - reference,
                room: Compared::room(point.z, highest),
                slope_percent: ground
                    .and_then(|ground| slope_at(ground, point.x, point.y))
                    .map(|slope| (slope * 100.0).round().min(f64::from(u8::MAX) - 1.0) as u8),
                strata: self.summarise.strata(point, tile.cell_attributes.as_ref()),
            }
        };
        tile.found.compared.extend(
            tile.counted
                .iter()
                .map(|&(index, reference)| compared(&tile.survey.points[index as usize], reference)),
        );
        for &i in &tile.spaced {
            let candidate = &tile.candidates[i];
            let point = tile.survey.points[candidate.index];
            let Compared { room, slope_percent, strata, .. } =
                compared(&point, candidate.reference.elevation);
            tile.found.drawn.push(Drawn {
                room,
                slope_percent,
                strata,
                ..Drawn::new(candidate.key, &point, &candidate.reference)
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_comparison_comes_back_as_it_was(
            (x, y) in (-FARTHEST..FARTHEST, -FARTHEST..FARTHEST), dz in -400_000_000_000i64..400_000_000_000,
            room in proptest::option::of(0..u16::MAX), slope_percent in proptest::option::of(0..u8::MAX), strip in any::<Option<u16>>(),
        ) {
            let strata = Strata { return_number: 3, strip, ..Strata::default() };
            let base = (1 << 52, -1 << 52);
            let compared = Compared { x: x + base.0, y: y + base.1, dz, room, slope_percent, strata };
            let mut bytes = Vec::new();
            prop_assert!(compared.encode(base, &mut bytes));
            prop_assert_eq!(Compared::decode(bytes[..].try_into().unwrap(), base), compared);
            prop_assert!(!compared.encode((0, 0), &mut bytes));
        }
    }
}
