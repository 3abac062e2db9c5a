//! From the terrain cells of all tiles to the account of using returns 1 to k.

use std::collections::BTreeSet;

use rayon::prelude::*;

use crate::cloud::point::MAX_RETURN;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::journal::Journal;
use crate::engine::watch::Watch;
use crate::raster::Extent;
use crate::stages::terrain_cells::REACH;
use crate::stats::moments::Moments;
use crate::terrain::by_returns::{
    Neighbourhood, REFERENCE_POINTS, SQUARE, Settings, TerrainByReturns, TerrainRow,
};
use crate::terrain::cells::Sums;
use crate::terrain::coverage::Coverage;
use crate::terrain::learning::Learning;
use crate::terrain::voids::{Sweep, Voids};
use crate::tile::tiling::{TileKey, Tiling};
use crate::units::Micrometres;

/// What the account rests on beside the cells.
pub struct Account<'a> {
    /// Ground points by return number.
    pub ground: [u64; MAX_RETURN + 1],
    /// Moments of dz by return number, micrometres.
    pub dz: [Moments; MAX_RETURN + 1],
    /// Bias and spread of each return in each half of the site.
    pub learning: &'a Learning,
    /// Edge of the blocks that make the halves, micrometres.
    pub block: Micrometres,
}

/// The account, one row for each k, lengths in micrometres; no row where no return has ground.
///
/// # Errors
/// Where the disk does not give the cells back.
pub fn trade(
    journal: &Journal,
    tiling: Tiling,
    cell: f64,
    account: &Account<'_>,
    watch: &Watch,
) -> Result<Vec<TerrainRow>, EngineError> {
    let Some(highest) = (1..=MAX_RETURN).rev().find(|&n| account.ground[n] > 0) else {
        return Ok(Vec::new());
    };
    let keys = journal.keys();
    // A cell cut by the edges of tiles is answered for by the one in the south-west, even where that has no point.
    let cells = |key: &TileKey| cells_of(tiling, cell, *key).ground();
    let answering: BTreeSet<TileKey> =
        keys.iter().map(cells).flat_map(|(x, y)| tiling.touching(x, y)).collect();
    let answering: Vec<TileKey> = answering.into_iter().collect();
    let settings = Settings {
        returns: 1..=highest as u8,
        reference_points: REFERENCE_POINTS,
        reach: REACH,
        square: SQUARE,
        block: account.block,
    };
    let learned = account.learning.for_folds();
    let none = || TerrainByReturns::new(&settings);
    let test = |key: &TileKey| {
        watch.check()?;
        guarded(
            || format!("testing the terrain of {}", tiling.place(*key)),
            || {
                let Some(extent) = summed(journal, tiling, cell, *key)? else { return Ok(none()) };
                let mut near = Neighbourhood::new(&extent, tiling.ground(*key, 0), REACH);
                let (x, y) = near.ground();
                for around in tiling.touching(x, y) {
                    let bytes = journal.terrain(around)?;
                    if bytes.is_empty() {
                        continue;
                    }
                    let sums = Coverage::skip(&bytes).and_then(|rest| near.sums.merge_encoded(rest));
                    sums.ok_or_else(|| damaged(tiling, around))?;
                }
                let mut part = none();
                part.add(&near, &learned);
                Ok(part)
            },
        )
    };
    let merge = |mut a: TerrainByReturns, b: TerrainByReturns| {
        a.merge(&b);
        Ok(a)
    };
    // Tile by tile, since few have reference and take long.
    let (trade, voids) = rayon::join(
        || answering.par_iter().with_max_len(1).map(test).try_reduce(none, merge),
        || voids(journal, &keys, tiling, cell, highest as u8),
    );
    Ok(trade?.rows(cell, &voids?, &account.ground, &account.dz))
}

/// The cells that touch a tile.
fn cells_of(tiling: Tiling, cell: f64, key: TileKey) -> Extent {
    let (x, y) = tiling.ground(key, 0);
    Extent::covering(cell, x, y, 0)
}

/// Those cells that touch a tile of which it, or a tile that shares them, has sums: only around the reference.
fn summed(journal: &Journal, tiling: Tiling, cell: f64, key: TileKey) -> Result<Option<Extent>, EngineError> {
    let own = cells_of(tiling, cell, key);
    let mut all: Option<Extent> = None;
    let (x, y) = own.ground();
    for near in tiling.touching(x, y) {
        let bytes = journal.terrain(near)?;
        let sums = if bytes.is_empty() { Some(&bytes[..]) } else { Coverage::skip(&bytes) };
        let sums = sums.ok_or_else(|| damaged(tiling, near))?;
        if sums.is_empty() {
            continue;
        }
        // What is read decides how much memory is taken: it must lie in the tile.
        let extent = Sums::encoded_extent(sums)
            .filter(|extent| extent.cell == cell && extent.within(&cells_of(tiling, cell, near)) == *extent)
            .ok_or_else(|| damaged(tiling, near))?
            .within(&own);
        if !extent.is_empty() {
            all = Some(all.map_or(extent, |all| all.joined(&extent)));
        }
    }
    Ok(all)
}

/// Coverage and voids, gone over from south to north.
fn voids(
    journal: &Journal,
    keys: &[TileKey],
    tiling: Tiling,
    cell: f64,
    up_to: u8,
) -> Result<Voids, EngineError> {
    let mut sweep = Sweep::new(up_to);
    for key in keys {
        let bytes = journal.terrain(*key)?;
        if bytes.is_empty() {
            continue;
        }
        let (coverage, _) = Coverage::decode(&bytes).ok_or_else(|| damaged(tiling, *key))?;
        // Tiles come row by row: a cell of those to come lies north of this one's southern edge, or on it.
        let south = tiling.ground(*key, 0).1.0;
        sweep.complete_below((south as f64 / cell).floor() as i64);
        sweep.add(&coverage);
    }
    Ok(sweep.finish())
}

fn damaged(tiling: Tiling, key: TileKey) -> EngineError {
    EngineError::Internal {
        doing: format!("reading back the terrain cells of {}", tiling.place(key)),
        message: "they are not as they were written".to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terrain::cells::CellSums;
    use crate::tile::points::Found;

    #[test]
    fn sums_that_lie_outside_their_tile_are_refused_before_they_take_memory() {
        let (tiling, cell, key) =
            (Tiling { edge: 20_000_000 }, 500_000.0, TileKey { row: 305_000, column: 20_000 });
        let own = cells_of(tiling, cell, key);
        let learning = Learning::new(10_000_000);
        let mut ground = [0; MAX_RETURN + 1];
        ground[1] = 1;
        let account = Account { ground, dz: Default::default(), learning: &learning, block: 10_000_000 };
        let account_of = |sums: &Extent| {
            let folder = tempfile::tempdir().unwrap();
            let journal = Journal::open(&folder.path().join("tiles"), |_, _| Ok(())).unwrap();
            let mut terrain = CellSums::new(own, None).encode();
            Sums::new(*sums).encode(&mut terrain);
            journal.append(key, &Found { terrain, ..Found::default() }).unwrap();
            trade(&journal, tiling, cell, &account, &Watch::default())
        };
        assert_eq!(account_of(&own).unwrap().len(), 1);
        let one_too_far = Extent { first_column: own.first_column + 1, ..own };
        let elsewhere = Extent { first_row: 1 << 49, ..own };
        for sums in [one_too_far, elsewhere, own.widened(1)] {
            let message = account_of(&sums).unwrap_err().to_string();
            assert!(message.contains("are not as they were written"), "{message}");
        }
    }
}
