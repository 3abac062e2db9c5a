//! The index of the partitioned points: where each tile's last points are in the spill files. Once it is written, a later run
//! need not read the clouds again.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::partitioner::Share;
use crate::engine::partition::read::{Partition, ReadCounts};
use crate::engine::store::error::EngineError;
use crate::engine::store::files::write_whole;
use crate::engine::store::spill::{Place, Spill};
use crate::tile::tiling::TileKey;

#[derive(Serialize, Deserialize)]
struct Index {
    survey: Entry,
    reference: Option<Entry>,
}

#[derive(Serialize, Deserialize)]
struct Entry {
    counts: ReadCounts,
    shares: Vec<(TileKey, Share)>,
    last_pieces: Vec<(TileKey, Place)>,
    bytes: u64,
}

/// The spill file of the survey in the folder of working data.
pub fn survey_spill(folder: &Path) -> PathBuf {
    folder.join("survey")
}

/// The spill file of the reference.
pub fn reference_spill(folder: &Path) -> PathBuf {
    folder.join("reference")
}

/// Writes the index to `path`, whole or not at all.
///
/// # Errors
/// Where the disk does not take it.
pub fn write(partitions: &Partitions, path: &Path) -> Result<(), EngineError> {
    let entry = |partition: &Partition| Entry {
        counts: partition.counts.clone(),
        shares: partition.shares.iter().map(|(key, share)| (*key, *share)).collect(),
        last_pieces: partition.spill.last_pieces(),
        bytes: partition.spill.bytes(),
    };
    let index =
        Index { survey: entry(&partitions.survey), reference: partitions.reference.as_ref().map(entry) };
    write_whole(path, |file| Ok(serde_json::to_writer(file, &index)?))
}

/// Opens the spill files in `folder` as the index at `path` has them.
///
/// # Errors
/// Where a file is missing or damaged.
pub fn read(path: &Path, folder: &Path) -> Result<Partitions, EngineError> {
    let file = File::open(path).map_err(EngineError::disk(path, "reading working data back"))?;
    let index: Index = serde_json::from_reader(BufReader::new(file))
        .map_err(|_| EngineError::Damaged { path: path.to_path_buf() })?;
    let open = |entry: Entry, path: &Path| -> Result<Partition, EngineError> {
        let spill = Spill::open(path, entry.last_pieces, entry.bytes)?;
        let shares: BTreeMap<TileKey, Share> = entry.shares.into_iter().collect();
        Ok(Partition { spill, shares, counts: entry.counts })
    };
    Ok(Partitions {
        survey: open(index.survey, &survey_spill(folder))?,
        reference: index.reference.map(|entry| open(entry, &reference_spill(folder))).transpose()?,
    })
}
