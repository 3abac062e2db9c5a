//! All comparisons on disk, read again and again for the statistics.

use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::sample::Sample;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Stretch;
use crate::stages::auto::Count;
use crate::stages::compare::{Compared, ENCODED};
use crate::trust::figures::Comparisons;

/// Comparisons on disk.
pub struct ComparedFile {
    path: PathBuf,
    stretches: Vec<Stretch>,
}

impl ComparedFile {
    /// The comparisons at these places of a file.
    pub fn new(path: &Path, stretches: Vec<Stretch>) -> Self {
        ComparedFile { path: path.to_path_buf(), stretches }
    }

    /// Where they are.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Comparisons for ComparedFile {
    fn len(&self) -> u64 {
        self.stretches.iter().map(|stretch| stretch.count).sum()
    }

    fn for_each(&self, f: &mut dyn FnMut(&Compared)) -> io::Result<()> {
        const BLOCK: usize = 32 << 10;
        let mut file = File::open(&self.path)?;
        let mut bytes = Vec::with_capacity(BLOCK * ENCODED);
        for stretch in self.stretches.iter().filter(|stretch| stretch.count > 0) {
            file.seek(SeekFrom::Start(stretch.offset))?;
            let mut left = stretch.count as usize;
            while left > 0 {
                let count = left.min(BLOCK);
                bytes.resize(count * ENCODED, 0);
                file.read_exact(&mut bytes)?;
                bytes.as_chunks().0.iter().for_each(|one| f(&Compared::decode(one, stretch.base)));
                left -= count;
            }
        }
        Ok(())
    }
}

/// Writes the drawn checkpoints to a file of comparisons.
///
/// # Errors
/// Where the disk fails.
pub fn write_drawn(sample: &Sample, path: &Path) -> Result<ComparedFile, EngineError> {
    let failed = || EngineError::disk(path, "writing working data");
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path).map_err(failed())?);
    let mut stretches: Vec<Stretch> = Vec::new();
    let (mut bytes, mut end) = (Vec::with_capacity(ENCODED), 0);
    for number in 1..=MAX_RETURN as u8 {
        sample.for_each(number, Count::All, &mut |drawn| {
            bytes.clear();
            let compared = drawn.compared();
            let near = stretches.last().is_some_and(|stretch| compared.encode(stretch.base, &mut bytes));
            if !near {
                let base = (compared.x, compared.y);
                stretches.push(Stretch { offset: end, count: 0, base });
                compared.encode(base, &mut bytes);
            }
            stretches.last_mut().expect("one at least").count += 1;
            end += bytes.len() as u64;
            file.write_all(&bytes).map_err(failed())
        })?;
    }
    file.flush().map_err(failed())?;
    Ok(ComparedFile::new(path, stretches))
}
