//! Small point files made byte by byte, for tests.

use std::path::PathBuf;

use crate::cloud::error::CloudError;
use crate::cloud::las::header::LasFile;

// The tests of the whole program make the same files.
#[path = "../../../tests/common/files.rs"]
mod files;

pub use files::{Builder, Raw, points, with};

/// The file of these bytes, opened; its folder must be kept as long as the file is used.
pub fn open(bytes: &[u8]) -> (tempfile::TempDir, Result<LasFile, CloudError>) {
    let (folder, path) = write(bytes, "cloud.laz");
    let cloud = LasFile::open(&path);
    (folder, cloud)
}

/// Writes the bytes to a file in a folder of its own.
pub fn write(bytes: &[u8], name: &str) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}
