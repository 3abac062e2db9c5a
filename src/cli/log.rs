//! What is told while the program works: on standard error, above the progress bar, and in the log of a run.

use std::io::{self, IsTerminal};

use tracing_subscriber::filter::{FilterExt, LevelFilter, filter_fn};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, fmt};

use crate::engine::watch::log::{ONLY, Writer};
use crate::engine::watch::progress::AboveBar;

/// Starts telling. `RUST_LOG` chooses how much standard error shows; the log of a run always tells all steps.
pub fn start() {
    let chosen = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let shown = chosen.and(filter_fn(|event| event.target() != ONLY));
    let colour = io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let screen = fmt::layer()
        .with_writer(|| AboveBar)
        .with_ansi(colour)
        .without_time()
        .with_target(false)
        .with_filter(shown);
    let file = fmt::layer()
        .with_writer(|| Writer)
        .with_ansi(false)
        .with_target(false)
        .with_filter(LevelFilter::INFO);
    // Only the first call in a process takes effect; a second one (in tests) is no failure.
    let _ = tracing_subscriber::registry().with(screen).with(file).try_init();
}
