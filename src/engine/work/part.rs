//! A tile at work, whole or part by part.

use std::mem;

use crate::cloud::bounds::{Bounds, Range, widened};
use crate::cloud::packed::Piece;
use crate::cloud::point::Point;
use crate::engine::partition::clouds::Partition;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Part;
use crate::engine::work::context::Work;
use crate::engine::work::load::{NearReference, bytes_per_point, can_be_cut};
use crate::stages::stage::{Visitor, Wanted};
use crate::tile::at_work::{Tile, holds};
use crate::tile::points::{Cloud, PointSet};
use crate::tile::shared::Shared;
use crate::tile::tiling::TileKey;
use crate::tile::yields::Sections;
use crate::units::Micrometres;

/// What a worker reads the points of its tiles into; the memory is used again for the next tile.
#[derive(Default)]
pub struct Buffers {
    bytes: Vec<u8>,
    piece: PointSet,
    halo: PointSet,
    survey: PointSet,
    reusable: Shared,
}

/// Points of a halo whose memory is used again for the next tile; a list with room for far more is given back.
const HALO_KEPT: usize = 64 << 10;

/// How the work on a part of a tile ended.
pub enum Outcome {
    /// It is done, with what the stages gave back.
    Done(Sections),
    /// It would take more memory than is allowed, and can be cut.
    TooHeavy,
}

/// The work on one tile, part by part.
pub struct PartRun<'a> {
    all: &'a Work<'a>,
    buffers: &'a mut Buffers,
    /// Bytes that points of the survey that are held may take.
    allowed: u64,
    /// Whether the surfaces have been read.
    opened: bool,
    tile: Tile<'a>,
}

impl<'a> PartRun<'a> {
    /// Nothing done yet of a tile; its points may take `allowed` bytes.
    pub fn new(key: TileKey, all: &'a Work<'a>, buffers: &'a mut Buffers, allowed: u64) -> Self {
        let Work { partitions, chain, .. } = *all;
        let core = partitions.tiling.ground(key, 0);
        let points = partitions.points_of(key);
        let tile = Tile {
            key,
            whole: core,
            core,
            halo: chain.halo(),
            points,
            around: partitions,
            survey: mem::take(&mut buffers.survey),
            shared: Shared::default(),
            shared_by_parts: Shared::default(),
            reusable: mem::take(&mut buffers.reusable),
            sections: Sections::default(),
        };
        let allowed = allowed.saturating_sub(all.allowance.cell_bytes(key, partitions, chain));
        PartRun { all, buffers, allowed, opened: false, tile }
    }

    /// Runs the chain of stages on a part of the tile, of so many on every side.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn run(&mut self, part: Part, side: u32) -> Result<Outcome, EngineError> {
        let Work { partitions, chain, .. } = *self.all;
        self.tile.core = square(self.tile.whole, side, part.number);
        self.tile.shared.clear();
        self.tile.sections = Sections::default();
        let cut = side > 1;
        let mut visitors = self.visitors()?;
        if !self.read_survey(&partitions.survey, cut, &mut visitors)? {
            return Ok(Outcome::TooHeavy);
        }
        visitors.iter_mut().for_each(|visitor| visitor.survey_visited(&mut self.tile));
        if let Some(reference) = &partitions.reference {
            self.read(Cloud::Reference, reference, cut, &mut visitors, |_| {})?;
        }
        visitors.into_iter().for_each(|visitor| visitor.finish(&mut self.tile));
        for stage in &chain.tiles {
            stage.run(&mut self.tile);
        }
        Ok(Outcome::Done(mem::take(&mut self.tile.sections)))
    }

    /// The visitors of all stages that have one. Surfaces are read for the first part: the others find what it made of them.
    fn visitors(&mut self) -> Result<Vec<Box<dyn Visitor + 'a>>, EngineError> {
        let all = self.all;
        let is_first = !mem::replace(&mut self.opened, true);
        let mut visitors = Vec::new();
        for stage in &all.chain.tiles {
            let need = stage.surface().filter(|need| is_first && self.tile.points.get(need.cloud) > 0);
            let surface = match need.and_then(|need| Some((need, all.surfaces.get(&need.key())?))) {
                Some((need, surfaces)) => {
                    let margin = self.tile.halo.of(need.cloud);
                    let (x, y) = self.tile.whole;
                    Some(surfaces.get(widened(x, margin), widened(y, margin), need.margin)?)
                }
                None => None,
            };
            visitors.extend(stage.visitor(&mut self.tile, surface));
        }
        Ok(visitors)
    }

    /// Has the stages visit the survey of the part; what is wanted of it is held. False where that is too much.
    fn read_survey(
        &mut self,
        survey: &Partition,
        cut: bool,
        visitors: &mut [Box<dyn Visitor + 'a>],
    ) -> Result<bool, EngineError> {
        let Work { partitions, chain, .. } = *self.all;
        let share = NearReference::of(self.tile.key, self.tile.core, partitions, chain);
        let most_points = (self.allowed as f64 / bytes_per_point(chain, share)) as usize;
        let wanted = chain.tiles.iter().map(|stage| stage.wants(&self.tile)).max();
        let wanted = wanted.unwrap_or(Wanted::Nothing);
        let near = is_near(&self.tile.reference_box(), self.tile.halo.survey + self.tile.halo.reference);
        let (mut points, mut halo) = (mem::take(&mut self.tile.survey), mem::take(&mut self.buffers.halo));
        let room = if cut { most_points } else { usize::MAX }.min(self.tile.points.survey as usize);
        points.start(if wanted > Wanted::Nothing { room } else { 0 });
        halo.start(HALO_KEPT);
        let most = if can_be_cut(self.tile.core, self.tile.halo) { most_points } else { usize::MAX };
        let mut fits = true;
        self.read(Cloud::Survey, survey, cut, visitors, |piece| {
            fits &= points.points.len() + halo.points.len() <= most;
            if fits && wanted == Wanted::All {
                points.extend_all(piece, 0..piece.core);
                halo.extend_all(piece, piece.core..piece.points.len());
            } else if fits && wanted == Wanted::NearReference {
                points.extend(piece, 0..piece.core, &near);
                halo.extend(piece, piece.core..piece.points.len(), &near);
            }
        })?;
        points.core = points.points.len();
        points.append(&mut halo);
        (self.tile.survey, self.buffers.halo) = (points, halo);
        Ok(fits)
    }

    /// Reads the points of a cloud in the part, has the stages visit them, and hands them over, piece by piece.
    fn read(
        &mut self,
        cloud: Cloud,
        partition: &Partition,
        cut: bool,
        visitors: &mut [Box<dyn Visitor + 'a>],
        mut each: impl FnMut(&PointSet),
    ) -> Result<(), EngineError> {
        let Buffers { bytes, piece, .. } = &mut *self.buffers;
        let (core, ground) = (self.tile.core, self.tile.ground(cloud));
        partition.for_each_piece(self.tile.key, bytes, |packed| {
            if cut {
                fill_part(piece, packed, core, ground);
            } else {
                piece.fill(packed);
            }
            visitors.iter_mut().for_each(|visitor| visitor.visit(cloud, piece));
            each(piece);
        })
    }
}

impl Drop for PartRun<'_> {
    fn drop(&mut self) {
        self.buffers.survey = mem::take(&mut self.tile.survey);
        self.buffers.reusable = mem::take(&mut self.tile.reusable);
    }
}

/// The ground of one of `side` × `side` equal squares of a tile, row by row from the south-west.
fn square(whole: (Range, Range), side: u32, number: u32) -> (Range, Range) {
    let along = |range: Range, i: u32| {
        let at = |i: u32| range.0 + (range.1 - range.0) * i64::from(i) / i64::from(side);
        (at(i), at(i + 1))
    };
    (along(whole.0, number % side), along(whole.1, number / side))
}

/// Fills a set with those points of a piece that lie in a part of the tile, and in the halo around it.
fn fill_part(set: &mut PointSet, packed: &Piece<'_>, core: (Range, Range), ground: (Range, Range)) {
    set.clear();
    packed.core.for_each(|point| {
        if holds(core, &point) {
            set.add(point);
        }
    });
    set.core = set.points.len();
    for points in [&packed.core, &packed.halo] {
        points.for_each(|point| {
            if holds(ground, &point) && !holds(core, &point) {
                set.add(point);
            }
        });
    }
}

/// Whether a point lies in a box or within `margin` of it.
fn is_near(bounds: &Bounds, margin: Micrometres) -> impl Fn(&Point) -> bool + use<> {
    let ranges = bounds.ranges().map(|(x, y)| (widened(x, margin), widened(y, margin)));
    move |point| ranges.is_some_and(|ground| holds(ground, point))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::cloud::packed::pack;
    use crate::cloud::point::Fields;
    use crate::engine::partition::clouds::Partitions;
    use crate::engine::partition::counts::ReadCounts;
    use crate::engine::partition::partitioner::Partitioner;
    use crate::engine::store::journal::Journals;
    use crate::engine::store::spill::Spill;
    use crate::engine::watch::Watch;
    use crate::engine::work::load::Allowance;
    use crate::engine::work::surfaces::make_surfaces;
    use crate::engine::work::tiles::run_tiles;
    use crate::stages::chain::Chain;
    use crate::stages::compared::{Compared, ComparedInTiles, Comparisons};
    use crate::stages::counts::Counts;
    use crate::stages::draw::{self, Drawn};
    use crate::tile::tiling::Tiling;
    use crate::tile::yields::{YieldError, Yields};

    /// A tile whose edge no power of two divides.
    const WHOLE: (Range, Range) = ((-3_000_001, 4_000_006), (7_000_000, 14_000_007));

    proptest! {
        #[test]
        fn every_position_of_a_tile_lies_in_one_of_its_squares(
            x in WHOLE.0.0..WHOLE.0.1, y in WHOLE.1.0..WHOLE.1.1, halvings in 0u32..8,
        ) {
            let (side, point) = (1 << halvings, Point { x, y, ..Point::default() });
            let squares = (0..side * side).map(|number| square(WHOLE, side, number));
            prop_assert_eq!(squares.filter(|square| holds(*square, &point)).count(), 1);
        }

        #[test]
        fn each_point_is_in_the_core_of_one_part_and_in_the_halo_of_those_near_it(
            places in proptest::collection::vec((-1.3..1.3f64, -1.3..1.3f64), 0..60), halvings in 0u32..4, halo in 0i64..9_000_000,
        ) {
            // Around the middle of the tile, some of them outside: those are its halo.
            let at = |(low, high): Range, part: f64| (low + high) / 2 + (part * (high - low) as f64 / 2.0) as i64;
            let points = (0..).zip(&places).map(|(z, place)| {
                Point { x: at(WHOLE.0, place.0), y: at(WHOLE.1, place.1), z, ..Point::default() }
            });
            let (inside, outside): (Vec<Point>, Vec<Point>) = points.partition(|point| holds(WHOLE, point));
            let mut bytes = Vec::new();
            pack(&inside, &outside, Fields::default(), &mut bytes);
            let packed = Piece::read(&bytes).unwrap();
            let (mut cores, mut set) = (Vec::new(), PointSet::default());
            let side = 1 << halvings;
            for number in 0..side * side {
                let core = square(WHOLE, side, number);
                let ground = (widened(core.0, halo), widened(core.1, halo));
                fill_part(&mut set, &packed, core, ground);
                prop_assert_eq!(set.statuses.len(), set.points.len());
                prop_assert!(set.points[..set.core].iter().all(|point| holds(core, point)));
                cores.extend_from_slice(&set.points[..set.core]);
                let mut around = set.points[set.core..].to_vec();
                around.sort();
                let near = |point: &&Point| holds(ground, point) && !holds(core, point);
                let mut expected: Vec<Point> = inside.iter().chain(&outside).filter(near).copied().collect();
                expected.sort();
                prop_assert_eq!(around, expected);
            }
            cores.sort();
            let mut expected = inside.clone();
            expected.sort();
            prop_assert_eq!(cores, expected);
        }
    }

    const TILES: Tiling = Tiling { edge: 25_000_000 };

    /// Points on 30 m by 30 m across four tiles, every `step` millimetres, and in one corner four times as close: ground on
    /// a slope, and above it now and then a first return. The reference lies a little higher, in the east only.
    fn site(step: i64, is_reference: bool) -> Vec<Point> {
        let mut points = Vec::new();
        let mut add = |x: i64, y: i64| {
            let hash = Point { x, y, ..Point::default() }.seeded_hash(1);
            let z = x / 10 + y / 20 + (hash % 40_000) as i64;
            let ground = Point { x, y, z, return_number: 1, number_of_returns: 1, ..Point::default() };
            match (is_reference, hash >> 60) {
                (true, _) => points.push(Point { z: z + 15_000, ..ground }),
                (false, 0..3) => {
                    points.push(Point { z: z + 6_000_000, number_of_returns: 2, ..ground });
                    points.push(Point { return_number: 2, number_of_returns: 2, ..ground });
                }
                _ => points.push(ground),
            }
        };
        let (from, to) = (10_000_000, 40_000_000);
        let step = step * 1000;
        let first = if is_reference { 20_000_000 } else { from };
        for x in (first..to).step_by(step as usize) {
            (from..to).step_by(step as usize).for_each(|y| add(x, y));
        }
        for x in (to..to + 4_000_000).step_by(step as usize / 4) {
            (to..to + 4_000_000).step_by(step as usize / 4).for_each(|y| add(x, y));
        }
        points
    }

    fn partition(points: &[Point], halo: Micrometres, path: &Path) -> Partition {
        let spill = Spill::create(path).unwrap();
        let mut partitioner = Partitioner::new(&spill, Fields::default(), TILES, halo);
        partitioner.add(points);
        let shares = partitioner.finish().unwrap().into_iter().collect();
        let mut counts = ReadCounts::default();
        points.iter().for_each(|point| counts.bounds.add((point.x, point.y)));
        Partition { spills: vec![spill], shares, counts }
    }

    /// What the stages conclude: counts, comparisons, and checkpoints put up for the draw.
    type Conclusions = (Counts, Vec<Compared>, Vec<Drawn>);

    /// Runs the chain where the points held at once may be so many, with the cells beside them; gives the conclusions and
    /// how many parts the tiles were worked on in.
    fn worked(partitions: &Partitions, stages: &serde_json::Value, points: u64) -> (Conclusions, usize) {
        let folder = tempfile::tempdir().unwrap();
        let chain = Chain::new(&serde_json::from_value::<Vec<_>>(stages.clone()).unwrap(), 5);
        let surfaces =
            make_surfaces(partitions, &chain, &|_| true, folder.path(), &Watch::default()).unwrap();
        let none = Allowance { whole: 0, worker: 0 };
        let cells = partitions.keys().into_iter().map(|key| none.cell_bytes(key, partitions, &chain)).max();
        let bytes = cells.unwrap()
            + points * bytes_per_point(&chain, NearReference { share: 1.0, per_m2: 100.0 }) as u64;
        let journals = Journals::open(&[folder.path().join("tiles")]).unwrap();
        let allowance = Allowance { whole: bytes, worker: bytes };
        let all = Work { partitions, surfaces: &surfaces, chain: &chain, allowance, journals: &journals };
        run_tiles(&all, partitions.keys(), &Watch::default()).unwrap();
        let (mut compared, mut drawn) = (Vec::new(), Vec::new());
        let all = ComparedInTiles::new(&journals);
        (0..all.parts())
            .for_each(|part| all.read_part(part, &mut |block| compared.extend_from_slice(block)).unwrap());
        draw::for_each(&journals, |some| -> Result<(), YieldError> {
            drawn.extend_from_slice(some);
            Ok(())
        })
        .unwrap();
        compared.sort();
        drawn.sort();
        // Each part gives the cells of the terrain back once.
        let parts = journals.stretches("terrain").len();
        ((Counts::conclude(&journals).unwrap(), compared, drawn), parts)
    }

    #[test]
    fn tiles_cut_into_parts_give_what_whole_ones_give() {
        let folder = tempfile::tempdir().unwrap();
        for (compare, summarise) in [
            (json!({"within": "60 mm"}), json!({"by": ["return"]})),
            (json!({"match": "plane", "within": "40 cm"}), json!({"by": ["return", "cover", "slope"]})),
        ] {
            let stages = json!([
                {"read": {}},
                {"ground": {"window_max": "5 m"}},
                {"select": {"returns": [1, 2, 3]}},
                {"checkpoints": {}},
                {"compare": compare},
                {"summarise": summarise},
            ]);
            let halo = Chain::new(&serde_json::from_value::<Vec<_>>(stages.clone()).unwrap(), 5).halo();
            let survey = partition(&site(250, false), halo.survey, &folder.path().join("survey"));
            let reference = partition(&site(150, true), halo.reference, &folder.path().join("reference"));
            let partitions = Partitions { survey, reference: Some(reference), tiling: TILES };
            let (whole, tiles) = worked(&partitions, &stages, 1 << 30);
            assert_eq!(tiles, partitions.keys().len());
            let (counts, compared, drawn) = &whole;
            assert!(counts.survey.above_ground > 1000, "{counts:?}");
            assert!(compared.len() > 1000 && drawn.len() > 200, "{} {}", compared.len(), drawn.len());
            for points in [5000, 2500, 300] {
                let (found, parts) = worked(&partitions, &stages, points);
                assert!(parts > tiles + 2, "{points} points at once: {parts} parts");
                assert!(found == whole, "{points} points at once, {parts} parts");
            }
        }
    }
}
