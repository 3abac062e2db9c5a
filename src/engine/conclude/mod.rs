//! From what the tiles gave back to the results.

pub mod conclusion;
pub mod draw;
pub mod files;
pub mod manifest;
pub mod summing_up;
pub mod terrain;
