//! The index of the points on disk: where each tile's last pieces are in the spill files. Once it is written, a later run
//! need not read the clouds again. A cloud that was read in several parts has an index for each.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::engine::partition::clouds::{Partition, Partitions};
use crate::engine::partition::counts::ReadCounts;
use crate::engine::partition::partitioner::Share;
use crate::engine::store::error::EngineError;
use crate::engine::store::files::write_whole;
use crate::engine::store::spill::{Spill, SpillRecord};
use crate::tile::tiling::{TileKey, Tiling};

#[derive(Serialize, Deserialize)]
struct Index {
    tiling: Tiling,
    survey: Entry,
    reference: Option<Entry>,
}

#[derive(Serialize, Deserialize)]
struct Entry {
    counts: ReadCounts,
    shares: Vec<(TileKey, Share)>,
    spills: Vec<SpillRecord<TileKey>>,
}

/// Writes the index to `path`, whole or not at all.
///
/// # Errors
/// Where the disk does not take it.
pub fn write(partitions: &Partitions, path: &Path) -> Result<(), EngineError> {
    let folder = path.parent().unwrap_or(Path::new(""));
    let entry = |cloud: &Partition| Entry {
        counts: cloud.counts.clone(),
        shares: cloud.shares.iter().map(|(key, share)| (*key, *share)).collect(),
        spills: cloud.spills.iter().map(|spill| spill.record(folder)).collect(),
    };
    let index = Index {
        tiling: partitions.tiling,
        survey: entry(&partitions.survey),
        reference: partitions.reference.as_ref().map(entry),
    };
    write_whole(path, |file| Ok(serde_json::to_writer(file, &index)?))
}

/// The points that an earlier run has partitioned, as the index at `path` has them.
///
/// # Errors
/// Where a file is missing or damaged.
pub fn read(path: &Path) -> Result<Partitions, EngineError> {
    read_with(path, |folder, record| record.open(folder))
}

/// The points that the parts of a run have partitioned, each with its own index, at least one; all parts as one.
///
/// # Errors
/// Where an index is missing or damaged.
pub fn read_parts(paths: &[PathBuf]) -> Result<Partitions, EngineError> {
    let mut all: Option<Partitions> = None;
    for path in paths {
        let part = read_with(path, |folder, record| Ok(record.of_part(folder)))?;
        match &mut all {
            None => all = Some(part),
            Some(all) => {
                all.survey.join(part.survey);
                match (&mut all.reference, part.reference) {
                    (Some(all), Some(part)) => all.join(part),
                    (all, part) => *all = all.take().or(part),
                }
            }
        }
    }
    Ok(all.expect("at least one part"))
}

/// Whether the spills of an index are there in full.
pub fn is_whole(path: &Path) -> bool {
    read_parts(&[path.to_path_buf()])
        .is_ok_and(|found| found.clouds().flat_map(|cloud| &cloud.spills).all(Spill::is_whole))
}

fn read_with(
    path: &Path,
    open: impl Fn(&Path, SpillRecord<TileKey>) -> Result<Spill<TileKey>, EngineError>,
) -> Result<Partitions, EngineError> {
    let file = File::open(path).map_err(EngineError::disk(path, "reading working data back"))?;
    let index: Index = serde_json::from_reader(BufReader::new(file))
        .map_err(|_| EngineError::Damaged { path: path.to_path_buf() })?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let partition = |entry: Entry| -> Result<Partition, EngineError> {
        let spills = entry.spills.into_iter().map(|record| open(folder, record));
        Ok(Partition {
            spills: spills.collect::<Result<_, _>>()?,
            shares: entry.shares.into_iter().collect(),
            counts: entry.counts,
        })
    };
    Ok(Partitions {
        tiling: index.tiling,
        survey: partition(index.survey)?,
        reference: index.reference.map(partition).transpose()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::point::{Fields, Point};
    use crate::engine::partition::partitioner::Partitioner;

    /// Points partitioned by several workers apart are read as one cloud.
    #[test]
    fn several_parts_read_as_one() {
        let folder = tempfile::tempdir().unwrap();
        let tiling = Tiling { edge: 1_000_000 };
        let points: Vec<Point> =
            (0..900).map(|i| Point { x: i * 3_333, y: i % 7 * 300_000, z: i, ..Point::default() }).collect();
        let mut paths = Vec::new();
        for (part, points) in points.chunks(400).enumerate() {
            let spill = Spill::create(&folder.path().join(format!("survey-{part}"))).unwrap();
            let mut partitioner = Partitioner::new(&spill, Fields::default(), tiling, 5_000);
            partitioner.add(points);
            let shares = partitioner.finish().unwrap().into_iter().collect();
            let counts = ReadCounts { read: points.len() as u64, ..ReadCounts::default() };
            let survey = Partition { spills: vec![spill], shares, counts };
            paths.push(folder.path().join(format!("index-{part}.json")));
            write(&Partitions { survey, reference: None, tiling }, &paths[part]).unwrap();
        }
        assert!(paths.iter().all(|path| is_whole(path)));
        let all = read_parts(&paths).unwrap();
        assert_eq!((all.survey.counts.read, all.tiling, all.survey.spills.len()), (900, tiling, 3));
        let mut found = Vec::new();
        for key in all.keys() {
            let mut core = 0;
            all.survey
                .for_each_piece(key, &mut Vec::new(), |piece| {
                    piece.core.add_to(&mut found);
                    core += piece.core.len() + piece.halo.len();
                })
                .unwrap();
            assert_eq!(core as u64, all.points_of(key).survey);
        }
        found.sort_unstable();
        assert_eq!(found, points);
        std::fs::write(&paths[1], "{}").unwrap();
        assert!(!is_whole(&paths[1]));
        assert!(read_parts(&paths).err().unwrap().to_string().contains("index-1.json"));
    }
}
