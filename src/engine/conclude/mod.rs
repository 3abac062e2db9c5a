//! From what the tiles gave back to the results.

pub(crate) mod agreement;
pub(crate) mod conclusion;
pub(crate) mod draw;
pub(crate) mod end;
pub(crate) mod files;
pub(crate) mod filters;
pub(crate) mod fitted;
pub(crate) mod gate;
pub(crate) mod manifest;
pub(crate) mod products;
pub(crate) mod profiles;
pub(crate) mod registered;
pub(crate) mod summing_up;
pub(crate) mod surveyed;
pub(crate) mod terrain;
pub(crate) mod terrain_head;
pub(crate) mod terrain_model;
pub(crate) mod voids;
