//! All that is known of a run before a point is read: the clouds, their units, the size of the tiles, memory and disk.

pub mod budget;
pub mod edge;
pub mod forecast;
pub mod inputs;
pub mod job;
