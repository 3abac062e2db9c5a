//! Reading point files.

pub mod near;
pub mod point;
