//! Other settings of the ground filter, to be held against those of a run.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::Length;

/// Options of the ground filter that differ from those of the stage: the others are as the stage has them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Alternative {
    /// As `cell` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cell: Option<Length>,
    /// As `window_max` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub window_max: Option<Length>,
    /// As `window_growth` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub window_growth: Option<WindowGrowth>,
    /// As `slope` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slope: Option<f64>,
    /// As `dh_initial` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dh_initial: Option<Length>,
    /// As `local_slope` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub local_slope: Option<bool>,
    /// As `dh_max` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dh_max: Option<Length>,
    /// As `fill_max` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fill_max: Option<Length>,
    /// As `low_outlier` of the stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low_outlier: Option<Length>,
}

impl Alternative {
    /// Settings of one stage at the most: each costs an opening of the surface and a search for the reference.
    pub const MOST: usize = 8;
}

/// How the windows of the ground filter grow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum WindowGrowth {
    /// Windows of 2·2^k + 1 cells, k from 0: 3, 5, 9, 17, …
    Exponential,
    /// Windows of 2k + 1 cells, k from 1: 3, 5, 7, 9, …
    Linear,
}
