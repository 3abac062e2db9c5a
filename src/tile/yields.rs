//! What the stages give back of each tile: bytes under a name, which only the stage that gave them understands.

use std::collections::BTreeMap;
use std::io;
use std::path::PathBuf;

use crate::tile::tiling::TileKey;

/// What the stages give back of a tile, or of a part of one: bytes by the name of their section.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sections {
    named: Vec<(&'static str, Vec<u8>)>,
}

impl Sections {
    /// The bytes of a section, to be added to.
    pub fn of(&mut self, name: &'static str) -> &mut Vec<u8> {
        let known = self.named.iter().position(|(known, _)| *known == name);
        let place = known.unwrap_or_else(|| {
            self.named.push((name, Vec::new()));
            self.named.len() - 1
        });
        &mut self.named[place].1
    }

    /// All sections that hold something.
    pub fn iter(&self) -> impl Iterator<Item = (&'static str, &[u8])> {
        self.named.iter().filter(|(_, bytes)| !bytes.is_empty()).map(|(name, bytes)| (*name, &bytes[..]))
    }
}

/// Where the bytes of a section of a tile, or of a part of one, wait on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// The tile.
    pub key: TileKey,
    /// Number of the file, from 0.
    pub file: usize,
    /// Where in the file they begin.
    pub offset: u64,
    /// How many there are.
    pub bytes: u64,
}

/// What all tiles gave back.
pub trait Yields: Sync {
    /// Where the sections of a name are: by tile, in the order of their keys; a tile may have several.
    fn stretches(&self, section: &str) -> Vec<Stretch>;

    /// Reads so many bytes from `from` on, counted from the start of a stretch.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    fn read_part(&self, stretch: &Stretch, from: u64, bytes: &mut [u8]) -> Result<(), YieldError>;

    /// The error of a section that is not as its stage wrote it.
    fn damaged(&self, stretch: &Stretch) -> YieldError;

    /// The bytes of a stretch.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    fn read(&self, stretch: &Stretch) -> Result<Vec<u8>, YieldError> {
        let mut bytes = vec![0; stretch.bytes as usize];
        self.read_part(stretch, 0, &mut bytes)?;
        Ok(bytes)
    }

    /// Where the sections of a name are, by tile.
    fn by_tile(&self, section: &str) -> BTreeMap<TileKey, Vec<Stretch>> {
        let mut stretches: BTreeMap<TileKey, Vec<Stretch>> = BTreeMap::new();
        for stretch in self.stretches(section) {
            stretches.entry(stretch.key).or_default().push(stretch);
        }
        stretches
    }

    /// Hands over the bytes of all sections of a name, tile by tile. `f` gives nothing for bytes that make no sense.
    ///
    /// # Errors
    /// Where the disk does not give them back, or not as they were.
    fn for_each(&self, section: &str, f: &mut dyn FnMut(&[u8]) -> Option<()>) -> Result<(), YieldError> {
        for stretch in self.stretches(section) {
            f(&self.read(&stretch)?).ok_or_else(|| self.damaged(&stretch))?;
        }
        Ok(())
    }
}

/// Why what tiles gave back cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum YieldError {
    /// The disk fails.
    #[error("{}: reading working data back: {source}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// They are not as they were written.
    #[error("{}: the working data of the run are damaged", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
    },
}

impl From<YieldError> for io::Error {
    fn from(error: YieldError) -> Self {
        io::Error::other(error)
    }
}
