//! What stages share: tiles, the points in them and what became of each.

pub mod points;
pub mod strata;
pub mod tiling;
