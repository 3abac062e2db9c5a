//! `checkpoints`: where survey and reference are compared.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::auto::Count;
use crate::pipeline::units::Length;

/// Draws the places where the survey is compared with the reference, at random and for each return by itself.
///
/// A ground point of the survey is a candidate where the `compare` stage finds reference ground within reach. A
/// seeded hash of each candidate decides: of the candidates of one return closer together than `spacing` only the
/// one of smallest hash stays (Matérn's second hard-core rule), and of those that stay the `per_return` smallest
/// hashes are drawn. The draw is uniform, repeats with the same `seed`, and depends on nothing but the data.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Checkpoints {
    /// Checkpoints to draw for each return, or `all`: every candidate is compared, however close to others, and
    /// the draw only chooses what `checkpoints.csv` lists.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub per_return: Count,
    /// No two checkpoints of one return are closer than this in plan.
    #[schemars(extend("x-source" = "Matérn 1960 (second hard-core process); value: this program's own choice"))]
    pub spacing: Length,
    /// Checkpoints of each return that `checkpoints.csv` lists, in the order drawn, so that the first rows are a
    /// smaller draw of the same kind; or `all`.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub list: Count,
}

impl Default for Checkpoints {
    fn default() -> Self {
        Checkpoints { per_return: Count::All, spacing: Length::metres(1.0), list: Count::AtMost(5000) }
    }
}
