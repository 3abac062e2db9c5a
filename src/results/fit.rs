//! What the vertical fit of the survey to control found. Lengths are in the unit of the report, eastings and northings in the
//! survey's own; a slope is a rise over run.

use serde::Serialize;

use crate::results::registration::{Redundancy, VarianceTest};

/// The vertical fit of the survey.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Fit {
    /// `none`, `shift` or `plane`.
    pub model: &'static str,
    /// The list of control, as the pipeline file names it.
    pub to: String,
    /// What is added to the survey's elevations: the shift at `centre` and, of a plane, its rise towards east and north.
    pub parameters: Vec<Parameter>,
    /// The mean place of the points used, from which a tilt counts: easting, northing.
    pub centre: [f64; 2],
    /// Covariance of the parameters, by rows, in their order; a slope is a length over a length.
    pub covariance: Vec<Vec<f64>>,
    /// Values used, unknowns, and the difference: the degrees of freedom.
    pub redundancy: Redundancy,
    /// The variance factor s0² = v'Pv / f; null without redundancy.
    pub variance_factor: Option<f64>,
    /// Its test.
    pub variance_test: Option<VarianceTest>,
    /// By what the variances of the adjustment were multiplied for all that follows: the variance factor where it is too large, else 1.
    pub variance_scale: f64,
    /// The largest |w| that a good point may have, at a level of 1 % for all points together.
    pub critical_value: f64,
    /// Whether the control asks for a tilt; null where it cannot tell.
    pub tilt: Option<Tilt>,
    /// Survey minus control at the points used, as measured.
    pub before: Fits,
    /// The same after the fit: no accuracy, as these points were fitted.
    pub after: Fits,
    /// The same at each point after a fit without it: an accuracy.
    pub leave_one_out: Fits,
    /// The same at the points withheld.
    pub withheld: Fits,
    /// Every point of the list, in its order.
    pub points: Vec<FitPoint>,
    /// Points that look like blunders, one at a time. Nothing was left out.
    pub suggested: Vec<SuggestedPoint>,
    /// What was added at the comparisons; null where nothing was compared.
    pub added: Option<Added>,
    /// Survey minus reference without the fit; all other figures of the summary are with it.
    pub raw: Raw,
}

/// A parameter of the fit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Parameter {
    /// `shift`, `slope_east` or `slope_north`.
    pub name: &'static str,
    /// Its value.
    pub value: f64,
    /// Its standard deviation.
    pub sigma: f64,
    /// Value over standard deviation.
    pub standardised: f64,
    /// Whether it differs from 0 at the level of 5 %.
    pub significant: bool,
}

/// A plane against a shift.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Tilt {
    /// By how much the plane lowers v'Pv; over its variance factor where that is too large.
    pub statistic: f64,
    /// From where on that is significant at the level of 5 %.
    pub limit: f64,
    /// Whether it is.
    pub significant: bool,
}

/// Survey minus control at some points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Fits {
    /// How many points.
    pub points: usize,
    /// Mean.
    pub mean: Option<f64>,
    /// Root mean square.
    pub rms: Option<f64>,
}

/// A point of the list of control.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FitPoint {
    /// Its name.
    pub name: String,
    /// Easting.
    pub easting: f64,
    /// Northing.
    pub northing: f64,
    /// Its elevation.
    pub elevation: f64,
    /// The survey's elevation there, as measured.
    pub survey_elevation: Option<f64>,
    /// Standard deviation of the difference: of control and survey together.
    pub sigma: Option<f64>,
    /// `used`, `withheld` or `not_used`.
    pub status: &'static str,
    /// Why it is not used.
    pub reason: Option<String>,
    /// Survey minus control, as measured.
    pub before: Option<f64>,
    /// The same after the fit.
    pub after: Option<f64>,
    /// The same after a fit without it.
    pub left_out: Option<f64>,
    /// Redundancy number, 0 to 1: the share of a blunder that shows in the residual.
    pub redundancy: Option<f64>,
    /// Standardised residual w; of a withheld point its residual over the sigma of point and fit.
    pub standardised: Option<f64>,
    /// The smallest blunder that would be found (power 0.80, level 0.001).
    pub detectable: Option<f64>,
}

/// A point that looks like a blunder.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SuggestedPoint {
    /// Its name.
    pub name: String,
    /// Standardised residual without those suggested before it.
    pub standardised: f64,
    /// The largest that a good point may have.
    pub critical: f64,
    /// Its residual after a fit without it.
    pub left_out: f64,
    /// Variance factors before and after it is left out.
    pub variance_factor: [Option<f64>; 2],
    /// Points that would explain the residuals as well.
    pub or_else: Vec<String>,
    /// The reason in a sentence.
    pub reason: String,
}

/// What was added at the comparisons.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Added {
    /// The mean.
    pub mean: f64,
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
    /// Standard deviation of the mean.
    pub sigma_of_mean: f64,
    /// Root mean square of the standard deviations at the comparisons.
    pub sigma: f64,
}

/// Figures without the fit.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Raw {
    /// By return, those that have comparisons.
    pub returns: Vec<RawReturn>,
    /// All returns together.
    pub all: RawFigures,
}

/// Figures of a return without the fit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RawReturn {
    /// The return number.
    #[serde(rename = "return")]
    pub return_number: u8,
    /// Its figures.
    #[serde(flatten)]
    pub figures: RawFigures,
}

/// Survey minus reference without the fit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct RawFigures {
    /// Comparisons.
    pub compared: u64,
    /// Mean.
    pub bias: Option<f64>,
    /// Standard deviation.
    pub sd: Option<f64>,
    /// Root mean square.
    pub rmse: Option<f64>,
}
