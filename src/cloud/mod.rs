//! Reading point files.

pub mod near;
pub mod point;
pub mod record;
