//! What is kept of each tile to judge its points again, as much of it in memory as there is room for.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use crate::engine::store::error::EngineError;
use crate::stages::kept_dz::{DzIndex, KeptDz};
use crate::stages::kept_limits::{KeptLimits, LimitsIndex};
use crate::tile::tiling::TileKey;
use crate::tile::yields::{YieldError, Yields};

/// What is kept of a tile.
pub struct KeptOfTile {
    /// The limits of the ground filter, if it has some.
    pub limits: Option<KeptLimits>,
    /// dz of points, where they are kept.
    pub dz: KeptDz,
}

/// What is kept of all tiles. Workers share it; that of the tiles that were asked for last is in memory.
pub struct KeptOfTiles<'a> {
    yields: &'a dyn Yields,
    limits: LimitsIndex,
    dz: DzIndex,
    /// Bytes that may be in memory.
    most: usize,
    held: Mutex<Held>,
}

#[derive(Default)]
struct Held {
    tiles: HashMap<TileKey, (Arc<KeptOfTile>, u64)>,
    bytes: usize,
    /// How often was asked.
    asked: u64,
}

impl<'a> KeptOfTiles<'a> {
    /// What tiles gave back; so many bytes of it may be in memory.
    pub fn new(yields: &'a dyn Yields, most: usize) -> Self {
        let (limits, dz) = (LimitsIndex::of(yields), DzIndex::of(yields));
        KeptOfTiles { yields, limits, dz, most, held: Mutex::default() }
    }

    fn read(&self, key: TileKey) -> Result<KeptOfTile, YieldError> {
        Ok(KeptOfTile {
            limits: KeptLimits::of(self.yields, &self.limits, key)?,
            dz: KeptDz::of(self.yields, &self.dz, key)?,
        })
    }

    /// That of a tile.
    ///
    /// # Errors
    /// Where the disk does not give it back.
    pub fn get(&self, key: TileKey) -> Result<Arc<KeptOfTile>, EngineError> {
        let held = || self.held.lock().unwrap_or_else(PoisonError::into_inner);
        {
            let mut held = held();
            held.asked += 1;
            let now = held.asked;
            if let Some((kept, asked)) = held.tiles.get_mut(&key) {
                *asked = now;
                return Ok(Arc::clone(kept));
            }
        }
        // Nobody waits meanwhile; should two read the same tile, one of them did so for nothing.
        let kept = Arc::new(self.read(key)?);
        let mut held = held();
        let now = held.asked;
        held.bytes += kept.bytes();
        if let Some((before, _)) = held.tiles.insert(key, (Arc::clone(&kept), now)) {
            held.bytes -= before.bytes();
        }
        while held.bytes > self.most && held.tiles.len() > 1 {
            let oldest = held.tiles.iter().min_by_key(|(_, (_, asked))| *asked).map(|(key, _)| *key);
            let Some((gone, _)) = oldest.and_then(|key| held.tiles.remove(&key)) else { break };
            held.bytes -= gone.bytes();
        }
        Ok(kept)
    }
}

impl KeptOfTile {
    /// Bytes of memory.
    fn bytes(&self) -> usize {
        size_of::<KeptOfTile>() + self.limits.as_ref().map_or(0, KeptLimits::bytes) + self.dz.bytes()
    }
}
