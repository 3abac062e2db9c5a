//! What an adjustment found, as `adjustment.json` has it: lengths in the units of the file, angles in decimals of its unit of
//! angles, their residuals and sigmas in seconds of arc or milligon.

use serde::Serialize;

use crate::control::{Sigmas, Verdict};
use crate::network::angle::AngleUnit;
use crate::units::Unit;

/// The adjustment of a control network.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Adjustment {
    pub title: String,
    /// Unit of coordinates, lengths, their sigmas and residuals.
    pub units: Unit,
    /// Unit of directions and zenith angles.
    pub angles: AngleUnit,
    /// Unit of their sigmas, residuals and detectable blunders.
    pub small_angles: &'static str,
    pub scale_factor: f64,
    pub refraction: f64,
    pub points: Vec<PointRow>,
    pub orientations: Vec<OrientationRow>,
    pub observations: Vec<ObservationRow>,
    /// Values used, values withheld, unknowns.
    pub used: usize,
    pub withheld: usize,
    pub unknowns: usize,
    pub degrees_of_freedom: usize,
    /// v'Pv, and over the degrees of freedom.
    pub weighted_square_sum: f64,
    pub variance_factor: Option<f64>,
    /// The root of the variance factor.
    pub s0: Option<f64>,
    pub global_test: Option<GlobalTestRow>,
    /// Which sigmas the points have.
    pub sigmas: Sigmas,
    /// What a priori sigmas were multiplied by.
    pub sigma_factor: f64,
    /// What a standard ellipse is multiplied by to hold the true position with 95 %.
    pub ellipse_95: f64,
    pub blunder_test: BlunderTest,
    pub suggested: Vec<SuggestedRow>,
    pub notes: Vec<String>,
}

/// A point of the network.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct PointRow {
    pub name: String,
    pub easting: Option<f64>,
    pub northing: Option<f64>,
    pub elevation: Option<f64>,
    /// Coordinates that are held.
    pub held: Vec<&'static str>,
    pub sigma_e: Option<f64>,
    pub sigma_n: Option<f64>,
    /// sqrt(sigma_e² + sigma_n²).
    pub sigma_h: Option<f64>,
    pub sigma_v: Option<f64>,
    /// Covariance of easting and northing, in squares of the unit.
    pub covariance_en: Option<f64>,
    pub ellipse: Option<EllipseRow>,
    /// The sigmas before and after scaling by s0, whichever of them are given above.
    pub a_priori: SigmaPair,
    pub scaled: SigmaPair,
}

/// Horizontal and vertical sigma.
#[derive(Clone, Copy, Debug, Serialize)]
pub(crate) struct SigmaPair {
    pub sigma_h: Option<f64>,
    pub sigma_v: Option<f64>,
}

/// Standard error ellipse, and the one that holds the true position with 95 %.
#[derive(Clone, Copy, Debug, Serialize)]
pub(crate) struct EllipseRow {
    pub semi_major: f64,
    pub semi_minor: f64,
    /// Of the semi-major axis, decimal degrees from grid north.
    pub azimuth: f64,
    pub semi_major_95: f64,
    pub semi_minor_95: f64,
}

/// The orientation of a set of directions.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct OrientationRow {
    pub station: String,
    pub set: String,
    /// Azimuth of its zero.
    pub orientation: f64,
    /// In small units.
    pub sigma: f64,
}

/// An observed value.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct ObservationRow {
    /// `level`, `easting`, `northing`, `elevation`, `direction`, `zenith` or `distance`.
    pub kind: &'static str,
    pub from: String,
    pub to: Option<String>,
    pub set: Option<String>,
    /// None: a coordinate under `fixed` with a sigma.
    pub file: Option<String>,
    pub line: Option<usize>,
    pub observed: f64,
    pub adjusted: Option<f64>,
    /// Adjusted minus observed.
    pub residual: Option<f64>,
    pub sigma: f64,
    pub redundancy: f64,
    /// Standardised residual.
    pub w: Option<f64>,
    /// Residual from an adjustment without this value.
    pub left_out: Option<f64>,
    /// Smallest blunder that a single test at the level of one finds with the power stated.
    pub detectable: Option<f64>,
    /// Unit of all of these but w and redundancy; `observed` and `adjusted` of angles are in the unit of angles.
    pub unit: &'static str,
    pub used: bool,
    /// Why it is withheld.
    pub why: Option<String>,
    /// `good`, `suspect`, `unchecked` (no other value checks it) or `withheld`.
    pub verdict: &'static str,
}

/// The two-sided chi-square test of the variance factor.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct GlobalTestRow {
    pub statistic: f64,
    pub lower: f64,
    pub upper: f64,
    pub level: f64,
    pub verdict: Verdict,
}

/// By what blunders are looked for.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct BlunderTest {
    /// Values tested: those that others check.
    pub tested: usize,
    pub critical_value: f64,
    /// Level of one test, and of all together.
    pub level: f64,
    pub family_level: f64,
    pub delta0: f64,
    pub power: f64,
}

/// A value that should be looked into.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct SuggestedRow {
    /// Its place in `observations`, from 0.
    pub observation: usize,
    pub kind: &'static str,
    pub from: String,
    pub to: Option<String>,
    pub file: Option<String>,
    pub line: Option<usize>,
    pub w: f64,
    pub critical_value: f64,
    pub left_out: f64,
    pub unit: &'static str,
    /// Places of the values that nothing tells apart from it.
    pub or_else: Vec<usize>,
    pub variance_factor_before: Option<f64>,
    pub variance_factor_after: Option<f64>,
    pub reason: String,
}
