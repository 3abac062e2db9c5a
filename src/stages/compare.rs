//! `compare`: dz, survey elevation minus reference elevation.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::point::{Fields, Point};
use crate::stages::acceptance_limit::AcceptanceLimits;
use crate::stages::cell_attributes::{CellAttributes, slope_at};
use crate::stages::compared::{self, Compared};
use crate::stages::draw::{self, Drawn};
use crate::stages::ground_limits::SurveyLimits;
use crate::stages::matching::{Candidates, Method};
use crate::stages::stage::{Preparing, StageOptions, Step, TileStage, Wanted};
use crate::stages::summarise::Summarise;
use crate::stages::triangulated::TriangulateTile;
use crate::tile::at_work::{Halo, Tile};
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
    /// checkpoint. `triangulated`: linear interpolation in the Delaunay triangulation of the reference ground points or,
    /// where the reference is a list of surveyed points, of the survey's ground points at each of them.
    #[serde(rename = "match")]
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub method: Method,
    /// Largest horizontal distance between a checkpoint and the reference points used; by default 15 mm for
    /// `nearest` and 0.5 m for `plane`. With `nearest`, distance × slope enters dz.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "common practice, no source", "x-default" = "15 mm (nearest), 0.5 m (plane)"))]
    pub within: Option<Length>,
    /// With `triangulated`: longest edge in plan of a facet, and largest radius of the circle around it. Where points are
    /// sparser there is no elevation.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "this program's own choice", "x-default" = "3 m (list of surveyed points), 0.5 m (cloud)"))]
    pub longest_edge: Option<Length>,
    /// With `triangulated`: steepest facet, rise over run, over which a surveyed point is used.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "this program's own choice", "x-default" = "any"))]
    pub steepest: Option<f64>,
}

impl Default for Compare {
    fn default() -> Self {
        Compare { method: Method::Nearest, within: None, longest_edge: None, steepest: None }
    }
}

impl Compare {
    /// The greatest distance in plan: as given, or the default of the method.
    pub fn reach(&self) -> Length {
        self.within.unwrap_or(match self.method {
            Method::Nearest => Length::millimetres(15.0),
            Method::Plane => Length::metres(0.5),
            // The circle around a facet over a position reaches twice its radius from there.
            Method::Triangulated => return Length::metres(2e-6 * self.longest(false).exact_micrometres()),
        })
    }

    /// The longest edge of a facet: as given, or the default for a list of surveyed points, or for a cloud.
    pub fn longest(&self, is_list: bool) -> Length {
        self.longest_edge.unwrap_or(Length::metres(if is_list { 3.0 } else { 0.5 }))
    }
}

impl StageOptions for Compare {
    fn step(&self) -> Step {
        Step::Compare
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        if let Some(positions) = &preparing.surveyed {
            preparing.tiles.push(Box::new(TriangulateTile {
                positions: Arc::clone(positions),
                longest: self.longest(true).micrometres(),
                steepest: self.steepest,
            }));
            return;
        }
        let summarise = preparing.find::<Summarise>().cloned().unwrap_or_default();
        preparing.tiles.push(Box::new(CompareTile { options: self.clone(), summarise }));
    }
}

/// The stage at work: turns the reference found at candidates into dz.
pub struct CompareTile {
    /// The options.
    pub options: Compare,
    /// Which strata the results are grouped by, and their breaks.
    pub summarise: Summarise,
}

impl TileStage for CompareTile {
    fn fields(&self) -> Fields {
        // Strips that disagree are found whether results are grouped by strip or not.
        Fields { strip: true, ..self.summarise.fields() }
    }

    fn halo(&self) -> Halo {
        Halo { survey: 0, reference: self.options.reach().micrometres() }
    }

    fn wants(&self, tile: &Tile<'_>) -> Wanted {
        if tile.is_compared() { Wanted::NearReference } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(candidates) = tile.shared.take::<Candidates>() else { return };
        let limits = tile.shared.get::<SurveyLimits>().map(|SurveyLimits(limits)| limits);
        let limits_of_points = limits
            .filter(|_| !(candidates.counted.is_empty() && candidates.spaced.is_empty()))
            .and_then(|limits| AcceptanceLimits::new(limits, tile.core, &tile.survey));
        let ground = limits.and_then(|limits| limits.ground());
        let cells = tile.shared.get::<CellAttributes>();
        let compared = |point: &Point, reference: Micrometres| {
            let highest = limits_of_points.as_ref().and_then(|limits| limits.at(point.x, point.y, point.z));
            Compared {
                x: point.x,
                y: point.y,
                dz: point.z - reference,
                headroom: Compared::headroom(point.z, highest),
                slope_percent: ground
                    .and_then(|ground| slope_at(ground, point.x, point.y))
                    .map(|slope| (slope * 100.0).round().min(f64::from(u8::MAX) - 1.0) as u8),
                strata: self.summarise.strata(point, cells),
            }
        };
        let counted = candidates.counted.iter();
        let counted: Vec<Compared> = counted
            .map(|&(index, reference)| compared(&tile.survey.points[index as usize], reference))
            .collect();
        let drawn: Vec<Drawn> = candidates
            .spaced
            .iter()
            .map(|candidate| {
                let point = tile.survey.points[candidate.index];
                let reference = &candidate.reference;
                Drawn::new(candidate.key, &point, reference, &compared(&point, reference.elevation))
            })
            .collect();
        compared::give(&counted, &mut tile.sections);
        draw::give(&drawn, &mut tile.sections);
    }
}
