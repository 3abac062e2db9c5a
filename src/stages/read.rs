//! `read`: where points come from, and the size of the tiles they are dealt into.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::auto::Auto;
use crate::pipeline::units::Length;

/// Reads the point files of the survey and of a reference cloud.
///
/// LAS 1.0 to 1.4 and LAZ, point formats 0 to 10. Points flagged withheld are left out and counted. A point
/// whose return number is 0 or above its number of returns is counted and reported, and left out of every
/// result by return.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Read {
    /// Edge of the square tiles that the work is cut into. Results do not depend on it; memory and speed do.
    /// `auto` chooses it from the density of the points and the memory allowed.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub tile: Auto<Length>,
}

impl Default for Read {
    fn default() -> Self {
        Read { tile: Auto::Auto }
    }
}
