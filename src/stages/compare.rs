//! `compare`: dz, survey elevation minus reference elevation.

use std::cell::Cell;
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::bounds::Bounds;
use crate::cloud::point::{Fields, Point};
use crate::raster::{Extent, Raster};
use crate::stages::acceptance_limit::AcceptanceLimits;
use crate::stages::auto::Auto;
use crate::stages::cell_attributes::{CellAttributes, gradient_at};
use crate::stages::compared::{self, Compared};
use crate::stages::draw::{self, Drawn};
use crate::stages::export::{Dimension, Export};
use crate::stages::ground_limits::SurveyGround;
use crate::stages::kept_dz;
use crate::stages::ladder::RUNGS;
use crate::stages::local_gradient::local_gradient;
use crate::stages::matching::{Candidates, NO_DISTANCE};
use crate::stages::matching_sums::MatchingSums;
use crate::stages::method::Method;
use crate::stages::search::Search;
use crate::stages::setup_sums::SetupsOfComparisons;
use crate::stages::stage::{Preparing, StageOptions, Step, TileStage, Wanted};
use crate::stages::summarise::Summarise;
use crate::stages::triangulated::TriangulateTile;
use crate::terrain::coverage::Coverage;
use crate::tile::at_work::{Halo, Tile};
use crate::tile::gradient::Gradient;
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
    /// `auto`: a checkpoint is compared where a reference ground point lies within 15 mm; where a radius of 15 or
    /// 21 mm holds twelve (a scan with a point spacing of about 10 mm or closer), with the plane through them, which
    /// averages the noise of the scan; elsewhere with that nearest point, since a wider plane would smooth the relief.
    #[serde(rename = "match")]
    #[schemars(extend("x-source" = "this program's own choice, by simulation", "x-default" = "auto; nearest where `within` is a length"))]
    pub method: Method,
    /// Largest horizontal distance between a checkpoint and the reference points used. `auto` is 15 mm for `nearest`; for
    /// `plane` it is, at each checkpoint, the smallest of 15, 21, 30, 42, 60, 85, 120, 170, 240, 340 and 480 mm that holds
    /// at least twelve points. With `nearest`, distance × slope and the noise of one point enter dz; a wide plane smooths
    /// the relief, and its time grows with the density of survey and reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "15 mm: common practice, no source; the ladder of radii: this program's own choice", "x-default" = "auto"))]
    pub within: Option<Auto<Length>>,
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
        Compare { method: Method::Auto, within: None, longest_edge: None, steepest: None }
    }
}

impl Compare {
    /// The method: a length as `within` alone asks for the nearest point.
    pub fn method(&self) -> Method {
        match (self.method, self.within) {
            (Method::Auto, Some(Auto::Fixed(_))) => Method::Nearest,
            (method, _) => method,
        }
    }

    /// The greatest distance in plan: as given, or chosen by the program.
    pub fn within(&self) -> Auto<Length> {
        match (self.method(), self.within) {
            (_, Some(Auto::Fixed(within))) => Auto::Fixed(within),
            (Method::Nearest, _) => Auto::Fixed(NEAREST),
            _ => Auto::Auto,
        }
    }

    /// What finds the reference of a position.
    pub fn search(&self) -> Search {
        match (self.method(), self.within()) {
            (Method::Triangulated, _) => Search::Triangles(self.longest(false).micrometres()),
            (Method::Plane, Auto::Auto) => Search::Ladder(RUNGS.len()),
            (Method::Plane, Auto::Fixed(within)) => Search::Plane(within.micrometres()),
            (_, Auto::Fixed(within)) => Search::Nearest(within.micrometres()),
            (_, Auto::Auto) => Search::Either(NEAREST.micrometres(), DENSE_RUNGS),
        }
    }

    /// The longest edge of a facet: as given, or the default for a list of surveyed points, or for a cloud.
    pub fn longest(&self, is_list: bool) -> Length {
        self.longest_edge.unwrap_or(Length::metres(if is_list { 3.0 } else { 0.5 }))
    }
}

/// How near the nearest point must be, where the file does not say.
pub const NEAREST: Length = Length::millimetres(15.0);

/// Rungs up to 21 mm. Up to 60 mm a plane adds less than the nearest point does, on the whole; beyond, on relief at wavelengths
/// under a metre, far more: see `tests/README.md`. But each rung doubles the points to be listed at every position, and the run
/// must stay as fast as one that looks for the nearest point.
pub const DENSE_RUNGS: usize = 2;

impl StageOptions for Compare {
    fn step(&self) -> Step {
        Step::Compare
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        let of_list = preparing.surveyed.iter().flat_map(|places| places.iter());
        let positions: Vec<_> = of_list.chain(preparing.control.iter()).copied().collect();
        let is_list = preparing.surveyed.is_some();
        if is_list || !positions.is_empty() {
            // The options say how a scan is triangulated where that is the reference: not how the survey is at control.
            let options = if is_list { self.clone() } else { Compare::default() };
            preparing.tiles.push(Box::new(TriangulateTile {
                positions: Arc::new(positions),
                longest: options.longest(true).micrometres(),
                steepest: options.steepest,
                left_out: preparing.left_out.clone(),
            }));
        }
        if is_list {
            return;
        }
        let summarise = preparing.find::<Summarise>().cloned().unwrap_or_default();
        let cell = preparing.survey_is_classified().then_some(summarise.terrain_cell);
        let keep_dz = preparing.find::<Export>().is_some_and(|export| export.has(Dimension::Dz));
        preparing.tiles.push(Box::new(CompareTile {
            options: self.clone(),
            summarise,
            cell,
            middles: preparing.setups.middles.clone(),
            keep_dz,
        }));
    }
}

/// The stage at work: turns the reference found at candidates into dz.
pub struct CompareTile {
    /// The options.
    pub options: Compare,
    /// Which strata the results are grouped by, and their breaks.
    pub summarise: Summarise,
    /// Edge of the terrain cells, of which those with comparisons are counted.
    pub cell: Option<Length>,
    /// Where the scans are registered: the middle of the targets of each setup.
    pub middles: Option<Arc<Vec<[Micrometres; 2]>>>,
    /// Whether the dz of each point is kept on disk.
    pub keep_dz: bool,
}

impl TileStage for CompareTile {
    fn fields(&self) -> Fields {
        // Strips that disagree are found whether results are grouped by strip or not.
        Fields { strip: true, ..self.summarise.fields() }
    }

    fn halo(&self) -> Halo {
        Halo { survey: 0, reference: self.options.search().reach() }
    }

    fn wants(&self, tile: &Tile<'_>) -> Wanted {
        if tile.is_compared() { Wanted::NearReference } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(candidates) = tile.shared.take::<Candidates>() else { return };
        let known = tile.shared.get::<SurveyGround>();
        let limits_of_points = known
            .and_then(SurveyGround::limits)
            .filter(|_| !(candidates.counted.is_empty() && candidates.spaced.is_empty()))
            .and_then(|limits| AcceptanceLimits::new(limits, tile.core, &tile.survey));
        let gradients = Gradients::of(known);
        let cells = tile.shared.get::<CellAttributes>();
        let compared = |point: &Point, reference: Micrometres| {
            let highest = limits_of_points.as_ref().and_then(|limits| limits.at(point.x, point.y, point.z));
            let [gradient, local_gradient] = gradients.at(point.x, point.y);
            Compared {
                x: point.x,
                y: point.y,
                dz: point.z - reference,
                headroom: Compared::headroom(point.z, highest),
                gradient,
                local_gradient,
                strata: self.summarise.strata(point, cells),
            }
        };
        let mut sums = MatchingSums::default();
        let counted = candidates.counted.iter();
        let counted: Vec<Compared> = counted
            .map(|one| {
                let compared = compared(&tile.survey.points[one.index as usize], one.elevation);
                if self.keep_dz {
                    let point = &tile.survey.points[one.index as usize];
                    kept_dz::give(point, compared.dz, &mut tile.sections);
                }
                if one.distance != NO_DISTANCE {
                    sums.add_nearest(one.distance, compared.slope_percent());
                }
                compared
            })
            .collect();
        if let Some(middles) = &self.middles {
            let mut setups = SetupsOfComparisons::default();
            counted.iter().zip(&candidates.setups).for_each(|(one, setup)| setups.add(one, *setup, middles));
            setups.give(&mut tile.sections);
        }
        let drawn: Vec<Drawn> = candidates
            .spaced
            .iter()
            .map(|candidate| {
                let point = tile.survey.points[candidate.index];
                let reference = &candidate.reference;
                Drawn::new(candidate.key, &point, reference, &compared(&point, reference.elevation))
            })
            .collect();
        if let Some(cell) = self.cell.filter(|_| !counted.is_empty()) {
            compared_cells(&counted, cell).encode(tile.sections.of(COMPARED_CELLS));
        }
        sums.give(&mut tile.sections);
        compared::give(&counted, &mut tile.sections);
        draw::give(&drawn, &mut tile.sections);
    }
}

/// The gradients of the ground at compared points, smoothed and as they are.
struct Gradients<'a> {
    ground: Option<(&'a SurveyGround, &'a Raster)>,
    /// Both are the same all over a cell, and points one after another mostly lie in one: those of the last.
    last: Cell<Option<(usize, [Option<Gradient>; 2])>>,
}

impl<'a> Gradients<'a> {
    fn of(ground: Option<&'a SurveyGround>) -> Self {
        let ground = ground.and_then(|ground| Some((ground, ground.surface()?)));
        Gradients { ground, last: Cell::new(None) }
    }

    fn at(&self, x: Micrometres, y: Micrometres) -> [Option<Gradient>; 2] {
        let Some((ground, surface)) = self.ground else { return [None; 2] };
        let Some(cell) = surface.extent.index_of(x, y) else { return [None; 2] };
        if let Some((last, known)) = self.last.get()
            && last == cell
        {
            return known;
        }
        let found = [gradient_at(surface, x, y), local_gradient(ground, x, y)];
        let found = found.map(|gradient| gradient.map(Gradient::of));
        self.last.set(Some((cell, found)));
        found
    }
}

/// The section of the terrain cells with comparisons, where every candidate is compared: [`Coverage`] of each part of a tile.
pub const COMPARED_CELLS: &str = "compared cells";

/// The cells that comparisons, of which there are some, lie in.
fn compared_cells(all: &[Compared], cell: Length) -> Coverage {
    let mut bounds = Bounds::default();
    all.iter().for_each(|one| bounds.add((one.x, one.y)));
    let (x, y) = bounds.ranges().unwrap_or_default();
    let mut cells = Coverage::new(Extent::covering(cell.exact_micrometres(), x, y, 0));
    let finder = cells.extent.finder();
    for one in all {
        if let Some(index) = finder.index_of(one.x, one.y) {
            cells.add(index, Some(1));
        }
    }
    cells
}
