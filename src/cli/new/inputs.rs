//! The files that were named, or stand in the folders that were, and how the pipeline file names them.

use std::fs;
use std::path::{Component, Path, PathBuf};

use crate::cli::error::CliError;
use crate::cloud::Source;
use crate::cloud::address::{is_address, shown};
use crate::cloud::files::itself;
use crate::units::Unit;

/// Endings of files that are read, in lower case.
const ENDINGS: [&str; 3] = ["laz", "las", "e57"];

/// The files of a cloud.
pub struct Inputs {
    /// `survey` or `reference`.
    pub cloud: &'static str,
    /// How the pipeline file names them.
    pub patterns: Vec<String>,
    /// The files, opened.
    pub sources: Vec<Source>,
}

impl Inputs {
    /// The files that `named` leads to, named from the folder of `out`.
    ///
    /// # Errors
    /// Where there is none, or one cannot be opened.
    pub fn find(cloud: &'static str, named: &[PathBuf], out: &Path) -> Result<Self, CliError> {
        let base = itself(out.parent().filter(|base| !base.as_os_str().is_empty()).unwrap_or(Path::new(".")));
        let mut inputs = Inputs { cloud, patterns: Vec::new(), sources: Vec::new() };
        for path in named {
            if let Some(address) = path.to_str().filter(|text| is_address(text)) {
                let message = format!(
                    "`{}` is an address, and `new` looks at files alone: download one that is typical, and put the addresses \
                     into the pipeline file that comes of it",
                    shown(address)
                );
                return Err(CliError::Usage(message));
            }
            let files = if path.is_dir() { files_in(path)? } else { vec![path.clone()] };
            if files.is_empty() {
                let message = format!(
                    "{} holds no .laz, .las or .e57 file; name another folder, or the files",
                    path.display()
                );
                return Err(CliError::Usage(message));
            }
            inputs.patterns.extend(patterns(path, &files, &base)?);
            for file in &files {
                inputs.sources.extend(Source::open(file, false)?);
            }
        }
        Ok(inputs)
    }

    /// Units of x and y, and of z, where all files state the same.
    pub fn units(&self) -> [Option<Unit>; 2] {
        let stated =
            |source: &Source| [source.crs().horizontal_unit.unit(), source.crs().vertical_unit.unit()];
        let all: Vec<[Option<Unit>; 2]> = self.sources.iter().map(stated).collect();
        [0, 1].map(|axis| {
            all.first().map(|first| first[axis]).filter(|unit| all.iter().all(|one| one[axis] == *unit))?
        })
    }

    /// Whether a unit must be confirmed.
    pub fn unit_unknown(&self) -> bool {
        self.units().contains(&None)
    }

    /// Points as the headers state them.
    pub fn points(&self) -> u64 {
        self.sources.iter().map(Source::points).fold(0, u64::saturating_add)
    }
}

fn ending(path: &Path) -> Option<String> {
    let ending = path.extension()?.to_str()?.to_lowercase();
    ENDINGS.contains(&ending.as_str()).then_some(ending)
}

fn files_in(folder: &Path) -> Result<Vec<PathBuf>, CliError> {
    let failed = |error| {
        CliError::Usage(format!(
            "{} cannot be listed: {error}; name the files, or check who may read the folder",
            folder.display()
        ))
    };
    let entries = fs::read_dir(folder).map_err(failed)?;
    let mut files: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    let hidden = |path: &Path| path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
    files.retain(|path| path.is_file() && ending(path).is_some() && !hidden(path));
    files.sort();
    Ok(files)
}

/// A pattern for the files of a folder, where one says it; else each by its name.
fn patterns(named: &Path, files: &[PathBuf], base: &Path) -> Result<Vec<String>, CliError> {
    let text = |path: &Path| {
        let path = relative(&itself(path), base);
        let parts: Option<Vec<&str>> = path.components().map(|part| part.as_os_str().to_str()).collect();
        // The root is a component of its own, which is its own separator.
        let text = parts.map(|parts| parts.join("/").replacen("//", "/", 1));
        let name = path.display().to_string();
        text.ok_or_else(|| {
            CliError::Usage(format!(
                "the name {name} is not Unicode, which a pipeline file has to be; rename it"
            ))
        })
    };
    if !named.is_dir() {
        return files.iter().map(|file| text(file)).collect();
    }
    let folder = text(named)?;
    let mut endings: Vec<&str> =
        files.iter().filter_map(|file| file.extension().and_then(|ending| ending.to_str())).collect();
    endings.sort_unstable();
    endings.dedup();
    // A folder whose own name reads as a pattern.
    if folder.contains(['*', '?', '[', ']']) {
        return files.iter().map(|file| text(file)).collect();
    }
    let folder = if folder.is_empty() { ".".to_string() } else { folder };
    Ok(endings.iter().map(|ending| format!("{folder}/*.{ending}")).collect())
}

/// `path` from the folder `base`, both absolute.
fn relative(path: &Path, base: &Path) -> PathBuf {
    let shared = path.components().zip(base.components()).take_while(|(a, b)| a == b).count();
    // Another drive.
    if shared == 0 {
        return path.to_path_buf();
    }
    let up = base.components().skip(shared).map(|_| Component::ParentDir);
    up.chain(path.components().skip(shared)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_named_from_the_folder_of_the_pipeline_file() {
        let of = |path: &str, base: &str| relative(Path::new(path), Path::new(base)).display().to_string();
        assert_eq!(of("/site/flight/a.laz", "/site"), "flight/a.laz");
        assert_eq!(of("/site/flight", "/site/pipelines/new"), "../../flight");
        assert_eq!(of("/site", "/site"), "");
        let folder = tempfile::TempDir::new().unwrap();
        let flight = folder.path().join("flight one");
        fs::create_dir(&flight).unwrap();
        for name in ["b.LAZ", "a.laz", ".hidden.laz", "notes.txt"] {
            fs::write(flight.join(name), "").unwrap();
        }
        let files = files_in(&flight).unwrap();
        assert_eq!(files.len(), 2);
        let base = itself(folder.path());
        assert_eq!(patterns(&flight, &files, &base).unwrap(), ["flight one/*.LAZ", "flight one/*.laz"]);
    }
}
