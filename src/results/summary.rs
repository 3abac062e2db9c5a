//! What a run found: the contents of `summary.json`, from which the other results are drawn.

use serde::Serialize;

use crate::results::agreement::Agreement;
use crate::results::checkpoints::CheckpointRow;
use crate::results::confidence::Trust;
use crate::results::cross_check::CrossCheck;
use crate::results::filters::FiltersCompared;
use crate::results::fit::Fit;
use crate::results::registration::Registration;
use crate::results::slope_row::SlopeRow;
use crate::results::statistics::Statistics;
use crate::results::terrain_model::TerrainModel;
use crate::tile::points::GroundFrom;
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
    /// How the scans of the reference were registered; null where they were not.
    pub registration: Option<Registration>,
    /// How the survey was fitted to control; null where it was not.
    pub fit: Option<Fit>,
    /// Areas left out of the comparisons, in the order of the pipeline file.
    pub excluded: Vec<ExcludedArea>,
    /// Where the reference is a list of surveyed points: each of them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub checkpoints: Option<Vec<CheckpointRow>>,
    /// How strips of the survey agree with each other, and setups of the reference; null where neither can be said.
    pub agreement: Option<Agreement>,
    /// The classes as delivered held against the ground filter; null where that is not asked for.
    pub cross_check: Option<CrossCheck>,
    /// Settings of the ground filter compared with the run's own, where that is asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filters_compared: Option<FiltersCompared>,
    /// The terrain model that is handed over, where one is made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub terrain_model: Option<TerrainModel>,
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

/// An area left out of the comparisons.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExcludedArea {
    /// Its file, as the pipeline file names it.
    pub area: String,
    /// Reason for leaving it out.
    pub why: String,
    /// Ground points of the survey that it left out; those in several areas are counted under the first.
    pub survey: u64,
    /// The same of the reference.
    pub reference: u64,
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

/// Point accounting of one cloud: each point read is counted once, as ground or under one reason.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CloudCounts {
    /// Points in the files, those lost among them.
    pub read: u64,
    /// Damaged blocks of the files that were skipped: see `read: {damaged: skip}`.
    pub damaged_blocks: u64,
    /// Points lost with them: they are in no other figure.
    pub lost_points: u64,
    /// Points of nodes of COPC files that lie outside the area of `select`: not decoded, and in no other count but `read`.
    pub outside_area: u64,
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
    /// Selected points of other classes than 2 (ground), where classes are taken as delivered: not ground.
    pub other_class: u64,
    /// Points accepted as ground.
    pub ground: u64,
    /// What says which points are ground: the ground filter, or the classes as delivered; none where every point counts as
    /// ground.
    pub ground_from: Option<GroundFrom>,
    /// What the ground filter made of them by slope class, where that was counted: of a reference that is compared.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub by_slope: Vec<SlopeRow>,
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
