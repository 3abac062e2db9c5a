//! Whether results may appear in a folder: in a new or empty one, or in place of earlier results.

use std::fs;
use std::io;
use std::path::Path;

use serde::Deserialize;

use crate::engine::store::error::EngineError;

/// Whether `results` may appear at `target`; `mark` is the one of them by which a folder of such results is known.
pub fn check_target(target: &Path, replace: bool, results: &[&str], mark: &str) -> Result<(), EngineError> {
    let refuse = |message: &str| {
        Err(EngineError::RunFolder { path: target.to_path_buf(), message: message.to_string() })
    };
    if target.is_file() {
        return refuse("is a file; give `output:` or --out a folder");
    }
    let entries = match fs::read_dir(target) {
        Ok(entries) => entries.collect::<Result<Vec<_>, _>>(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => Err(error),
    };
    let entries = entries.map_err(EngineError::disk(target, "looking into the run folder"))?;
    // Replacing removes the folder as a whole: what a person put there must not go with it.
    let products = products_in(&target.join(mark));
    let ours = |name: &str| results.contains(&name) || products.iter().any(|product| product == name);
    let foreign =
        first_foreign(target, "", &ours).map_err(EngineError::disk(target, "looking into the run folder"))?;
    if entries.is_empty() {
        Ok(())
    } else if !target.join(mark).is_file() {
        refuse("holds files that no run wrote; give `output:` or --out an empty or new folder")
    } else if !replace {
        refuse("holds earlier results; add --replace to replace them, or give another --out")
    } else if let Some(name) = foreign {
        refuse(&format!(
            "holds {} beside earlier results, which --replace would remove with them; move it elsewhere",
            name
        ))
    } else {
        Ok(())
    }
}

/// The products that a manifest lists, by their names in the folder; none where it lists none.
fn products_in(manifest: &Path) -> Vec<String> {
    #[derive(Deserialize)]
    struct Listed {
        file: String,
    }
    #[derive(Deserialize)]
    struct Manifest {
        #[serde(default)]
        products: Vec<Listed>,
    }
    let text = fs::read(manifest).unwrap_or_default();
    let products = serde_json::from_slice(&text).map_or_else(|_| Vec::new(), |read: Manifest| read.products);
    products.into_iter().map(|product| product.file).collect()
}

/// The first file, by name, that is not one of `ours`, in a folder and those in it; `within` is the name of the folder.
fn first_foreign(folder: &Path, within: &str, ours: &dyn Fn(&str) -> bool) -> io::Result<Option<String>> {
    let mut entries = fs::read_dir(folder)?.collect::<Result<Vec<_>, _>>()?;
    entries.sort_by_key(fs::DirEntry::file_name);
    for entry in entries {
        let name = format!("{within}{}", entry.file_name().display());
        let foreign = match entry.file_type()?.is_dir() {
            true => first_foreign(&entry.path(), &format!("{name}/"), ours)?,
            false => (!ours(&name)).then_some(name),
        };
        if foreign.is_some() {
            return Ok(foreign);
        }
    }
    Ok(None)
}
