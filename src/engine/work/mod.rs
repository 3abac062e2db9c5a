//! The work on tiles: surfaces first, since neighbours need them, then the chain of stages.

pub mod load;
pub mod surfaces;
pub mod tiles;
