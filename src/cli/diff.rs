//! `echograde diff`: compares two run folders and prints what changed.

use std::path::Path;

use crate::cli::error::CliError;
use crate::diff;

/// Compares two run folders; gives the text for standard output.
///
/// # Errors
/// Where a folder is not what a run leaves.
pub fn diff(first: &Path, second: &Path, json: bool) -> Result<String, CliError> {
    let found = diff::diff(first, second).map_err(|error| CliError::Usage(error.to_string()))?;
    Ok(match json {
        true => serde_json::to_string_pretty(&found).expect("numbers and text only") + "\n",
        false => diff::text(&found),
    })
}
