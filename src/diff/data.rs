//! The files that two runs read, told apart by their hashes: a file of another name that holds the same is no change.

use serde::Serialize;

use crate::cloud::files::file_name;
use crate::diff::contents::{Area, Input, Manifest};

/// A file that is not the same in both runs.
#[derive(Debug, PartialEq, Serialize)]
pub struct DataChange {
    /// `survey`, `reference`, `control`, or `exclude` for an area left out.
    pub of: String,
    /// What the first run read; nothing where the file is new.
    pub before: Option<DataFile>,
    /// What the second run read; nothing where the file is gone.
    pub after: Option<DataFile>,
}

/// A file as a run read it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DataFile {
    /// Its path.
    pub path: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Points; none of an area or a list of control.
    pub points: Option<u64>,
}

impl DataFile {
    /// Its name without its folders.
    pub fn name(&self) -> String {
        file_name(self.path.as_ref())
    }
}

/// The files that are not the same, cloud by cloud.
pub fn changes(first: &Manifest, second: &Manifest) -> Vec<DataChange> {
    let [first, second] = [first, second].map(files);
    let mut clouds: Vec<&String> = first.iter().chain(&second).map(|(of, _)| of).collect();
    clouds.sort_by_key(|of| (order(of), *of));
    clouds.dedup();
    clouds.into_iter().flat_map(|of| of_cloud(of, &first, &second)).collect()
}

fn order(of: &str) -> usize {
    ["survey", "reference", "control"].iter().position(|known| *known == of).unwrap_or(3)
}

fn files(manifest: &Manifest) -> Vec<(String, DataFile)> {
    let input = |input: &Input| {
        let Input { cloud, path, size, sha256, points } = input;
        let points = (*points > 0).then_some(*points);
        (cloud.clone(), DataFile { path: path.clone(), size: *size, sha256: sha256.clone(), points })
    };
    let area = |area: &Area| {
        let Area { path, size, sha256 } = area;
        let file = DataFile { path: path.clone(), size: *size, sha256: sha256.clone(), points: None };
        ("exclude".to_string(), file)
    };
    manifest.inputs.iter().map(input).chain(manifest.areas.iter().map(area)).collect()
}

fn of_cloud(of: &str, first: &[(String, DataFile)], second: &[(String, DataFile)]) -> Vec<DataChange> {
    let own = |all: &[(String, DataFile)]| -> Vec<DataFile> {
        all.iter().filter(|(cloud, _)| cloud == of).map(|(_, file)| file.clone()).collect()
    };
    let (before, mut after) = (own(first), own(second));
    // Each file of the first takes one of the second with the same bytes.
    let mut left = Vec::new();
    for file in before {
        match after.iter().position(|other| other.sha256 == file.sha256) {
            Some(at) => drop(after.remove(at)),
            None => left.push(file),
        }
    }
    let mut changes: Vec<DataChange> = left
        .into_iter()
        .map(|file| {
            let at = after.iter().position(|other| other.name() == file.name());
            let after = at.map(|at| after.remove(at));
            DataChange { of: of.to_string(), before: Some(file), after }
        })
        .collect();
    changes.extend(after.into_iter().map(|file| DataChange {
        of: of.to_string(),
        before: None,
        after: Some(file),
    }));
    changes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn manifest(files: &[(&str, &str, &str)]) -> Manifest {
        let input = |(cloud, path, sha256): &(&str, &str, &str)| Input {
            cloud: cloud.to_string(),
            path: path.to_string(),
            size: 9,
            sha256: sha256.to_string(),
            points: 3,
        };
        Manifest {
            version: String::new(),
            pipeline_sha256: String::new(),
            inputs: files.iter().map(input).collect(),
            areas: Vec::new(),
        }
    }

    #[test]
    fn a_file_of_another_name_is_no_change_and_of_another_content_is_one() {
        let first =
            manifest(&[("survey", "a/1.laz", "x"), ("survey", "a/2.laz", "y"), ("reference", "r.laz", "r")]);
        let second = manifest(&[
            ("survey", "b/2.laz", "z"),
            ("survey", "b/one.laz", "x"),
            ("survey", "b/3.laz", "w"),
            ("reference", "r.laz", "r"),
        ]);
        assert_eq!(changes(&first, &first), []);
        let found = changes(&first, &second);
        let name = |file: &Option<DataFile>| file.as_ref().map(DataFile::name);
        let names: Vec<_> = found
            .iter()
            .map(|change| (change.of.as_str(), name(&change.before), name(&change.after)))
            .collect();
        let some = |text: &str| Some(text.to_string());
        assert_eq!(names, [("survey", some("2.laz"), some("2.laz")), ("survey", None, some("3.laz"))]);
        // The same bytes twice are two files.
        let twice = manifest(&[("survey", "1.laz", "x"), ("survey", "2.laz", "x")]);
        assert_eq!(changes(&manifest(&[("survey", "1.laz", "x")]), &twice).len(), 1);
    }
}
