//! `summarise`: the statistics of dz, by return and in all.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Gathers counts and the statistics of dz: bias (mean), SD, RMSE, extremes, median, NMAD and the 95th percentile
/// of |dz|, with the share of points and of ground that each group gives.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Summarise {
    /// What to group by.
    pub by: Vec<By>,
}

/// A property to group points by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// Return number, 1 to 15.
    Return,
}

impl Default for Summarise {
    fn default() -> Self {
        Summarise { by: vec![By::Return] }
    }
}
