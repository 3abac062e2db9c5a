//! What the definition of the command line gives besides help: completions for shells, and manual pages.

use std::path::Path;

use clap::CommandFactory;
use clap_complete::Shell;

use crate::cli::arguments::Arguments;
use crate::cli::error::CliError;

const NAME: &str = env!("CARGO_PKG_NAME");

/// The script that makes `shell` complete commands and options.
pub fn completions(shell: Shell) -> String {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), NAME, &mut script);
    String::from_utf8(script).expect("scripts are text")
}

/// Writes a page for the program and each of its commands into `folder`; says what was written.
///
/// # Errors
/// Where the folder or a page cannot be written.
pub fn write(folder: &Path) -> Result<String, CliError> {
    std::fs::create_dir_all(folder)
        .and_then(|()| clap_mangen::generate_to(Arguments::command().name(NAME), folder))
        .map_err(|error| CliError::Manual { path: folder.to_path_buf(), error })?;
    let page = folder.join(format!("{NAME}.1"));
    Ok(format!("Wrote the pages to {}. Read the first with: man {}\n", folder.display(), page.display()))
}
