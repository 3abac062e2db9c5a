//! The command line.

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
