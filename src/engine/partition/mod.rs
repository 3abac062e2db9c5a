//! Reading the clouds and partitioning their points into tiles on disk.

pub mod clouds;
pub mod dealer;
pub mod index;
pub mod scatter;
