//! Being asked to stop: Ctrl-C, or a polite request of the system (SIGTERM).
//!
//! Workers look between two blocks or tiles and leave with an error like any other, so that what can be gone on with
//! is kept. A terminal that closes (SIGHUP) is left to the system's own rule, or `nohup` would lose its meaning.

use std::io;
use std::sync::atomic::{AtomicBool, Ordering};

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;

use crate::engine::store::error::EngineError;

static ASKED: AtomicBool = AtomicBool::new(false);

/// Takes note of signals from now on; a second one ends the program at once, with exit code 1.
///
/// # Errors
/// Where the system does not let signals be taken note of.
pub fn listen() -> io::Result<()> {
    for signal in [SIGINT, SIGTERM] {
        // In this order: the first signal finds the flag not yet set.
        flag::register_conditional_shutdown(signal, 1, &ASKED)?;
        flag::register(signal, &ASKED)?;
    }
    Ok(())
}

/// Whether the program has been asked to stop.
pub fn asked() -> bool {
    ASKED.load(Ordering::Relaxed)
}

/// An error once the program has been asked to stop.
///
/// # Errors
/// See above.
pub fn check() -> Result<(), EngineError> {
    if asked() { Err(EngineError::Stopped) } else { Ok(()) }
}
