//! What each return is worth to the terrain model: the cells that every tile sums its points into
//! ([`cells`]; [`coverage`] alone where no reference is near), the terrain that follows from them at any place
//! ([`model`]), the voids that are left in it ([`voids`]), and the account of using returns 1..k, by themselves or
//! each weighed by its own variance, against cells of the reference ([`trade`], [`learning`]). Nothing here knows of
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
