//! Reading point files.

pub mod point;
