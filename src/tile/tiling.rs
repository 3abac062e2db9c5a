//! Square tiles aligned to multiples of their edge from coordinate zero.

use serde::{Deserialize, Serialize};

use crate::cloud::bounds::Range;
use crate::raster::Extent;
use crate::units::Micrometres;

/// A tile by its column and row, counted from coordinate zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct TileKey {
    /// Tiles north of coordinate zero.
    pub row: i64,
    /// Tiles east of coordinate zero.
    pub column: i64,
}

/// The division of the plane into tiles.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tiling {
    /// Edge of a tile, micrometres.
    pub edge: Micrometres,
}

impl Tiling {
    /// The tile that answers for a position.
    pub fn key_of(&self, x: Micrometres, y: Micrometres) -> TileKey {
        TileKey { row: y.div_euclid(self.edge), column: x.div_euclid(self.edge) }
    }

    /// The south-west corner of a tile.
    pub fn corner(&self, key: TileKey) -> (Micrometres, Micrometres) {
        (key.column * self.edge, key.row * self.edge)
    }

    /// A tile in words, by its south-west corner.
    pub fn place(&self, key: TileKey) -> String {
        let (x, y) = self.corner(key);
        format!("the tile at x {} m, y {} m", x as f64 / 1e6, y as f64 / 1e6)
    }

    /// The ground of a tile with `margin` micrometres more on every side, as ranges of x and y.
    pub fn ground(&self, key: TileKey, margin: Micrometres) -> (Range, Range) {
        let (x, y) = self.corner(key);
        ((x - margin, x + self.edge + margin), (y - margin, y + self.edge + margin))
    }

    /// The other tiles whose ground, widened by `halo`, holds a position.
    pub fn halos_of(
        &self,
        x: Micrometres,
        y: Micrometres,
        halo: Micrometres,
    ) -> impl Iterator<Item = TileKey> + use<> {
        let own = self.key_of(x, y);
        let (low, high) = (self.key_of(x - halo, y - halo), self.key_of(x + halo, y + halo));
        (low.row..=high.row)
            .flat_map(move |row| (low.column..=high.column).map(move |column| TileKey { row, column }))
            .filter(move |key| *key != own)
    }

    /// All tiles that the cells of that edge, micrometres, touch which touch a tile.
    pub fn sharing_cells(&self, key: TileKey, cell: f64) -> impl Iterator<Item = TileKey> + use<> {
        let (x, y) = self.ground(key, 0);
        let (x, y) = Extent::covering(cell, x, y, 0).ground();
        self.touching(x, y)
    }

    /// All tiles that touch the given ranges of x and y.
    pub fn touching(&self, x: Range, y: Range) -> impl Iterator<Item = TileKey> + use<> {
        let (low, high) = (self.key_of(x.0, y.0), self.key_of(x.1 - 1, y.1 - 1));
        (low.row..=high.row)
            .flat_map(move |row| (low.column..=high.column).map(move |column| TileKey { row, column }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_position_has_one_tile_and_the_halos_that_reach_it() {
        let tiling = Tiling { edge: 100 };
        assert_eq!(tiling.key_of(-1, 100), TileKey { row: 1, column: -1 });
        let halos: Vec<TileKey> = tiling.halos_of(99, 100, 5).collect();
        assert_eq!(halos.len(), 3);
        for key in halos {
            let (x, y) = tiling.ground(key, 5);
            assert!(x.0 <= 99 && 99 <= x.1 && y.0 <= 100 && 100 <= y.1);
        }
        assert_eq!(tiling.halos_of(50, 50, 5).count(), 0);
    }

    #[test]
    fn tiles_share_the_cells_that_their_edges_cut() {
        let tiling = Tiling { edge: 100 };
        let key = |row, column| TileKey { row, column };
        // Cells of 50 end at the edges; of cells of 40 that of 80 to 120 reaches into the next tile.
        let sharing = |cell| tiling.sharing_cells(key(0, 0), cell).collect::<Vec<_>>();
        assert_eq!(sharing(50.0), [key(0, 0)]);
        assert_eq!(sharing(40.0), [key(0, 0), key(0, 1), key(1, 0), key(1, 1)]);
    }
}
