//! What is shown while the program works: on standard error, above the progress bars.

use std::io::{self, IsTerminal};

use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, fmt};

use crate::engine::watch::screen::Screen;

/// Starts showing on `screen`. `RUST_LOG` chooses how much.
pub fn start(screen: &Screen) {
    let chosen = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let colour = io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let screen = screen.clone();
    let shown = fmt::layer()
        .with_writer(move || screen.clone())
        .with_ansi(colour)
        .without_time()
        .with_target(false)
        .with_filter(chosen);
    // Only the first call in a process takes effect; a second one (in tests) is no failure.
    let _ = tracing_subscriber::registry().with(shown).try_init();
}
