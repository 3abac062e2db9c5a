//! Square tiles aligned to multiples of their edge from coordinate zero.

use serde::{Deserialize, Serialize};

use crate::cloud::bounds::Range;
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
}
