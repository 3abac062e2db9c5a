//! dz of single points, kept on disk by tile, so that each point of the survey finds its own again once all tiles are done.

use std::collections::BTreeMap;

use crate::cloud::packed::{pack_40, unpack_40};
use crate::cloud::point::Point;
use crate::tile::tiling::TileKey;
use crate::tile::yields::{Sections, Stretch, YieldError, Yields};
use crate::units::Micrometres;

/// The section: hash and dz of each point.
const SECTION: &str = "dz-of-points";

/// Bytes of a point: its hash, its dz.
const ENCODED: usize = 8 + 5;

/// By what a point is known again: position, returns and strip.
fn hash(point: &Point) -> u64 {
    point.seeded_hash(point.strip.into())
}

/// Gives the dz of a point back.
pub fn give(point: &Point, dz: Micrometres, sections: &mut Sections) {
    let bytes = sections.of(SECTION);
    bytes.extend_from_slice(&hash(point).to_le_bytes());
    bytes.extend_from_slice(&pack_40(dz));
}

/// Where the dz of each tile are.
pub struct DzIndex(BTreeMap<TileKey, Vec<Stretch>>);

impl DzIndex {
    /// Those of all tiles.
    pub fn of(yields: &dyn Yields) -> Self {
        DzIndex(yields.by_tile(SECTION))
    }
}

/// The dz of the points of a tile.
#[derive(Default)]
pub struct KeptDz(Vec<(u64, Micrometres)>);

impl KeptDz {
    /// Those that a tile gave back.
    ///
    /// # Errors
    /// Where the disk does not give them back, or not as they were.
    pub fn of(yields: &dyn Yields, index: &DzIndex, key: TileKey) -> Result<Self, YieldError> {
        let mut all = Vec::new();
        for stretch in index.0.get(&key).into_iter().flatten() {
            let bytes = yields.read(stretch)?;
            let (whole, rest) = bytes.as_chunks::<ENCODED>();
            if !rest.is_empty() {
                return Err(yields.damaged(stretch));
            }
            all.extend(whole.iter().map(|one| {
                let (hash, dz) = one.split_first_chunk().expect("a hash stands first");
                (u64::from_le_bytes(*hash), unpack_40(dz))
            }));
        }
        all.sort_unstable();
        Ok(KeptDz(all))
    }

    /// Bytes of memory.
    pub fn bytes(&self) -> usize {
        self.0.len() * size_of::<(u64, Micrometres)>()
    }

    /// That of a point, if it was compared.
    #[inline]
    pub fn at(&self, point: &Point) -> Option<Micrometres> {
        if self.0.is_empty() {
            return None;
        }
        let hash = hash(point);
        self.0.binary_search_by_key(&hash, |(hash, _)| *hash).ok().map(|i| self.0[i].1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::given::Given;

    #[test]
    fn each_point_finds_its_own_dz_again_and_the_others_none() {
        let point = |i: i64, strip| Point {
            x: i,
            y: -i,
            z: 7,
            return_number: 1,
            number_of_returns: 2,
            strip,
            ..Point::default()
        };
        let mut sections = Sections::default();
        (0..500).for_each(|i| give(&point(i, 3), i * 1000 - 70_000, &mut sections));
        let mut given = Given::default();
        given.add(&sections);
        let index = DzIndex::of(&given);
        let kept = KeptDz::of(&given, &index, TileKey { row: 0, column: 0 }).unwrap();
        for i in 0..500 {
            assert_eq!(kept.at(&point(i, 3)), Some(i * 1000 - 70_000));
            assert_eq!(kept.at(&point(i, 4)), None);
            assert_eq!(kept.at(&Point { z: 8, ..point(i, 3) }), None);
        }
        let elsewhere = KeptDz::of(&given, &index, TileKey { row: 5, column: 0 }).unwrap();
        assert_eq!(elsewhere.at(&point(1, 3)), None);
    }
}
