//! Sites for checkpoints (`plan`): the phases of a run up to the ground, the draw, and its files.

pub(crate) mod files;
pub mod propose;
pub(crate) mod site_plan;
