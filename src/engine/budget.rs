//! How large tiles may be so that the work fits the memory allowed.

use std::path::Path;

use super::limits::wrong_edge;
use crate::pipeline::units::Micrometres;
use crate::stages::chain::Chain;

/// What is known of a cloud before it is read.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Density {
    /// Points.
    pub points: u64,
    /// Points a square metre, on the careful (dense) side.
    pub per_m2: f64,
}

/// Bytes of a survey point at work on a tile: the point, its fate, its candidate and its residual.
pub const SURVEY_POINT: f64 = 90.0;
/// Bytes of a reference point at work on a tile: the point, its fate and its place among the neighbours.
pub const REFERENCE_POINT: f64 = 60.0;
/// Bytes of a cell while a surface is opened.
pub const CELL: f64 = 80.0;
/// Bytes of a terrain cell while its points are summed: its state, and sums of a few returns and the reference.
pub const TERRAIN_CELL: f64 = 160.0;
/// Share of the memory allowed that tiles may take: the rest is buffers, tables and slack.
pub const SHARE: f64 = 0.6;
/// Points of a tile beyond which a larger tile gains nothing.
const ENOUGH_POINTS: f64 = 4e6;

/// Bytes on disk for a point while a run works: its record, copies for neighbours, its surface cell and its dz.
const DISK_PER_POINT: u64 = 24;

/// Points that one worker gets through in a second, roughly: measured on the demonstration, with room for larger sites.
const POINTS_PER_SECOND: f64 = 1e6;

/// Bytes of disk that a run over so many points may take while it works, a large draw of checkpoints not counted.
pub fn disk_bytes(points: u64) -> u64 {
    points.saturating_mul(DISK_PER_POINT)
}

/// Seconds that a run over so many points takes, very roughly: machines differ.
pub fn rough_seconds(points: u64, threads: usize) -> f64 {
    points as f64 / POINTS_PER_SECOND / threads as f64
}

/// Bytes free for a folder that may not be there yet, where the system tells.
pub fn free_bytes(folder: &Path) -> Option<u64> {
    let whole = std::path::absolute(folder).ok()?;
    let there = whole.ancestors().find(|path| path.exists())?;
    fs4::available_space(there).ok()
}

/// Smallest and largest edge that the program chooses by itself, metres.
const EDGES: (i64, i64) = (20, 1000);

/// Memory that a worker needs for a tile of `edge` micrometres, bytes.
pub fn tile_bytes(edge: Micrometres, survey: Density, reference: Density, chain: &Chain) -> f64 {
    let halo = chain.halo();
    let metres = |um: Micrometres| um as f64 / 1e6;
    let area = |halo| (metres(edge) + 2.0 * metres(halo)).powi(2);
    let points = area(halo.survey) * survey.per_m2 * SURVEY_POINT
        + area(halo.reference) * reference.per_m2 * REFERENCE_POINT;
    let cells = chain
        .surfaces()
        .map(|need| {
            ((edge + 2 * halo.survey.max(halo.reference)) as f64 / need.cell + 2.0 * need.margin as f64)
                .powi(2)
        })
        .fold(0.0, f64::max);
    let terrain = chain.terrain_cell.map_or(0.0, |cell| (edge as f64 / cell.exact_micrometres()).powi(2));
    points + cells * CELL + terrain * TERRAIN_CELL
}

/// The edge of tiles for `threads` workers within `memory` bytes: the largest round one that fits and is not beyond
/// use. Nothing where even the smallest does not fit.
pub fn tile_edge(
    memory: u64,
    threads: usize,
    survey: Density,
    reference: Density,
    chain: &Chain,
) -> Option<Micrometres> {
    let allowed = memory as f64 * SHARE / threads as f64;
    let mut best = None;
    let mut edge = EDGES.0;
    while edge <= EDGES.1 {
        let um = edge * 1_000_000;
        if tile_bytes(um, survey, reference, chain) > allowed {
            break;
        }
        if wrong_edge(um, chain).is_some() {
            edge += if edge < 100 { 10 } else { 50 };
            continue;
        }
        best = Some(um);
        if (edge as f64).powi(2) * (survey.per_m2 + reference.per_m2) > ENOUGH_POINTS {
            break;
        }
        edge += if edge < 100 { 10 } else { 50 };
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_room_for_a_folder_that_is_not_there_is_that_of_its_disk() {
        let base = tempfile::tempdir().unwrap();
        let free = free_bytes(&base.path().join("not/there/yet")).unwrap();
        assert!(free > 0 && free_bytes(Path::new("nor this")).is_some());
    }
    use crate::stages::{Stage, ground::Ground};

    #[test]
    fn more_memory_allows_larger_tiles_and_too_little_none() {
        let chain = Chain::new(&[Stage::Ground(Ground::default())], 1);
        let survey = Density { points: 1_000_000, per_m2: 100.0 };
        let edge = |mib: u64| tile_edge(mib << 20, 2, survey, Density::default(), &chain);
        assert_eq!(edge(2), None);
        let (small, large) = (edge(64).unwrap(), edge(512).unwrap());
        assert!(small < large);
        assert!(tile_bytes(large, survey, Density::default(), &chain) <= 0.6 * 256.0 * f64::from(1 << 20));
    }
}
