//! Spacing: of points closer together than a given distance, only the first in some order stays.

use crate::cloud::bounds::Bounds;
use crate::units::Micrometres;

/// For each of the positions, in their order, whether none before it is closer than `spacing`.
///
/// The time does not grow with how densely the positions lie: of those in a cell whose diagonal is within the spacing only
/// the first can stay, and it is held against the few of the cells around that come before it.
pub fn stay(positions: &[(Micrometres, Micrometres)], spacing: Micrometres) -> Vec<bool> {
    let mut bounds = Bounds::default();
    positions.iter().for_each(|position| bounds.add(*position));
    let Some(((west, east), (south, north))) = bounds.ranges().filter(|_| spacing > 0) else {
        return vec![true; positions.len()];
    };
    // The diagonal of a cell is at most the spacing, and two positions in it are less than that apart.
    let cell = (((spacing * spacing / 2) as u64).isqrt() as i64).max(1);
    // A spacing small against the extent of the positions must not cost memory: several cells share a list.
    let most = (4 * positions.len() as i64).max(64);
    let columns = ((east - west - 1) / cell + 1).min(most);
    let cell_of = |(x, y): (Micrometres, Micrometres)| ((x - west) / cell, (y - south) / cell);
    let rows = (north - south - 1) / cell + 1;
    let lists = rows.min(most / columns.max(1) + 1).max(1);
    let list_of = |(column, row): (i64, i64)| ((row % lists) * columns + column % columns) as usize;

    let mut starts = vec![0u32; (columns * lists + 1) as usize];
    positions.iter().for_each(|position| starts[list_of(cell_of(*position)) + 1] += 1);
    for i in 1..starts.len() {
        starts[i] += starts[i - 1];
    }
    let mut next = starts.clone();
    let mut sorted = vec![0u32; positions.len()];
    for (i, position) in (0..).zip(positions) {
        let next = &mut next[list_of(cell_of(*position))];
        sorted[*next as usize] = i;
        *next += 1;
    }
    let closer = |a: (Micrometres, Micrometres), b: (Micrometres, Micrometres)| {
        let (dx, dy) = (a.0 - b.0, a.1 - b.1);
        dx * dx + dy * dy < spacing * spacing
    };
    // Those of a list stand in their order, so that the search ends with the first that comes later.
    let gives_way = |(i, position): (usize, &(Micrometres, Micrometres))| {
        let (column, row) = cell_of(*position);
        NEIGHBOURS.iter().any(|(dc, dr)| {
            let list = list_of(((column + dc).rem_euclid(columns), (row + dr).rem_euclid(lists)));
            let list = &sorted[starts[list] as usize..starts[list + 1] as usize];
            let before = list.iter().map(|&other| other as usize).take_while(|other| *other < i);
            before.into_iter().any(|other| closer(*position, positions[other]))
        })
    };
    positions.iter().enumerate().map(|one| !gives_way(one)).collect()
}

/// Cells around a cell that may hold positions less than the spacing away: its own first, where most give way. Two cells
/// beyond both edges it is the spacing or farther.
const NEIGHBOURS: [(i64, i64); 21] = [
    (0, 0),
    (-1, 0),
    (1, 0),
    (0, -1),
    (0, 1),
    (-1, -1),
    (1, -1),
    (-1, 1),
    (1, 1),
    (-2, 0),
    (2, 0),
    (0, -2),
    (0, 2),
    (-2, -1),
    (-2, 1),
    (2, -1),
    (2, 1),
    (-1, -2),
    (1, -2),
    (-1, 2),
    (1, 2),
];

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn the_same_stay_as_when_all_are_held_against_all(
            spacing in prop_oneof![Just(0i64), 1i64..5, 100i64..2000],
            // Edge of the ground in spacings: from 1 to 10,000 positions a square spacing.
            (count, edge) in prop_oneof![(1usize..300, 0.1..17.0f64), (1000usize..1200, 0.3..1.0f64)],
            seed in any::<u64>(),
        ) {
            let edge = ((spacing.max(1) as f64 * edge) as i64).max(1);
            let mut state = seed;
            let mut random = || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as i64 % edge - edge / 2
            };
            let positions: Vec<(i64, i64)> = (0..count).map(|_| (random(), random())).collect();
            let expected: Vec<bool> = (0..count)
                .map(|i| {
                    let far = |j: usize| {
                        let (dx, dy) = (positions[i].0 - positions[j].0, positions[i].1 - positions[j].1);
                        dx * dx + dy * dy >= spacing * spacing
                    };
                    (0..i).all(far)
                })
                .collect();
            prop_assert_eq!(stay(&positions, spacing), expected);
        }
    }
}
