//! A file and its size: no byte is read, and no memory taken for it, before it is known to be there.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use crate::cloud::error::CloudError;

/// An open file that knows its name and its size.
#[derive(Debug)]
pub(super) struct SizedFile {
    file: File,
    path: PathBuf,
    size: u64,
    /// A stretch of the file in memory, and where it begins: what lies in it is not read again.
    window: (u64, Vec<u8>),
}

impl SizedFile {
    /// Opens `path`.
    ///
    /// # Errors
    /// When it cannot be opened or is a folder.
    pub fn open(path: &Path) -> Result<Self, CloudError> {
        let error = |source| CloudError::Open { path: path.to_path_buf(), source };
        let file = File::open(path).map_err(error)?;
        let data = file.metadata().map_err(error)?;
        if data.is_dir() {
            return Err(error(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder")));
        }
        Ok(SizedFile { file, path: path.to_path_buf(), size: data.len(), window: (0, Vec::new()) })
    }

    /// The file's name.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The file's size in bytes.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The file itself.
    pub fn file(&mut self) -> &mut File {
        &mut self.file
    }

    /// `length` bytes from `offset` on, which are `what`.
    ///
    /// # Errors
    /// When they are not all there, or reading fails.
    pub fn bytes(&mut self, offset: u64, length: u64, what: &str) -> Result<Vec<u8>, CloudError> {
        let mut buffer = Vec::new();
        self.fill(&mut buffer, offset, length, what)?;
        Ok(buffer)
    }

    /// Reads `length` bytes from `offset` on, which are `what`, into memory, in place of those read so before.
    ///
    /// # Errors
    /// When they are not all there, or reading fails.
    pub fn load(&mut self, offset: u64, length: u64, what: &str) -> Result<&[u8], CloudError> {
        let mut bytes = std::mem::take(&mut self.window.1);
        bytes.clear();
        self.fill(&mut bytes, offset, length, what)?;
        self.window = (offset, bytes);
        Ok(&self.window.1)
    }

    /// Adds `length` bytes from `offset` on, which are `what`, to the end of `buffer`.
    ///
    /// # Errors
    /// When they are not all there, or reading fails.
    pub fn fill(
        &mut self,
        buffer: &mut Vec<u8>,
        offset: u64,
        length: u64,
        what: &str,
    ) -> Result<(), CloudError> {
        if offset.checked_add(length).is_none_or(|end| end > self.size) {
            return Err(CloudError::CutOff {
                path: self.path.clone(),
                what: what.to_string(),
                offset,
                needed: length,
                size: self.size,
            });
        }
        let (first, window) = &self.window;
        if let Some(from) = offset.checked_sub(*first).and_then(|from| usize::try_from(from).ok())
            && let Some(bytes) = window.get(from..).and_then(|rest| rest.get(..length as usize))
        {
            buffer.extend_from_slice(bytes);
            return Ok(());
        }
        let start = buffer.len();
        buffer.resize(start + length as usize, 0);
        self.file
            .seek(SeekFrom::Start(offset))
            .and_then(|_| self.file.read_exact(&mut buffer[start..]))
            .map_err(|source| self.read_error(offset, source))
    }

    /// Reads `length` bytes from `offset` on as they are asked for.
    ///
    /// # Errors
    /// When the place cannot be reached.
    pub fn stream(&mut self, offset: u64, length: u64) -> Result<impl Read + use<'_>, CloudError> {
        if let Err(error) = self.file.seek(SeekFrom::Start(offset)) {
            return Err(self.read_error(offset, error));
        }
        Ok(BufReader::with_capacity(1 << 16, &self.file).take(length))
    }

    /// The error of a read from `offset` on.
    pub fn read_error(&self, offset: u64, source: io::Error) -> CloudError {
        CloudError::Read { path: self.path.clone(), offset, source }
    }
}

/// A file of these bytes in a folder of its own, for tests.
#[cfg(test)]
pub(super) fn temporary(bytes: &[u8]) -> (tempfile::TempDir, SizedFile) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cloud.las");
    std::fs::write(&path, bytes).unwrap();
    let source = SizedFile::open(&path).unwrap();
    (folder, source)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_what_is_there_and_refuses_the_rest() {
        let (_folder, mut source) = temporary(b"0123456789");
        assert_eq!(source.bytes(3, 4, "part").unwrap(), b"3456");
        for (offset, length) in [(8, 3), (11, 0), (u64::MAX, 2), (0, u64::MAX)] {
            let error = source.bytes(offset, length, "the part").unwrap_err().to_string();
            assert!(error.contains("cut off: the part needs"), "{error}");
        }
    }

    #[test]
    fn a_missing_file_and_a_folder_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let error = SizedFile::open(&folder.path().join("none.las")).unwrap_err().to_string();
        assert!(error.contains("none.las: cannot be opened"), "{error}");
        assert!(SizedFile::open(folder.path()).unwrap_err().to_string().contains("it is a folder"));
    }
}
