//! What is said of files of any kind: their names, where they truly are, and the hash of their bytes.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// The name of a file, without its folders.
pub fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

/// A file, whatever links lead to it; its path as given where it is not there.
pub fn itself(path: &Path) -> PathBuf {
    fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf())
}

/// The SHA-256 of a file, in hexadecimal digits; `each` is told of every piece of so many bytes that was read.
///
/// # Errors
/// What `failed` makes of an error of the disk, or what `each` says.
pub fn sha256<E>(
    path: &Path,
    failed: impl Fn(io::Error) -> E,
    mut each: impl FnMut(u64) -> Result<(), E>,
) -> Result<String, E> {
    let (mut file, mut hasher) = (File::open(path).map_err(&failed)?, Sha256::new());
    let mut buffer = vec![0; 1 << 20];
    loop {
        match file.read(&mut buffer).map_err(&failed)? {
            0 => return Ok(hex(&hasher.finalize())),
            n => {
                hasher.update(&buffer[..n]);
                each(n as u64)?;
            }
        }
    }
}

/// The bytes of a hash in hexadecimal digits.
pub fn hex(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}
