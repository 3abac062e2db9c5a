//! Both clouds, partitioned into tiles.

use std::collections::BTreeSet;
use std::iter;

use crate::engine::partition::read::Partition;
use crate::tile::points::{ByCloud, Cloud};
use crate::tile::tiling::TileKey;

/// Both clouds, partitioned into tiles.
pub struct Partitions {
    /// The survey.
    pub survey: Partition,
    /// The reference, where there is one.
    pub reference: Option<Partition>,
}

impl Partitions {
    /// One of the two.
    pub fn get(&self, cloud: Cloud) -> Option<&Partition> {
        match cloud {
            Cloud::Survey => Some(&self.survey),
            Cloud::Reference => self.reference.as_ref(),
        }
    }

    /// Those that there are.
    pub fn clouds(&self) -> impl Iterator<Item = &Partition> {
        iter::once(&self.survey).chain(&self.reference)
    }

    /// Bytes that the points take on disk.
    pub fn spill_bytes(&self) -> u64 {
        self.clouds().map(|partition| partition.spill.bytes()).sum()
    }

    /// All tiles that have points.
    pub fn keys(&self) -> Vec<TileKey> {
        let all: BTreeSet<TileKey> = self.clouds().flat_map(|partition| partition.spill.keys()).collect();
        all.into_iter().collect()
    }

    /// Gives the room on the disk back, once all tiles are done.
    pub fn empty(&self) {
        self.clouds().for_each(|partition| partition.spill.empty());
    }

    /// Points of each cloud in a tile, halo included.
    pub fn points_of(&self, key: TileKey) -> ByCloud {
        let reference = self.reference.as_ref().map_or(0, |partition| partition.share_of(key).points);
        ByCloud { survey: self.survey.share_of(key).points, reference }
    }
}
