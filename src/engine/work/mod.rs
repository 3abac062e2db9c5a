//! The work on tiles: surfaces first, since neighbours need them, then the chain of stages.

pub mod context;
pub mod load;
pub mod part;
pub mod queue;
pub mod surfaces;
pub mod tiles;
