//! From what the tiles summed up by strip and setup to the tallies of both clouds.

use std::collections::{BTreeMap, BTreeSet};

use crate::agreement::Strip;
use crate::agreement::cell::CellRule;
use crate::agreement::sums::{Sum, take_strips};
use crate::engine::store::error::EngineError;
use crate::raster::edge;
use crate::stages::agreement::{COVERED, CUT, Tallies, take_cloud, whole_cells};
use crate::terrain::bytes::take_signed;
use crate::tile::tiling::{TileKey, Tiling};
use crate::tile::yields::Yields;

/// The tallies of survey and reference. Cells cut by the edges of tiles are put together by the tile in the south-west of each,
/// tile by tile, so that no more than the cells of one tile are held.
///
/// # Errors
/// Where the disk does not give them back.
pub fn tallies(yields: &dyn Yields, tiling: Tiling, rule: &CellRule) -> Result<Tallies, EngineError> {
    let mut all = whole_cells(yields)?;
    let (stretches, covered_stretches) = (yields.by_tile(CUT), yields.by_tile(COVERED));
    let around = |key: &TileKey| tiling.sharing_cells(*key, rule.cell);
    let answering: BTreeSet<TileKey> = stretches.keys().flat_map(around).collect();
    for key in answering {
        let mut cells: BTreeMap<(usize, i64, i64), BTreeMap<Strip, Sum>> = BTreeMap::new();
        let mut covered: BTreeSet<(i64, i64)> = BTreeSet::new();
        for near in around(&key) {
            for stretch in stretches.get(&near).into_iter().flatten() {
                let bytes = yields.read(stretch)?;
                read(&bytes, |cloud, (column, row), strips| {
                    if tiling.key_of(edge(column, rule.cell), edge(row, rule.cell)) == key {
                        let cut = cells.entry((cloud, column, row)).or_default();
                        for (strip, sum) in strips {
                            cut.entry(*strip).or_default().merge(sum);
                        }
                    }
                })
                .ok_or_else(|| yields.damaged(stretch))?;
            }
            for stretch in covered_stretches.get(&near).into_iter().flatten() {
                let bytes = yields.read(stretch)?;
                let mut rest = bytes.as_slice();
                while !rest.is_empty() {
                    let place = take_signed(&mut rest).zip(take_signed(&mut rest));
                    covered.insert(place.ok_or_else(|| yields.damaged(stretch))?);
                }
            }
        }
        for ((cloud, column, row), strips) in cells {
            if !covered.contains(&(column, row)) {
                let strips: Vec<(Strip, Sum)> = strips.into_iter().collect();
                all[cloud].add_cell((column, row), &strips, rule);
            }
        }
    }
    Ok(all)
}

/// Hands over the parts of cells in a section; nothing where it is damaged.
fn read(mut bytes: &[u8], mut f: impl FnMut(usize, (i64, i64), &[(Strip, Sum)])) -> Option<()> {
    let mut strips = Vec::new();
    while !bytes.is_empty() {
        let cloud = take_cloud(&mut bytes)?;
        let place = (take_signed(&mut bytes)?, take_signed(&mut bytes)?);
        strips.clear();
        take_strips(&mut bytes, |strip, sum| strips.push((strip, sum)))?;
        f(cloud, place, &strips);
    }
    Some(())
}
