//! What the registration of scans found. Lengths are in the unit of the report, angles in degrees.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::control::{GlobalTest, Verdict};

/// The registration of the scans of a reference.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Registration {
    /// `level` (heading and three shifts) or `full` (three rotations and three shifts).
    pub model: &'static str,
    /// The setups, in the order of the pipeline file.
    pub setups: Vec<SetupRow>,
    /// Every target that takes part, in the order of the list of targets.
    pub residuals: Vec<PointResiduals>,
    /// Every control point that takes part.
    pub control: Vec<PointResiduals>,
    /// Values used, unknowns, and the difference: the degrees of freedom.
    pub redundancy: Redundancy,
    /// The variance factor s0² = v'Pv / f; null without redundancy.
    pub variance_factor: Option<f64>,
    /// Its test.
    pub variance_test: Option<VarianceTest>,
    /// By what the variances of the adjustment were multiplied for all that follows: the variance factor where it is too large, else 1.
    pub variance_scale: f64,
    /// The largest |w| that a good value may have, at a level of 1 % for all values together.
    pub critical_value: f64,
    /// Targets against the rest of the network without them: an accuracy, where the residuals of points that were fitted are none.
    pub leave_one_out: Agreement,
    /// Points that took no part, against the poses that the others gave.
    pub withheld: Vec<WithheldRow>,
    /// The same, together.
    pub withheld_agreement: Agreement,
    /// Values that look like blunders, one at a time. Nothing was left out.
    pub suggested: Vec<SuggestedRow>,
    /// Names in the lists that take no part: targets of one setup without control, control that no setup sees.
    pub not_used: Vec<String>,
    /// The scan's own noise, one sigma of an elevation, as the pipeline file has it.
    pub noise: f64,
    /// What all comparisons share of the uncertainty of the reference, one sigma of their mean; null where nothing was compared.
    pub common: Option<f64>,
}

impl Registration {
    /// Control points that targets are on.
    pub fn control_points(&self) -> usize {
        let on_control = self.residuals.iter().filter(|row| row.on_control);
        on_control.map(|row| row.name.as_str()).collect::<BTreeSet<&str>>().len()
    }
}

/// A setup and its pose.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct SetupRow {
    /// Its name.
    pub setup: String,
    /// Its targets that take part.
    pub targets: usize,
    /// Turn about the vertical, counter-clockwise.
    pub heading: f64,
    /// Angle between the vertical and the setup's own z axis.
    pub tilt: f64,
    /// Where the zero of the setup's own frame lies: easting, northing, elevation.
    pub origin: [f64; 3],
    /// Standard deviation of the heading.
    pub sigma_heading: f64,
    /// Standard deviation of the tilt in its worst direction; null where the scanner was taken as levelled.
    pub sigma_tilt: Option<f64>,
    /// Standard deviations at the centre of its targets: easting, northing, elevation.
    pub sigma: [f64; 3],
    /// Comparisons with its points.
    pub compared: u64,
    /// Root mean square over them of the standard deviation of the elevation, without the scan's noise.
    pub sigma_compared: Option<f64>,
    /// The largest angle, seen from the middle of its comparisons, without a target in it.
    pub largest_gap: Option<f64>,
}

/// A target of a setup, or a control point, with its residuals.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PointResiduals {
    /// The setup; null for control.
    pub setup: Option<String>,
    /// Name of the point.
    pub name: String,
    /// Of a target: whether it is a control point; otherwise it ties setups together.
    pub on_control: bool,
    /// Easting, northing and elevation; of control those that are not held.
    pub components: Vec<ComponentRow>,
}

/// One coordinate of an observed point.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ComponentRow {
    /// `east`, `north` or `up`.
    pub component: &'static str,
    /// Of a target: its place in the registered scan minus its adjusted place; of control: adjusted minus given.
    pub residual: f64,
    /// Standard deviation, as stated.
    pub sigma: f64,
    /// Redundancy number, 0 to 1: the share of a blunder that shows in the residual.
    pub redundancy: f64,
    /// Standardised residual |w|, as a signed number; null where no other value checks this one.
    pub standardised: Option<f64>,
    /// The smallest blunder that would be found (power 0.80, level 0.001).
    pub detectable: Option<f64>,
    /// The residual from an adjustment without the point (of a target: of this setup's).
    pub left_out: Option<f64>,
}

/// Values and unknowns.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Redundancy {
    /// Observed values.
    pub observations: usize,
    /// Unknowns.
    pub unknowns: usize,
    /// The difference.
    pub degrees_of_freedom: usize,
}

/// The two-sided chi-square test of the variance factor, 95 %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct VarianceTest {
    /// v'Pv.
    pub statistic: f64,
    /// Between these it passes.
    pub limits: [f64; 2],
    /// What it says.
    pub verdict: Verdict,
}

impl VarianceTest {
    /// The test of an adjustment.
    pub fn of(test: &GlobalTest) -> Self {
        VarianceTest { statistic: test.statistic, limits: [test.lower, test.upper], verdict: test.verdict }
    }
}

/// Root mean square of residuals that no point was fitted to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Agreement {
    /// How many points.
    pub points: usize,
    /// In plan (of the length of the horizontal residual).
    pub horizontal: Option<f64>,
    /// In elevation.
    pub vertical: Option<f64>,
}

/// A withheld point as a setup sees it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WithheldRow {
    /// The setup.
    pub setup: String,
    /// Name of the point.
    pub name: String,
    /// Its place in the registered scan minus the control: easting, northing, elevation.
    pub residual: [f64; 3],
    /// Standard deviations of that: of pose, target and control.
    pub sigma: [f64; 3],
    /// Each residual over its sigma.
    pub standardised: [f64; 3],
}

/// A value that looks like a blunder.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SuggestedRow {
    /// Name of the point.
    pub name: String,
    /// The setup that sees it so; null where it is the control.
    pub setup: Option<String>,
    /// `east`, `north` or `up`.
    pub component: &'static str,
    /// Standardised residual without those suggested before it.
    pub standardised: f64,
    /// The largest that a good value may have.
    pub critical: f64,
    /// Its residual from an adjustment without it.
    pub left_out: f64,
    /// Variance factors before and after it is left out.
    pub variance_factor: [Option<f64>; 2],
    /// Values that would explain the residuals as well.
    pub or_else: Vec<String>,
    /// The reason in a sentence.
    pub reason: String,
}
