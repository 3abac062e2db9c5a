//! Both clouds, partitioned into tiles.

use std::collections::{BTreeMap, BTreeSet};
use std::iter;

use crate::cloud::bounds::{Bounds, Range};
use crate::cloud::packed::Piece;
use crate::engine::partition::counts::ReadCounts;
use crate::engine::partition::partitioner::Share;
use crate::engine::store::error::EngineError;
use crate::engine::store::spill::Spill;
use crate::tile::at_work::Surroundings;
use crate::tile::points::{ByCloud, Cloud};
use crate::tile::tiling::{TileKey, Tiling};

/// The points of one cloud, partitioned into tiles.
pub struct Partition {
    /// The points by tile, in pieces that [`packed`](crate::cloud::packed) packed: a spill for each part that the cloud was
    /// read in.
    pub spills: Vec<Spill<TileKey>>,
    /// What each tile has of them.
    pub shares: BTreeMap<TileKey, Share>,
    /// What became of the others.
    pub counts: ReadCounts,
}

impl Partition {
    /// Adds what another part of the same cloud brought.
    pub fn join(&mut self, other: Partition) {
        self.spills.extend(other.spills);
        for (key, share) in other.shares {
            self.shares.entry(key).or_default().merge(&share);
        }
        self.counts.merge(&other.counts);
        self.counts.damaged.sort();
    }

    /// What a tile has.
    pub fn share_of(&self, key: TileKey) -> Share {
        self.shares.get(&key).copied().unwrap_or_default()
    }

    /// All tiles that have points, ascending.
    pub fn keys(&self) -> Vec<TileKey> {
        self.shares.keys().copied().collect()
    }

    /// Bytes that the points take on disk.
    pub fn bytes(&self) -> u64 {
        self.spills.iter().map(Spill::bytes).sum()
    }

    /// Hands over the pieces of a tile's points one by one, read through `buffer`, until `f` fails.
    ///
    /// # Errors
    /// Where the disk does not give them back, or not as they were.
    pub fn for_each_piece(
        &self,
        key: TileKey,
        buffer: &mut Vec<u8>,
        mut f: impl FnMut(&Piece<'_>),
    ) -> Result<(), EngineError> {
        for spill in &self.spills {
            spill.for_each_piece(key, buffer, |bytes| Piece::read(bytes).map(|piece| f(&piece)))?;
        }
        Ok(())
    }
}

/// Both clouds, partitioned into tiles.
pub struct Partitions {
    /// The survey.
    pub survey: Partition,
    /// The reference, where there is one.
    pub reference: Option<Partition>,
    /// The tiles.
    pub tiling: Tiling,
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
    pub fn bytes(&self) -> u64 {
        self.clouds().map(Partition::bytes).sum()
    }

    /// All tiles that have points.
    pub fn keys(&self) -> Vec<TileKey> {
        let all: BTreeSet<TileKey> = self.clouds().flat_map(Partition::keys).collect();
        all.into_iter().collect()
    }

    /// Gives the room on the disk back, once all tiles are done.
    pub fn empty(&self) {
        self.clouds().flat_map(|cloud| &cloud.spills).for_each(Spill::empty);
    }

    /// Points of each cloud in a tile, halo included.
    pub fn points_of(&self, key: TileKey) -> ByCloud {
        let points = |cloud: &Partition| cloud.share_of(key).points;
        ByCloud { survey: points(&self.survey), reference: self.reference.as_ref().map_or(0, points) }
    }
}

impl Surroundings for Partitions {
    fn bounds(&self, cloud: Cloud) -> Bounds {
        self.get(cloud).map_or_else(Bounds::default, |partition| partition.counts.bounds)
    }

    fn boxes_on(&self, cloud: Cloud, (x, y): (Range, Range)) -> Vec<Bounds> {
        let Some(partition) = self.get(cloud) else { return Vec::new() };
        self.tiling.touching(x, y).map(|key| partition.share_of(key).core).collect()
    }
}
