//! Gathering: what the tiles give back merges in any order to the same bits.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use crate::engine::conclude::compared::{ComparedFile, write_drawn};
use crate::engine::conclude::sample::Sample;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journal;
use crate::stages::auto::Count;
use crate::tile::points::{Found, StatusCounts};
use crate::tile::strata::{Strata, StratumCounts};
use crate::tile::tiling::TileKey;

/// Counts of all tiles.
#[derive(Clone, Default)]
pub struct Counts {
    /// Of the survey.
    pub survey: StatusCounts,
    /// Of the reference.
    pub reference: StatusCounts,
    /// Of the survey, by stratum.
    pub strata: BTreeMap<Strata, StratumCounts>,
}

impl Counts {
    fn merge(&mut self, found: &Found) {
        self.survey.merge(&found.survey);
        self.reference.merge(&found.reference);
        for (strata, counts) in &found.strata {
            self.strata.entry(*strata).or_default().merge(counts);
        }
    }
}

/// Everything that the tiles have given back.
pub struct Gathered {
    counts: Mutex<Counts>,
    /// The draw of checkpoints.
    pub sample: Sample,
    /// What each tile found.
    pub journal: Journal,
    /// Tiles that an earlier run had finished.
    done_before: HashSet<TileKey>,
    /// Where the comparisons at drawn checkpoints go.
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
        let mut counts = Counts::default();
        let mut done_before = HashSet::new();
        let journal = Journal::open(&folder.join("tiles"), |key, found| {
            done_before.insert(key);
            counts.merge(&found);
            sample.add(&found.drawn)
        })?;
        let drawn_path = folder.join("drawn-compared");
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
        self.counts.lock().expect("no panic while locked").merge(found);
        self.sample.add(&found.drawn)?;
        self.journal.append(key, found)
    }

    /// Counts of all tiles.
    pub fn counts(&self) -> Counts {
        self.counts.lock().expect("no panic while locked").clone()
    }

    /// All candidates.
    pub fn compared(&self) -> ComparedFile {
        let (path, stretches) = self.journal.compared();
        ComparedFile::new(path, stretches)
    }

    /// The drawn checkpoints, for a pipeline that compares only what it draws.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn drawn(&self) -> Result<ComparedFile, EngineError> {
        write_drawn(&self.sample, &self.drawn_path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::compare::Compared;
    use crate::trust::figures::Comparisons;

    fn compared(row: i64, i: i64) -> Compared {
        let strata = Strata { return_number: (row % 3) as u8, ..Strata::default() };
        Compared { x: row << 30, y: i * 1000, dz: i * 17 - 400_000, room: None, slope_percent: None, strata }
    }

    #[test]
    fn comparisons_come_back_whole_from_many_tiles_of_any_size() {
        let folder = tempfile::tempdir().unwrap();
        let gathered = Gathered::open(folder.path(), Count::AtMost(1)).unwrap();
        let mut expected = Vec::new();
        for (row, count) in [(0, 3), (1, 0), (2, 70_000), (3, 1), (4, 140_000)] {
            let compared: Vec<Compared> = (0..count).map(|i| compared(row, i)).collect();
            expected.extend_from_slice(&compared);
            gathered.absorb(TileKey { row, column: 0 }, &Found { compared, ..Found::default() }).unwrap();
        }
        let mut found = Vec::new();
        gathered.compared().for_each(&mut |one| found.push(*one)).unwrap();
        assert!(found == expected);
        drop(gathered);
        let again = Gathered::open(folder.path(), Count::AtMost(1)).unwrap();
        assert_eq!(again.done_before().len(), 5);
        let mut found = Vec::new();
        again.compared().for_each(&mut |one| found.push(*one)).unwrap();
        assert!(found == expected);
    }
}
