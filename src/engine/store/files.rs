//! Working files: written whole or not at all, and pieces at known offsets.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::engine::store::error::EngineError;

/// Writes a file under another name first, so that it is there whole or not at all.
///
/// # Errors
/// Where the disk does not take it.
pub fn write_whole(
    path: &Path,
    content: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> Result<(), EngineError> {
    let new = path.with_extension("new");
    let failed = || EngineError::disk(&new, "writing working data");
    let mut file = BufWriter::new(File::create(&new).map_err(failed())?);
    content(&mut file).and_then(|()| file.flush()).map_err(failed())?;
    file.get_ref().sync_all().map_err(failed())?;
    fs::rename(&new, path).map_err(failed())
}

/// Writes all bytes from `offset` on.
#[cfg(unix)]
pub fn write_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, offset)
}

/// Reads as many bytes as there is room for, from `offset` on.
#[cfg(unix)]
pub fn read_at(file: &File, bytes: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, offset)
}

/// Writes all bytes from `offset` on.
#[cfg(windows)]
pub fn write_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
    use std::os::windows::fs::FileExt;
    while !bytes.is_empty() {
        match file.seek_write(bytes, offset)? {
            0 => return Err(io::ErrorKind::WriteZero.into()),
            n => (bytes, offset) = (&bytes[n..], offset + n as u64),
        }
    }
    Ok(())
}

/// Reads as many bytes as there is room for, from `offset` on.
#[cfg(windows)]
pub fn read_at(file: &File, mut bytes: &mut [u8], mut offset: u64) -> io::Result<()> {
    use std::os::windows::fs::FileExt;
    while !bytes.is_empty() {
        match file.seek_read(bytes, offset)? {
            0 => return Err(io::ErrorKind::UnexpectedEof.into()),
            n => (bytes, offset) = (&mut bytes[n..], offset + n as u64),
        }
    }
    Ok(())
}
