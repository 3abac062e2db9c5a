//! The ground filter at work on the tiles of one cloud.

use std::collections::BTreeMap;
use std::rc::Rc;

use crate::cloud::bounds::widened;
use crate::raster::morphology::Scratch;
use crate::raster::{Extent, Raster};
use crate::stages::alone::AloneCounts;
use crate::stages::cell_attributes::{ClassifyCells, SLOPE_CELLS};
use crate::stages::compare::Compare;
use crate::stages::delivered_ground::DeliveredGround;
use crate::stages::export::Export;
use crate::stages::ground::{Ground, LOOKED_AROUND};
use crate::stages::ground_limits::{CellSlope, GroundLimits, KeepOrigin, SurveyGround};
use crate::stages::kept_limits::{self, KeepLimits};
use crate::stages::refused::{REFUSED, RefusedCounts, SlopeClasses};
use crate::stages::stage::{LowestOf, Preparing, StageOptions, Step, SurfaceNeed, TileStage, Visitor};
use crate::stages::summarise::Summarise;
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{Cloud, GroundFrom, PointSet, PointStatus};
use crate::units::Micrometres;

impl StageOptions for Ground {
    fn step(&self) -> Step {
        Step::Filter
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        let summarise = preparing.find::<Summarise>().cloned();
        let by_cell = summarise.as_ref().is_some_and(Summarise::is_by_cell);
        let compared = preparing.find::<Compare>().is_some();
        let exported = preparing.find::<Export>().is_some_and(|export| export.cloud);
        for cloud in self.cloud.clouds() {
            preparing.classified.push(cloud);
            let keep_origin = match cloud {
                // The slope at surveyed points is wanted wherever they lie.
                Cloud::Survey if by_cell || preparing.surveyed.is_some() => KeepOrigin::Always,
                Cloud::Survey if compared => KeepOrigin::WhereCompared,
                _ => KeepOrigin::Never,
            };
            match self.from {
                GroundFrom::Classes => {
                    preparing.delivered.push(cloud);
                    let options = self.clone();
                    preparing.tiles.push(Box::new(DeliveredGround { options, cloud, keep_origin }));
                }
                GroundFrom::Filter => {
                    // What is refused of the reference is counted by slope class.
                    let slope_breaks = summarise.clone().unwrap_or_default().slope_breaks;
                    let slope_breaks = (cloud == Cloud::Reference && compared).then_some(slope_breaks);
                    preparing.tiles.push(Box::new(FilterGround {
                        options: self.clone(),
                        cloud,
                        number: 0,
                        keep_origin,
                        slope_breaks,
                        keep_limits: match cloud {
                            Cloud::Survey if exported => KeepLimits::Everywhere,
                            Cloud::Survey if compared => KeepLimits::AtReference,
                            _ => KeepLimits::Nowhere,
                        },
                    }));
                }
            }
            if cloud == Cloud::Survey && by_cell {
                let summarise = summarise.clone().unwrap_or_default();
                preparing.tiles.push(Box::new(ClassifyCells {
                    cover: summarise.cover(),
                    slope_breaks: summarise.slope_breaks,
                    cell: self.cell,
                    margin: preparing.attributes_margin,
                }));
            }
        }
    }
}

/// The stage at work on one cloud.
pub struct FilterGround {
    /// The options.
    pub options: Ground,
    /// The cloud it applies to.
    pub cloud: Cloud,
    /// 0 for the run's own filter; others are compared with it.
    pub number: usize,
    /// Where later stages want the origin of the limits.
    pub keep_origin: KeepOrigin,
    /// Breaks between the slope classes by which what is refused is counted, where it is.
    pub slope_breaks: Option<Vec<f64>>,
    /// Where the limits are kept on disk, so that points can be judged again.
    pub keep_limits: KeepLimits,
}

/// What each filter knows of its cloud over the whole tile, for its other parts; survey and reference apart.
#[derive(Default)]
struct OpenedOnce([BTreeMap<usize, Rc<GroundLimits>>; 2]);

impl OpenedOnce {
    fn of(&mut self, cloud: Cloud) -> &mut BTreeMap<usize, Rc<GroundLimits>> {
        &mut self.0[usize::from(cloud == Cloud::Reference)]
    }
}

/// What the filter of this number knows of a cloud, where it has opened its surface in this tile.
pub fn opened_before(tile: &mut Tile<'_>, number: usize, cloud: Cloud) -> Option<Rc<GroundLimits>> {
    let mut opened = tile.shared_by_parts.take::<OpenedOnce>().unwrap_or_default();
    let known = opened.of(cloud).get(&number).cloned();
    tile.shared_by_parts.put(opened);
    known
}

impl FilterGround {
    /// The limits over the whole tile and its halo.
    fn limits(&self, tile: &Tile<'_>, surface: Raster) -> GroundLimits {
        let margin = tile.halo.of(self.cloud);
        let (x, y) = (widened(tile.whole.0, margin), widened(tile.whole.1, margin));
        let asked = Extent::covering(surface.extent.cell, x, y, 0);
        let keep_origin = self.keep_origin.in_tile(tile);
        let keep_slopes = self.options.local_slope || self.slope_breaks.is_some();
        self.options.limits(surface, &asked, keep_origin, keep_slopes, &mut Scratch::default())
    }

    /// The same, made of `surface` for the first part of the tile and known to the others. None without points.
    pub fn opened(&self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Rc<GroundLimits>> {
        if let Some(known) = opened_before(tile, self.number, self.cloud) {
            return Some(known);
        }
        let limits = Rc::new(self.limits(tile, surface?));
        let mut opened = tile.shared_by_parts.take::<OpenedOnce>().unwrap_or_default();
        opened.of(self.cloud).insert(self.number, limits.clone());
        tile.shared_by_parts.put(opened);
        Some(limits)
    }

    /// Bytes that what it knows takes for each cell of the tile and its halo: the limits, what they came from, the slopes.
    pub fn held_bytes_per_cell(&self) -> f64 {
        let origin = if self.keep_origin == KeepOrigin::Never { 0 } else { 3 * size_of::<f64>() + 1 };
        let slopes = match self.options.local_slope || self.slope_breaks.is_some() {
            true => size_of::<Option<CellSlope>>() + 1,
            false => 0,
        };
        // The two lowest elevations of each cell, while the limits of points are looked up.
        let lowest = if origin > 0 { 2 * size_of::<f64>() } else { 0 };
        (size_of::<f64>() + 1 + origin + slopes + lowest) as f64
    }
}

impl TileStage for FilterGround {
    fn halo(&self) -> Halo {
        // The limit that the other points set depends on all points of a cell.
        let cell = match self.keep_origin {
            KeepOrigin::Never => 0,
            _ => self.options.cell.exact_micrometres().ceil() as Micrometres,
        };
        Halo { survey: cell, reference: 0 }
    }

    fn surface(&self) -> Option<SurfaceNeed> {
        let cell = self.options.cell.exact_micrometres();
        let looked_around = if self.keep_origin == KeepOrigin::Never { 0 } else { LOOKED_AROUND };
        let slope = if self.slope_breaks.is_some() && !self.options.local_slope { SLOPE_CELLS } else { 0 };
        let margin = self.options.margin() + looked_around + slope;
        Some(SurfaceNeed { cloud: self.cloud, of: LowestOf::AllButNoise, cell, margin })
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let limits = self.opened(tile, surface)?;
        let refused = self.slope_breaks.as_ref();
        let refused = refused.map(|breaks| (SlopeClasses::of(&limits, breaks), RefusedCounts::default()));
        Some(Box::new(GroundVisitor {
            cloud: self.cloud,
            limits,
            refused,
            alone: AloneCounts::default(),
            keep_limits: self.keep_limits,
        }))
    }
}

struct GroundVisitor {
    cloud: Cloud,
    limits: Rc<GroundLimits>,
    /// What is refused by slope class, where that is counted.
    refused: Option<(SlopeClasses, RefusedCounts)>,
    alone: AloneCounts,
    keep_limits: KeepLimits,
}

impl Visitor for GroundVisitor {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud != self.cloud {
            return;
        }
        self.alone.merge(&self.limits.alone.count(&piece.points[..piece.core]));
        if let Some((classes, counts)) = &mut self.refused {
            for (i, (point, status)) in piece.points.iter().zip(&mut piece.statuses).enumerate() {
                if *status != PointStatus::Ground {
                    continue;
                }
                let Some(cell) = self.limits.finder.index_of(point.x, point.y) else {
                    *status = PointStatus::AboveGround;
                    continue;
                };
                *status = self.limits.judge_in(cell, point.z);
                if i < piece.core {
                    counts.add(&self.limits, classes, cell, point, *status);
                }
            }
            return;
        }
        for (point, status) in piece.points.iter().zip(&mut piece.statuses) {
            if *status == PointStatus::Ground {
                *status = self.limits.judge(point.x, point.y, point.z);
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        if let Some((_, counts)) = &self.refused {
            counts.give(REFUSED, &mut tile.sections);
        }
        self.alone.give(self.cloud, &mut tile.sections);
        kept_limits::give(&self.limits, self.keep_limits, tile);
        if self.limits.origin.is_some() {
            tile.shared.put(SurveyGround::Filtered(self.limits));
        }
    }
}
