//! What matching adds to the residuals.

use serde::Serialize;

/// What matching adds to the residuals. Lengths are in the unit of the report; what is not known is null.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Matching {
    /// `auto`, `nearest` or `plane`, as in the pipeline file.
    pub method: &'static str,
    /// Comparisons whose reference is a plane.
    pub planes: u64,
    /// Comparisons whose reference is the nearest point.
    pub nearest: u64,
    /// Radius of the planes: the middle one.
    pub radius: Option<f64>,
    /// Point spacing of the reference's ground around the comparisons, at the middle one.
    pub spacing: Option<f64>,
    /// Scatter of the reference about its planes, root mean square: its noise, and relief that the planes do not follow.
    pub residual_sd: Option<f64>,
    /// What matching adds to the scatter of dz at planes, one standard deviation, root mean square.
    pub added_sd: Option<f64>,
    /// What distance × slope adds at nearest points; their own noise comes on top in full.
    pub nearest_on_slope_sd: Option<f64>,
}
