//! The engine: deals points out to tiles on disk, runs the chain of stages on each tile, and gathers what the tiles
//! give back.
//!
//! 1. [`scatter`]: blocks of the files are decoded in parallel and their points judged; a [`dealer`] appends them to the
//!    spill of the tile they fall in.
//! 2. [`work`]: each tile's lowest-elevation surface is made from its own points ([`surfaces`]), for its
//!    neighbours to share; then each [`tile`] runs the chain of stages, seeing its own points and a halo of its
//!    neighbours'.
//! 3. [`gather`]: partial results merge, in any order, to the same bits; [`summing_up`], the study in
//!    [`crate::trust`] and [`trade`] turn them into the summary.
//!
//! A run that is cut short leaves its [`index`] of the dealt points and its [`journal`] of finished tiles in the
//! working folder, and a later one goes on from there if its [`identity`] is the same.
//!
//! [`job`] holds what is known before a point is read; [`run_folder`] what a run leaves on disk. Stages know
//! nothing of threads, files or memory.

pub mod budget;
pub mod compared;
pub mod dealer;
pub mod error;
pub mod gather;
pub mod identity;
pub mod index;
pub mod inputs;
pub mod job;
pub mod journal;
pub mod limits;
pub mod log;
pub mod manifest;
pub mod progress;
pub mod run;
pub mod run_folder;
pub mod sample;
pub mod scatter;
pub mod spill;
pub mod stop;
pub mod summing_up;
pub mod surfaces;
pub mod tile;
pub mod tiles;
pub mod trade;
pub mod work;

pub use error::EngineError;
