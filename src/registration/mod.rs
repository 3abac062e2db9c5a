//! Registration of scans: the poses of setups from targets that each sees and from control, all setups in one adjustment.
//!
//! A scan in its own frame becomes part of the reference by a pose: a turn and a shift, found from targets whose place in the
//! scan and in the system of the survey is known ([`control points`](Control)), or which several setups see (ties). Control is observed
//! too, with its sigmas: setups that share control are correlated, and so is their error in all that is compared.
//!
//! [`approximate`] finds poses to start from, [`network`] adjusts, [`checks`] says what came out in
//! numbers for people, [`sigma`] what it means for the elevations compared. The adjustment itself is that of [`crate::control`].
//!
//! Inside, lengths are metres counted from a whole point near the control, and angles radians.

pub(crate) mod approximate;
#[cfg(test)]
mod blunder_tests;
pub(crate) mod checks;
pub(crate) mod network;
pub(crate) mod sigma;
#[cfg(test)]
mod sigma_tests;
#[cfg(test)]
mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::Micrometres;

/// What of a pose is unknown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Model {
    /// The scanner was levelled: heading and three shifts are unknown.
    #[default]
    Level,
    /// Three rotations and three shifts are unknown.
    Full,
}

impl Model {
    /// Unknowns of a setup.
    pub fn unknowns(self) -> usize {
        match self {
            Model::Level => 4,
            Model::Full => 6,
        }
    }

    /// What a setup must see at least, for people.
    pub fn needs(self) -> &'static str {
        match self {
            Model::Level => "two targets apart from each other in plan",
            Model::Full => "three targets that are not in line",
        }
    }

    /// Its name in the pipeline file.
    pub fn word(self) -> &'static str {
        match self {
            Model::Level => "level",
            Model::Full => "full",
        }
    }
}

/// A target as a setup sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// The setup, counted from 0.
    pub setup: usize,
    /// Its name: that of a control point, or the same in several setups.
    pub name: String,
    /// Its place in the setup's own frame, micrometres.
    pub at: [f64; 3],
    /// Standard deviation of each coordinate, micrometres.
    pub sigma: f64,
}

/// A control point, in the system of the survey.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    /// Its name.
    pub name: String,
    /// Easting, northing and elevation, micrometres.
    pub at: [f64; 3],
    /// Standard deviations of easting, northing and elevation, micrometres; 0: held.
    pub sigma: [f64; 3],
    /// Covariance of easting and northing, square micrometres.
    pub covariance: f64,
}

/// What is to be adjusted.
#[derive(Clone, Debug, Default)]
pub struct Observed {
    /// Names of the setups.
    pub setups: Vec<String>,
    /// What of a pose is unknown.
    pub model: Model,
    /// The targets, in the order of their list.
    pub targets: Vec<Target>,
    /// The control points, in the order of their list.
    pub control: Vec<Control>,
    /// Names of control points that take no part; the others say where they are.
    pub withhold: Vec<String>,
}

impl Observed {
    /// Whether a point is withheld.
    pub(crate) fn is_withheld(&self, name: &str) -> bool {
        self.withhold.iter().any(|one| one == name)
    }

    /// The control point of a name, withheld or not.
    pub(crate) fn control_of(&self, name: &str) -> Option<&Control> {
        self.control.iter().find(|one| one.name == name)
    }

    /// The control point of a name that takes part.
    pub(crate) fn known(&self, name: &str) -> Option<&Control> {
        self.control_of(name).filter(|_| !self.is_withheld(name))
    }
}

/// A whole point near all that is known, from which metres are counted.
pub(crate) fn origin(control: &[Control]) -> [Micrometres; 3] {
    let count = control.len().max(1) as f64;
    let mean = |axis: usize| control.iter().map(|one| one.at[axis]).sum::<f64>() / count;
    [0, 1, 2].map(|axis| (mean(axis) / 1e6).round() as Micrometres * 1_000_000)
}

/// Why scans cannot be registered, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unregistered {
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub help: String,
}
