//! Points of one slope class, and what the ground filter made of them.

use serde::Serialize;

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
        let per_cent = |number: &str| {
            let text = format!("{:.1}", number.parse::<f64>().unwrap_or(f64::NAN) * 100.0);
            text.trim_end_matches(".0").to_string()
        };
        let name = &self.slope;
        match (name.strip_prefix('<'), name.strip_prefix(">="), name.split_once('-')) {
            (Some(high), ..) => format!("under {} %", per_cent(high)),
            (_, Some(low), _) => format!("{} % and more", per_cent(low)),
            (.., Some((low, high))) => format!("{}–{} %", per_cent(low), per_cent(high)),
            _ => name.clone(),
        }
    }
}
