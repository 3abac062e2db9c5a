//! The checkpoints of a list of surveyed points, as `summary.json` has them. Lengths are in the unit of the report, but easting
//! and northing in the survey's own.

use serde::Serialize;

/// A surveyed point and what was found there.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckpointRow {
    /// Its name in the list.
    pub name: String,
    /// Easting.
    pub easting: f64,
    /// Northing.
    pub northing: f64,
    /// Its surveyed elevation.
    pub elevation: f64,
    /// The survey's elevation there.
    pub survey_elevation: Option<f64>,
    /// Survey elevation minus surveyed elevation.
    pub dz: Option<f64>,
    /// Standard deviation of its surveyed elevation.
    pub sigma: Option<f64>,
    /// Whether it counts.
    pub used: bool,
    /// Why not.
    pub reason: Option<String>,
    /// Cover of the ground there, where it is told apart.
    pub cover: Option<&'static str>,
    /// Slope of the ground around it, rise over run.
    pub slope: Option<f64>,
    /// What the standards' rules on siting have against it; it counts nevertheless.
    pub siting: Vec<String>,
    /// dz from the ground of each return alone, where dense enough.
    pub returns: Vec<OfReturn>,
}

/// dz from the ground of one return.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OfReturn {
    /// The return number.
    #[serde(rename = "return")]
    pub return_number: u8,
    /// Survey elevation minus surveyed elevation.
    pub dz: f64,
}
