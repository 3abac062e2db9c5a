//! The thin binary: everything is in the library.

fn main() -> std::process::ExitCode {
    echograde::cli::main()
}
