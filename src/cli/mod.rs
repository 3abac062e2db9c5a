//! The command line.

pub mod inspect;

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
