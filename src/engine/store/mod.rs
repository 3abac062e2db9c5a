//! The files of a run on disk: the run folder and other folders of results, spills of keyed pieces, the journal of tiles; and what can go wrong.

pub mod error;
pub(crate) mod files;
pub(crate) mod identity;
pub mod journal;
pub mod parts_folder;
pub mod phase;
pub(crate) mod results_folder;
pub mod run_folder;
pub(crate) mod spill;
pub(crate) mod target;
