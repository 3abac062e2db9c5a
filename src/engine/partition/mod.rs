//! Reading the clouds and partitioning their points into tiles on disk.

pub mod clouds;
pub mod counts;
pub mod hash;
pub mod index;
pub mod partitioner;
pub mod phase;
pub mod read;
pub mod scattered;
