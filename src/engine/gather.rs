//! Gathering: what the tiles give back merges in any order to the same bits.

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::error::EngineError;
use super::sample::Sample;
use super::tile::{FateCounts, Found};
use crate::cloud::record::{pack_40, unpack_40};
use crate::stages::auto::Count;
use crate::stats::quantiles::{Residual, Residuals};

/// Everything that the tiles have given back.
pub struct Gathered {
    counts: Mutex<(FateCounts, FateCounts)>,
    /// The draw of checkpoints.
    pub sample: Sample,
    residuals: Mutex<BufWriter<File>>,
    path: PathBuf,
}

impl Gathered {
    /// Nothing yet; working files go into `folder`; `draw` checkpoints of each return will be drawn.
    ///
    /// # Errors
    /// Where a working file cannot be made.
    pub fn new(folder: &Path, draw: Count) -> Result<Self, EngineError> {
        let path = folder.join("residuals");
        let file = File::create(&path).map_err(EngineError::disk(&path, "making a working file"))?;
        Ok(Gathered {
            counts: Mutex::default(),
            sample: Sample::new(draw, &folder.join("draw"))?,
            residuals: Mutex::new(BufWriter::with_capacity(1 << 20, file)),
            path,
        })
    }

    /// Takes in what one tile found.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn absorb(&self, found: &Found) -> Result<(), EngineError> {
        {
            let mut counts = self.counts.lock().expect("no panic while locked");
            counts.0.merge(&found.survey);
            counts.1.merge(&found.reference);
        }
        self.sample.add(&found.drawn)?;
        self.add_residuals(&found.residuals)
    }

    fn add_residuals(&self, residuals: &[Residual]) -> Result<(), EngineError> {
        let mut bytes = Vec::with_capacity(residuals.len() * RECORD);
        for residual in residuals {
            bytes.push(residual.group);
            bytes.extend_from_slice(&pack_40(residual.dz));
        }
        let mut file = self.residuals.lock().expect("no panic while locked");
        file.write_all(&bytes).map_err(EngineError::disk(&self.path, "writing working data"))
    }

    /// Makes the drawn checkpoints the residuals that count: for a pipeline that compares only what it draws.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn count_drawn(&self) -> Result<(), EngineError> {
        for number in 1..=crate::cloud::point::MAX_RETURN as u8 {
            self.sample.for_each(number, Count::All, &mut |drawn| {
                self.add_residuals(&[Residual { group: number, dz: drawn.dz() }])
            })?;
        }
        Ok(())
    }

    /// Counts of survey and reference, and all residuals, once every tile is in.
    ///
    /// # Errors
    /// Where the disk does not take the last residuals.
    pub fn finish(&self) -> Result<(FateCounts, FateCounts, ResidualFile), EngineError> {
        let flushed = self.residuals.lock().expect("no panic while locked").flush();
        flushed.map_err(EngineError::disk(&self.path, "writing working data"))?;
        let (survey, reference) = self.counts.lock().expect("no panic while locked").clone();
        Ok((survey, reference, ResidualFile { path: self.path.clone() }))
    }
}

/// Bytes of a residual on disk.
const RECORD: usize = 6;

/// The residuals of all tiles, on disk.
pub struct ResidualFile {
    path: PathBuf,
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
        let mut file = BufReader::with_capacity(BLOCK * RECORD, File::open(&self.path)?);
        let mut bytes = vec![0; BLOCK * RECORD];
        let mut block = Vec::with_capacity(BLOCK);
        loop {
            let mut filled = 0;
            while filled < bytes.len() {
                match file.read(&mut bytes[filled..])? {
                    0 => break,
                    n => filled += n,
                }
            }
            block.clear();
            block.extend(
                bytes[..filled]
                    .chunks_exact(RECORD)
                    .map(|b| Residual { group: b[0], dz: unpack_40(&b[1..]) }),
            );
            if block.is_empty() {
                return Ok(());
            }
            f(&block);
        }
    }
}
