//! Agreement inside each side: strips of the survey with each other, setups of the reference with each other. Lengths are in the
//! unit of the report, but easting and northing in the survey's own. What does not exist is null.

use serde::Serialize;

use crate::results::statistics::Interval;
use crate::units::Unit;

/// How strips agree with each other, and setups.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Agreement {
    /// Edge of the cells.
    pub cell: f64,
    /// Steepest slope of a cell that counts, rise over run.
    pub slope: f64,
    /// The unit of easting and northing.
    pub horizontal_units: Unit,
    /// The limits of the published standard for the class that is asked for or reached; null where there is none.
    pub limits: Option<AgreementLimits>,
    /// Each strip; null where no cell tells anything of one.
    pub strips: Option<Vec<Member>>,
    /// Strips that overlap, two by two.
    pub strip_pairs: Vec<MemberPair>,
    /// A strip is off from this difference on: see `off`.
    pub strip_tolerance: Option<f64>,
    /// Groups of strips that differ though none can be named: the two that differ most.
    pub strips_disagree: Vec<Disagreement>,
    /// Each setup; null where the reference has fewer than two that overlap.
    pub setups: Option<Vec<Member>>,
    /// Setups that overlap, two by two.
    pub setup_pairs: Vec<MemberPair>,
    /// A setup is off from this difference on.
    pub setup_tolerance: Option<f64>,
    /// Groups of setups that differ though none can be named: the two that differ most.
    pub setups_disagree: Vec<Disagreement>,
}

/// Limits inside a survey of a vertical accuracy class.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AgreementLimits {
    /// The class, centimetres.
    pub class_cm: f64,
    /// Whether the pipeline file asks for it; otherwise the survey reaches it.
    pub asked: bool,
    /// Strip to strip, root mean square difference.
    pub rms: f64,
    /// Strip to strip, largest difference.
    pub largest: f64,
    /// Within a strip, on smooth surface.
    pub smoothness: f64,
}

/// A strip or a setup among the others.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Member {
    /// The strip (point source ID), or the number of the setup.
    pub number: u16,
    /// The name of a setup.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Smooth cells of open ground that it has.
    pub cells: u64,
    /// Scatter of its points about their plane on hard, smooth surface: that which the smoothest quarter of the cells does not
    /// exceed.
    pub smoothness: Option<f64>,
    /// Whether that is within the limit.
    pub smoothness_within: Option<bool>,
    /// Number of the group of strips that are tied together by overlaps; null where it is tied to none.
    pub group: Option<usize>,
    /// How much higher it lies than the level on which more than half of its group agree, or where none do, than their mean.
    pub offset: Option<f64>,
    /// 95 % interval.
    pub offset_ci95: Option<Interval>,
    /// Whether it is off: its offset exceeds the tolerance, and its interval at 95 % for all strips together. Null where that
    /// cannot be told.
    pub off: Option<bool>,
}

impl Member {
    /// What it is called: by its name, or its number.
    pub fn label(&self) -> String {
        self.name.clone().unwrap_or_else(|| self.number.to_string())
    }
}

/// What the strip or setup of a number is called.
pub fn label(number: u16, members: &[Member]) -> String {
    members.iter().find(|member| member.number == number).map_or(number.to_string(), Member::label)
}

/// Two strips or two setups against each other.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MemberPair {
    /// The two.
    pub pair: [u16; 2],
    /// Cells that both share.
    pub cells: u64,
    /// Their area, square metres.
    pub area_m2: f64,
    /// How much higher the second lies, on average over the cells.
    pub bias: f64,
    /// 95 % interval.
    pub bias_ci95: Option<Interval>,
    /// Root mean square of the differences of the cells.
    pub rms: f64,
    /// What of it the scatter of the points alone makes.
    pub rms_noise: f64,
    /// Whether the root mean square is within the limit.
    pub rms_within: Option<bool>,
    /// The largest difference of a cell.
    pub largest: Option<f64>,
    /// Easting and northing of the middle of that cell.
    pub largest_at: Option<[f64; 2]>,
    /// Whether it is within the limit.
    pub largest_within: Option<bool>,
}

/// Two strips or setups of a group that differ most, where it cannot be told which is off.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Disagreement {
    /// The two.
    pub pair: [u16; 2],
    /// How much higher the second lies, after adjustment.
    pub difference: f64,
}
