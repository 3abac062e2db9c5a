//! What stages share: tiles, the points in them and what became of each, and what is given back.

pub mod at_work;
pub mod gradient;
pub mod kinds;
pub mod points;
pub(crate) mod shared;
pub mod strata;
pub mod tiling;
pub mod yields;

#[cfg(test)]
pub(crate) mod given;
