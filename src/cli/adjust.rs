//! `echograde adjust`: adjusts a control network and prints the result.

use std::path::Path;

use crate::cli::error::CliError;
use crate::engine::store::results_folder::write_folder;
use crate::network::{adjust as adjust_network, adjusted_csv, adjustment_json, load};
use crate::report::{adjustment, adjustment_text};

/// All that an adjustment leaves in its folder; the second tells it from any other.
pub(crate) const RESULTS: [&str; 3] = ["adjusted.csv", "adjustment.json", "adjustment.html"];

/// Adjusts the network of a file, writes its results and gives the text for standard output.
///
/// # Errors
/// Whatever is wrong with the file, its tables, the network or the disk.
pub fn adjust(file: &Path, out: Option<&Path>, replace: bool, json: bool) -> Result<String, CliError> {
    let loaded = load(file)?;
    let folder = out.map_or_else(|| loaded.output_folder(), Path::to_path_buf);
    let found =
        adjust_network(&loaded).map_err(|error| CliError::Network { path: file.to_path_buf(), error })?;
    let for_programs = adjustment_json(&found);
    let contents = [adjusted_csv(&found), for_programs.clone(), adjustment::page(&found)];
    let files: Vec<(&str, &str)> = RESULTS.into_iter().zip(contents.iter().map(String::as_str)).collect();
    write_folder(&folder, replace, &files, RESULTS[1])?;
    Ok(if json { for_programs } else { adjustment_text::text(&found, &folder) })
}
