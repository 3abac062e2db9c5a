//! The stages: one file each, with its options, its docs, its work and its tests together.

pub mod auto;
pub mod checkpoints;
pub mod compare;
pub mod ground;
pub mod keep;
pub mod read;
pub mod summarise;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Which of the two clouds a stage applies to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CloudChoice {
    /// The survey and the reference alike.
    #[default]
    Both,
    /// The survey alone.
    Survey,
    /// The reference alone.
    Reference,
}

/// One entry of the list of stages in a pipeline file: a map of one key, the stage's name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// See [`read::Read`].
    Read(read::Read),
    /// See [`keep::Keep`].
    Keep(keep::Keep),
    /// See [`ground::Ground`].
    Ground(ground::Ground),
    /// See [`checkpoints::Checkpoints`].
    Checkpoints(checkpoints::Checkpoints),
    /// See [`compare::Compare`].
    Compare(compare::Compare),
    /// See [`summarise::Summarise`].
    Summarise(summarise::Summarise),
}
