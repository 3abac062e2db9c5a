//! The point files that a pipeline file names, and the folder its results go to.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::path::{Component, Path, PathBuf};

use glob::{MatchOptions, Pattern};

use crate::cloud::address::is_address;
use crate::cloud::files::itself;
use crate::cloud::{Location, Stores, guard};
use crate::pipeline::addresses;
use crate::pipeline::locate::Seg;
use crate::pipeline::problem::{self, Notes, Wrong};

/// Letters as they are written; hidden files (`._strip.laz` of a copied disk, say) only where asked for by name.
const EXACT: MatchOptions =
    MatchOptions { case_sensitive: true, require_literal_separator: true, require_literal_leading_dot: true };

/// Where the files of a cloud are looked for: in a folder, and in the stores that addresses lead to.
#[derive(Clone, Copy)]
pub(super) struct Places<'a> {
    pub base: &'a Path,
    pub stores: &'a Stores,
}

/// The files of the cloud `key`, sorted, each once; notes the patterns that lead to none.
pub(super) fn find(key: &str, places: Places<'_>, notes: &mut Notes) -> Vec<Location> {
    let mut files = find_at(&[key.into(), "files".into()], places, notes);
    files.sort_by(|a, b| a.path().cmp(b.path()));
    // Two patterns, or a link, may lead to one file: its points must count once.
    let mut seen = HashSet::new();
    files.retain(|file| seen.insert(itself(file.path())));
    files
}

/// The files of the setups of the reference, each with the number of its setup, from 1; notes the patterns that lead to
/// none, and files that stand in two setups.
pub(super) fn find_setups(places: Places<'_>, notes: &mut Notes) -> Vec<(Location, u16)> {
    let count = notes.document["reference"]["scans"].as_array().map_or(0, Vec::len);
    let mut files: Vec<(Location, u16)> = Vec::new();
    let mut seen: HashMap<PathBuf, u16> = HashMap::new();
    for (index, setup) in (0..count).zip(1u16..) {
        let path: [Seg; 4] = ["reference".into(), "scans".into(), index.into(), "files".into()];
        let mut found = find_at(&path, places, notes);
        found.sort_by(|a, b| a.path().cmp(b.path()));
        for file in found {
            match seen.insert(itself(file.path()), setup) {
                None => files.push((file, setup)),
                Some(before) if before == setup => {}
                Some(before) => {
                    let name = file.name();
                    let message = format!("`{name}` belongs to setup {before} and setup {setup}");
                    notes.value(&path, message, "is in an earlier setup".to_string(), None);
                }
            }
        }
    }
    files
}

/// The files of the areas left out, in their order; notes those that are not there.
pub(super) fn find_areas(base: &Path, notes: &mut Notes) -> Vec<PathBuf> {
    let areas = notes.document["exclude"].as_array().cloned().unwrap_or_default();
    let mut files = Vec::new();
    for (index, area) in areas.iter().enumerate() {
        let Some(file) = area["area"].as_str() else { continue };
        let found = match addresses::not_a_file(file).map_or_else(|| matches(file, base), Err) {
            Ok(found) if found.len() > 1 => {
                Err(Wrong(format!("`{file}` matches several files"), "expected one file", None))
            }
            other => other,
        };
        match found {
            Ok(found) => files.extend(found),
            Err(Wrong(message, label, help)) => {
                notes.value(
                    &["exclude".into(), index.into(), "area".into()],
                    message,
                    label.to_string(),
                    help,
                );
            }
        }
    }
    files
}

/// The files that the patterns listed at a place lead to; notes the patterns that lead to none.
fn find_at(place: &[Seg], places: Places<'_>, notes: &mut Notes) -> Vec<Location> {
    let (mut files, mut seen) = (Vec::new(), HashMap::new());
    // As the file has them, so that a pattern is shown at its own place even if one before it is wrong.
    let patterns =
        problem::find(&notes.document, place).and_then(|list| list.as_array().cloned()).unwrap_or_default();
    for (index, pattern) in patterns.iter().enumerate() {
        let found = pattern.as_str().map(|pattern| match is_address(pattern) {
            true => addresses::matches(pattern, places.stores, &mut seen),
            false => Ok(matches(pattern, places.base)?.into_iter().map(Location::from).collect()),
        });
        match found {
            Some(Ok(found)) => files.extend(found),
            Some(Err(Wrong(message, label, help))) => {
                notes.value(&[place, &[index.into()]].concat(), message, label.to_string(), help);
            }
            None => {}
        }
    }
    files
}

/// Notes it where the list of points that is named at a place is not there.
pub(super) fn find_list(file: &Path, place: &[Seg], base: &Path, notes: &mut Notes) {
    let file_or_not = || match fs::metadata(base.join(file)) {
        Ok(meta) if meta.is_file() => None,
        Ok(_) => Some(Wrong(format!("`{}` is not a file", file.display()), "expected a file", None)),
        Err(error) => Some(not_there(&file.to_string_lossy(), base, &error)),
    };
    let Some(wrong) = addresses::not_a_file(&file.to_string_lossy()).or_else(file_or_not) else { return };
    let Wrong(message, label, help) = wrong;
    notes.value(place, message, label.to_string(), help);
}

/// What a pattern on the command line leads to, sorted, where the shell does not expand it itself.
///
/// # Errors
/// What is wrong with the pattern, or that nothing matches.
pub(crate) fn expanded(pattern: &str) -> Result<Vec<PathBuf>, String> {
    let said = |Wrong(message, _, help): Wrong| match help {
        Some(help) => format!("{message}; {help}"),
        None => message,
    };
    // Relative as it was given, so that messages name files as the person did.
    let mut found = expand(pattern, Path::new(""), EXACT).map_err(said)?;
    if found.is_empty() {
        return Err(bracket(pattern, Path::new("")).unwrap_or_else(|| {
            format!("no file matches `{pattern}`; check the pattern, or name the files")
        }));
    }
    found.sort();
    Ok(found)
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
    let found = expand(pattern, base, EXACT)?;
    if found.is_empty() {
        let any_case = expand(pattern, base, MatchOptions { case_sensitive: false, ..EXACT })?;
        let relative = Some("paths are relative to the folder of the pipeline file".to_string());
        let help = match any_case.first().and_then(|file| file.file_name()) {
            Some(file) => Some(format!(
                "`{}` differs only in upper and lower case: write the pattern as the file names are written",
                file.to_string_lossy()
            )),
            None => bracket(pattern, base).or_else(|| missing_folder(pattern, base)).or(relative),
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

/// What to write where `[` is part of a name.
fn bracket(pattern: &str, base: &Path) -> Option<String> {
    let escaped = pattern.replace("[[]", "[").replace('[', "[[]");
    let found = pattern.contains('[').then(|| expand(&escaped, base, EXACT).ok())??;
    (!found.is_empty()).then(|| {
        format!("`[` begins a set of characters, as in `strip-[12].laz`; for a name with a `[` in it write `{escaped}`")
    })
}

fn no_pattern(pattern: &str, error: &glob::PatternError) -> Wrong {
    let help = "`*` stands for any part of a name, `?` for one character, `[abc]` for one of these, `**` alone between slashes for any \
                folders";
    let message = format!("`{pattern}` is not a valid pattern: {}", error.msg);
    Wrong(message, "not a valid pattern", Some(help.to_string()))
}

fn no_search(pattern: &str, folder: &Path, error: &std::io::Error) -> Wrong {
    let folder = folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
    Wrong(
        format!("folder `{folder}` cannot be searched for `{pattern}`: {}", plain(error)),
        "cannot be searched",
        Some("check your permissions for the folder".to_string()),
    )
}

/// What a pattern matches from the folder `base`.
fn expand(pattern: &str, base: &Path, options: MatchOptions) -> Result<Vec<PathBuf>, Wrong> {
    let whole = match base.to_str() {
        _ if Path::new(pattern).is_absolute() => pattern.to_string(),
        Some(base) => Path::new(&Pattern::escape(base)).join(pattern).to_string_lossy().into_owned(),
        None => return walk(pattern, base, options),
    };
    let searched = guard::call(|| -> Result<Vec<PathBuf>, Wrong> {
        let paths = glob::glob_with(&whole, options).map_err(|error| no_pattern(pattern, &error))?;
        let paths = paths.collect::<Result<_, _>>();
        paths.map_err(|error| no_search(pattern, error.path(), error.error()))
    });
    // It stops at a file name that is not UTF-8, wanted or not.
    searched.unwrap_or_else(|_| walk(pattern, base, options))
}

/// As [`expand`], where some name is not UTF-8: folder by folder, without `**`.
fn walk(pattern: &str, base: &Path, options: MatchOptions) -> Result<Vec<PathBuf>, Wrong> {
    let not_utf8 = |name: &Path| {
        let message =
            format!("the name `{}` is not UTF-8, and cannot be matched with `{pattern}`", name.display());
        Wrong(
            message,
            "matches such a name",
            Some("rename it with letters that every system can read".to_string()),
        )
    };
    let mut found = vec![if pattern.starts_with('/') { PathBuf::from("/") } else { base.to_path_buf() }];
    for part in pattern.split('/').filter(|part| !part.is_empty()) {
        if part == "**" {
            return Err(not_utf8(base));
        }
        let wanted = Pattern::new(part).map_err(|error| no_pattern(pattern, &error))?;
        let is_plain = !part.contains(['*', '?', '[']);
        let mut next = Vec::new();
        for folder in found {
            if is_plain {
                next.extend(Some(folder.join(part)).filter(|path| path.exists()));
                continue;
            }
            let Ok(entries) = fs::read_dir(&folder) else { continue };
            for entry in entries {
                let entry = entry.map_err(|error| no_search(pattern, &folder, &error))?;
                let name = entry.file_name();
                if wanted.matches_with(&name.to_string_lossy(), options) {
                    name.to_str().ok_or_else(|| not_utf8(Path::new(&name)))?;
                    next.push(entry.path());
                }
            }
        }
        found = next;
    }
    Ok(found)
}

/// A path without wildcards that cannot be used.
fn not_there(pattern: &str, base: &Path, error: &std::io::Error) -> Wrong {
    if error.kind() != std::io::ErrorKind::NotFound {
        return Wrong(format!("`{pattern}` cannot be read: {}", plain(error)), "cannot be read", None);
    }
    if pattern == "-" {
        let help = "points are read in blocks and files are hashed and looked at first: write them to a file and name it";
        let message = "points cannot be read from standard input";
        return Wrong(message.to_string(), "not a file", Some(help.to_string()));
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
