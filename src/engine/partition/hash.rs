//! The hash of a file whose blocks are read in parallel: each byte comes from the disk once, for its hash and its points.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;

use sha2::{Digest, Sha256};

use crate::cloud::files::hex;
use crate::cloud::{Location, Source, read_stretch};
use crate::engine::store::error::EngineError;

/// Bytes of blocks that wait for the ones before them, at the most.
const MOST_WAITING: usize = 16 << 20;

/// Time after which a worker that waits looks whether another has failed.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Hashes one file in its order, whatever the order in which its blocks are offered. What lies between them (the header, and
/// what follows the points) it reads itself.
pub struct FileHash {
    location: Location,
    size: u64,
    /// Where the blocks begin that will be offered.
    blocks: Vec<u64>,
    state: Mutex<State>,
    advanced: Condvar,
}

struct State {
    hasher: Sha256,
    /// Bytes hashed so far.
    next: u64,
    waiting: BTreeMap<u64, Vec<u8>>,
    waiting_bytes: usize,
}

impl FileHash {
    /// The hash of the file that a source is of; the blocks that will be offered begin at these bytes of it, ascending.
    pub fn new(source: &Source, blocks: Vec<u64>) -> Self {
        let state = State { hasher: Sha256::new(), next: 0, waiting: BTreeMap::new(), waiting_bytes: 0 };
        FileHash {
            location: source.location().clone(),
            size: source.size(),
            blocks,
            state: Mutex::new(state),
            advanced: Condvar::new(),
        }
    }

    /// Takes the bytes of a block. Waits while too many others wait for one before them, unless `failed` says that it may
    /// never come.
    ///
    /// # Errors
    /// Where what lies before the block cannot be read.
    pub fn offer(&self, offset: u64, bytes: &[u8], failed: &AtomicBool) -> Result<(), EngineError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        loop {
            self.advance(&mut state, offset)?;
            if state.next == offset {
                state.hasher.update(bytes);
                state.next += bytes.len() as u64;
                self.advance(&mut state, self.size)?;
                self.advanced.notify_all();
                return Ok(());
            }
            if state.waiting_bytes < MOST_WAITING || failed.load(Ordering::Relaxed) {
                state.waiting_bytes += bytes.len();
                state.waiting.insert(offset, bytes.to_vec());
                return Ok(());
            }
            let waited = self.advanced.wait_timeout(state, LOOK_EVERY);
            state = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Hashes what is at hand up to `end`: blocks that wait, and what lies between blocks.
    fn advance(&self, state: &mut State, end: u64) -> Result<(), EngineError> {
        while state.next < end {
            if let Some(bytes) = state.waiting.remove(&state.next) {
                state.waiting_bytes -= bytes.len();
                state.hasher.update(&bytes);
                state.next += bytes.len() as u64;
                continue;
            }
            let following = self.blocks.partition_point(|&block| block < state.next);
            let between = self.blocks.get(following).copied().unwrap_or(self.size).min(end);
            if between == state.next {
                return Ok(());
            }
            let State { hasher, next, .. } = state;
            read_stretch(&self.location, *next, between, |piece| {
                hasher.update(piece);
                Ok::<(), EngineError>(())
            })?;
            state.next = between;
        }
        Ok(())
    }

    /// The hash, once all blocks have been offered.
    ///
    /// # Errors
    /// Where what follows the blocks cannot be read.
    pub fn finish(&self) -> Result<String, EngineError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        self.advance(&mut state, self.size)?;
        let hash = state.hasher.finalize_reset();
        Ok(hex(&hash))
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::thread;

    use super::*;
    use crate::cloud::Block;

    #[test]
    fn a_file_offered_block_by_block_in_any_order_has_the_hash_of_its_bytes() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/survey/strip-101.laz");
        let bytes = std::fs::read(&path).unwrap();
        let expected = hex(&Sha256::digest(&bytes));
        let source = Source::open(&path, false).unwrap();
        let blocks = source[0].blocks();
        assert!(blocks.len() > 3);
        let stretch = |block: &Block| &bytes[block.offset as usize..(block.offset + block.bytes) as usize];
        let none_failed = AtomicBool::new(false);
        for turn in 0..3 {
            // The last turn leaves one block to the hash itself, as one that is too large.
            let offered = |block: &Block| turn < 2 || block.number != 1;
            let begins = blocks.iter().filter(|block| offered(block)).map(|block| block.offset);
            let hash = FileHash::new(&source[0], begins.collect());
            let mut order: Vec<&Block> = blocks.iter().filter(|block| offered(block)).collect();
            if turn == 1 {
                order.reverse();
            }
            thread::scope(|scope| {
                for half in order.chunks(order.len().div_ceil(2)) {
                    let (hash, failed) = (&hash, &none_failed);
                    scope.spawn(move || {
                        for block in half {
                            hash.offer(block.offset, stretch(block), failed).unwrap();
                        }
                    });
                }
            });
            assert_eq!(hash.finish().unwrap(), expected, "turn {turn}");
        }
    }
}
