//! `ground`: the progressive morphological filter of Zhang et al. 2003.

use std::rc::Rc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::cloud::bounds::widened;
use crate::raster::fill::fill_nearest;
use crate::raster::lowest::{WIDE, low_cells};
use crate::raster::morphology::{Scratch, open};
use crate::raster::{EMPTY, Extent, Raster};
use crate::stages::cell_attributes::{ClassifyCells, SLOPE_CELLS};
use crate::stages::compare::Compare;
use crate::stages::ground_limits::{GroundLimits, Origin, SurveyLimits};
use crate::stages::stage::{CloudChoice, Preparing, StageOptions, Step, SurfaceNeed, TileStage, Visitor};
use crate::stages::summarise::Summarise;
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::units::{Length, Micrometres};

/// Cells on every side, beyond those that points are judged in, of what the limits came from: the search for a slope
/// sees 2 cells around a cell of the core, which the margin of points is one cell wider than, and that for the limit
/// without a point 4.
const LOOKED_AROUND: i64 = SLOPE_CELLS + 1;

/// Classifies ground with the progressive morphological filter.
///
/// The lowest elevation in each cell makes a surface. The surface is opened (eroded, then dilated) with growing
/// windows; each pass opens the result of the pass before. A point is ground where, in every pass, its height above
/// the opened surface of its cell is at most the threshold of that window. Points of classes 7 and 18 (noise) are
/// not used. Symbols: cell size `c`, window `w_k`, slope `s`, thresholds `dh_0`, `dh_k`, `dh_max`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Ground {
    /// The cloud it applies to: `both`, `survey` or `reference`.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub cloud: CloudChoice,
    /// Cell size `c` of the surface; cells are aligned to multiples of it from coordinate zero.
    #[schemars(extend("x-source" = "Zhang et al. 2003, IEEE TGRS 41(4) 872-882; value for drone densities: common practice, no source"))]
    pub cell: Length,
    /// Largest window: windows grow while window × cell does not exceed it. It must exceed the narrower side of the
    /// widest building.
    #[schemars(extend("x-source" = "Zhang et al. 2003 (citation not verified); value: common practice, no source"))]
    pub window_max: Length,
    /// Growth of the windows, in cells: `exponential` 3, 5, 9, 17, … (2·2^k + 1) or `linear` 3, 5, 7, 9, … (2k + 1).
    #[schemars(extend("x-source" = "Zhang et al. 2003, equations 4 and 5 (citation not verified)"))]
    pub window_growth: WindowGrowth,
    /// Terrain slope `s`, rise over run: the threshold grows by `s` times the growth of the window.
    #[schemars(extend("x-source" = "Zhang et al. 2003, equation 7 (citation not verified); value: common practice, no source"))]
    pub slope: f64,
    /// Threshold `dh_0` of the first window. A threshold near the noise of the late returns truncates the upper tail
    /// of their residuals and makes them look better than they are.
    #[schemars(extend("x-source" = "Zhang et al. 2003, equation 7 (citation not verified); value: common practice, no source"))]
    pub dh_initial: Length,
    /// Largest threshold `dh_max` of any window.
    #[schemars(extend("x-source" = "Zhang et al. 2003, equation 7 (citation not verified); value: common practice, no source"))]
    pub dh_max: Length,
    /// A cell without points takes the lowest elevation of the nearest cell with points, up to this distance between
    /// cell centres. Beyond it, and outside the bounding box of the cloud, the cell stays empty.
    #[schemars(extend("x-source" = "Zhang et al. 2003 (nearest neighbour, citation not verified); the limit: this program's own choice"))]
    pub fill_max: Length,
    /// A point more than this below its surroundings is a low outlier (a multipath return). It is not ground, and its
    /// cell is filled from the cells around it before the surface is opened. The surroundings are the 24 cells around
    /// its own: at least five must lie this far above it, and at most three may be lower than that. The point is not
    /// an outlier where three of the four quadrants around it (at the edge of the cloud, all with enough points) hold
    /// two or more other cells as low as it within nine cells: that protects the few returns that reach the ground
    /// under trees.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub low_outlier: Length,
}

/// How the windows of the ground filter grow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum WindowGrowth {
    /// Windows of 2·2^k + 1 cells, k from 0: 3, 5, 9, 17, …
    Exponential,
    /// Windows of 2k + 1 cells, k from 1: 3, 5, 7, 9, …
    Linear,
}

impl Default for Ground {
    fn default() -> Self {
        Ground {
            cloud: CloudChoice::Both,
            cell: Length::metres(0.5),
            window_max: Length::metres(18.0),
            window_growth: WindowGrowth::Exponential,
            slope: 0.3,
            dh_initial: Length::metres(0.3),
            dh_max: Length::metres(1.0),
            fill_max: Length::metres(10.0),
            low_outlier: Length::metres(1.0),
        }
    }
}

/// One pass of the filter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pass {
    /// Window `w_k`, cells.
    pub window: usize,
    /// Threshold `dh_k`, micrometres.
    pub threshold: Micrometres,
}

impl Ground {
    /// The windows and their thresholds, in order.
    ///
    /// Windows: 2·2^k + 1 (exponential, k from 0) or 2k + 1 (linear, k from 1) while `w_k · c` does not exceed
    /// `window_max`. Thresholds: `dh_0` for the window of 3; `s · (w_k − w_(k−1)) · c + dh_0` after it; never above
    /// `dh_max`. Source: Zhang et al. 2003, equations 4, 5 and 7.
    pub fn passes(&self) -> Vec<Pass> {
        let cell = self.cell.exact_micrometres();
        let window_max = self.window_max.exact_micrometres() * (1.0 + 1e-9);
        let (dh_0, dh_max) = (self.dh_initial.micrometres(), self.dh_max.micrometres());
        let mut passes: Vec<Pass> = Vec::new();
        let mut window = 3usize;
        while window as f64 * cell <= window_max {
            let threshold = match passes.last() {
                None => dh_0,
                Some(last) => (self.slope * (window - last.window) as f64 * cell).round() as i64 + dh_0,
            };
            passes.push(Pass { window, threshold: threshold.min(dh_max) });
            window = match self.window_growth {
                WindowGrowth::Exponential => 2 * (window - 1) + 1,
                WindowGrowth::Linear => window + 2,
            };
        }
        passes
    }

    /// Cells around a cell that its limit depends on: an opening sees the window less one on every side, each on
    /// what the one before left; filling sees as far as its limit, and the search for low outliers its surroundings.
    pub fn margin(&self) -> i64 {
        let openings: usize = self.passes().iter().map(|p| p.window - 1).sum();
        openings as i64 + self.fill_cells().floor() as i64 + WIDE
    }

    fn fill_cells(&self) -> f64 {
        self.fill_max.exact_micrometres() / self.cell.exact_micrometres()
    }

    /// Turns the lowest elevations into the highest elevation that is ground in each cell of `asked`, and finds the
    /// cells that hold low outliers. What the limits came from is kept where that is asked for, with some cells around.
    /// Of the cells farther off, each pass takes only those that still matter.
    pub fn limits(
        &self,
        mut lowest: Raster,
        asked: &Extent,
        keep_origin: bool,
        scratch: &mut Scratch,
    ) -> GroundLimits {
        let wanted = asked.widened(if keep_origin { LOOKED_AROUND } else { 0 });
        let kept = lowest.extent.within(&wanted);
        let mut low = low_cells(&lowest, self.low_outlier.micrometres() as f64);
        for cell in &low {
            lowest.values[cell.index] = EMPTY;
        }
        low.retain_mut(|cell| {
            let place = kept.index_from(&lowest.extent, cell.index);
            cell.index = place.unwrap_or_default();
            place.is_some()
        });
        let mut holds_low = vec![false; if low.is_empty() { 0 } else { kept.len() }];
        low.iter().for_each(|cell| holds_low[cell.index] = true);
        let occupied: Option<Vec<bool>> =
            keep_origin.then(|| lowest.cut(&kept).values.iter().map(|&v| v != EMPTY).collect());
        fill_nearest(&mut lowest, self.fill_cells());
        let filled = keep_origin.then(|| lowest.cut(&kept).values);
        let passes = self.passes();
        let mut margin: i64 = passes.iter().map(|pass| pass.window as i64 - 1).sum();
        // Where the origin is kept, the first pass is known apart from the others.
        let mut first = Raster::empty(kept);
        let mut highest = Raster::empty(kept);
        for (i, pass) in passes.iter().enumerate() {
            lowest = lowest.cut(&wanted.widened(margin));
            margin -= pass.window as i64 - 1;
            open(&mut lowest, pass.window, scratch);
            let limits = if i == 0 && keep_origin { &mut first } else { &mut highest };
            limits.lower_by(&lowest, pass.threshold as f64);
        }
        let origin = filled.zip(occupied).map(|(filled, occupied)| {
            let later = highest.values.clone();
            highest.lower_by(&first, 0.0);
            Origin {
                filled,
                occupied,
                later,
                ground: lowest.cut(&kept),
                threshold: passes.first().map_or(0, |p| p.threshold),
            }
        });
        GroundLimits { finder: kept.finder(), highest, low, holds_low, origin }
    }
}

impl StageOptions for Ground {
    fn step(&self) -> Step {
        Step::Filter
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        let summarise = preparing.find::<Summarise>().cloned();
        let by_cell = summarise.as_ref().is_some_and(Summarise::is_by_cell);
        let compared = preparing.find::<Compare>().is_some();
        for cloud in self.cloud.clouds() {
            preparing.filtered.push(cloud);
            let keep_origin = match cloud {
                // The slope at surveyed points is wanted wherever they lie.
                Cloud::Survey if by_cell || preparing.surveyed.is_some() => KeepOrigin::Always,
                Cloud::Survey if compared => KeepOrigin::WhereCompared,
                _ => KeepOrigin::Never,
            };
            preparing.tiles.push(Box::new(FilterGround { options: self.clone(), cloud, keep_origin }));
            if cloud == Cloud::Survey && by_cell {
                let summarise = summarise.clone().unwrap_or_default();
                preparing.tiles.push(Box::new(ClassifyCells {
                    canopy: summarise.canopy(),
                    slope_breaks: summarise.asked_slope_breaks().to_vec(),
                    cell: self.cell,
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
    /// Where later stages want the origin of the limits.
    pub keep_origin: KeepOrigin,
}

/// The tiles in which the origin of the ground filter's limits is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeepOrigin {
    /// In none.
    Never,
    /// In those where the two clouds can be compared.
    WhereCompared,
    /// In all.
    Always,
}

/// What the filter knows of each cloud over the whole tile, for its other parts.
#[derive(Default)]
struct OpenedOnce {
    survey: Option<Rc<GroundLimits>>,
    reference: Option<Rc<GroundLimits>>,
}

impl OpenedOnce {
    fn of(&mut self, cloud: Cloud) -> &mut Option<Rc<GroundLimits>> {
        match cloud {
            Cloud::Survey => &mut self.survey,
            Cloud::Reference => &mut self.reference,
        }
    }
}

impl FilterGround {
    /// The limits over the whole tile and its halo.
    fn limits(&self, tile: &Tile<'_>, surface: Raster) -> GroundLimits {
        let margin = tile.halo.of(self.cloud);
        let (x, y) = (widened(tile.whole.0, margin), widened(tile.whole.1, margin));
        let asked = Extent::covering(surface.extent.cell, x, y, 0);
        let keep_origin = match self.keep_origin {
            KeepOrigin::Never => false,
            KeepOrigin::WhereCompared => tile.is_compared(),
            KeepOrigin::Always => true,
        };
        self.options.limits(surface, &asked, keep_origin, &mut Scratch::default())
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
        Some(SurfaceNeed { cloud: self.cloud, cell, margin: self.options.margin() + looked_around })
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let mut opened = tile.shared_by_parts.take::<OpenedOnce>().unwrap_or_default();
        let known = opened.of(self.cloud).clone();
        let limits = known.or_else(|| surface.map(|surface| Rc::new(self.limits(tile, surface))));
        opened.of(self.cloud).clone_from(&limits);
        tile.shared_by_parts.put(opened);
        Some(Box::new(GroundVisitor { cloud: self.cloud, limits: limits? }))
    }
}

struct GroundVisitor {
    cloud: Cloud,
    limits: Rc<GroundLimits>,
}

impl Visitor for GroundVisitor {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud != self.cloud {
            return;
        }
        for (point, status) in piece.points.iter().zip(&mut piece.statuses) {
            if *status == PointStatus::Ground {
                *status = self.limits.judge(point.x, point.y, point.z);
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        if self.limits.origin.is_some() {
            tile.shared.put(SurveyLimits(self.limits));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn metres(passes: &[Pass]) -> Vec<(usize, f64)> {
        passes.iter().map(|p| (p.window, p.threshold as f64 / 1e6)).collect()
    }

    #[test]
    fn windows_and_thresholds_follow_the_paper() {
        // Zhang et al. 2003, equations 4, 5 and 7, in the form fixed for this program; c = 1, s = 0.1, dh_0 = 0.15,
        // dh_max = 1: linear thresholds 0.15, 0.35, 0.35, … computed by hand. The paper from memory.
        let filter = Ground {
            cell: Length::metres(1.0),
            slope: 0.1,
            dh_initial: Length::metres(0.15),
            window_growth: WindowGrowth::Linear,
            window_max: Length::metres(9.0),
            ..Ground::default()
        };
        assert_eq!(metres(&filter.passes()), [(3, 0.15), (5, 0.35), (7, 0.35), (9, 0.35)]);
        let filter =
            Ground { window_growth: WindowGrowth::Exponential, window_max: Length::metres(33.0), ..filter };
        assert_eq!(metres(&filter.passes()), [(3, 0.15), (5, 0.35), (9, 0.55), (17, 0.95), (33, 1.0)]);
        assert_eq!(metres(&Ground::default().passes()), [(3, 0.3), (5, 0.6), (9, 0.9), (17, 1.0), (33, 1.0)]);
    }

    #[test]
    fn a_profile_with_a_block_and_a_spike() {
        // z = 0.05 i, plus 3.0 on cells 6–10, plus 8.0 on cell 15; windows 3, 5, 9 and thresholds 0.15, 0.35, 0.55.
        // Computed independently in Python, with the end values repeated beyond the ends, as filling the cells there
        // does: the block falls at w = 9, the spike at w = 3, all else is ground.
        let z = |i: i64| {
            i as f64 * 0.05 + if (6..=10).contains(&i) { 3.0 } else { 0.0 } + if i == 15 { 8.0 } else { 0.0 }
        };
        let filter = Ground {
            cell: Length::metres(1.0),
            slope: 0.1,
            dh_initial: Length::metres(0.15),
            window_max: Length::metres(9.0),
            fill_max: Length::metres(10.0),
            ..Ground::default()
        };
        let margin = filter.margin();
        let extent = Extent::covering(1e6, (0, 21_000_000), (0, 1_000_000), margin);
        let mut lowest = Raster::empty(extent);
        for i in 0..21 {
            lowest.lower(i * 1_000_000, 0, (z(i) * 1e6).round() as i64);
        }
        let limits = filter.limits(lowest, &extent, false, &mut Scratch::default());
        for i in 0..21 {
            let expected =
                if (6..=10).contains(&i) || i == 15 { PointStatus::AboveGround } else { PointStatus::Ground };
            assert_eq!(limits.judge(i * 1_000_000, 0, (z(i) * 1e6).round() as i64), expected, "cell {i}");
        }
    }

    #[test]
    fn one_point_far_below_takes_no_ground_with_it() {
        let filter = Ground::default();
        let extent = Extent::covering(5e5, (0, 40_000_000), (0, 40_000_000), filter.margin());
        let mut lowest = Raster::empty(extent);
        for i in 0..80 {
            for j in 0..80 {
                lowest.lower(i * 500_000, j * 500_000, i * 20_000);
            }
        }
        lowest.lower(20_000_000, 20_000_000, -6_000_000);
        let limits = filter.limits(lowest, &extent, false, &mut Scratch::default());
        for i in 0..80 {
            for j in 0..80 {
                assert_eq!(limits.judge(i * 500_000, j * 500_000, i * 20_000 + 50_000), PointStatus::Ground);
            }
        }
        assert_eq!(limits.judge(20_000_000, 20_000_000, -6_000_000), PointStatus::LowOutlier);
    }
}
