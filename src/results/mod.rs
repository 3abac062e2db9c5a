//! What a run found, for people and programs: the contents of `summary.json` and the tables. The page and the printed
//! result are drawn from it.

pub(crate) mod agreement;
pub(crate) mod checkpoints;
pub(crate) mod confidence;
pub(crate) mod cross_check;
pub(crate) mod filters;
pub(crate) mod fit;
pub(crate) mod format;
pub(crate) mod group_key;
pub(crate) mod matching;
pub(crate) mod pictures;
pub(crate) mod plan_shift;
pub(crate) mod registration;
#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
pub(crate) mod sample_control;
#[cfg(test)]
pub(crate) mod sample_pictures;
pub(crate) mod site_plan;
pub(crate) mod slope_row;
pub(crate) mod statistics;
pub(crate) mod summary;
pub(crate) mod tables;
pub(crate) mod terrain_model;
