//! An open input, a file or an object, and its size: no byte is read, and no memory taken for it, before it is known to be there.
//!
//! Reading goes by ranges. Of a file that is a read of the system. Of an object it is a request, so that small reads bring a
//! window of what follows with them, a larger one where they go on from window to window; what is [loaded](RangeReader::load)
//! is one request for just that.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use crate::cloud::error::CloudError;
use crate::cloud::location::Location;
use crate::cloud::objects::{Object, ObjectError};

/// Bytes that a small read of an object brings: headers, records and tables are rarely longer.
const WINDOW: u64 = 64 << 10;

/// Bytes of the largest window, of reads that go on and on.
const LARGEST_WINDOW: u64 = 4 << 20;

/// An open input that knows its name and its size.
#[derive(Debug)]
pub(super) struct RangeReader {
    from: Medium,
    location: Location,
    size: u64,
    /// A stretch in memory, and where it begins: what lies in it is not read again.
    window: (u64, Vec<u8>),
    /// The first bytes of an object that is opened for the first time: headers point from there to all else, and back.
    start: Vec<u8>,
    /// Why reading through [`Read`] failed: crates that read so put it into words of their own.
    failed: Option<CloudError>,
}

#[derive(Debug)]
enum Medium {
    File(File),
    Object(Object),
}

impl RangeReader {
    /// Opens an input.
    ///
    /// # Errors
    /// When it cannot be opened or is a folder.
    pub fn open(location: impl Into<Location>) -> Result<Self, CloudError> {
        let location = location.into();
        if let Some(object) = location.object().cloned() {
            let (size, start) = object.open(WINDOW).map_err(|error| match error {
                ObjectError::Changed => CloudError::Changed { path: location.path().to_path_buf() },
                ObjectError::Refused { what, remedy } => {
                    CloudError::Refused { path: location.path().to_path_buf(), what, remedy }
                }
            })?;
            return Ok(RangeReader {
                from: Medium::Object(object),
                location,
                size,
                window: (0, Vec::new()),
                start,
                failed: None,
            });
        }
        let error = |source| CloudError::Open { path: location.path().to_path_buf(), source };
        let file = File::open(location.path()).map_err(error)?;
        let data = file.metadata().map_err(error)?;
        if data.is_dir() {
            return Err(error(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder")));
        }
        let size = data.len();
        Ok(RangeReader {
            from: Medium::File(file),
            location,
            size,
            window: (0, Vec::new()),
            start: Vec::new(),
            failed: None,
        })
    }

    /// Where it is.
    pub fn location(&self) -> &Location {
        &self.location
    }

    /// Its name.
    pub fn path(&self) -> &Path {
        self.location.path()
    }

    /// Its size in bytes.
    pub fn size(&self) -> u64 {
        self.size
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
        self.check(offset, length, what)?;
        let mut bytes = std::mem::take(&mut self.window.1);
        bytes.clear();
        self.read_to(&mut bytes, offset, length)?;
        self.window = (offset, bytes);
        Ok(&self.window.1)
    }

    /// As [`load`](RangeReader::load) of an object, so that all reads of a block together are one request; nothing is done
    /// of a file, or where they are in memory.
    ///
    /// # Errors
    /// When they are not all there, or reading fails.
    pub fn fetch(&mut self, offset: u64, length: u64, what: &str) -> Result<(), CloudError> {
        if let Medium::Object(_) = self.from
            && self.in_window(offset, length).is_none()
        {
            self.load(offset, length, what)?;
        }
        Ok(())
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
        self.check(offset, length, what)?;
        if let Some(bytes) = self.in_window(offset, length) {
            buffer.extend_from_slice(bytes);
            return Ok(());
        }
        if matches!(self.from, Medium::File(_)) || length >= WINDOW {
            return self.read_to(buffer, offset, length);
        }
        // The end of an object is read as a whole: tables and records stand there, in any order.
        let last = self.size.saturating_sub(WINDOW);
        let start = if offset >= last { last } else { offset };
        self.advance(start, self.size)?;
        let bytes = self.in_window(offset, length).expect("a window is longer than what is read in small");
        buffer.extend_from_slice(bytes);
        Ok(())
    }

    /// Reads `length` bytes from `offset` on as they are asked for; places of it are those of the whole.
    ///
    /// # Errors
    /// When the place cannot be reached.
    pub fn stream(&mut self, offset: u64, length: u64) -> Result<impl Read + Seek + use<'_>, CloudError> {
        let end = offset.saturating_add(length).min(self.size);
        let mut stream = Stream { reader: self, at: offset, end };
        stream.seek(SeekFrom::Start(offset)).map_err(|error| stream.reader.read_error(offset, error))?;
        Ok(BufReader::with_capacity(1 << 16, stream))
    }

    /// The error of a read from `offset` on; of an object, what its store said.
    pub fn read_error(&mut self, offset: u64, source: io::Error) -> CloudError {
        let path = self.path().to_path_buf();
        self.failed.take().unwrap_or(CloudError::Read { path, offset, source })
    }

    /// Why a crate that read it by itself could not go on, where its store is why.
    ///
    /// # Errors
    /// What the store said.
    pub fn check_failed(&mut self) -> Result<(), CloudError> {
        self.failed.take().map_or(Ok(()), Err)
    }

    fn check(&self, offset: u64, length: u64, what: &str) -> Result<(), CloudError> {
        if offset.checked_add(length).is_some_and(|end| end <= self.size) {
            return Ok(());
        }
        Err(CloudError::CutOff {
            path: self.path().to_path_buf(),
            what: what.to_string(),
            offset,
            needed: length,
            size: self.size,
        })
    }

    /// What is in memory from `offset` on; nothing where that byte is not.
    fn in_memory(&self, offset: u64) -> Option<&[u8]> {
        let there = [(self.window.0, &self.window.1), (0, &self.start)];
        there.into_iter().find_map(|(first, bytes)| {
            let from = usize::try_from(offset.checked_sub(first)?).ok()?;
            bytes.get(from..).filter(|rest| !rest.is_empty())
        })
    }

    /// What is in memory of a stretch, where all of it is.
    fn in_window(&self, offset: u64, length: u64) -> Option<&[u8]> {
        if length == 0 {
            return Some(&[]);
        }
        self.in_memory(offset)?.get(..usize::try_from(length).ok()?)
    }

    /// Adds a stretch that is there to the end of `buffer`.
    fn read_to(&mut self, buffer: &mut Vec<u8>, offset: u64, length: u64) -> Result<(), CloudError> {
        match &mut self.from {
            Medium::File(file) => {
                let start = buffer.len();
                buffer.resize(start + length as usize, 0);
                file.seek(SeekFrom::Start(offset))
                    .and_then(|_| file.read_exact(&mut buffer[start..]))
                    .map_err(|source| self.read_error(offset, source))
            }
            Medium::Object(_) if length == 0 => Ok(()),
            Medium::Object(object) => object.read(offset, length, buffer).map_err(|error| match error {
                ObjectError::Changed => CloudError::Changed { path: self.path().to_path_buf() },
                ObjectError::Refused { what, remedy } => {
                    CloudError::Fetch { path: self.path().to_path_buf(), offset, length, what, remedy }
                }
            }),
        }
    }

    /// Puts the window of an object that begins at `offset` into memory; it goes to `end` at the most. It is larger than the one before where
    /// it goes on from there.
    fn advance(&mut self, offset: u64, end: u64) -> Result<(), CloudError> {
        let (first, window) = &self.window;
        let before = window.len() as u64;
        let goes_on = before > 0 && (first + before..=first + 2 * before).contains(&offset);
        let length = if goes_on { (2 * before).clamp(WINDOW, LARGEST_WINDOW) } else { WINDOW };
        self.load(offset, length.min(end - offset), "window").map(|_| ())
    }
}

/// Bytes that [`read_stretch`] hands over at a time.
const PIECE: u64 = 1 << 20;

/// Reads the bytes of an input from `from` to `to` and hands them to `each`, piece by piece.
///
/// # Errors
/// When they are not all there or cannot be read, or what `each` says.
pub fn read_stretch<E: From<CloudError>>(
    location: &Location,
    from: u64,
    to: u64,
    mut each: impl FnMut(&[u8]) -> Result<(), E>,
) -> Result<(), E> {
    let mut reader = RangeReader::open(location)?;
    let mut buffer = vec![0; PIECE.min(to - from) as usize];
    let (mut at, mut stream) = (from, reader.stream(from, to - from)?);
    while at < to {
        let some = (buffer.len() as u64).min(to - at) as usize;
        if let Err(error) = stream.read_exact(&mut buffer[..some]) {
            drop(stream);
            return Err(reader.read_error(at, error).into());
        }
        each(&buffer[..some])?;
        at += some as u64;
    }
    Ok(())
}

/// Reads a stretch as it is asked for: of a file from the system, of an object from windows.
struct Stream<'a> {
    reader: &'a mut RangeReader,
    at: u64,
    end: u64,
}

impl Read for Stream<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let most = buffer.len().min(usize::try_from(self.end.saturating_sub(self.at)).unwrap_or(usize::MAX));
        if most == 0 {
            return Ok(0);
        }
        if let Medium::File(file) = &mut self.reader.from {
            let count = file.read(&mut buffer[..most])?;
            self.at += count as u64;
            return Ok(count);
        }
        if self.reader.in_memory(self.at).is_none() {
            self.reader.advance(self.at, self.end).map_err(|error| {
                let said = io::Error::other(error.to_string());
                self.reader.failed = Some(error);
                said
            })?;
        }
        let there = self.reader.in_memory(self.at).unwrap_or_default();
        let count = most.min(there.len());
        buffer[..count].copy_from_slice(&there[..count]);
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for Stream<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.end.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        if let Medium::File(file) = &mut self.reader.from {
            file.seek(SeekFrom::Start(self.at))?;
        }
        Ok(self.at)
    }
}

/// A file of these bytes in a folder of its own, for tests.
#[cfg(test)]
pub(super) fn temporary(bytes: &[u8]) -> (tempfile::TempDir, RangeReader) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cloud.las");
    std::fs::write(&path, bytes).unwrap();
    let source = RangeReader::open(&path).unwrap();
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
        let error = RangeReader::open(folder.path().join("none.las")).unwrap_err().to_string();
        assert!(error.contains("none.las: cannot be opened"), "{error}");
        assert!(RangeReader::open(folder.path()).unwrap_err().to_string().contains("it is a folder"));
    }
}
