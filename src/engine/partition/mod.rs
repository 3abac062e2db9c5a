//! Reading the clouds and partitioning their points into tiles on disk.

pub(crate) mod bounds;
pub(crate) mod classes;
pub(crate) mod clouds;
pub(crate) mod copies;
pub(crate) mod counts;
pub(crate) mod hash;
pub(crate) mod index;
pub(crate) mod partitioner;
pub(crate) mod phase;
pub mod read;
pub(crate) mod scale_check;
pub mod share;
