//! The work on tiles: surfaces first, since neighbours need them, then the chain of stages.

use std::cmp::Reverse;
use std::collections::{HashMap, HashSet};
use std::mem;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::cloud::bounds::{Bounds, Range, widened};
use crate::cloud::point::Point;
use crate::engine::conclude::gather::Gathered;
use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::read::Partition;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::engine::work::surfaces::Surfaces;
use crate::raster::Extent;
use crate::stages::chain::Chain;
use crate::stages::matching::ReferenceGround;
use crate::stages::terrain_cells::{REACH, TerrainGround};
use crate::stages::{Visitor, Wanted};
use crate::terrain::model::farthest;
use crate::tile::points::{Cloud, Found, PointSet, Tile};
use crate::tile::tiling::{TileKey, Tiling};
use crate::units::Micrometres;

/// Makes the surface of every tile for each cloud of which a stage wants one.
///
/// # Errors
/// Where the disk fails.
pub fn make_surfaces(
    dealt: &Partitions,
    chain: &Chain,
    tiling: Tiling,
    folder: &Path,
    watch: &Watch,
) -> Result<HashMap<Cloud, Surfaces>, EngineError> {
    let mut all = HashMap::new();
    for need in chain.surfaces() {
        let Some(cloud) = dealt.get(need.cloud) else { continue };
        let Some((x, y)) = cloud.counts.bounds.ranges() else { continue };
        let path = folder.join(match need.cloud {
            Cloud::Survey => "survey-surfaces",
            Cloud::Reference => "reference-surfaces",
        });
        let domain = Extent::covering(need.cell, x, y, 0);
        let surfaces = Surfaces::create(&path, domain, tiling)?;
        let keys = cloud.spill.keys();
        let progress = Progress::start(watch, "making surfaces", "tiles", keys.len() as u64);
        keys.par_iter().try_for_each_init(Vec::new, |buffer, &key| {
            watch.check()?;
            guarded(
                || format!("making the surface of {}", tiling.place(key)),
                || {
                    let mut surface = surfaces.blank(key);
                    let finder = surface.extent.finder();
                    cloud.for_each_piece(key, buffer, |piece| {
                        piece.core.for_each(|point| {
                            if !point.is_noise() {
                                surface.lower_at(finder.index_of(point.x, point.y), point.z);
                            }
                        });
                    })?;
                    progress.advance(1);
                    surfaces.put(key, &surface)
                },
            )
        })?;
        all.insert(need.cloud, surfaces);
    }
    Ok(all)
}

/// What the work on tiles needs, whichever tile it is.
pub struct Work<'a> {
    /// The points.
    pub dealt: &'a Partitions,
    /// The surfaces of each cloud.
    pub surfaces: &'a HashMap<Cloud, Surfaces>,
    /// The stages.
    pub chain: &'a Chain,
    /// The tiles.
    pub tiling: Tiling,
    /// Where what is found goes.
    pub gathered: &'a Gathered,
}

/// Runs the chain of stages on every tile that is not done yet and gathers what they find; on the `heavy` ones, of which
/// memory holds only one, one after another.
///
/// # Errors
/// Where the disk fails, a stage panics, or the run is asked to stop.
pub fn run_tiles(all: &Work<'_>, heavy: &HashSet<TileKey>, watch: &Watch) -> Result<(), EngineError> {
    let mut keys = all.dealt.keys();
    keys.retain(|key| !all.gathered.done_before().contains(key));
    let progress = Progress::start(watch, "working on tiles", "tiles", keys.len() as u64);
    let work = |buffers: &mut Buffers, key: TileKey| -> Result<(), EngineError> {
        watch.check()?;
        let found =
            guarded(|| format!("working on {}", all.tiling.place(key)), || run_tile(key, all, buffers))?;
        all.gathered.absorb(key, &found)?;
        progress.advance(1);
        Ok(())
    };
    let (heavy, mut light): (Vec<TileKey>, Vec<TileKey>) = keys.iter().partition(|key| heavy.contains(key));
    heavy.iter().try_for_each(|&key| work(&mut Buffers::default(), key))?;
    light.sort_by_cached_key(|key| {
        let points = all.dealt.points_of(*key);
        // Points of the reference take the most memory: their tiles hold points together.
        (points.reference == 0, Reverse(points.survey + points.reference))
    });
    let (queue, failed) = (Queue::new(light), AtomicBool::new(false));
    let results = rayon::broadcast(|worker| -> Result<(), EngineError> {
        let mut buffers = Buffers::default();
        while !failed.load(Ordering::Relaxed)
            && let Some(key) = queue.next(worker.index())
        {
            work(&mut buffers, key).inspect_err(|_| failed.store(true, Ordering::Relaxed))?;
        }
        Ok(())
    });
    results.into_iter().collect()
}

/// Tiles to be worked on, the fullest first. Every other worker takes them from that end, so that none is left alone with a
/// full one at the end; the others take them from the other, so that few full ones are in memory at once.
struct Queue {
    keys: Vec<TileKey>,
    taken: AtomicUsize,
    from_start: AtomicUsize,
    from_end: AtomicUsize,
}

impl Queue {
    fn new(keys: Vec<TileKey>) -> Self {
        let none = || AtomicUsize::new(0);
        Queue { keys, taken: none(), from_start: none(), from_end: none() }
    }

    fn next(&self, worker: usize) -> Option<TileKey> {
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

/// What a worker reads the points of its tiles into; the memory is used again for the next tile.
#[derive(Default)]
struct Buffers {
    bytes: Vec<u8>,
    piece: PointSet,
    halo: PointSet,
    survey: PointSet,
    reference_ground: ReferenceGround,
}

/// Runs the chain of stages on one tile.
fn run_tile(key: TileKey, all: &Work<'_>, buffers: &mut Buffers) -> Result<Found, EngineError> {
    let Work { dealt, chain, tiling, gathered, .. } = *all;
    let mut tile = Tile {
        key,
        core: tiling.ground(key, 0),
        halo: chain.halo(),
        points: dealt.points_of(key),
        survey: mem::take(&mut buffers.survey),
        reference_ground: mem::take(&mut buffers.reference_ground),
        draw_up_to: gathered.sample.up_to(),
        terrain: chain
            .terrain_cell
            .and_then(|cell| terrain_ground(key, dealt, tiling, cell.exact_micrometres())),
        survey_limits: None,
        cell_attributes: None,
        counted: Vec::new(),
        candidates: Vec::new(),
        spaced: Vec::new(),
        found: Found::default(),
    };
    let mut visitors = visitors_of(&tile, all)?;
    let wanted =
        |cloud| chain.tiles.iter().map(|stage| stage.wants(cloud, &tile)).max().unwrap_or(Wanted::Nothing);
    let (wanted_reference, wanted_survey) = (wanted(Cloud::Reference), wanted(Cloud::Survey));
    if let Some(reference) = &dealt.reference {
        buffers.read_reference(reference, &mut tile, wanted_reference, &mut visitors)?;
    }
    buffers.read_survey(&dealt.survey, &mut tile, wanted_survey, &mut visitors)?;
    visitors.into_iter().for_each(|look| look.finish(&mut tile));
    for stage in &chain.tiles {
        stage.run(&mut tile);
    }
    (buffers.survey, buffers.reference_ground) = (tile.survey, tile.reference_ground);
    Ok(tile.found)
}

/// The looks of all stages that have one.
fn visitors_of<'a>(tile: &Tile, all: &Work<'a>) -> Result<Vec<Box<dyn Visitor + 'a>>, EngineError> {
    let mut visitors = Vec::new();
    for stage in &all.chain.tiles {
        let surface = match stage.surface().and_then(|need| Some((need, all.surfaces.get(&need.cloud)?))) {
            Some((need, surfaces)) if tile.points.get(need.cloud) > 0 => {
                let (x, y) = tile.ground(need.cloud);
                Some(surfaces.get(x, y, need.margin)?)
            }
            _ => None,
        };
        visitors.extend(stage.visitor(tile, surface));
    }
    Ok(visitors)
}

impl Buffers {
    /// Has the stages look at the reference of a tile; what is wanted of its ground is held.
    fn read_reference(
        &mut self,
        reference: &Partition,
        tile: &mut Tile,
        wanted: Wanted,
        visitors: &mut [Box<dyn Visitor + '_>],
    ) -> Result<(), EngineError> {
        let held = wanted > Wanted::Nothing;
        let ground = &mut tile.reference_ground;
        ground.start(if held { tile.points.reference as usize } else { 0 });
        self.read(Cloud::Reference, reference, tile.key, visitors, |piece| {
            if held {
                piece.ground().for_each(|i| ground.add(&piece.points[i]));
            }
        })
    }

    /// Has the stages look at the survey of a tile; what is wanted of it is held. The reference must have been read.
    fn read_survey(
        &mut self,
        survey: &Partition,
        tile: &mut Tile,
        wanted: Wanted,
        visitors: &mut [Box<dyn Visitor + '_>],
    ) -> Result<(), EngineError> {
        let margin = tile.halo.survey + tile.halo.reference;
        let near = is_near(&tile.reference_ground.bounds(), margin);
        let held = |point: &Point| match wanted {
            Wanted::Nothing => false,
            Wanted::NearReference => near(point),
            Wanted::All => true,
        };
        let points = &mut tile.survey;
        points.start(if wanted > Wanted::Nothing { tile.points.survey as usize } else { 0 });
        let mut halo = mem::take(&mut self.halo);
        halo.start(0);
        self.read(Cloud::Survey, survey, tile.key, visitors, |piece| {
            points.extend(piece, 0..piece.core, held);
            halo.extend(piece, piece.core..piece.points.len(), held);
        })?;
        points.core = points.points.len();
        points.append(&mut halo);
        self.halo = halo;
        Ok(())
    }

    /// Reads the points of a cloud in a tile, has the stages look at them, and hands them over, piece by piece.
    fn read(
        &mut self,
        cloud: Cloud,
        dealt: &Partition,
        key: TileKey,
        visitors: &mut [Box<dyn Visitor + '_>],
        mut each: impl FnMut(&PointSet),
    ) -> Result<(), EngineError> {
        let Buffers { bytes, piece, .. } = self;
        dealt.for_each_piece(key, bytes, |packed| {
            piece.fill(packed);
            visitors.iter_mut().for_each(|look| look.visit(cloud, piece));
            each(piece);
        })
    }
}

/// Whether a point lies in a box or within `margin` of it.
fn is_near(bounds: &Bounds, margin: Micrometres) -> impl Fn(&Point) -> bool + use<> {
    let ranges = bounds.ranges().map(|(x, y)| (widened(x, margin), widened(y, margin)));
    move |point| {
        let within = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
        ranges.is_some_and(|(x, y)| within(point.x, x) && within(point.y, y))
    }
}

/// Where a tile sums up terrain cells: those that the box around the survey touches, and for testing those around the
/// reference that the terrain may look at.
fn terrain_ground(key: TileKey, dealt: &Partitions, tiling: Tiling, cell: f64) -> Option<TerrainGround> {
    let (x, y) = dealt.survey.counts.bounds.ranges()?;
    let covered = overlap(tiling.ground(key, 0), Extent::covering(cell, x, y, 0).ground())?;
    let mut tested = Bounds::default();
    if let Some(reference) = &dealt.reference {
        let reach = farthest(REACH, cell);
        let (x, y) = tiling.ground(key, reach);
        for near in tiling.touching(x, y) {
            let Some((x, y)) = reference.share_of(near).core.ranges() else { continue };
            if let Some((x, y)) = overlap(covered, (widened(x, reach), widened(y, reach))) {
                tested.merge(&Bounds::new((x.0, y.0), (x.1 - 1, y.1 - 1)));
            }
        }
    }
    Some(TerrainGround { covered, tested: tested.ranges() })
}

/// The ground that is in both; nothing where that is none.
fn overlap(one: (Range, Range), other: (Range, Range)) -> Option<(Range, Range)> {
    let along = |one: Range, other: Range| (one.0.max(other.0), one.1.min(other.1));
    let (x, y) = (along(one.0, other.0), along(one.1, other.1));
    (x.0 < x.1 && y.0 < y.1).then_some((x, y))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;
    use crate::engine::partition::partitioner::Share;
    use crate::engine::partition::read::ReadCounts;
    use crate::engine::store::spill::Spill;
    use crate::terrain::model::margin;

    fn dealt(points: &[(Micrometres, Micrometres)], tiling: Tiling, folder: &Path) -> Partition {
        let mut shares: BTreeMap<TileKey, Share> = BTreeMap::new();
        let mut counts = ReadCounts::default();
        for &(x, y) in points {
            let core = Bounds::new((x, y), (x, y));
            shares.entry(tiling.key_of(x, y)).or_default().merge(&Share { points: 1, core });
            counts.bounds.add((x, y));
        }
        Partition { spill: Spill::create(&folder.join("spill")).unwrap(), shares, counts }
    }

    proptest! {
        #[test]
        fn terrain_is_summed_up_wherever_the_test_at_a_reference_point_may_look(
            edge in 3_000_000i64..150_000_000,
            cell in prop_oneof![Just(500_000.0), Just(457_200.914_4), Just(700_000.0), Just(12_000_000.0)],
            reference in proptest::collection::vec((-200_000_000i64..200_000_000, -200_000_000i64..200_000_000), 1..9),
            looks in proptest::collection::vec((-1.0..=1.0f64, -1.0..=1.0f64), 40),
        ) {
            let (tiling, folder) = (Tiling { edge }, tempfile::tempdir().unwrap());
            let survey = [(-205_000_000, -200_000_000), (210_000_000, 190_000_000)];
            let clouds = Partitions {
                survey: dealt(&survey, tiling, folder.path()),
                reference: Some(dealt(&reference, tiling, folder.path())),
            };
            let (survey_x, survey_y) = clouds.survey.counts.bounds.ranges().unwrap();
            let within = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
            // All cells that the terrain at a place may look at: so many on every side of its own.
            let margin = margin(REACH, cell);
            for (at, look) in reference.iter().flat_map(|at| looks.iter().map(move |look| (at, look))) {
                let seen = Extent::covering(cell, (at.0, at.0 + 1), (at.1, at.1 + 1), margin).ground();
                let along = |range: Range, part: f64| {
                    range.0 + (((part + 1.0) / 2.0 * (range.1 - range.0) as f64) as i64).min(range.1 - range.0 - 1)
                };
                let (x, y) = (along(seen.0, look.0), along(seen.1, look.1));
                if within(x, survey_x) && within(y, survey_y) {
                    let ground = terrain_ground(tiling.key_of(x, y), &clouds, tiling, cell).unwrap();
                    let (tested_x, tested_y) = ground.tested.unwrap();
                    prop_assert!(within(x, tested_x) && within(y, tested_y));
                }
            }
            // Far from all reference nothing is summed up.
            let far = tiling.key_of(900_000_000, 900_000_000);
            prop_assert!(terrain_ground(far, &clouds, tiling, cell).is_none_or(|ground| ground.tested.is_none()));
        }
    }
}
