//! `compare`: dz, survey elevation minus reference elevation.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ceiling::Ceilings;
use super::checkpoints::{Drawn, hash};
use super::ground::Limits;
use super::places::slope_at;
use super::strata::{self, Strata};
use super::summarise::Summarise;
use super::{Halo, TileStage, Wanted};
use crate::cloud::near::Near;
use crate::cloud::point::{Fields, Point};
use crate::cloud::record::{pack_40, unpack_40};
use crate::engine::tile::{Cloud, Tile};
use crate::pipeline::units::{Length, Micrometres};

/// Compares each checkpoint with the reference ground near it in plan: dz = survey elevation − reference elevation.
///
/// The search is horizontal, never in three dimensions: a radius that counted height would bound the very error
/// that is to be reported.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Compare {
    /// `nearest`: the reference ground point nearest in plan. `plane`: the least-squares plane through the
    /// reference ground points within `within`, at least six and not in line, taken at the checkpoint.
    #[serde(rename = "match")]
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub method: Method,
    /// Greatest distance in plan between a checkpoint and the reference points used; by default 15 mm for
    /// `nearest` and 0.5 m for `plane`. On a slope, plan distance × slope enters dz.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "common practice, no source", "x-default" = "15 mm (nearest), 0.5 m (plane)"))]
    pub within: Option<Length>,
}

/// How reference elevation at a checkpoint is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// The reference ground point nearest in plan.
    Nearest,
    /// The least-squares plane through the reference ground points in reach.
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

/// The reference at a checkpoint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Match {
    /// Elevation of the reference, micrometres.
    pub elevation: Micrometres,
    /// Reference points that it rests on.
    pub points: u32,
    /// The fitted plane, where there is one.
    pub plane: Option<Plane>,
}

/// What is known of a fitted plane beside its height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    /// Steepest slope, rise over run.
    pub slope: f64,
    /// Standard deviation of the residuals (n − 3), micrometres.
    pub residual_sd: f64,
}

/// Fewest points that a plane is fitted through.
const PLANE_POINTS: i128 = 6;

/// A set of points is in line where its spread across is less than a tenth of its spread along: the ratio of the
/// two variances.
const IN_LINE: f64 = 0.01;

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

/// Finds the reference at positions of one tile.
pub struct Matcher<'a> {
    method: Method,
    seed: u64,
    /// The reference's ground points.
    ground: &'a [Point],
    near: Near,
}

impl<'a> Matcher<'a> {
    /// Prepares the ground points of a tile's reference for searching.
    pub fn new(options: &Compare, seed: u64, ground: &'a [Point]) -> Self {
        let positions = ground.iter().map(|point| (point.x, point.y));
        let near = Near::new(positions, options.reach().micrometres());
        Matcher { method: options.method, seed, ground, near }
    }

    /// Whether there is no reference ground at all.
    pub fn is_empty(&self) -> bool {
        self.ground.is_empty()
    }

    /// The reference at a position; nothing where there is not enough of it within reach.
    pub fn find(&self, x: Micrometres, y: Micrometres) -> Option<Match> {
        match self.method {
            Method::Nearest => self.nearest(x, y),
            Method::Plane => self.plane(x, y),
        }
    }

    fn nearest(&self, x: Micrometres, y: Micrometres) -> Option<Match> {
        let mut best: Option<(i64, usize)> = None;
        self.near.for_each(x, y, |i, squared| {
            // Of points equally near, the one of smallest hash: any rule by elevation would bias dz.
            let closer = best.is_none_or(|(least, other)| {
                squared < least || (squared == least && self.tie_key(i) < self.tie_key(other))
            });
            if closer {
                best = Some((squared, i));
            }
        });
        let (_, i) = best?;
        Some(Match { elevation: self.ground[i].z, points: 1, plane: None })
    }

    fn tie_key(&self, i: usize) -> (u64, Micrometres) {
        let point = &self.ground[i];
        (hash(self.seed, point), point.z)
    }

    /// The least-squares plane through the points within reach, at (x, y). Sums are of integers, so that the order
    /// of the points cannot show.
    fn plane(&self, x: Micrometres, y: Micrometres) -> Option<Match> {
        let mut sums = PlaneSums::default();
        self.near.for_each(x, y, |i, _| {
            let p = &self.ground[i];
            sums.add((p.x - x).into(), (p.y - y).into(), p.z.into());
        });
        let (elevation, plane) = sums.fit()?;
        Some(Match { elevation, points: sums.n as u32, plane: Some(plane) })
    }
}

/// Sums of powers and products of whole numbers over the points of a neighbourhood.
#[derive(Default)]
struct PlaneSums {
    n: i128,
    x: i128,
    y: i128,
    z: i128,
    xx: i128,
    xy: i128,
    yy: i128,
    xz: i128,
    yz: i128,
    zz: i128,
}

impl PlaneSums {
    fn add(&mut self, x: i128, y: i128, z: i128) {
        self.n += 1;
        self.x += x;
        self.y += y;
        self.z += z;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        self.xz += x * z;
        self.yz += y * z;
        self.zz += z * z;
    }

    /// Height of the plane at the origin, and the plane; nothing with too few points or points in line.
    fn fit(&self) -> Option<(Micrometres, Plane)> {
        if self.n < PLANE_POINTS {
            return None;
        }
        // n times the sums of squares about the mean, exact.
        let about_mean = |product: i128, a: i128, b: i128| (self.n * product - a * b) as f64;
        let (xx, yy) = (about_mean(self.xx, self.x, self.x), about_mean(self.yy, self.y, self.y));
        let xy = about_mean(self.xy, self.x, self.y);
        let (xz, yz) = (about_mean(self.xz, self.x, self.z), about_mean(self.yz, self.y, self.z));
        let zz = about_mean(self.zz, self.z, self.z);
        let determinant = xx * yy - xy * xy;
        let half = (xx + yy) / 2.0;
        let root = (half * half - determinant).max(0.0).sqrt();
        if half - root <= IN_LINE * (half + root) {
            return None;
        }
        let (a, b) = ((xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant);
        let n = self.n as f64;
        // The whole part of the mean is kept apart, so that a high site loses nothing to rounding.
        let (mean, rest) = (self.z.div_euclid(self.n), self.z.rem_euclid(self.n));
        let height = mean as i64 + ((rest as f64 - a * self.x as f64 - b * self.y as f64) / n).round() as i64;
        let residual_squares = ((zz - a * xz - b * yz) / n).max(0.0);
        let residual_sd = (residual_squares / (n - 3.0)).sqrt();
        Some((height, Plane { slope: (a * a + b * b).sqrt(), residual_sd }))
    }
}

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
        let ceilings = tile
            .survey_limits
            .as_ref()
            .filter(|_| !(tile.counted.is_empty() && tile.spaced.is_empty()))
            .and_then(|limits| Ceilings::new(limits, tile.core, &tile.survey));
        let ground = tile.survey_limits.as_ref().and_then(Limits::ground);
        let compared = |point: &Point, reference: Micrometres| {
            let highest = ceilings.as_ref().and_then(|ceilings| ceilings.at(point.x, point.y, point.z));
            Compared {
                x: point.x,
                y: point.y,
                dz: point.z - reference,
                room: Compared::room(point.z, highest),
                slope_percent: ground
                    .and_then(|ground| slope_at(ground, point.x, point.y))
                    .map(|slope| (slope * 100.0).round().min(f64::from(u8::MAX) - 1.0) as u8),
                strata: self.summarise.strata(point, tile.places.as_ref()),
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
    use crate::cloud::point::Point;

    fn find(method: Method, within: f64, points: &[(i64, i64, i64)], at: (i64, i64)) -> Option<Match> {
        let options = Compare { method, within: Some(Length::metres(within)) };
        let ground: Vec<Point> =
            points.iter().map(|&(x, y, z)| Point { x, y, z, ..Point::default() }).collect();
        Matcher::new(&options, 1, &ground).find(at.0, at.1)
    }

    #[test]
    fn the_search_is_horizontal_whatever_the_height() {
        let found = find(Method::Nearest, 0.015, &[(10_000, 0, 90_000_000), (20_000, 0, 0)], (0, 0)).unwrap();
        assert_eq!(found.elevation, 90_000_000);
        assert_eq!(find(Method::Nearest, 0.015, &[(15_001, 0, 0)], (0, 0)), None);
        assert!(find(Method::Nearest, 0.015, &[(15_000, 0, 0)], (0, 0)).is_some());
    }

    #[test]
    fn a_plane_needs_six_points_not_in_line() {
        let mut points: Vec<_> = (0..5).map(|i| (i * 100_000, (i % 2) * 100_000, 7)).collect();
        assert_eq!(find(Method::Plane, 1.0, &points, (0, 0)), None);
        points.push((0, 200_000, 7));
        assert!(find(Method::Plane, 1.0, &points, (0, 0)).is_some());
        let line: Vec<_> = (0..9).map(|i| (i * 100_000, i * 50_000, i)).collect();
        assert_eq!(find(Method::Plane, 2.0, &line, (0, 0)), None);
    }

    #[test]
    fn a_tilted_plane_is_taken_at_the_checkpoint_itself() {
        // z = 10 m + 0.1 x + 0.2 y: slope √0.05 = 0.223607 (standards notes, 1.5), all points to one side.
        let points: Vec<_> = (1..5)
            .flat_map(|i| {
                (1..5).map(move |j| (i * 100_000, j * 100_000, 10_000_000 + i * 10_000 + j * 20_000))
            })
            .collect();
        let found = find(Method::Plane, 2.0, &points, (0, 0)).unwrap();
        assert_eq!((found.elevation, found.points), (10_000_000, 16));
        let plane = found.plane.unwrap();
        assert!((plane.slope - 0.05f64.sqrt()).abs() < 1e-12 && plane.residual_sd < 1e-3);
    }

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

        #[test]
        fn the_order_of_reference_points_does_not_matter(
            points in proptest::collection::vec((0i64..60, 0i64..60, -50i64..50), 1..60), turn in 0usize..60,
        ) {
            let points: Vec<_> = points.iter().map(|&(x, y, z)| (x * 1000, y * 1000, z * 1000)).collect();
            let mut turned = points.clone();
            turned.rotate_left(turn % points.len());
            for method in [Method::Nearest, Method::Plane] {
                prop_assert_eq!(
                    find(method, 0.03, &points, (30_000, 30_000)), find(method, 0.03, &turned, (30_000, 30_000)));
            }
        }
    }
}
