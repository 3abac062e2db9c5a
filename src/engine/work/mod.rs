//! The work on tiles: surfaces first, since neighbours need them, then the chain of stages.

pub(crate) mod context;
pub(crate) mod load;
pub(crate) mod part;
pub(crate) mod phase;
pub(crate) mod queue;
pub(crate) mod surfaces;
pub(crate) mod tiles;
