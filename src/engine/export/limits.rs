//! The limits of the ground filter by tile, as many of them in memory as there is room for.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use crate::engine::store::error::EngineError;
use crate::stages::kept_limits::{KeptLimits, LimitsIndex};
use crate::tile::tiling::TileKey;
use crate::tile::yields::Yields;

/// The limits of a tile, if it has some.
pub type OfTile = Option<Arc<KeptLimits>>;

/// The limits of all tiles. Workers share it; those of the tiles that were asked for last are in memory.
pub struct LimitsOfTiles<'a> {
    yields: &'a dyn Yields,
    index: LimitsIndex,
    /// Bytes that may be in memory.
    most: usize,
    held: Mutex<Held>,
}

#[derive(Default)]
struct Held {
    tiles: HashMap<TileKey, (OfTile, u64)>,
    bytes: usize,
    /// How often was asked.
    asked: u64,
}

impl<'a> LimitsOfTiles<'a> {
    /// Those that tiles gave back; so many bytes of them may be in memory.
    pub fn new(yields: &'a dyn Yields, most: usize) -> Self {
        LimitsOfTiles { yields, index: LimitsIndex::of(yields), most, held: Mutex::default() }
    }

    /// Those of a tile.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn get(&self, key: TileKey) -> Result<OfTile, EngineError> {
        let held = || self.held.lock().unwrap_or_else(PoisonError::into_inner);
        {
            let mut held = held();
            held.asked += 1;
            let now = held.asked;
            if let Some((limits, asked)) = held.tiles.get_mut(&key) {
                *asked = now;
                return Ok(limits.clone());
            }
        }
        // Nobody waits meanwhile; should two read the same tile, one of them did so for nothing.
        let limits = KeptLimits::of(self.yields, &self.index, key)?.map(Arc::new);
        let mut held = held();
        let now = held.asked;
        held.bytes += bytes(&limits);
        if let Some((before, _)) = held.tiles.insert(key, (limits.clone(), now)) {
            held.bytes -= bytes(&before);
        }
        while held.bytes > self.most && held.tiles.len() > 1 {
            let oldest = held.tiles.iter().min_by_key(|(_, (_, asked))| *asked).map(|(key, _)| *key);
            let Some((gone, _)) = oldest.and_then(|key| held.tiles.remove(&key)) else { break };
            held.bytes -= bytes(&gone);
        }
        Ok(limits)
    }
}

fn bytes(limits: &OfTile) -> usize {
    limits.as_ref().map_or(64, |limits| limits.bytes())
}
