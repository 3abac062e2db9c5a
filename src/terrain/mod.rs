//! Coverage and accuracy of the terrain by returns used: the cells that every tile sums its points into
//! ([`cells`]; [`coverage`] alone where no reference is near), the terrain that follows from them at any place
//! ([`model`]), the voids that are left in it ([`voids`]), and the comparison of the terrain from returns 1..k,
//! unweighted or variance-weighted, with cells of the reference ([`by_returns`], [`learning`]). Nothing here knows of
//! tiles' files or threads: tiles hand their sums over as bytes, and every result is the same however the ground is
//! cut into tiles.

pub mod by_returns;
mod bytes;
pub mod cells;
pub mod coverage;
pub mod learning;
pub mod model;
pub mod voids;

#[cfg(test)]
mod test_site;
