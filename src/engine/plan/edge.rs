//! The edge of the tiles: which fit the other options at all, and which suits the clouds.

use crate::engine::plan::budget::{Density, cell_bytes, fullest};
use crate::stages::chain::Chain;
use crate::units::Micrometres;

/// Tile and margin together stay below this, micrometres: positions in a tile are 32-bit numbers.
const WIDEST: Micrometres = 2_000_000_000;

/// Margins are at most so many tiles wide: every point is copied to all tiles that it lies in the margin of.
const MARGIN_TILES: Micrometres = 2;

/// Points of a tile beyond which a larger tile gains nothing.
const ENOUGH_POINTS: f64 = 4e6;

/// Smallest and largest edge that the program chooses by itself, metres.
pub const EDGES: (i64, i64) = (20, 1000);

/// Why tiles of this edge cannot be worked on with the margins that the stages need, whatever the clouds; with the
/// edges that could.
pub fn wrong_edge(edge: Micrometres, chain: &Chain) -> Option<String> {
    let halo = chain.halo();
    let halo = halo.survey.max(halo.reference);
    let metres = |um: Micrometres| um as f64 / 1e6;
    if edge + 2 * halo > WIDEST {
        return Some(format!(
            "tiles of {} m and the {} m around them that the stages look at (from `within`, `spacing` and `canopy_radius`) are too \
             wide together: 2,000 m is the most",
            metres(edge),
            metres(halo)
        ));
    }
    (halo > MARGIN_TILES * edge).then(|| {
        format!(
            "tiles of {} m are too small for the {} m around them that the stages look at (from `within`, `spacing` \
             and `canopy_radius`): they must be half as wide at least",
            metres(edge),
            metres(halo)
        )
    })
}

/// Bytes that the points of a tile may take, and those that its cells may take: the edge follows from the pipeline and the
/// headers alone, so that all parts of a run agree, whatever machine works on them. Where a machine has less memory, tiles
/// are cut into parts.
const TILE_BYTES: f64 = 150e6;
const CELL_BYTES: f64 = 64e6;

/// The edge of the tiles: the largest round one within these bounds that is not beyond use, at least the smallest. Nothing
/// where the stages look farther than any fits.
pub fn tile_edge(survey: &Density, chain: &Chain) -> Option<Micrometres> {
    let mut best = None;
    let mut edge = EDGES.0;
    while edge <= EDGES.1 {
        let um = edge * 1_000_000;
        let fullest = fullest(um, survey, chain);
        if best.is_some() && (cell_bytes(um, chain) > CELL_BYTES || fullest.bytes > TILE_BYTES) {
            break;
        }
        if wrong_edge(um, chain).is_none() {
            best = Some(um);
            if fullest.points > ENOUGH_POINTS {
                break;
            }
        }
        edge += if edge < 100 { 10 } else { 50 };
    }
    best
}
