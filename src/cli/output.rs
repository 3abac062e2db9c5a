//! What a command prints: its result on standard output, errors on standard error.

use std::io::{IsTerminal, Write};

use crate::cli::error::CliError;
use crate::cli::run::Done;

/// Says on standard error that the figures of a run cannot be right.
pub fn show_implausible(done: &Done) {
    if let Some(text) = &done.implausible {
        eprintln!("error: {text} What was found is in {}", done.folder.display());
    }
}

/// Shows an error on standard error.
pub fn show(error: &CliError) {
    let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    eprintln!("{}", error.render(colour).trim_end());
}

pub fn print(text: &str) -> Result<(), CliError> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes()).and_then(|()| out.flush()).map_err(CliError::Output)
}
