//! What the parts of the deal-out have brought, as one.

use std::fs;
use std::path::Path;

use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::index::read_parts;
use crate::engine::partition::phase::{check_read, take_hashes};
use crate::engine::parts::agreed::Agreed;
use crate::engine::parts::missing::{check_parts, with_remedy};
use crate::engine::plan::inputs::{InputFile, inputs_of};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::files::write_whole;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::Phase;

/// The index of a part's points, in its folder.
pub const INDEX: &str = "index.json";

/// The hashes of the files that a part has found, in its folder.
const HASHES: &str = "hashes.json";

/// All points by tile, and the inputs with their hashes.
pub struct Dealt {
    /// The points.
    pub partitions: Partitions,
    /// The inputs.
    pub inputs: Vec<InputFile>,
}

/// Writes down the hashes that a part has found.
///
/// # Errors
/// Where the disk does not take them.
pub fn write_hashes(folder: &Path, sha256: &[Option<String>]) -> Result<(), EngineError> {
    write_whole(&folder.join(HASHES), |file| Ok(serde_json::to_writer(file, sha256)?))
}

impl Dealt {
    /// What all parts have brought.
    ///
    /// # Errors
    /// Parts that are missing or damaged, and what shows once all points have been read.
    pub fn read(job: &Job, agreed: &Agreed, folder: &PartsFolder) -> Result<Self, EngineError> {
        check_parts(&[Phase::Deal], agreed, folder)?;
        let parts: Vec<_> = folder.parts(Phase::Deal, agreed.parts).collect();
        let indexes: Vec<_> = parts.iter().map(|part| part.join(INDEX)).collect();
        let read = || -> Result<Dealt, EngineError> {
            let partitions = read_parts(&indexes)?;
            let mut inputs = inputs_of(job);
            for part in &parts {
                let path = part.join(HASHES);
                let text = fs::read(&path).map_err(EngineError::disk(&path, "reading working data back"))?;
                let sha256: Vec<Option<String>> =
                    serde_json::from_slice(&text).map_err(|_| EngineError::Damaged { path })?;
                take_hashes(&mut inputs, &sha256);
            }
            Ok(Dealt { partitions, inputs })
        };
        let dealt = read().map_err(|error| with_remedy(error, agreed, folder))?;
        check_read(job, &dealt.inputs, &dealt.partitions)?;
        Ok(dealt)
    }
}
