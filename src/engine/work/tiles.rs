//! The work on tiles: the chain of stages on each of them.

use std::collections::HashSet;
use std::time::Instant;

use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::journal::Part;
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::engine::work::context::Work;
use crate::engine::work::load::Allowance;
use crate::engine::work::part::{Buffers, Outcome, PartRun};
use crate::engine::work::queue::longest_first;
use crate::tile::tiling::TileKey;

/// Runs the chain of stages on those of the tiles that are not done yet, and writes down what they give back; the heavy ones, of
/// which memory holds only one, one after another.
///
/// # Errors
/// Where the disk fails, a stage panics, or the run is asked to stop.
pub fn run_tiles(all: &Work<'_>, mut keys: Vec<TileKey>, watch: &Watch) -> Result<(), EngineError> {
    let done: HashSet<TileKey> = all.journals.done().into_iter().collect();
    keys.retain(|key| !done.contains(key));
    let progress = Progress::start(watch, "working on tiles", "tiles", keys.len() as u64);
    let tiling = all.partitions.tiling;
    let work = |buffers: &mut Buffers, key: TileKey, allowed: u64| -> Result<(), EngineError> {
        watch.check()?;
        guarded(|| format!("working on {}", tiling.place(key)), || run_tile(key, all, buffers, allowed))?;
        progress.advance(1);
        Ok(())
    };
    let is_heavy = |key: &TileKey| all.allowance.is_heavy(*key, all.partitions, all.chain);
    let (heavy, light): (Vec<TileKey>, Vec<TileKey>) = keys.into_iter().partition(is_heavy);
    let Allowance { whole, worker } = all.allowance;
    heavy.iter().try_for_each(|&key| work(&mut Buffers::default(), key, whole))?;
    let length = |key: &TileKey| {
        let points = all.partitions.points_of(*key);
        points.survey + points.reference
    };
    longest_first(light, length, Buffers::default, |buffers, key| work(buffers, *key, worker))
}

/// Runs the chain on one tile within `allowed` bytes: whole where that fits, otherwise in square parts, each a quarter of
/// the ones before, until they do.
fn run_tile(key: TileKey, all: &Work<'_>, buffers: &mut Buffers, allowed: u64) -> Result<(), EngineError> {
    let mut halvings = all.allowance.halvings(key, all.partitions, all.chain, allowed);
    let begun = Instant::now();
    let mut run = PartRun::new(key, all, buffers, allowed);
    'cuts: loop {
        let side = 1 << halvings;
        for number in 0..side * side {
            let part = Part { key, of: side * side, number };
            match run.run(part, side)? {
                Outcome::Done(sections) => all.journals.append(part, &sections)?,
                // The points lie closer together in this part than in the others.
                Outcome::TooHeavy => {
                    halvings += 1;
                    continue 'cuts;
                }
            }
        }
        tracing::debug!("{key:?}: {} part(s), {:.3} s", side * side, begun.elapsed().as_secs_f64());
        return Ok(());
    }
}
