//! `read`: where points come from, and the size of the tiles they are dealt into.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stages::auto::Auto;
use crate::stages::stage::{Preparing, StageOptions, Step};
use crate::units::Length;

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
    /// What to do about a block of points that is damaged (a chunk of a LAZ file, or the end of a LAS file that is cut
    /// off): `stop` ends the run and names it; `skip` goes on without all of its points, counts them as lost, and says
    /// so wherever the results are told. With `skip` every block is decoded twice, first to see that it is whole.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub damaged: Damaged,
}

impl StageOptions for Read {
    fn step(&self) -> Step {
        Step::Read
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        preparing.skip_damaged = self.damaged == Damaged::Skip;
    }
}

/// What to do about a damaged block of points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Damaged {
    /// End the run.
    #[default]
    Stop,
    /// Go on without its points.
    Skip,
}

impl Default for Read {
    fn default() -> Self {
        Read { tile: Auto::Auto, damaged: Damaged::Stop }
    }
}
