//! The point files that a pipeline file names, and the folder its results go to.

use std::collections::HashSet;
use std::fs;
use std::path::{Component, Path, PathBuf};

use glob::{MatchOptions, Pattern};

use crate::pipeline::locate::Seg;
use crate::pipeline::problem::Notes;

/// Letters as they are written; hidden files (`._strip.laz` of a copied disk, say) only where asked for by name.
const EXACT: MatchOptions =
    MatchOptions { case_sensitive: true, require_literal_separator: true, require_literal_leading_dot: true };

/// What is wrong with one pattern: message, label, help.
struct Wrong(String, &'static str, Option<String>);

/// The files of the cloud `key`, sorted, each once; notes the patterns that lead to none.
pub(super) fn find(key: &str, base: &Path, notes: &mut Notes) -> Vec<PathBuf> {
    let mut files = Vec::new();
    // As the file has them, so that a pattern is shown at its own place even if one before it is wrong.
    let patterns = notes.document[key]["files"].as_array().cloned().unwrap_or_default();
    for (index, pattern) in patterns.iter().enumerate() {
        match pattern.as_str().map(|pattern| matches(pattern, base)) {
            Some(Ok(found)) => files.extend(found),
            Some(Err(Wrong(message, label, help))) => {
                let path: [Seg; 3] = [key.into(), "files".into(), index.into()];
                notes.value(&path, message, label.to_string(), help);
            }
            None => {}
        }
    }
    files.sort();
    // Two patterns, or a link, may lead to one file: its points must count once.
    let mut seen = HashSet::new();
    files.retain(|file| seen.insert(fs::canonicalize(file).unwrap_or_else(|_| file.clone())));
    files
}

/// Notes it where the list of surveyed points is not there.
pub(super) fn find_list(file: &Path, base: &Path, notes: &mut Notes) {
    let wrong = match fs::metadata(base.join(file)) {
        Ok(meta) if meta.is_file() => return,
        Ok(_) => Wrong(format!("`{}` is not a file", file.display()), "expected a file", None),
        Err(error) => not_there(&file.to_string_lossy(), base, &error),
    };
    let Wrong(message, label, help) = wrong;
    notes.value(&["reference".into(), "points".into()], message, label.to_string(), help);
}

fn matches(pattern: &str, base: &Path) -> Result<Vec<PathBuf>, Wrong> {
    if pattern.trim().is_empty() {
        return Err(Wrong("a file name is empty".to_string(), "expected a file", None));
    }
    let literal = base.join(pattern);
    let has_wildcard = pattern.contains(['*', '?', '[']);
    match fs::metadata(&literal) {
        Ok(meta) if meta.is_file() => return Ok(vec![literal]),
        Ok(meta) if meta.is_dir() => {
            let inside = pattern.trim_end_matches(['/', '\\']);
            let help = format!("to read the point files in it write `{inside}/*.laz`");
            return Err(Wrong(format!("`{pattern}` is a folder"), "expected files", Some(help)));
        }
        Ok(_) => return Err(Wrong(format!("`{pattern}` is not a regular file"), "expected a file", None)),
        Err(error) if !has_wildcard => return Err(not_there(pattern, base, &error)),
        Err(_) => {}
    }
    let whole = if Path::new(pattern).is_absolute() {
        pattern.to_string()
    } else {
        Path::new(&Pattern::escape(&base.to_string_lossy())).join(pattern).to_string_lossy().into_owned()
    };
    let found = expand(&whole, EXACT, pattern)?;
    if found.is_empty() {
        let any_case = expand(&whole, MatchOptions { case_sensitive: false, ..EXACT }, pattern)?;
        let relative = Some("paths are relative to the folder of the pipeline file".to_string());
        let help = match any_case.first().and_then(|file| file.file_name()) {
            Some(file) => Some(format!(
                "`{}` differs only in upper and lower case: write the pattern as the file names are written",
                file.to_string_lossy()
            )),
            None => missing_folder(pattern, base).or(relative),
        };
        return Err(Wrong(format!("no file matches `{pattern}`"), "matches nothing", help));
    }
    if let Some(folder) = found.iter().find(|file| file.is_dir()) {
        let folder = folder.file_name().unwrap_or_default().to_string_lossy();
        let help = "end the pattern with the file extension, as in `*.laz`".to_string();
        return Err(Wrong(format!("`{pattern}` matches a folder, `{folder}`"), "expected files", Some(help)));
    }
    Ok(found)
}

fn expand(whole: &str, options: MatchOptions, pattern: &str) -> Result<Vec<PathBuf>, Wrong> {
    let paths = glob::glob_with(whole, options).map_err(|error| {
        let help = "`*` stands for any part of a name, `?` for one character, `[abc]` for one of these, `**` alone \
                    between slashes for any folders";
        Wrong(format!("`{pattern}` is not a valid pattern: {}", error.msg), "not a valid pattern", Some(help.to_string()))
    })?;
    paths.collect::<Result<_, _>>().map_err(|error| {
        let folder = error.path().file_name().unwrap_or_default().to_string_lossy().into_owned();
        Wrong(
            format!("folder `{folder}` cannot be searched for `{pattern}`: {}", plain(error.error())),
            "cannot be searched",
            Some("check your permissions for the folder".to_string()),
        )
    })
}

/// A path without wildcards that cannot be used.
fn not_there(pattern: &str, base: &Path, error: &std::io::Error) -> Wrong {
    if error.kind() != std::io::ErrorKind::NotFound {
        return Wrong(format!("`{pattern}` cannot be read: {}", plain(error)), "cannot be read", None);
    }
    let help = missing_folder(pattern, base)
        .or_else(|| Some("paths are relative to the folder of the pipeline file".to_string()));
    Wrong(format!("there is no file `{pattern}`"), "does not exist", help)
}

/// The system's message without its error number.
pub(super) fn plain(error: &std::io::Error) -> String {
    let text = error.to_string();
    text.split(" (os error").next().unwrap_or(&text).to_lowercase()
}

/// The folder in a pattern that does not exist, if any.
fn missing_folder(pattern: &str, base: &Path) -> Option<String> {
    let mut so_far = PathBuf::new();
    for part in Path::new(pattern).parent()?.components() {
        if part.as_os_str().to_string_lossy().contains(['*', '?', '[']) {
            return None;
        }
        so_far.push(part);
        if !base.join(&so_far).is_dir() {
            let home = matches!(part, Component::Normal(name) if name == "~");
            let why = if home { ": `~` does not stand for your home folder here" } else { "" };
            return Some(format!(
                "there is no folder `{}`{why}; paths are relative to the folder of the pipeline file",
                so_far.display()
            ));
        }
    }
    None
}

/// What keeps `output` from being a run folder, if anything: it is a file, or it holds what the run reads.
pub(super) fn output_clash<'f>(output: &Path, mut inputs: impl Iterator<Item = &'f Path>) -> Option<String> {
    // A folder that does not exist yet holds nothing.
    let folder = fs::canonicalize(output).ok()?;
    if !folder.is_dir() {
        return Some("is a file".to_string());
    }
    let inside = |input: &&Path| fs::canonicalize(input).is_ok_and(|input| input.starts_with(&folder));
    let held = inputs.find(inside)?.file_name()?.to_string_lossy();
    Some(format!("holds `{held}`, which the run reads"))
}
