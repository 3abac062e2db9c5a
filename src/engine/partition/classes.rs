//! Whether a cloud whose classes are taken as delivered was classified at all.

use std::path::Path;

use crate::engine::partition::counts::{Classified, ReadCounts};
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::store::error::EngineError;
use crate::tile::points::Cloud;

/// Refuses a cloud none of whose selected points is of class 2.
///
/// # Errors
/// That there is no ground, which names a file.
pub fn check_classes(cloud: Cloud, from: &CloudJob, counts: &ReadCounts) -> Result<(), EngineError> {
    let points: u64 = counts.classified.values().map(|found| found.ground + found.other).sum();
    let files = without_ground(from, counts);
    let (Some(first), true) = (files.first(), counts.classified.values().all(|found| found.ground == 0))
    else {
        return Ok(());
    };
    Err(EngineError::NotClassified {
        path: first.to_path_buf(),
        others: files.len() - 1,
        cloud: cloud.name(),
        points,
    })
}

/// The files of a cloud that have selected points, but none of class 2.
pub fn without_ground<'a>(from: &'a CloudJob, counts: &ReadCounts) -> Vec<&'a Path> {
    let mut files: Vec<(&Path, Classified)> = Vec::new();
    for (source, found) in
        from.sources.iter().enumerate().filter_map(|(i, s)| Some((s, counts.classified.get(&i)?)))
    {
        match files.last_mut().filter(|(path, _)| *path == source.path()) {
            Some((_, sum)) => sum.merge(found),
            None => files.push((source.path(), *found)),
        }
    }
    files
        .into_iter()
        .filter(|(_, found)| found.ground == 0 && found.other > 0)
        .map(|(path, _)| path)
        .collect()
}
