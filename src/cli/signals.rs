//! Being asked to stop: Ctrl-C, or a polite request of the system (SIGTERM).
//!
//! A terminal that closes (SIGHUP) is left to the system's own rule, or `nohup` would lose its meaning.

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;

/// Gives a flag that is set by the first signal from now on; a second one ends the program at once, with exit code 1.
///
/// # Errors
/// Where the system does not let signals be taken note of.
pub fn stop_flag() -> io::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // In this order: the first signal finds the flag not yet set.
        flag::register_conditional_shutdown(signal, 1, stop.clone())?;
        flag::register(signal, stop.clone())?;
    }
    Ok(stop)
}
