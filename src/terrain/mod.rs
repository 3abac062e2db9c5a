//! What each return adds to the terrain model: the cells that every tile sums its points into
//! ([`cells`]; [`coverage`] alone where no reference is near), the terrain that follows from them at any position
//! ([`model`]), the voids that are left in it ([`voids`]), and the account of using returns 1..k, by themselves or
//! each weighted by its own variance, against cells of the reference ([`by_returns`], [`learning`], [`differences`],
//! [`folds`]). Nothing here knows of
//! tiles' files or threads: tiles give their sums back as bytes, and every result is the same however the ground is
//! cut into tiles.

pub(crate) mod by_returns;
pub(crate) mod bytes;
pub(crate) mod cells;
pub(crate) mod coverage;
pub(crate) mod differences;
pub(crate) mod facet;
pub(crate) mod folds;
pub(crate) mod learning;
pub(crate) mod lesson;
pub(crate) mod model;
pub(crate) mod surface;
pub(crate) mod voids;

#[cfg(test)]
mod test_site;
