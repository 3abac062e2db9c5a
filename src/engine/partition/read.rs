//! Scattering: blocks of the sources are decoded in parallel, and their points judged and assigned to tiles.
//!
//! There is no channel between decoding and assigning: each worker takes the next block, decodes it and assigns its points
//! itself. With one counter to share there is nothing to wait for, and memory is bounded by the workers' own buffers.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use crate::cloud::point::Point;
use crate::cloud::{Block, CloudError, Decoded, Decoder, Ground, Placing, Source};
use crate::engine::partition::bounds::BoundsJudge;
use crate::engine::partition::clouds::Partition;
use crate::engine::partition::counts::{Classified, DamagedBlock, ReadCounts};
use crate::engine::partition::hash::FileHash;
use crate::engine::partition::partitioner::{self, Partitioner};
use crate::engine::partition::share::{SOURCE_COST, Share, block_cost};
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::spill::Spill;
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::stages::chain::Chain;
use crate::stages::select::Tally;
use crate::stages::stage::WhileReading;
use crate::tile::points::Cloud;
use crate::tile::tiling::{TileKey, Tiling};
use crate::units::{Micrometres, Unit};

/// Share of the memory allowed that keeping track of all tiles may take.
const TRACKING_SHARE: u64 = 4;

/// Bytes of memory that keeping track of a tile takes, roughly: its share, and the position of its last piece.
const BYTES_PER_TILE: u64 = 256;

/// Blocks of objects that are on their way while others are decoded.
const ASKED_AHEAD: usize = 8;

/// One cloud to be scattered.
pub struct Input<'a> {
    /// Which cloud it is.
    pub cloud: Cloud,
    /// What it is made of.
    pub sources: &'a [Source],
    /// Units of each source's x and y, and of its z.
    pub units: &'a [(Unit, Unit)],
    /// What is laid down for each source.
    pub placing: &'a [Placing],
    /// How far beyond the core of a tile its points must be seen.
    pub halo: Micrometres,
    /// Memory that the run may take, bytes.
    pub memory: u64,
    /// The blocks that are read.
    pub share: Share,
}

/// Where blocks are chosen by the ground of their nodes, checks that the points decoded last lie on it.
fn in_node(block: &Block, decoder: &Decoder, grounds: &[&Ground]) -> Result<(), CloudError> {
    if grounds.is_empty() {
        return Ok(());
    }
    decoder.outside_node(block).map_or(Ok(()), |what| Err(decoder.damaged(block, what)))
}

/// What reading a cloud brought.
pub struct Scattered {
    /// Its points by tile.
    pub partition: Partition,
    /// SHA-256 of each file, in the order of the sources; nothing where another share has it.
    pub sha256: Vec<Option<String>>,
}

/// Reads the share of a cloud and assigns its points to tiles, in a spill at `path`.
///
/// # Errors
/// The first file that cannot be read, or the disk that does not take the spill.
pub fn scatter(
    input: &Input<'_>,
    chain: &Chain,
    tiling: Tiling,
    path: &Path,
    watch: &Watch,
) -> Result<Scattered, EngineError> {
    let spill = Spill::create(path)?;
    let selects: Vec<&WhileReading> =
        chain.while_reading.iter().filter(|one| one.cloud == input.cloud).collect();
    let grounds = chain.grounds(input.cloud);
    let (mut work, mut outside_area, mut missing) = (Vec::new(), 0u64, Vec::new());
    // Of each file whose hash falls to this share, the source that it begins with and the blocks that will be offered.
    let mut to_hash: Vec<Option<(usize, Vec<u64>)>> = Vec::new();
    let mut share = input.share.clone();
    for (place, source) in input.sources.iter().enumerate() {
        let is_own = share.takes(SOURCE_COST);
        // The sources of one file stand together.
        if place == 0 || input.sources[place - 1].path() != source.path() {
            to_hash.push(is_own.then(|| (place, Vec::new())));
        }
        if is_own && source.missing() > 0 {
            missing.push(place);
        }
        for block in source.blocks() {
            let is_needed = source.may_lie_on(block, &grounds, input.units[place].0);
            if !share.takes(block_cost(block, is_needed)) {
                continue;
            }
            if !is_needed {
                outside_area = outside_area.saturating_add(block.points);
                continue;
            }
            let file = to_hash.len() - 1;
            if let Some((_, blocks)) = to_hash[file].as_mut().filter(|_| source.can_load(block)) {
                blocks.push(block.offset);
            }
            work.push((place, file, *block));
        }
    }
    let doing = match input.cloud {
        Cloud::Survey => "reading the survey",
        Cloud::Reference => "reading the reference",
    };
    let points = work.iter().map(|(.., block)| block.points).fold(0, u64::saturating_add);
    tracing::debug!(
        "{doing}: {points} points of {} blocks, {outside_area} outside areas; {tiling:?}; fields {:?}",
        work.len(),
        chain.fields_read()
    );
    let progress = Progress::start(watch, doing, "points", points);
    let hash = |(place, blocks): (usize, Vec<u64>)| FileHash::new(&input.sources[place], blocks);
    let hashes: Vec<Option<FileHash>> = to_hash.into_iter().map(|file| file.map(hash)).collect();
    let bounds = |(source, units)| BoundsJudge::new(source, units, chain.ignore_bounds);
    let bounds: Vec<BoundsJudge<'_>> =
        input.sources.iter().zip(input.units.iter().copied()).map(bounds).collect();
    let next = AtomicUsize::new(0);
    let failed = AtomicBool::new(false);
    let total: Mutex<(ReadCounts, BTreeMap<TileKey, partitioner::Share>)> = Mutex::default();
    let read_until_done = || -> Result<(), EngineError> {
        let mut partitioner = Partitioner::new(&spill, chain.fields_of_tiles(), tiling, input.halo);
        let mut judge = Judge::new(&selects, chain.delivered.contains(&input.cloud));
        let mut decoder: Option<(usize, Decoder)> = None;
        while !failed.load(Ordering::Relaxed)
            && let turn = next.fetch_add(1, Ordering::Relaxed)
            && let Some((place, file, block)) = work.get(turn)
        {
            watch.check()?;
            if let Some((place, _, block)) = work.get(turn + ASKED_AHEAD) {
                input.sources[*place].ask(block);
            }
            let decoder = match &mut decoder {
                Some((open, decoder)) if open == place => decoder,
                other => {
                    let (horizontal, vertical) = input.units[*place];
                    let new = input.sources[*place].decoder(chain.fields_read(), horizontal, vertical);
                    let new = new.map_err(vanished)?.placed(input.placing[*place]);
                    &mut other.insert((*place, new)).1
                }
            };
            let path = input.sources[*place].path();
            let doing = || format!("reading {}, block {}", path.display(), block.number + 1);
            if let Some((bytes, hash)) = decoder.load(block)?.zip(hashes[*file].as_ref()) {
                hash.offer(block.offset, bytes, &failed)?;
            }
            guarded(doing, || {
                // What is added to a tile cannot be taken back: only a block that is whole is decoded for good.
                if chain.skip_damaged
                    && let Err(error) = decoder
                        .for_each(block, |_| ())
                        .and_then(|()| bounds[*place].check(block, decoder))
                        .and_then(|()| in_node(block, decoder, &grounds))
                {
                    return judge.lose(*place, block, error);
                }
                decoder.for_each_batch(block, |points| partitioner.add(judge.select(*place, points)))?;
                if !chain.skip_damaged {
                    bounds[*place].check(block, decoder)?;
                    in_node(block, decoder, &grounds)?;
                }
                Ok(())
            })?;
            partitioner.failed()?;
            check_tiles(&spill, input)?;
            progress.advance(block.points);
        }
        let found = partitioner.finish()?;
        check_tiles(&spill, input)?;
        let (counts, shares) = &mut *total.lock().expect("no panic while locked");
        counts.merge(&judge.into_counts());
        for (key, share) in found {
            shares.entry(key).or_default().merge(&share);
        }
        Ok(())
    };
    let results =
        rayon::broadcast(|_| read_until_done().inspect_err(|_| failed.store(true, Ordering::Relaxed)));
    results.into_iter().collect::<Result<(), _>>()?;
    let (mut counts, shares) = total.into_inner().expect("no panic while locked");
    counts.outside_area = outside_area;
    counts.read = counts.read.saturating_add(counts.outside_area);
    for (i, source) in missing.into_iter().map(|i| (i, &input.sources[i])) {
        counts.read = counts.read.saturating_add(source.missing());
        counts.lost = counts.lost.saturating_add(source.missing());
        counts.damaged.push(DamagedBlock { file: i, block: source.blocks().len(), what: cut_off(source) });
    }
    counts.damaged.sort();
    report_damage(&counts.damaged, watch);
    let sha256 = hashes.iter().map(|hash| hash.as_ref().map(FileHash::finish).transpose());
    let sha256 = sha256.collect::<Result<_, _>>()?;
    Ok(Scattered { partition: Partition { spills: vec![spill], shares, counts }, sha256 })
}

/// The error of a file that could be opened when the run began.
fn vanished(error: CloudError) -> EngineError {
    match error {
        CloudError::Open { path, source } => EngineError::Disk { path, doing: "reading its points", source },
        other => other.into(),
    }
}

/// Refuses points over more tiles than memory can keep track of: the work of a wrong scale factor.
fn check_tiles(spill: &Spill<TileKey>, input: &Input<'_>) -> Result<(), EngineError> {
    let tiles = spill.lists();
    if tiles as u64 * BYTES_PER_TILE <= input.memory / TRACKING_SHARE {
        return Ok(());
    }
    Err(EngineError::TooManyTiles { cloud: input.cloud.name(), tiles })
}

/// What is lost of a source that is cut off.
fn cut_off(source: &Source) -> String {
    format!(
        "{}: cut off: points {} to {} are not there (the file ends at byte {})",
        source.path().display(),
        source.points() - source.missing() + 1,
        source.points(),
        source.size()
    )
}

/// Damaged blocks that are reported one by one while the run works; the manifest has them all.
const REPORTED: usize = 10;

fn report_damage(damaged: &[DamagedBlock], watch: &Watch) {
    for block in damaged.iter().take(REPORTED) {
        watch.warn(&format!("skipped: {}", block.what));
    }
    if damaged.len() > REPORTED {
        let more = damaged.len() - REPORTED;
        watch.warn(&format!("skipped: {more} more damaged blocks, named in manifest.json"));
    }
}

/// Judges points as they are read, and counts.
struct Judge<'a> {
    selects: &'a [&'a WhileReading],
    tallies: Vec<Tally>,
    counts: ReadCounts,
    /// Points not withheld, by [`Point::returns`].
    by_returns: [u64; 256],
    /// Whether classes are counted.
    by_class: bool,
    kept: Vec<Point>,
}

impl<'a> Judge<'a> {
    fn new(selects: &'a [&'a WhileReading], by_class: bool) -> Self {
        Judge {
            selects,
            tallies: vec![Tally::default(); selects.len()],
            counts: ReadCounts::default(),
            by_returns: [0; 256],
            by_class,
            kept: Vec::new(),
        }
    }

    /// The points of a source that are selected, in their order.
    fn select(&mut self, source: usize, points: &[Decoded]) -> &[Point] {
        let Judge { selects, tallies, counts, by_returns, by_class, kept } = self;
        kept.clear();
        counts.read += points.len() as u64;
        for decoded in points {
            if decoded.withheld {
                counts.withheld += 1;
                continue;
            }
            by_returns[usize::from(decoded.point.returns())] += 1;
            if decoded.in_range {
                kept.push(decoded.point);
            } else {
                counts.out_of_range += 1;
            }
        }
        for (one, tally) in selects.iter().zip(tallies) {
            let before = kept.len();
            one.filter.retain(kept);
            tally.merge(&Tally { selected: kept.len() as u64, not_selected: (before - kept.len()) as u64 });
        }
        let mut bounds = counts.bounds;
        kept.iter().filter(|point| !point.is_noise()).for_each(|point| bounds.add((point.x, point.y)));
        counts.bounds = bounds;
        if *by_class {
            let ground = kept.iter().filter(|point| point.is_ground_class()).count();
            let found = Classified { ground: ground as u64, other: (kept.len() - ground) as u64 };
            counts.classified.entry(source).or_default().merge(&found);
        }
        kept
    }

    /// Counts a damaged block as lost.
    ///
    /// # Errors
    /// What is wrong where it is not the block.
    fn lose(&mut self, file: usize, block: &Block, error: CloudError) -> Result<(), EngineError> {
        let Some(what) = error.damage() else { return Err(error.into()) };
        self.counts.read = self.counts.read.saturating_add(block.points);
        self.counts.lost = self.counts.lost.saturating_add(block.points);
        self.counts.damaged.push(DamagedBlock { file, block: block.number, what });
        Ok(())
    }

    fn into_counts(self) -> ReadCounts {
        let mut counts = self.counts;
        for (returns, points) in (0..=u8::MAX).zip(self.by_returns) {
            let stated =
                Point { return_number: returns & 15, number_of_returns: returns >> 4, ..Point::default() };
            counts.by_return[usize::from(stated.valid_return().unwrap_or(0))] += points;
        }
        counts.select = self.selects.iter().map(|one| one.place).zip(self.tallies).collect();
        counts
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use std::fs;

    use super::*;
    use crate::stages::list::Stage;
    use crate::stages::summarise::Summarise;

    /// Bytes that this thread has asked the system to read.
    fn bytes_read() -> u64 {
        let text = fs::read_to_string("/proc/thread-self/io").unwrap();
        text.lines().find_map(|line| line.strip_prefix("rchar: ")).unwrap().parse().unwrap()
    }

    #[test]
    fn each_byte_of_an_input_is_read_once_for_its_hash_and_its_points() {
        let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/survey");
        let files = ["strip-101.laz", "strip-102.laz"].map(|name| data.join(name));
        let sources: Vec<Source> = files.iter().flat_map(|file| Source::open(file, false).unwrap()).collect();
        let size: u64 = sources.iter().map(Source::size).sum();
        let units = [(Unit::Metre, Unit::Metre); 2];
        let placing = [Placing::default(); 2];
        let input = Input {
            cloud: Cloud::Survey,
            sources: &sources,
            units: &units,
            placing: &placing,
            halo: 0,
            memory: 512 << 20,
            share: Share::whole(),
        };
        let chain = Chain::new(&[Stage::Summarise(Summarise::default())], 1);
        let folder = tempfile::tempdir().unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).stack_size(crate::cloud::STACK).build();
        let read = pool.unwrap().install(|| {
            let before = bytes_read();
            let path = folder.path().join("spill");
            let scattered = scatter(&input, &chain, Tiling { edge: 50_000_000 }, &path, &Watch::default());
            assert_eq!(scattered.unwrap().sha256.len(), 2);
            bytes_read() - before
        });
        // What the counting itself reads is a few hundred bytes.
        assert!((size..size + 4096).contains(&read), "{read} of {size}");
    }
}
