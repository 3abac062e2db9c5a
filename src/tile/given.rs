//! What tiles gave back, held in memory: for the tests of what stages conclude from it.

use std::path::PathBuf;

use crate::tile::tiling::TileKey;
use crate::tile::yields::{Sections, Stretch, YieldError, Yields};

/// The sections of some tiles.
#[derive(Default)]
pub struct Given {
    tiles: Vec<Vec<(&'static str, Vec<u8>)>>,
}

impl Given {
    /// Adds those of one more tile, or of a part of one.
    pub fn add(&mut self, sections: &Sections) {
        self.tiles.push(sections.iter().map(|(name, bytes)| (name, bytes.to_vec())).collect());
    }
}

impl Yields for Given {
    fn stretches(&self, section: &str) -> Vec<Stretch> {
        let mut all = Vec::new();
        for (file, sections) in self.tiles.iter().enumerate() {
            for (i, (_, bytes)) in sections.iter().enumerate().filter(|(_, (name, _))| *name == section) {
                let key = TileKey { row: file as i64, column: 0 };
                all.push(Stretch { key, file, offset: i as u64, bytes: bytes.len() as u64 });
            }
        }
        all
    }

    fn read_part(&self, stretch: &Stretch, from: u64, bytes: &mut [u8]) -> Result<(), YieldError> {
        let from = from as usize;
        let section = &self.tiles[stretch.file][stretch.offset as usize].1;
        let part = section.get(from..from + bytes.len()).ok_or_else(|| self.damaged(stretch))?;
        bytes.copy_from_slice(part);
        Ok(())
    }

    fn damaged(&self, _: &Stretch) -> YieldError {
        YieldError::Damaged { path: PathBuf::from("memory") }
    }
}
