//! Settings of the ground filter compared in one run (`compare` of `ground`). Lengths in the unit of the report.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::results::slope_row::SlopeRow;

/// The run's own setting and the others.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct FiltersCompared {
    /// The setting that the run rests on.
    pub own: FilterSetting,
    /// The others, in the order of the pipeline file. Nothing else in the results rests on them.
    pub alternatives: Vec<FilterSetting>,
    /// What the counts speak for, in words. Never by how small an error comes out.
    pub suggestion: String,
}

/// What one setting keeps, cuts and costs.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct FilterSetting {
    /// Its options that differ among the settings, with their units.
    pub options: Map<String, Value>,
    /// By return, ascending: those that have ground under some setting.
    pub returns: Vec<FilterReturn>,
    /// All returns together, those without a valid return number among them.
    pub all: FilterReturn,
    /// Share of the terrain cells that the survey saw that have ground.
    pub coverage: Option<f64>,
    /// What it makes of the reference; null of a run without one, or whose reference has no ground filter.
    pub reference: Option<FilterReference>,
}

/// Ground points and comparisons of a return under one setting.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct FilterReturn {
    /// Return number, 1 to 15.
    #[serde(rename = "return", skip_serializing_if = "Option::is_none")]
    pub return_number: Option<u8>,
    /// Ground points of the survey.
    pub ground: u64,
    /// Comparisons: those of them that have reference.
    pub compared: u64,
    /// Bias: mean of dz.
    pub bias: Option<f64>,
    /// Sample standard deviation of dz (n − 1).
    pub sd: Option<f64>,
    /// Root mean square of dz (n).
    pub rmse: Option<f64>,
    /// Share of the comparisons within one SD of the limit up to which the filter accepts; the SD is that of the return.
    pub within_sd_of_limit: Option<f64>,
}

/// The reference under one setting.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct FilterReference {
    /// Ground points.
    pub ground: u64,
    /// What is refused of it by slope class.
    pub by_slope: Vec<SlopeRow>,
    /// Share refused, of all slope classes, of what may be ground.
    pub share_refused: Option<f64>,
}
