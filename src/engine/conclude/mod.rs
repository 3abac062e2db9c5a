//! From what the tiles gave back to the results.

pub mod compared;
pub mod gather;
pub mod manifest;
pub mod sample;
pub mod summing_up;
pub mod terrain;
