//! The division of the tiles among the parts: stretches of equal cost along a curve on which neighbours are near each other,
//! so that a part looks at few surfaces of others.

use crate::engine::partition::clouds::Partitions;
use crate::engine::store::phase::PartOf;
use crate::tile::tiling::TileKey;

/// What work on a tile costs, in units of some 24 ns (measured, bench/README.md): a point of the survey, and what is added to it where
/// there is reference; a point of the reference; the tile itself.
const SURVEY_COST: u64 = 5;
const COMPARED_COST: u64 = 2;
const REFERENCE_COST: u64 = 5;
const TILE_COST: u64 = 370_000;

/// All tiles and the part that works on each, from 1, in the order of tiles.
pub fn division(partitions: &Partitions, parts: u32) -> Vec<(TileKey, u32)> {
    let mut keys = partitions.keys();
    let low = |of: fn(&TileKey) -> i64| keys.iter().map(of).min().unwrap_or(0);
    let (row, column) = (low(|key| key.row), low(|key| key.column));
    keys.sort_by_cached_key(|key| interleaved((key.row - row) as u64, (key.column - column) as u64));
    let cost = |key: &TileKey| {
        let points = partitions.points_of(*key);
        let compared = if points.reference > 0 { COMPARED_COST } else { 0 };
        TILE_COST + points.survey * (SURVEY_COST + compared) + points.reference * REFERENCE_COST
    };
    let whole: u64 = keys.iter().map(cost).sum();
    let (mut at, mut number) = (0, 1);
    let mut divided: Vec<(TileKey, u32)> = Vec::with_capacity(keys.len());
    for key in keys {
        // A tile belongs to the part in whose stretch its middle lies.
        let middle = at + cost(&key) / 2;
        while number < parts && middle >= (PartOf { number, of: parts }).stretch(whole).1 {
            number += 1;
        }
        divided.push((key, number));
        at += cost(&key);
    }
    divided.sort_unstable();
    divided
}

/// The bits of both numbers in turn.
fn interleaved(a: u64, b: u64) -> u128 {
    let spread = |word: u64| (0..64).fold(0u128, |all, i| all | u128::from(word >> i & 1) << (2 * i));
    spread(a) << 1 | spread(b)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::engine::partition::clouds::Partition;
    use crate::engine::partition::counts::ReadCounts;
    use crate::engine::partition::partitioner::Share;
    use crate::tile::tiling::Tiling;

    /// A survey over `side` × `side` tiles, of which the first columns are ten times as full.
    fn site(side: i64) -> Partitions {
        let mut shares = BTreeMap::new();
        for (row, column) in (-3..side - 3).flat_map(|row| (5..side + 5).map(move |column| (row, column))) {
            let points = if column < 9 { 10_000_000 } else { 1_000_000 };
            shares.insert(TileKey { row, column }, Share { points, ..Share::default() });
        }
        let survey = Partition { spills: Vec::new(), shares, counts: ReadCounts::default() };
        Partitions { survey, reference: None, tiling: Tiling { edge: 1000 } }
    }

    #[test]
    fn every_tile_has_one_part_and_all_parts_cost_about_the_same() {
        let site = site(20);
        for parts in [1, 3, 7, 40] {
            let divided = division(&site, parts);
            assert_eq!(divided.iter().map(|(key, _)| *key).collect::<Vec<_>>(), site.keys());
            let mut points = vec![0; parts as usize];
            divided.iter().for_each(|(key, part)| points[*part as usize - 1] += site.points_of(*key).survey);
            let mean = points.iter().sum::<u64>() as f64 / f64::from(parts);
            // A tile more or less.
            assert!(points.iter().all(|&points| (points as f64 - mean).abs() < 12e6), "{points:?}");
        }
        // Parts beyond the tiles have none.
        assert_eq!(division(&site, 1000).len(), 400);
    }

    #[test]
    fn parts_are_compact() {
        let divided: BTreeMap<TileKey, u32> = division(&site(32), 16).into_iter().collect();
        let others = |key: &TileKey, part: u32| {
            let near = |(row, column)| TileKey { row: key.row + row, column: key.column + column };
            let neighbours = [(0, 1), (1, 0), (0, -1), (-1, 0)].map(near);
            neighbours.into_iter().any(|key| divided.get(&key).is_some_and(|other| *other != part))
        };
        let at_border = divided.iter().filter(|(key, part)| others(key, **part)).count();
        // Of rows in turn, all 1024 would be.
        assert!(at_border < 650, "{at_border}");
    }
}
