//! What is said of files of any kind: their names, where they truly are, and the hash of their bytes.

use std::fs;
use std::path::{Path, PathBuf};

/// The name of a file, without its folders.
pub fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

/// A file, whatever links lead to it; its path as given where it is not there.
pub fn itself(path: &Path) -> PathBuf {
    fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf())
}

/// The bytes of a hash in hexadecimal digits.
pub fn hex(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}
