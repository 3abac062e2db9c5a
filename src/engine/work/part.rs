//! A tile at work, whole or part by part.

use std::mem;

use crate::cloud::bounds::{Bounds, Range, widened};
use crate::cloud::packed::Piece;
use crate::cloud::point::Point;
use crate::engine::partition::clouds::Partition;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Part;
use crate::engine::work::context::Work;
use crate::engine::work::load::{bytes_per_point, can_be_cut};
use crate::stages::stage::{Visitor, Wanted};
use crate::tile::at_work::Tile;
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
    kept: Shared,
}

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
    /// Points of the survey that may be held.
    most_points: usize,
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
            kept: mem::take(&mut buffers.kept),
            sections: Sections::default(),
        };
        let left = allowed.saturating_sub(all.allowance.cell_bytes(key, partitions, chain));
        let most_points = (left as f64 / bytes_per_point(chain, points.reference > 0)) as usize;
        PartRun { all, buffers, most_points, opened: false, tile }
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
            let surface = match need.and_then(|need| Some((need, all.surfaces.get(&need.cloud)?))) {
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
        let wanted = self.all.chain.tiles.iter().map(|stage| stage.wants(&self.tile)).max();
        let wanted = wanted.unwrap_or(Wanted::Nothing);
        let near = is_near(&self.tile.reference_box(), self.tile.halo.survey + self.tile.halo.reference);
        let held = |point: &Point| match wanted {
            Wanted::Nothing => false,
            Wanted::NearReference => near(point),
            Wanted::All => true,
        };
        let (mut points, mut halo) = (mem::take(&mut self.tile.survey), mem::take(&mut self.buffers.halo));
        let room = if cut { self.most_points } else { usize::MAX }.min(self.tile.points.survey as usize);
        points.start(if wanted > Wanted::Nothing { room } else { 0 });
        halo.start(0);
        let most = if can_be_cut(self.tile.core, self.tile.halo) { self.most_points } else { usize::MAX };
        let mut fits = true;
        self.read(Cloud::Survey, survey, cut, visitors, |piece| {
            fits &= points.points.len() + halo.points.len() <= most;
            if fits {
                points.extend(piece, 0..piece.core, held);
                halo.extend(piece, piece.core..piece.points.len(), held);
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
        self.buffers.kept = mem::take(&mut self.tile.kept);
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

fn holds((x, y): (Range, Range), point: &Point) -> bool {
    let within = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
    within(point.x, x) && within(point.y, y)
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
