//! The engine: runs a job phase by phase. Phases meet on disk.
//!
//! 1. [`plan`]: all that is known before a point is read.
//! 2. [`partition`]: blocks of the files are decoded in parallel, and their points appended to the tile they fall in.
//! 3. [`work`]: each tile's lowest-elevation surface, for its neighbours to share; then the chain of stages on each tile.
//! 4. [`conclude`]: what the tiles gave back merges, in any order, to the same bits, and becomes the results.
//! 5. [`export`]: what is written for use in other programs.
//!
//! [`parts`] does phases 2 and 3 part by part, in processes that share a disk and nothing else, and the others once all parts are there.
//! [`siting`] goes through the first three and draws sites for checkpoints.
//!
//! [`store`] holds the files of a run on disk, [`watch`] progress, log and the wish to stop. [`run`] is the list of phases.
//! Stages know nothing of threads, files or memory.

pub(crate) mod conclude;
pub(crate) mod export;
pub mod partition;
pub mod parts;
pub mod plan;
pub mod run;
pub(crate) mod siting;
pub mod store;
pub mod watch;
pub(crate) mod work;
