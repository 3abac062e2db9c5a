//! What a run found, for people and programs: the contents of `summary.json` and the tables. The page and the printed
//! result are drawn from it.

pub mod confidence;
pub mod format;
pub mod group_key;
#[cfg(test)]
pub mod sample;
pub mod statistics;
pub mod summary;
pub mod tables;
