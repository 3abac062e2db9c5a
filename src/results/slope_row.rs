//! Points of one slope class, and what the ground filter made of them.

use serde::Serialize;

use crate::results::format::slope_class;

/// Points of one slope class, as the ground filter judged them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SlopeRow {
    /// The class of slope, rise over run.
    pub slope: String,
    /// Accepted as ground.
    pub ground: u64,
    /// Not accepted.
    pub above_ground: u64,
    /// Those of them no higher above the filter's limit than slope × cell: ground may be among them.
    pub slope_refused: u64,
}

impl SlopeRow {
    /// The share refused of what may be ground.
    pub fn share_refused(&self) -> f64 {
        let all = self.ground + self.slope_refused;
        if all == 0 { 0.0 } else { self.slope_refused as f64 / all as f64 }
    }

    /// The class for people: `20–40 %`.
    pub fn class(&self) -> String {
        slope_class(&self.slope)
    }
}
