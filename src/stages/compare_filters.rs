//! `ground: {compare: […]}`: other settings of the ground filter beside the run's own, in the same pass over the points. What each
//! accepts is counted and compared with the reference; every point counts, whatever is drawn. Nothing else rests on it.

use std::rc::Rc;

use crate::cloud::point::{Fields, MAX_RETURN, Point};
use crate::raster::{Finder, Raster};
use crate::stages::acceptance_limit::AcceptanceLimits;
use crate::stages::asked::{Asked, Asking};
use crate::stages::compared::Compared;
use crate::stages::filter_ground::{FilterGround, opened_before};
use crate::stages::filters_found::{CELLS, GroundCounts, RECORD, give_compared, give_ground, give_reference};
use crate::stages::ground::Ground;
use crate::stages::ground_limits::{GroundLimits, KeepOrigin, SurveyGround};
use crate::stages::kept_limits::KeepLimits;
use crate::stages::later_selects::LaterSelects;
use crate::stages::refused::{RefusedCounts, SlopeClasses};
use crate::stages::stage::{Preparing, SurfaceNeed, TileStage, Visitor, Wanted};
use crate::stages::summarise::Summarise;
use crate::stages::terrain_cells::covered_cells;
use crate::terrain::coverage::Coverage;
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::units::{Length, Micrometres};

/// The `ground` stage that compares settings, and its place in the list.
fn asking<'a>(preparing: &'a Preparing<'_>) -> Option<(usize, &'a Ground)> {
    let grounds = preparing.options.iter().map(|one| one.downcast::<Ground>()).enumerate();
    let mut asking = grounds.filter_map(|(at, ground)| Some((at, ground?)));
    asking.find(|(_, ground)| !ground.compare.is_empty())
}

/// What compares the settings, where the pipeline asks for it: the run's own first, then each other.
pub fn stages(preparing: &Preparing<'_>) -> Vec<Box<dyn TileStage>> {
    let Some((at, own)) = asking(preparing) else { return Vec::new() };
    let after = &preparing.options[at..];
    let compares = Asking::of(preparing).compares();
    let keep_origin = if compares { KeepOrigin::WhereCompared } else { KeepOrigin::Never };
    let breaks = preparing.find::<Summarise>().cloned().unwrap_or_default().slope_breaks;
    let filter = |number: usize, options: &Ground, cloud| FilterGround {
        options: options.clone(),
        cloud,
        number,
        keep_origin: if cloud == Cloud::Survey { keep_origin } else { KeepOrigin::Never },
        slope_breaks: (cloud == Cloud::Reference).then(|| breaks.clone()),
        keep_limits: KeepLimits::Nowhere,
    };
    let whole_cell = |ground: &Ground| ground.cell.exact_micrometres().ceil() as Micrometres;
    let survey_setting = |number, survey, own_reference, cell| CompareFilter {
        number,
        survey,
        own_reference,
        selects: [Cloud::Survey, Cloud::Reference].map(|cloud| LaterSelects::of(after, cloud)),
        asking: Asking::of(preparing),
        cell: if compares { cell } else { 0 },
        terrain_cell: preparing.terrain_cell,
    };
    let mut stages: Vec<Box<dyn TileStage>> = vec![Box::new(survey_setting(0, None, true, 0))];
    for (number, alternative) in (1..).zip(&own.compare) {
        let options = own.with(alternative);
        let reference = own.cloud.includes(Cloud::Reference) && compares;
        if reference {
            stages.push(Box::new(FilterReference {
                filter: filter(number, &options, Cloud::Reference),
                selects: LaterSelects::of(after, Cloud::Reference),
            }));
        }
        let survey = own.cloud.includes(Cloud::Survey).then(|| filter(number, &options, Cloud::Survey));
        // Where the survey's ground is the run's own, so is its halo.
        let cell = if survey.is_some() { whole_cell(&options) } else { 0 };
        stages.push(Box::new(survey_setting(number, survey, !reference, cell)));
    }
    stages
}

/// The options of all settings that are compared, the run's own first; none where that is not asked for.
pub fn settings(preparing: &Preparing<'_>) -> Vec<Ground> {
    let Some((_, own)) = asking(preparing) else { return Vec::new() };
    let others = own.compare.iter().map(|alternative| own.with(alternative));
    [own.clone()].into_iter().chain(others).collect()
}

/// The reference under another setting: counted, and its limits made for the comparison.
struct FilterReference {
    filter: FilterGround,
    selects: LaterSelects,
}

impl TileStage for FilterReference {
    fn fields(&self) -> Fields {
        self.selects.fields
    }

    fn surface(&self) -> Option<SurfaceNeed> {
        self.filter.surface()
    }

    fn bytes_per_cell(&self) -> f64 {
        self.filter.held_bytes_per_cell()
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let limits = self.filter.opened(tile, surface)?;
        let breaks = self.filter.slope_breaks.as_deref().unwrap_or_default();
        let classes = SlopeClasses::of(&limits, breaks);
        let refused = RefusedCounts::default();
        Some(Box::new(ReferenceVisitor { stage: self, limits, classes, refused, ground: 0 }))
    }
}

struct ReferenceVisitor<'a> {
    stage: &'a FilterReference,
    limits: Rc<GroundLimits>,
    classes: SlopeClasses,
    refused: RefusedCounts,
    ground: u64,
}

impl Visitor for ReferenceVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud != Cloud::Reference {
            return;
        }
        for point in piece.points[..piece.core].iter().filter(|point| !point.is_noise()) {
            let Some(cell) = self.limits.finder.index_of(point.x, point.y) else { continue };
            let status = self.limits.judge_in(cell, point.z);
            self.refused.add(&self.limits, &self.classes, cell, point, status);
            self.ground += u64::from(status == PointStatus::Ground && self.stage.selects.selects(point));
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        give_reference(self.stage.filter.number, self.ground, &self.refused, &mut tile.sections);
    }
}

/// The survey under one setting, and its comparisons.
struct CompareFilter {
    /// 0 is the run's own setting.
    number: usize,
    /// What finds the survey's ground; nothing where that is the run's own.
    survey: Option<FilterGround>,
    /// Whether the reference's ground is the run's own.
    own_reference: bool,
    /// The conditions that stand after `ground`, of survey and reference.
    selects: [LaterSelects; 2],
    asking: Asking,
    /// Its cells are whole in the halo, of so many micrometres; 0 where no limit of a point is asked for.
    cell: Micrometres,
    terrain_cell: Option<Length>,
}

impl TileStage for CompareFilter {
    fn fields(&self) -> Fields {
        self.selects[0].fields.or(self.selects[1].fields)
    }

    fn halo(&self) -> Halo {
        // As for the run's own filter.
        Halo { survey: self.cell, reference: 0 }
    }

    fn surface(&self) -> Option<SurfaceNeed> {
        self.survey.as_ref().and_then(TileStage::surface)
    }

    fn bytes_per_cell(&self) -> f64 {
        self.survey.as_ref().map_or(0.0, FilterGround::held_bytes_per_cell)
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let survey = match &self.survey {
            Some(filter) => Some(filter.opened(tile, surface)?),
            None => None,
        };
        let reference = match self.own_reference {
            true => None,
            false => opened_before(tile, self.number, Cloud::Reference),
        };
        let cells = self.terrain_cell.and_then(|cell| covered_cells(tile, cell.exact_micrometres()));
        let cells = cells.map(|extent| (extent.finder(), Coverage::new(extent)));
        let (ground, asked) = (GroundCounts::default(), Asked::none(&self.asking, tile));
        Some(Box::new(FilterVisitor { stage: self, survey, reference, cells, ground, asked }))
    }

    fn wants(&self, tile: &Tile<'_>) -> Wanted {
        self.asking.wants(tile)
    }

    fn bytes_per_point(&self, reference_per_m2: f64) -> f64 {
        let given = if self.asking.compares() { RECORD } else { 0 };
        self.asking.bytes_per_point::<()>(reference_per_m2) + given as f64
    }
}

struct FilterVisitor<'a> {
    stage: &'a CompareFilter,
    survey: Option<Rc<GroundLimits>>,
    reference: Option<Rc<GroundLimits>>,
    /// The terrain cells, where terrain is summed up.
    cells: Option<(Finder, Coverage)>,
    ground: GroundCounts,
    asked: Asked<'a, ()>,
}

/// Whether a point is ground to a setting with these limits, or by its status where they are the run's own.
#[inline]
fn is_ground(
    limits: Option<&Rc<GroundLimits>>,
    selects: &LaterSelects,
    point: &Point,
    status: PointStatus,
) -> bool {
    match limits {
        None => status == PointStatus::Ground,
        Some(limits) => {
            !point.is_noise()
                && limits.judge(point.x, point.y, point.z) == PointStatus::Ground
                && selects.selects(point)
        }
    }
}

impl Visitor for FilterVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        let [of_survey, of_reference] = &self.stage.selects;
        match cloud {
            Cloud::Survey => {
                for (point, status) in piece.points.iter().zip(&piece.statuses).take(piece.core) {
                    let is_ground = is_ground(self.survey.as_ref(), of_survey, point, *status);
                    let number = point.valid_return();
                    self.ground[usize::from(number.unwrap_or(0))] += u64::from(is_ground);
                    if let Some((finder, cells)) = &mut self.cells
                        && let Some(index) = finder.index_of(point.x, point.y)
                    {
                        cells.add(index, number.filter(|_| is_ground).map(|_| 1));
                    }
                }
            }
            Cloud::Reference => {
                let limits = self.reference.as_ref();
                self.asked.offer(piece, |point, status| is_ground(limits, of_reference, point, status));
            }
        }
    }

    fn survey_visited(&mut self, tile: &mut Tile<'_>) {
        let (limits, selects) = (self.survey.as_ref(), &self.stage.selects[0]);
        self.asked.ask(tile, |point, status| is_ground(limits, selects, point, status).then_some(()));
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        let number = self.stage.number;
        give_ground(number, &self.ground, &mut tile.sections);
        if let Some((_, cells)) = &self.cells {
            cells.encode(tile.sections.of(CELLS[number]));
        }
        let known = tile.shared.get::<SurveyGround>().and_then(SurveyGround::limits);
        let limits = self.survey.as_deref().or(known).filter(|_| !self.asked.is_empty());
        let limits = limits.and_then(|limits| AcceptanceLimits::new(limits, tile.core, &tile.survey));
        self.asked.found(&tile.survey, |(), point, reference| {
            let highest = limits.as_ref().and_then(|limits| limits.at(point.x, point.y, point.z));
            let headroom = Compared::headroom(point.z, highest);
            let return_number = point.valid_return().unwrap_or(0).min(MAX_RETURN as u8);
            let dz = point.z - reference.elevation;
            give_compared(number, return_number, dz, headroom, &mut tile.sections);
        });
        self.asked.done(tile);
    }
}
