//! A delivered classification held against the ground filter (`cross_check` of `ground`).

use serde::Serialize;

/// By return, ascending, and in all.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CrossCheck {
    /// Returns that have points.
    pub returns: Vec<CrossRow>,
    /// All returns together, those without a valid return number among them.
    pub all: CrossRow,
}

/// The points of one return, or of all, by what classes and filter make of them: `both`, `classes_only`, `filter_only` and
/// `neither` are each point once, `classes` and `filter` are the ground of either.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CrossRow {
    /// Return number, 1 to 15.
    #[serde(rename = "return", skip_serializing_if = "Option::is_none")]
    pub return_number: Option<u8>,
    /// Ground in both.
    pub both: CrossSet,
    /// Of class 2, and refused by the filter.
    pub classes_only: CrossSet,
    /// Ground to the filter, and of another class.
    pub filter_only: CrossSet,
    /// Points that are ground in neither.
    pub neither: u64,
    /// All of class 2.
    pub classes: CrossSet,
    /// All that the filter accepts.
    pub filter: CrossSet,
}

/// Points, and the figures of those that have reference. Lengths in the unit of the report.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CrossSet {
    /// Points.
    pub points: u64,
    /// Those of them that have reference: what the figures rest on.
    pub compared: u64,
    /// Bias: mean of dz.
    pub bias: Option<f64>,
    /// Sample standard deviation of dz (n − 1).
    pub sd: Option<f64>,
    /// Root mean square of dz (n).
    pub rmse: Option<f64>,
}

impl CrossRow {
    /// Share of the ground of one side that the other refuses: of class 2 by the filter, of the filter's by the classes.
    pub fn refused(&self) -> [Option<f64>; 2] {
        [(&self.classes_only, &self.classes), (&self.filter_only, &self.filter)]
            .map(|(only, all)| (all.points > 0).then(|| only.points as f64 / all.points as f64))
    }
}
