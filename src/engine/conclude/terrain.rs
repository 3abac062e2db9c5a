//! From the terrain cells of all tiles to the account of using returns 1 to k.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use crate::cloud::point::MAX_RETURN;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::watch::Watch;
use crate::fit::VerticalFit;
use crate::raster::Extent;
use crate::stages::compare::COMPARED_CELLS;
use crate::stages::terrain_cells::{COVERAGE, REACH, SUMS};
use crate::stats::moments::Moments;
use crate::terrain::by_returns::{
    Neighbourhood, REFERENCE_POINTS, SQUARE, Settings, TerrainByReturns, TerrainRow,
};
use crate::terrain::cells::Sums;
use crate::terrain::coverage::Coverage;
use crate::terrain::lesson::Lesson;
use crate::terrain::voids::{Sweep, Voids};
use crate::tile::tiling::{TileKey, Tiling};
use crate::tile::yields::{Stretch, Yields};

/// What the account rests on beside the cells.
pub struct Account<'a> {
    /// Ground points by return number.
    pub ground: [u64; MAX_RETURN + 1],
    /// Moments of dz by return number, micrometres.
    pub dz: [Moments; MAX_RETURN + 1],
    /// What the returns differ by, learned in each fold of the site for the other.
    pub lesson: &'a Lesson,
    /// How far the reference is known to lie too high, micrometres.
    pub offset: Option<f64>,
    /// The fit that is added to the survey.
    pub fit: Option<&'a VerticalFit>,
}

/// What using returns 1 to k comes to.
pub struct Accounted {
    /// One row for each k.
    pub rows: Vec<TerrainRow>,
    /// Number of cells with ground.
    pub ground: u64,
    /// The least window with which the weighted terrain is best, by its place among them.
    pub best_weighted: usize,
}

/// The terrain cells of all tiles, on disk.
pub struct TerrainCells<'a> {
    yields: &'a dyn Yields,
    /// Of tiles that terrain is tested in or beside.
    sums: BTreeMap<TileKey, Vec<Stretch>>,
    tiling: Tiling,
    /// Edge of a cell, micrometres.
    cell: f64,
}

impl<'a> TerrainCells<'a> {
    /// Those that tiles gave back.
    pub fn new(yields: &'a dyn Yields, tiling: Tiling, cell: f64) -> Self {
        TerrainCells { yields, sums: yields.by_tile(SUMS), tiling, cell }
    }

    /// Hands over the sums of each part of a tile as bytes.
    fn for_each_sums(&self, key: TileKey, mut f: impl FnMut(&[u8]) -> Option<()>) -> Result<(), EngineError> {
        for stretch in self.sums.get(&key).into_iter().flatten() {
            f(&self.yields.read(stretch)?).ok_or_else(|| self.yields.damaged(stretch))?;
        }
        Ok(())
    }

    /// The cells that touch a tile.
    fn cells_of(&self, key: TileKey) -> Extent {
        let (x, y) = self.tiling.ground(key, 0);
        Extent::covering(self.cell, x, y, 0)
    }

    /// Those cells that touch a tile of which it, or a tile that shares them, has sums: only around the reference.
    fn summed(&self, key: TileKey) -> Result<Option<Extent>, EngineError> {
        let own = self.cells_of(key);
        let mut all: Option<Extent> = None;
        for near in self.tiling.sharing_cells(key, self.cell) {
            self.for_each_sums(near, |sums| {
                // What is read decides how much memory is taken: it must lie in the tile.
                let extent = Sums::encoded_extent(sums).filter(|extent| {
                    extent.cell == self.cell && extent.within(&self.cells_of(near)) == *extent
                })?;
                let extent = extent.within(&own);
                if !extent.is_empty() {
                    all = Some(all.map_or(extent, |all| all.joined(&extent)));
                }
                Some(())
            })?;
        }
        Ok(all)
    }

    /// How many cells have comparisons, where every candidate is compared.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn compared(&self) -> Result<u64, EngineError> {
        Ok(self.sweep(COMPARED_CELLS, 0)?.footprint)
    }

    /// Share of the cells in a section that have ground; nothing where the survey saw none.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn covered(&self, section: &str) -> Result<Option<f64>, EngineError> {
        let voids = self.sweep(section, 1)?;
        Ok((voids.footprint > 0).then(|| voids.filled[1] as f64 / voids.footprint as f64))
    }

    /// Coverage and voids of the cells in a section, gone over from south to north.
    fn sweep(&self, section: &str, up_to: u8) -> Result<Voids, EngineError> {
        let mut sweep = Sweep::new(up_to);
        // Tiles come row by row from the south.
        for stretch in self.yields.stretches(section) {
            // A cell of those to come lies north of this one's southern edge, or on it.
            let south = self.tiling.ground(stretch.key, 0).1.0;
            sweep.complete_below((south as f64 / self.cell).floor() as i64);
            let bytes = self.yields.read(&stretch)?;
            let cells = Coverage::decode(&bytes)
                .filter(|(cells, rest)| rest.is_empty() && cells.extent.cell == self.cell);
            sweep.add(&cells.ok_or_else(|| self.yields.damaged(&stretch))?.0);
        }
        Ok(sweep.finish())
    }

    /// The account, lengths in micrometres, no row where no return has ground.
    ///
    /// # Errors
    /// Where the disk does not give the cells back.
    pub fn account(&self, account: &Account<'_>, watch: &Watch) -> Result<Accounted, EngineError> {
        let Some(highest) = (1..=MAX_RETURN).rev().find(|&n| account.ground[n] > 0) else {
            return Ok(Accounted { rows: Vec::new(), ground: 0, best_weighted: 0 });
        };
        // A cell cut by the edges of tiles is answered for by the one in the south-west, even where that has no point.
        let answering: BTreeSet<TileKey> =
            self.sums.keys().flat_map(|key| self.tiling.sharing_cells(*key, self.cell)).collect();
        let answering: Vec<TileKey> = answering.into_iter().collect();
        let settings = Settings {
            returns: 1..=highest as u8,
            reference_points: REFERENCE_POINTS,
            reach: REACH,
            square: SQUARE,
            folds: account.lesson.folds,
        };
        let none = || TerrainByReturns::new(&settings);
        let test = |key: &TileKey| {
            watch.check()?;
            guarded(
                || format!("testing the terrain of {}", self.tiling.place(*key)),
                || {
                    let Some(extent) = self.summed(*key)? else { return Ok(none()) };
                    let mut near = Neighbourhood::new(&extent, self.tiling.ground(*key, 0), REACH);
                    let (x, y) = near.ground();
                    for around in self.tiling.touching(x, y) {
                        self.for_each_sums(around, |sums| near.sums.merge_encoded(sums))?;
                    }
                    let mut part = none();
                    part.add(&near, &account.lesson.for_folds, |x, y| {
                        account.fit.map_or(0, |fit| fit.added(x, y))
                    });
                    Ok(part)
                },
            )
        };
        let merge = |mut a: TerrainByReturns, b: TerrainByReturns| {
            a.merge(&b);
            Ok(a)
        };
        // Tile by tile, since few have reference and take long.
        let (terrain, voids) = rayon::join(
            || answering.par_iter().with_max_len(1).map(test).try_reduce(none, merge),
            || self.sweep(COVERAGE, highest as u8),
        );
        let voids = voids?;
        let terrain = terrain?;
        let rows = terrain.rows(self.cell, &voids, &account.ground, &account.dz, account.offset);
        Ok(Accounted { rows, ground: voids.filled[highest], best_weighted: terrain.best_weighted() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::store::journal::{Journals, Part};
    use crate::terrain::cells::CellSums;
    use crate::terrain::learning::Learning;
    use crate::tile::yields::Sections;

    #[test]
    fn sums_that_lie_outside_their_tile_are_refused_before_they_take_memory() {
        let (tiling, cell, key) =
            (Tiling { edge: 20_000_000 }, 500_000.0, TileKey { row: 305_000, column: 20_000 });
        let lesson = Learning::default().conclude(Some(10_000_000), 0);
        let mut ground = [0; MAX_RETURN + 1];
        ground[1] = 1;
        let account = Account { ground, dz: Default::default(), lesson: &lesson, offset: None, fit: None };
        let account_of = |own: &Extent, sums: &Extent| {
            let folder = tempfile::tempdir().unwrap();
            let journals = Journals::open(&[folder.path().join("tiles")]).unwrap();
            let mut sections = Sections::default();
            CellSums::new(*own, None).encode_coverage(sections.of(COVERAGE));
            Sums::new(*sums).encode(sections.of(SUMS));
            journals.append(Part::whole(key), &sections).unwrap();
            TerrainCells::new(&journals, tiling, cell).account(&account, &Watch::default())
        };
        let (x, y) = tiling.ground(key, 0);
        let own = Extent::covering(cell, x, y, 0);
        assert_eq!(account_of(&own, &own).unwrap().rows.len(), 1);
        let one_too_far = Extent { first_column: own.first_column + 1, ..own };
        let elsewhere = Extent { first_row: 1 << 49, ..own };
        for sums in [one_too_far, elsewhere, own.widened(1)] {
            let message = account_of(&own, &sums).err().unwrap().to_string();
            assert!(message.contains("damaged") && message.contains("--replace"), "{message}");
        }
    }
}
