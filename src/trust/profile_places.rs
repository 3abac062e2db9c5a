//! Where profiles are drawn: where |dz| is largest, and where it is as in the middle of the site.

use std::collections::BTreeMap;

use crate::results::pictures::ResidualMap;
use crate::units::Micrometres;

/// Places of either kind.
const EACH: usize = 2;
/// Least edge of the squares that are ranked: several metres, so that a few bad points make no place.
const LEAST_EDGE: Micrometres = 4_000_000;
/// Comparisons that a square must have to be ranked; where no square has as many, the fewer that follow.
const ENOUGH: [u64; 3] = [30, 10, 3];

/// A square of the ground that is worth a profile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProfilePlace {
    /// Whether |dz| is largest there; else it is as in the middle of all squares.
    pub is_worst: bool,
    /// Its middle.
    pub middle: (Micrometres, Micrometres),
    /// Its edge.
    pub edge: Micrometres,
    /// Comparisons, and their mean of dz in the unit of the report.
    pub compared: (u64, f64),
}

/// The places, the worst first, at least `apart` from each other on one axis.
pub fn profile_places(map: &ResidualMap, apart: Micrometres) -> Vec<ProfilePlace> {
    let mut times = 1;
    while map.cell * times < LEAST_EDGE {
        times *= 2;
    }
    let edge = map.cell * times;
    let mut squares: BTreeMap<(i64, i64), (u64, f64)> = BTreeMap::new();
    for cell in &map.cells {
        let square = squares.entry((cell.row.div_euclid(times), cell.column.div_euclid(times))).or_default();
        for (_, n, dz) in &cell.returns {
            *square = (square.0 + n, square.1 + *n as f64 * dz);
        }
    }
    let enough = ENOUGH.into_iter().find(|enough| squares.values().any(|square| square.0 >= *enough));
    let Some(enough) = enough else { return Vec::new() };
    let square = |(&(row, column), &(n, sum)): (&(i64, i64), &(u64, f64))| {
        let at = |place: i64| place * edge + edge / 2;
        let compared = (n, sum / n as f64);
        (n >= enough).then_some(ProfilePlace {
            is_worst: false,
            middle: (at(column), at(row)),
            edge,
            compared,
        })
    };
    let ranked: Vec<ProfilePlace> = squares.iter().filter_map(square).collect();
    let mut means: Vec<f64> = ranked.iter().map(|one| one.compared.1).collect();
    means.sort_by(f64::total_cmp);
    let middle = means[means.len() / 2];
    let mut places: Vec<ProfilePlace> = Vec::new();
    for is_worst in [true, false] {
        // From the largest |dz| down; from the middle outwards. Squares that are equal stay from south to north.
        let key = |one: &ProfilePlace| match is_worst {
            true => -one.compared.1.abs(),
            false => (one.compared.1 - middle).abs(),
        };
        let mut order = ranked.clone();
        order.sort_by(|a, b| key(a).total_cmp(&key(b)));
        let mut found = 0;
        for one in order {
            let far = |other: &ProfilePlace| {
                (one.middle.0 - other.middle.0).abs() >= apart
                    || (one.middle.1 - other.middle.1).abs() >= apart / 2
            };
            if found < EACH && places.iter().all(far) {
                found += 1;
                places.push(ProfilePlace { is_worst, ..one });
            }
        }
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::pictures::MapCell;

    #[test]
    fn the_worst_squares_with_enough_comparisons_come_first_then_those_of_the_middle() {
        // Squares of 4 m in a row: dz grows to the east; the two farthest have few comparisons.
        let cells = (0..100).map(|i| {
            let n = if i >= 96 { 2 } else { 20 };
            MapCell {
                row: -3,
                column: i,
                returns: vec![(1, n, 0.001 * (i / 2) as f64), (2, n, 0.001 * (i / 2) as f64)],
            }
        });
        let map = ResidualMap { cell: 2_000_000, cells: cells.collect(), ground: (1, Vec::new()) };
        let places = profile_places(&map, 20_000_000);
        let found: Vec<_> =
            places.iter().map(|one| (one.is_worst, one.middle.0 / 1_000_000, one.compared.0)).collect();
        assert_eq!(found, [(true, 190, 80), (true, 170, 80), (false, 98, 80), (false, 78, 80)]);
        assert!(places.iter().all(|one| one.middle.1 == -6_000_000 && one.edge == 4_000_000));
        assert!((places[0].compared.1 - 0.047).abs() < 1e-12);
        let few = ResidualMap { cells: map.cells[..1].to_vec(), ..map.clone() };
        assert_eq!(profile_places(&few, 20_000_000).len(), 1);
        let none = ResidualMap { cells: Vec::new(), ..map };
        assert!(profile_places(&none, 20_000_000).is_empty());
    }
}
