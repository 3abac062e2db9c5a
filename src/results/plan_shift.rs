//! Agreement in plan: a shift of the survey against the reference, told by how dz follows the slopes.

use serde::Serialize;

use crate::results::statistics::Interval;

/// A shift in plan of the survey against the reference. Lengths are in the unit of the report; what does not exist is null.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct PlanShift {
    /// How far the survey lies too far east.
    pub east: Option<f64>,
    /// How far it lies too far north.
    pub north: Option<f64>,
    /// 95 % interval.
    pub east_ci95: Option<Interval>,
    /// 95 % interval.
    pub north_ci95: Option<Interval>,
    /// Whether it is told from none, and large enough to matter.
    pub significant: bool,
    /// Comparisons on open ground of known slope, from an even choice of all: what it is estimated from.
    pub n: u64,
    /// Whether the slopes are steep enough, and differ enough over short distances, to tell; null where that is not known.
    pub enough_slope: Option<bool>,
    /// Why there is none.
    pub reason: Option<String>,
    /// Slope of the ground at all comparisons, rise over run, root mean square.
    pub slope_rms: Option<f64>,
    /// Standard deviation that the shift adds to dz of all comparisons.
    pub adds_sd: Option<f64>,
    /// Share of the variance of dz that goes with the shift.
    pub share_explained: Option<f64>,
    /// The figures of all comparisons with the shift taken out.
    pub shift_removed: Option<ShiftRemoved>,
    /// Each flight strip by itself.
    pub strips: Vec<StripShift>,
}

/// Figures of all comparisons with the shift in plan taken out; where the slope is not known, dz is as it was.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShiftRemoved {
    /// Number of comparisons.
    pub compared: u64,
    /// Bias.
    pub bias: f64,
    /// SD.
    pub sd: Option<f64>,
    /// RMSE.
    pub rmse: f64,
}

/// The shift in plan of one flight strip.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct StripShift {
    /// The strip (point source ID).
    pub strip: u16,
    /// How far it lies too far east.
    pub east: Option<f64>,
    /// How far it lies too far north.
    pub north: Option<f64>,
    /// 95 % interval.
    pub east_ci95: Option<Interval>,
    /// 95 % interval.
    pub north_ci95: Option<Interval>,
    /// Its comparisons that it is estimated from.
    pub n: u64,
    /// Whether it differs from the middle of all strips, by enough to matter.
    pub differs: bool,
    /// Why there is none.
    pub reason: Option<String>,
}
