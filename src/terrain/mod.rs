//! What each return is worth to the terrain model: the cells that every tile sums its points into
//! ([`cells`]; [`coverage`] alone where no reference is near), the terrain that follows from them at any place
//! ([`model`]), the holes that are left in it ([`holes`]), and the account of using returns 1..k, by themselves or
//! each weighed by its own variance, against cells of the reference ([`trade`], [`learning`]). Nothing here knows of
//! tiles' files or threads: tiles hand their sums over as bytes, and every result is the same however the ground is
//! cut into tiles.

mod bytes;
pub mod cells;
pub mod coverage;
pub mod holes;
pub mod learning;
pub mod model;
pub mod trade;

#[cfg(test)]
mod made_up;
