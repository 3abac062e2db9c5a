//! The command line.

pub mod stages;

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
