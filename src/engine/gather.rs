//! Gathering: what the tiles give back merges in any order to the same bits.

use std::collections::HashSet;
use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::error::EngineError;
use super::journal::{Journal, RESIDUAL, Stretch, decode_residual, encode_residual};
use super::sample::Sample;
use super::tile::{FateCounts, Found};
use super::tiles::TileKey;
use crate::cloud::point::MAX_RETURN;
use crate::stages::auto::Count;
use crate::stats::quantiles::{Residual, Residuals};

/// Everything that the tiles have given back.
pub struct Gathered {
    counts: Mutex<(FateCounts, FateCounts)>,
    /// The draw of checkpoints.
    pub sample: Sample,
    journal: Journal,
    /// Tiles that an earlier run had finished.
    done_before: HashSet<TileKey>,
    /// Where the residuals of drawn checkpoints go.
    drawn_path: PathBuf,
}

impl Gathered {
    /// What an earlier run left in `folder`, or nothing yet; working files go there; `draw` checkpoints of each
    /// return will be drawn.
    ///
    /// # Errors
    /// Where a working file cannot be made or read back.
    pub fn open(folder: &Path, draw: Count) -> Result<Self, EngineError> {
        let sample = Sample::new(draw, &folder.join("draw"))?;
        let mut counts = <(FateCounts, FateCounts)>::default();
        let mut done_before = HashSet::new();
        let journal = Journal::open(&folder.join("tiles"), |key, found| {
            done_before.insert(key);
            counts.0.merge(&found.survey);
            counts.1.merge(&found.reference);
            sample.add(&found.drawn)
        })?;
        let drawn_path = folder.join("drawn-residuals");
        Ok(Gathered { counts: Mutex::new(counts), sample, journal, done_before, drawn_path })
    }

    /// Tiles that an earlier run had finished: they are in already.
    pub fn done_before(&self) -> &HashSet<TileKey> {
        &self.done_before
    }

    /// Takes in what one tile found.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn absorb(&self, key: TileKey, found: &Found) -> Result<(), EngineError> {
        {
            let mut counts = self.counts.lock().expect("no panic while locked");
            counts.0.merge(&found.survey);
            counts.1.merge(&found.reference);
        }
        self.sample.add(&found.drawn)?;
        self.journal.append(key, found)
    }

    /// Counts of survey and reference.
    pub fn counts(&self) -> (FateCounts, FateCounts) {
        self.counts.lock().expect("no panic while locked").clone()
    }

    /// The residuals of all candidates.
    pub fn residuals(&self) -> ResidualFile {
        let (path, stretches) = self.journal.residuals();
        ResidualFile { path: path.to_path_buf(), stretches }
    }

    /// The residuals of the drawn checkpoints, for a pipeline that compares only what it draws.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn drawn_residuals(&self) -> Result<ResidualFile, EngineError> {
        let path = &self.drawn_path;
        let failed = || EngineError::disk(path, "writing working data");
        let mut file = BufWriter::with_capacity(1 << 20, File::create(path).map_err(failed())?);
        let mut count = 0;
        let mut bytes = Vec::with_capacity(RESIDUAL);
        for number in 1..=MAX_RETURN as u8 {
            self.sample.for_each(number, Count::All, &mut |drawn| {
                count += 1;
                bytes.clear();
                encode_residual(Residual { group: number, dz: drawn.dz() }, &mut bytes);
                file.write_all(&bytes).map_err(failed())
            })?;
        }
        file.flush().map_err(failed())?;
        Ok(ResidualFile { path: path.clone(), stretches: vec![Stretch { offset: 0, count }] })
    }
}

/// Residuals on disk.
pub struct ResidualFile {
    path: PathBuf,
    stretches: Vec<Stretch>,
}

impl ResidualFile {
    /// Where the residuals are.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Residuals for ResidualFile {
    fn for_each_block(&self, f: &mut dyn FnMut(&[Residual])) -> io::Result<()> {
        const BLOCK: usize = 64 << 10;
        let mut file = File::open(&self.path)?;
        let mut bytes = Vec::with_capacity(BLOCK * RESIDUAL);
        let mut block = Vec::with_capacity(BLOCK);
        for stretch in self.stretches.iter().filter(|stretch| stretch.count > 0) {
            file.seek(SeekFrom::Start(stretch.offset))?;
            let mut left = stretch.count as usize;
            while left > 0 {
                // Small stretches share a block.
                let count = left.min(BLOCK - block.len());
                bytes.resize(count * RESIDUAL, 0);
                file.read_exact(&mut bytes)?;
                block.extend(bytes.chunks_exact(RESIDUAL).map(decode_residual));
                left -= count;
                if block.len() == BLOCK {
                    f(&block);
                    block.clear();
                }
            }
        }
        if !block.is_empty() {
            f(&block);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn residuals_come_back_whole_from_many_tiles_of_any_size() {
        let folder = tempfile::tempdir().unwrap();
        let gathered = Gathered::open(folder.path(), Count::AtMost(1)).unwrap();
        let mut expected = Vec::new();
        for (row, count) in [(0, 3), (1, 0), (2, 70_000), (3, 1), (4, 140_000)] {
            let residuals: Vec<Residual> =
                (0..count).map(|i| Residual { group: (row % 3) as u8, dz: i * 17 - 400_000 }).collect();
            expected.extend_from_slice(&residuals);
            gathered.absorb(TileKey { row, column: 0 }, &Found { residuals, ..Found::default() }).unwrap();
        }
        let mut found = Vec::new();
        gathered.residuals().for_each_block(&mut |block| found.extend_from_slice(block)).unwrap();
        assert!(found == expected);
        drop(gathered);
        let again = Gathered::open(folder.path(), Count::AtMost(1)).unwrap();
        assert_eq!(again.done_before().len(), 5);
        let mut found = Vec::new();
        again.residuals().for_each_block(&mut |block| found.extend_from_slice(block)).unwrap();
        assert!(found == expected);
    }
}
