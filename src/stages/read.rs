//! `read`: where points come from, and the size of the tiles they are partitioned into.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stages::auto::Auto;
use crate::stages::stage::{Preparing, StageOptions, Step};
use crate::units::Length;

/// Reads the point files of the survey and of a reference cloud.
///
/// LAS 1.0 to 1.4 and LAZ, point formats 0 to 10. Points flagged withheld are not used; they are counted. A point
/// whose return number is 0 or above its number of returns is counted, reported, and left out of per-return
/// results.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Read {
    /// Edge length of the square tiles that are worked on one by one. Memory and speed depend on it, results do not.
    /// `auto` chooses it from the point density and the memory allowed.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub tile: Auto<Length>,
    /// What to do about a damaged block of points (a chunk of a LAZ file, or the missing end of a LAS file). `stop` ends
    /// the run with an error that names the block. `skip` continues without the block, counts its points as lost, and
    /// states the loss wherever results are given. With `skip` every block is decoded twice, first to check that it
    /// is whole; and a COPC file of which the hierarchy alone is damaged is read as plain LAZ, with a note.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub damaged: Damaged,
    /// What to do where points lie outside the box that the header of their file states. `check` takes their block for
    /// damaged; where they lie outside in block after block, it is the header that is wrong, and the run ends. `ignore`
    /// is for files whose header is known to be wrong: damage that can still be decoded then goes unnoticed.
    #[schemars(extend("x-source" = "this program's own choice; the box: LAS 1.4 R16, section 2.4"))]
    pub bounds: BoundsCheck,
}

impl Read {
    /// Whether reading continues past damaged blocks.
    pub fn skips_damaged(&self) -> bool {
        self.damaged == Damaged::Skip
    }

    /// Whether points may lie outside the boxes that the headers state.
    pub fn ignores_bounds(&self) -> bool {
        self.bounds == BoundsCheck::Ignore
    }
}

impl StageOptions for Read {
    fn step(&self) -> Step {
        Step::Read
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        preparing.skip_damaged = self.skips_damaged();
        preparing.ignore_bounds = self.ignores_bounds();
    }
}

/// What to do about a damaged block of points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Damaged {
    /// End the run.
    #[default]
    Stop,
    /// Continue without its points.
    Skip,
}

/// What to do where points lie outside the box that a header states.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum BoundsCheck {
    /// Take their block for damaged, or the header for wrong.
    #[default]
    Check,
    /// Believe the points.
    Ignore,
}

impl Default for Read {
    fn default() -> Self {
        Read { tile: Auto::Auto, damaged: Damaged::Stop, bounds: BoundsCheck::Check }
    }
}
