//! Watching a run: its log, its progress, and the wish to stop it.

pub mod clock;
pub mod log;
pub mod progress;
pub mod stop;
