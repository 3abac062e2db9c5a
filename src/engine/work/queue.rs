//! The order in which tiles are worked on.

use std::sync::atomic::{AtomicUsize, Ordering};

use crate::tile::tiling::TileKey;

/// Tiles to be worked on, the fullest first. Every other worker takes them from that end, so that none is left alone with a
/// full one at the end; the others take them from the other, so that few full ones are in memory at once.
pub struct Queue {
    keys: Vec<TileKey>,
    taken: AtomicUsize,
    from_start: AtomicUsize,
    from_end: AtomicUsize,
}

impl Queue {
    /// All tiles, the fullest first.
    pub fn new(keys: Vec<TileKey>) -> Self {
        let none = || AtomicUsize::new(0);
        Queue { keys, taken: none(), from_start: none(), from_end: none() }
    }

    /// The next tile for a worker; nothing where all are taken.
    pub fn next(&self, worker: usize) -> Option<TileKey> {
        // As many are taken from both ends together as there are: so the ends never cross.
        if self.taken.fetch_add(1, Ordering::Relaxed) >= self.keys.len() {
            return None;
        }
        let place = if worker.is_multiple_of(2) {
            self.from_start.fetch_add(1, Ordering::Relaxed)
        } else {
            self.keys.len() - 1 - self.from_end.fetch_add(1, Ordering::Relaxed)
        };
        Some(self.keys[place])
    }
}
