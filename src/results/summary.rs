//! What a run found: the contents of `summary.json`, from which the other results are drawn.

use serde::Serialize;

use crate::results::confidence::{Interval, TruncationCorrected, Trust, VsFirst};
use crate::units::Unit;

/// The contents of `summary.json`. Lengths are in `units`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Summary {
    /// The title that the pipeline file gives.
    pub title: String,
    /// The unit of every length below.
    pub units: Unit,
    /// Survey points read that are not withheld.
    pub points: u64,
    /// The reference's own vertical uncertainty, one sigma, where the file states it.
    pub reference_uncertainty: Option<f64>,
    /// By return number, ascending; every return from 1 to the highest that occurs.
    pub returns: Vec<ReturnRow>,
    /// All returns together.
    pub all: Statistics,
    /// How far the figures can be trusted.
    #[serde(flatten)]
    pub trust: Trust,
    /// What stages say of themselves, by their names; left out where none does.
    #[serde(skip_serializing_if = "serde_json::Map::is_empty")]
    pub stages: serde_json::Map<String, serde_json::Value>,
    /// How many points the checks and filters of each cloud let through, in order.
    pub survey: CloudCounts,
    /// The same for the reference.
    pub reference: Option<CloudCounts>,
    /// How reference and survey were matched, in words for people (from the pipeline file).
    pub method: String,
}

/// One row of the table by return.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReturnRow {
    /// Return number, 1 to 15.
    #[serde(rename = "return")]
    pub return_number: u8,
    /// The figures.
    #[serde(flatten)]
    pub statistics: Statistics,
}

/// Counts and the statistics of dz for one group of points. A statistic that does not exist is null.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Statistics {
    /// Survey points read that are not withheld.
    pub points: u64,
    /// Share of all survey points, 0 to 1.
    pub share: Option<f64>,
    /// Points selected and accepted by the ground filter.
    pub ground: u64,
    /// Share of all ground points, 0 to 1.
    pub ground_share: Option<f64>,
    /// Number of comparisons: survey ground points that have reference.
    pub compared: u64,
    /// Blocks of the site that hold them.
    #[serde(skip)]
    pub blocks: u64,
    /// Bias: mean of dz.
    pub bias: Option<f64>,
    /// Sample standard deviation of dz (n − 1).
    pub sd: Option<f64>,
    /// Root mean square of dz (n).
    pub rmse: Option<f64>,
    /// Least dz.
    pub min: Option<f64>,
    /// Greatest dz.
    pub max: Option<f64>,
    /// Median of dz.
    pub median: Option<f64>,
    /// 1.4826 × the median of |dz − median|.
    pub nmad: Option<f64>,
    /// 95th percentile of |dz|, linear between order statistics.
    pub abs_p95: Option<f64>,
    /// 95 % interval of the bias, by block bootstrap.
    pub bias_ci95: Option<Interval>,
    /// 95 % interval of the SD.
    pub sd_ci95: Option<Interval>,
    /// 95 % interval of the RMSE.
    pub rmse_ci95: Option<Interval>,
    /// Effective sample size: the number of independent comparisons that would estimate the bias as well.
    pub n_effective: Option<f64>,
    /// The group compared with the same group of first returns.
    pub vs_first: Option<VsFirst>,
    /// Bias and SD corrected for the truncation by the ground filter.
    pub truncation_corrected: Option<TruncationCorrected>,
}

/// What a figure rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Support {
    /// Number of comparisons.
    pub comparisons: u64,
    /// Blocks of the site that hold them.
    pub blocks: u64,
}

impl Support {
    /// Fewest comparisons of which a figure is shown to people: below, an SD has a standard error of more than 16 %
    /// (1/√(2 · 19), normal distribution).
    pub const FEWEST_COMPARISONS: u64 = 20;
    /// Fewest blocks of which a figure is shown to people: below, nothing can be said of how it varies over the site.
    pub const FEWEST_BLOCKS: u64 = 3;

    /// Whether figures are shown to people; otherwise the number of comparisons stands alone.
    pub fn is_enough(self) -> bool {
        self.comparisons >= Self::FEWEST_COMPARISONS && self.blocks >= Self::FEWEST_BLOCKS
    }
}

impl Statistics {
    /// What the figures rest on.
    pub fn support(&self) -> Support {
        Support { comparisons: self.compared, blocks: self.blocks }
    }
}

/// Point accounting of one cloud: each point read is counted once, as ground or under one reason.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CloudCounts {
    /// Points in the files, those lost among them.
    pub read: u64,
    /// Damaged blocks of the files that were skipped: see `read: {damaged: skip}`.
    pub damaged_blocks: u64,
    /// Points lost with them: they are in no other figure.
    pub lost_points: u64,
    /// Flagged withheld: not used at all.
    pub withheld: u64,
    /// Return number 0 or above the number of returns: excluded from per-return results (still read and filtered).
    pub invalid_return: u64,
    /// Elevation or position beyond what can be used: not used at all.
    pub out_of_range: u64,
    /// What each `select` stage selected, in order.
    pub select: Vec<SelectCounts>,
    /// Selected points of class 7 or 18: not ground.
    pub noise: u64,
    /// Selected points far below their surroundings: not ground.
    pub low_outlier: u64,
    /// Selected points above the threshold of some window: not ground.
    pub above_ground: u64,
    /// Points accepted as ground.
    pub ground: u64,
}

/// What one `select` stage did.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SelectCounts {
    /// Its place in the list of stages, from 1.
    pub stage: usize,
    /// Points selected.
    pub selected: u64,
    /// Points not selected.
    pub not_selected: u64,
}

/// Residual histograms: counts of dz in bins of one width, by return.
#[derive(Clone, Debug, PartialEq)]
pub struct Histogram {
    /// Width of a bin, in the unit of the report.
    pub bin_width: f64,
    /// Lower edge of the first bin, in the unit of the report: a multiple of `bin_width`.
    pub start: f64,
    /// Return number, and the counts of its bins; the first and last bin hold what lies beyond.
    pub returns: Vec<(u8, Vec<u64>)>,
}
