//! `ground`: the progressive morphological filter of Zhang et al. 2003.

use schemars::JsonSchema;
use serde::ser::{SerializeMap, Serializer};
use serde::{Deserialize, Serialize};

use crate::raster::fill::fill_nearest;
use crate::raster::lowest::{WIDE, low_cells};
use crate::raster::morphology::{Scratch, open};
use crate::raster::{EMPTY, Extent, Raster};
use crate::stages::alone::AloneCells;
use crate::stages::alternative::{Alternative, WindowGrowth};
use crate::stages::cell_attributes::{SLOPE_CELLS, gradients, steepest};
use crate::stages::ground_limits::{CellSlope, GroundLimits, Origin, Threshold};
use crate::stages::stage::CloudChoice;
use crate::tile::points::GroundFrom;
use crate::units::{Length, Micrometres};

/// Cells on every side, beyond those that points are judged in, of what the limits came from: the search for a slope
/// sees 2 cells around a cell of the core, which the margin of points is one cell wider than, and that for the limit
/// without a point 4.
pub const LOOKED_AROUND: i64 = SLOPE_CELLS + 1;

/// Classifies ground with the progressive morphological filter, or takes it as the files classify it.
///
/// The lowest elevation in each cell makes a surface. The surface is opened (eroded, then dilated) with growing
/// windows; each pass opens the result of the pass before. A point is ground where, in every pass, its height above
/// the opened surface of its cell is at most the threshold of that window. Points of classes 7 and 18 (noise) are
/// not used. Symbols: cell size `c`, window `w_k`, slope `s`, thresholds `dh_0`, `dh_k`, `dh_max`.
///
/// `from: classes` takes class 2 as delivered instead, so that a deliverable can be graded: nothing is filtered, and the
/// filter's options do not apply. Cover and slope then come from the lowest class 2 of each cell. What limit the
/// classification had is not known, so that there is no truncation correction. Of a survey and a reference that differ
/// in this, each has a `ground` stage of its own with its `cloud`. `cross_check: true` compares both ways in one run.
///
/// How to choose the values, on the demonstration's own numbers: `docs/choosing-parameters.md`. `compare` tries several in one run.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Ground {
    /// The cloud it applies to: `both`, `survey` or `reference`.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub cloud: CloudChoice,
    /// What says which points are ground: `filter`, or `classes`: class 2 as delivered.
    #[schemars(extend("x-source" = "this program's own choice; class 2 is ground in LAS 1.4 R16, classification tables"))]
    pub from: GroundFrom,
    /// With `from: classes`: holds the survey's classes against the ground filter, which the filter's options then apply to.
    /// `cross_check` in the results counts, by return, the points that are ground in both, in one of them alone and in neither,
    /// with bias, SD and RMSE of each against a reference cloud. Everything else still rests on the classes alone. A `select`
    /// of `classes` before this stage hides the other classes from the filter, too.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub cross_check: bool,
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
    /// Adds the local slope × `c` to the threshold of every window, up to `dh_max` as ever; where the slope falls across the
    /// cell, the rise from corner to corner. By so much the ground of a cell rises over its lowest point: without it, the first
    /// window refuses a part of the true ground on slopes, 29 % at 40° with the other options as they are, whatever `s`. The
    /// local slope is that of a plane through 5 × 5 cells of the surface that the last window left. It lets more low vegetation
    /// pass on slopes.
    #[schemars(extend("x-source" = "not in the paper: this program's own choice, by simulation"))]
    pub local_slope: bool,
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
    /// Other settings of the filter, up to eight, to be compared with this one in the same run: each names the options that differ,
    /// as in `[{dh_initial: 0.2 m}, {dh_initial: 0.4 m, slope: 0.5}]`. `filters_compared` in the results has for each what it
    /// accepts of survey and reference, what of the reference it refuses for its slope, the comparisons that there would be with bias,
    /// SD and RMSE, the share within one SD of the limit, and the coverage. Everything else rests on this stage's own options. Each
    /// takes about as long as the ground filter and the search for the reference. Which one is right is for you to say:
    /// `docs/choosing-parameters.md`.
    #[schemars(extend("x-source" = "this program's own choice", "x-default" = "none"))]
    pub compare: Vec<Alternative>,
}

impl Default for Ground {
    fn default() -> Self {
        Ground {
            cloud: CloudChoice::Both,
            from: GroundFrom::Filter,
            cross_check: false,
            cell: Length::metres(0.5),
            window_max: Length::metres(18.0),
            window_growth: WindowGrowth::Exponential,
            slope: 0.3,
            dh_initial: Length::metres(0.3),
            local_slope: false,
            dh_max: Length::metres(1.0),
            fill_max: Length::metres(10.0),
            low_outlier: Length::metres(1.0),
            compare: Vec::new(),
        }
    }
}

/// The options that say how the filter judges.
pub const OF_FILTER: [&str; 7] =
    ["window_max", "window_growth", "slope", "dh_initial", "local_slope", "dh_max", "low_outlier"];

/// The options of the surface, which cover and slope of a survey are taken from.
pub const OF_SURFACE: [&str; 2] = ["cell", "fill_max"];

/// Only the options that apply are written: a file that gives the others is wrong.
impl Serialize for Ground {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        // A new option does not compile before it is written.
        let Ground {
            cloud,
            from,
            cross_check,
            cell,
            window_max,
            window_growth,
            slope,
            dh_initial,
            local_slope,
            dh_max,
            fill_max,
            low_outlier,
            compare,
        } = self;
        let filters = self.filters();
        let has_surface = filters || *cloud != CloudChoice::Reference;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("cloud", cloud)?;
        map.serialize_entry("from", from)?;
        if self.may_cross_check() {
            map.serialize_entry("cross_check", cross_check)?;
        }
        if has_surface {
            map.serialize_entry("cell", cell)?;
        }
        if filters {
            map.serialize_entry("window_max", window_max)?;
            map.serialize_entry("window_growth", window_growth)?;
            map.serialize_entry("slope", slope)?;
            map.serialize_entry("dh_initial", dh_initial)?;
            map.serialize_entry("local_slope", local_slope)?;
            map.serialize_entry("dh_max", dh_max)?;
        }
        if has_surface {
            map.serialize_entry("fill_max", fill_max)?;
        }
        if filters {
            map.serialize_entry("low_outlier", low_outlier)?;
        }
        if !compare.is_empty() {
            map.serialize_entry("compare", compare)?;
        }
        map.end()
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
    /// These options with those of another setting in their place.
    pub fn with(&self, other: &Alternative) -> Ground {
        // A new option does not compile before it is taken over.
        let Alternative {
            cell,
            window_max,
            window_growth,
            slope,
            dh_initial,
            local_slope,
            dh_max,
            fill_max,
            low_outlier,
        } = other.clone();
        Ground {
            cloud: self.cloud,
            from: self.from,
            cross_check: self.cross_check,
            cell: cell.unwrap_or(self.cell),
            window_max: window_max.unwrap_or(self.window_max),
            window_growth: window_growth.unwrap_or(self.window_growth),
            slope: slope.unwrap_or(self.slope),
            dh_initial: dh_initial.unwrap_or(self.dh_initial),
            local_slope: local_slope.unwrap_or(self.local_slope),
            dh_max: dh_max.unwrap_or(self.dh_max),
            fill_max: fill_max.unwrap_or(self.fill_max),
            low_outlier: low_outlier.unwrap_or(self.low_outlier),
            compare: Vec::new(),
        }
    }

    /// Whether the ground filter is at work at all.
    pub fn filters(&self) -> bool {
        self.from == GroundFrom::Filter || self.cross_check
    }

    /// Whether there is something to be held against the filter: classes of the survey.
    pub fn may_cross_check(&self) -> bool {
        self.from == GroundFrom::Classes && self.cloud != CloudChoice::Reference
    }

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
        let slope = if self.local_slope { SLOPE_CELLS } else { 0 };
        openings as i64 + self.fill_margin() + WIDE + slope
    }

    /// Cells to fill an empty cell from, whole ones.
    pub fn fill_margin(&self) -> i64 {
        self.fill_cells().floor() as i64
    }

    fn fill_cells(&self) -> f64 {
        self.fill_max.exact_micrometres() / self.cell.exact_micrometres()
    }

    /// The ground where classes are taken as delivered: the lowest elevations of class 2, empty cells filled, in the cells
    /// of `asked` and as many around as a slope is looked for in.
    pub fn filled(&self, mut lowest: Raster, asked: &Extent) -> Raster {
        fill_nearest(&mut lowest, self.fill_cells());
        lowest.cut(&asked.widened(LOOKED_AROUND))
    }

    /// Turns the lowest elevations into the highest elevation that is ground in each cell of `asked`, and finds the
    /// cells that hold low outliers. What the limits came from is kept where that is asked for, with some cells around.
    /// Of the cells farther off, each pass takes only those that still matter.
    pub fn limits(
        &self,
        mut lowest: Raster,
        asked: &Extent,
        keep_origin: bool,
        keep_slopes: bool,
        scratch: &mut Scratch,
    ) -> GroundLimits {
        let looked_around = asked.widened(if keep_origin { LOOKED_AROUND } else { 0 });
        let kept = lowest.extent.within(&looked_around);
        let wanted = looked_around.widened(if keep_slopes { SLOPE_CELLS } else { 0 });
        let alone = AloneCells::of(&lowest, asked);
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
        let slopes = if keep_slopes { slopes(&lowest, &kept) } else { Vec::new() };
        let first_threshold = passes.first().map_or(0, |pass| pass.threshold) as f64;
        let mut threshold = Threshold::Same(first_threshold);
        if self.local_slope {
            // No surface lies above the one before: the largest threshold of all counts over the last.
            let (last, most) = (lowest.cut(&kept), self.dh_max.micrometres() as f64);
            let rises: Vec<f64> = slopes.iter().map(|slope| slope.map_or(0.0, |slope| slope.rise)).collect();
            for (i, rise) in rises.iter().enumerate() {
                first.values[i] += rise.min(most - first_threshold);
                let limit = &mut highest.values[i];
                // Where the only pass stands apart there is none.
                if limit.is_finite() {
                    *limit = (*limit + rise).min(last.values[i] + most);
                }
            }
            threshold =
                Threshold::ByCell(rises.iter().map(|rise| (first_threshold + rise).min(most)).collect());
        }
        let origin = filled.zip(occupied).map(|(filled, occupied)| {
            let later = highest.values.clone();
            highest.lower_by(&first, 0.0);
            Origin { filled, occupied, later, ground: lowest.cut(&kept), threshold }
        });
        GroundLimits { finder: kept.finder(), highest, low, holds_low, origin, slopes, alone }
    }
}

/// The slope of each of the cells `kept` on a surface that reaches around them.
fn slopes(surface: &Raster, kept: &Extent) -> Vec<Option<CellSlope>> {
    let slope = |gradient: [f64; 2]| {
        let rise = (gradient[0].abs() + gradient[1].abs()).round();
        (!rise.is_nan()).then(|| CellSlope { slope: steepest(gradient, kept.cell), rise })
    };
    gradients(surface, kept).into_iter().map(slope).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::points::PointStatus;

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
    fn what_is_written_is_what_applies_and_comes_back_the_same() {
        let of = |cloud, from| Ground { cloud, from, ..Ground::default() };
        let (filter, classes) = (GroundFrom::Filter, GroundFrom::Classes);
        let crossed = Ground { cross_check: true, ..of(CloudChoice::Survey, classes) };
        for (ground, keys, others) in [
            (of(CloudChoice::Reference, filter), 2 + OF_FILTER.len() + OF_SURFACE.len(), 2),
            (of(CloudChoice::Both, classes), 3 + OF_SURFACE.len(), 3),
            (crossed, 3 + OF_FILTER.len() + OF_SURFACE.len(), 3),
            (of(CloudChoice::Reference, classes), 2, 2),
        ] {
            let written = serde_json::to_value(&ground).unwrap();
            let all = written.as_object().unwrap();
            assert_eq!(all.len(), keys, "{written}");
            let known =
                |key: &&String| OF_FILTER.contains(&key.as_str()) || OF_SURFACE.contains(&key.as_str());
            assert_eq!(all.keys().filter(known).count(), keys - others, "{written}");
            assert_eq!(serde_json::from_value::<Ground>(written).unwrap(), ground);
        }
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
        let limits = filter.limits(lowest, &extent, false, false, &mut Scratch::default());
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
        let limits = filter.limits(lowest, &extent, false, false, &mut Scratch::default());
        for i in 0..80 {
            for j in 0..80 {
                assert_eq!(limits.judge(i * 500_000, j * 500_000, i * 20_000 + 50_000), PointStatus::Ground);
            }
        }
        assert_eq!(limits.judge(20_000_000, 20_000_000, -6_000_000), PointStatus::LowOutlier);
    }
}
