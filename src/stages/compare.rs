//! `compare`: dz, survey elevation minus reference elevation.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::pipeline::units::Length;

/// Compares each checkpoint with the reference ground near it in plan: dz = survey elevation − reference elevation.
///
/// The search is horizontal, never in three dimensions: a radius that counted height would bound the very error
/// that is to be reported.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Compare {
    /// `nearest`: the reference ground point nearest in plan. `plane`: the least-squares plane through the
    /// reference ground points within `within`, at least six and not in line, taken at the checkpoint.
    #[serde(rename = "match")]
    pub method: Match,
    /// Greatest distance in plan between a checkpoint and the reference points used; by default 15 mm for
    /// `nearest` and 0.5 m for `plane`. On a slope, plan distance × slope enters dz.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-source" = "common practice, no source", "x-default" = "15 mm (nearest), 0.5 m (plane)"))]
    pub within: Option<Length>,
}

impl Compare {
    /// The greatest distance in plan: as given, or the default of the method.
    pub fn reach(&self) -> Length {
        self.within.unwrap_or(match self.method {
            Match::Nearest => Length::millimetres(15.0),
            Match::Plane => Length::metres(0.5),
        })
    }
}

/// How reference elevation at a checkpoint is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Match {
    /// The reference ground point nearest in plan.
    Nearest,
    /// The least-squares plane through the reference ground points in reach.
    Plane,
}

impl Default for Compare {
    fn default() -> Self {
        Compare { method: Match::Nearest, within: None }
    }
}
