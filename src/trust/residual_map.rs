//! Residuals by place, for the map of the page.

use std::collections::BTreeMap;

use crate::results::pictures::{MapCell, ResidualMap};
use crate::stats::blocks::{BlockSums, DzSums};
use crate::stats::delivered::Delivered;
use crate::trust::groups::Groups;
use crate::units::Unit;

/// Cells of a map at the most, and squares of ground: more cannot be told apart on a page.
const MOST_CELLS: usize = 6_000;

/// From sums by block of the finest groups, and the delivered ground; nothing where nothing was compared.
pub fn residual_map(
    sums: &BlockSums,
    groups: &Groups,
    delivered: &Delivered,
    units: Unit,
) -> Option<ResidualMap> {
    if sums.is_empty() {
        return None;
    }
    let sums = sums.clone().at_most(MOST_CELLS);
    let returns_of = |of_groups: &[(u16, DzSums)]| {
        let mut returns: BTreeMap<u8, DzSums> = BTreeMap::new();
        for (group, dz) in of_groups {
            returns.entry(groups.finest[usize::from(*group)].return_number).or_default().merge(dz);
        }
        let mean = |dz: &DzSums| units.from_micrometres(dz.sum as f64 / dz.n as f64);
        let known = returns.into_iter().filter(|(_, dz)| dz.n > 0);
        known.map(|(number, dz)| (number, dz.n, mean(&dz))).collect()
    };
    let cells = sums.rows_and_columns().into_iter().zip(sums.by_group());
    let cells = cells
        .map(|((row, column), of_groups)| MapCell { row, column, returns: returns_of(of_groups) })
        .collect();
    Some(ResidualMap { cell: sums.size_um(), cells, ground: delivered.places(MOST_CELLS) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::summarise::Summarise;
    use crate::tile::strata::Strata;

    #[test]
    fn cells_have_the_means_of_their_returns_and_none_is_lost() {
        let of = |return_number| Strata { return_number, ..Strata::default() };
        let groups = Groups::new(&Summarise::default(), &BTreeMap::new(), vec![of(1), of(2)], 2);
        let mut sums = BlockSums::new(2_000_000, 2);
        let mut delivered = Delivered::default();
        for i in 0..40_000i64 {
            let (x, y) = (i % 200 * 1_000_000 - 5_000_000, i / 200 * 1_000_000);
            sums.add((x, y), (i % 2) as u16, 1, 10_000 + i % 2 * 5_000);
            delivered.add(x, y, 1, 1);
        }
        let map = residual_map(&sums, &groups, &delivered, Unit::Metre).unwrap();
        assert!(map.cells.len() <= MOST_CELLS && map.cell == 4_000_000, "{} {}", map.cells.len(), map.cell);
        let count: u64 = map.cells.iter().flat_map(|cell| &cell.returns).map(|(_, n, _)| n).sum();
        assert_eq!(count, 40_000);
        assert_eq!(map.cells[1].returns, [(1, 8, 0.010), (2, 8, 0.015)]);
        assert_eq!((map.cells[0].row, map.cells[0].column), (0, -2));
        assert_eq!(map.ground.0, Delivered::EDGE as i64);
        assert!(residual_map(&BlockSums::new(1, 1), &groups, &delivered, Unit::Metre).is_none());
    }
}
