//! Partitioning: points are gathered by tile, with copies for the halos of its neighbours, and appended to the spill in packed
//! pieces.

use std::collections::HashMap;
use std::slice;

use serde::{Deserialize, Serialize};

use crate::cloud::bounds::Bounds;
use crate::cloud::packed;
use crate::cloud::point::{Fields, Point};
use crate::engine::store::error::EngineError;
use crate::engine::store::spill::{Spill, SpillWriter};
use crate::tile::tiling::{TileKey, Tiling};
use crate::units::Micrometres;

/// Points gathered for a tile's core or its halo before they are written as one piece.
const PIECE: usize = 3 << 10;

/// Points that a tile's first, small buffer holds.
const FIRST: usize = 128;

/// Points that a worker's buffers have room for at the most, over all tiles: a strip's worth of tiles or so. The allocator
/// may keep what is freed: the smaller this is, the less memory grows with the site.
const HELD: usize = 96 << 10;

/// A worker's list for one more tile counts as so many points.
const SLOT: usize = 6;

/// What a tile has of the points of a cloud.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// How many, those of its halo included.
    pub points: u64,
    /// The box around those of its core.
    pub core: Bounds,
}

impl Share {
    /// Adds what else the tile has.
    pub fn merge(&mut self, other: &Share) {
        self.points += other.points;
        self.core.merge(&other.core);
    }
}

/// Assigns points to tiles, and gathers them in buffers.
pub struct Partitioner<'a> {
    spill: SpillWriter<'a, TileKey>,
    fields: Fields,
    tiling: Tiling,
    halo: Micrometres,
    buffers: HashMap<TileKey, usize>,
    slots: Vec<Slot>,
    /// The tile of the point before: most points fall in the same one.
    last: Option<Last>,
    /// Where the buffers of the tiles around that one are, row by row from the south-west, as far as they were looked up.
    around: [Option<usize>; 9],
    /// Points that all buffers have room for, full or not.
    held: usize,
    /// What was written for each tile.
    shares: HashMap<TileKey, Share>,
    /// The first error of the disk, reported once the block is done.
    error: Option<EngineError>,
}

/// The buffers of a tile.
struct Slot {
    key: TileKey,
    core: Vec<Point>,
    halo: Vec<Point>,
}

/// The tile that the point before fell in.
#[derive(Clone, Copy)]
struct Last {
    key: TileKey,
    slot: usize,
    corner: (Micrometres, Micrometres),
}

impl<'a> Partitioner<'a> {
    /// No points yet; those within `halo` of other tiles are copied to them. What `fields` does not ask for is dropped.
    pub fn new(spill: &'a Spill<TileKey>, fields: Fields, tiling: Tiling, halo: Micrometres) -> Self {
        Partitioner {
            spill: spill.writer(),
            fields,
            tiling,
            halo,
            buffers: HashMap::new(),
            slots: Vec::new(),
            last: None,
            around: [None; 9],
            held: 0,
            shares: HashMap::new(),
            error: None,
        }
    }

    /// Adds points: those that follow each other in the inside of one tile together.
    pub fn add(&mut self, mut points: &[Point]) {
        while let Some(point) = points.first() {
            let inside =
                |last: Last| points.iter().take_while(|p| self.is_inside(p, last.corner, self.halo)).count();
            match self.last.map(|last| (last.slot, inside(last))) {
                Some((slot, count)) if count > 0 => {
                    self.put(slot, |slot| &mut slot.core, &points[..count]);
                    points = &points[count..];
                }
                _ => {
                    self.add_at_edge(point);
                    points = &points[1..];
                }
            }
        }
    }

    /// Whether a point lies in the tile with that corner, and not within `margin` of its edge.
    #[inline]
    fn is_inside(&self, point: &Point, corner: (Micrometres, Micrometres), margin: Micrometres) -> bool {
        // A negative number is a huge one without its sign.
        let along = |at: Micrometres, corner: Micrometres| (at - corner - margin) as u64;
        let width = (self.tiling.edge - 2 * margin).max(0) as u64;
        (along(point.x, corner.0) < width) & (along(point.y, corner.1) < width)
    }

    /// Adds a point of another tile than the one before, or one in the halo of neighbours.
    fn add_at_edge(&mut self, point: &Point) {
        let last = match self.last {
            Some(last) if self.is_inside(point, last.corner, 0) => last,
            _ => self.turn_to(point.x, point.y),
        };
        self.put(last.slot, |slot| &mut slot.core, slice::from_ref(point));
        if !self.is_inside(point, last.corner, self.halo) {
            self.add_to_halos(point, last);
        }
    }

    /// Adds a point to the halos of the tiles around that which it falls in.
    fn add_to_halos(&mut self, point: &Point, last: Last) {
        let Tiling { edge } = self.tiling;
        let halo = self.halo;
        if halo > edge {
            for key in self.tiling.halos_of(point.x, point.y, halo) {
                let slot = self.slot(key);
                self.put(slot, |slot| &mut slot.halo, slice::from_ref(point));
            }
            return;
        }
        let steps = |off: Micrometres| -i64::from(off < halo)..=i64::from(off >= edge - halo);
        for row in steps(point.y - last.corner.1) {
            for column in steps(point.x - last.corner.0) {
                if (row, column) == (0, 0) {
                    continue;
                }
                let place = (3 * (row + 1) + column + 1) as usize;
                let slot = self.around[place].unwrap_or_else(|| {
                    self.slot(TileKey { row: last.key.row + row, column: last.key.column + column })
                });
                self.around[place] = Some(slot);
                self.put(slot, |slot| &mut slot.halo, slice::from_ref(point));
            }
        }
    }

    /// Goes over to the tile that a point falls in.
    #[cold]
    fn turn_to(&mut self, x: Micrometres, y: Micrometres) -> Last {
        if self.held > HELD {
            // Many tiles at once: give the memory back, too.
            self.write_all();
            self.slots.clear();
            self.buffers.clear();
            self.held = 0;
        }
        let key = self.tiling.key_of(x, y);
        let last = Last { key, slot: self.slot(key), corner: self.tiling.corner(key) };
        (self.last, self.around) = (Some(last), [None; 9]);
        last
    }

    /// Adds points to one of a tile's buffers.
    #[inline]
    fn put(&mut self, slot: usize, buffer: impl Fn(&mut Slot) -> &mut Vec<Point>, mut points: &[Point]) {
        while !points.is_empty() {
            let into = buffer(&mut self.slots[slot]);
            let room = into.capacity() - into.len();
            if room == 0 {
                self.make_room(slot, &buffer);
                continue;
            }
            let (fitting, others) = points.split_at(room.min(points.len()));
            into.extend_from_slice(fitting);
            points = others;
        }
    }

    /// Makes room for one more point in one of a tile's buffers, which is full: by a larger buffer, or once it is large, by
    /// writing both.
    #[cold]
    fn make_room(&mut self, slot: usize, buffer: impl Fn(&mut Slot) -> &mut Vec<Point>) {
        let full = buffer(&mut self.slots[slot]);
        let before = full.capacity();
        if before >= PIECE {
            self.write(slot);
            return;
        }
        full.reserve_exact((2 * before).clamp(FIRST, PIECE) - before);
        self.held += full.capacity() - before;
    }

    /// Where the buffers of a tile are.
    fn slot(&mut self, key: TileKey) -> usize {
        *self.buffers.entry(key).or_insert_with(|| {
            self.slots.push(Slot { key, core: Vec::new(), halo: Vec::new() });
            self.held += SLOT;
            self.slots.len() - 1
        })
    }

    /// Writes what is held back for a tile as one piece.
    fn write(&mut self, slot: usize) {
        let Slot { key, core, halo } = &mut self.slots[slot];
        let count = core.len() + halo.len();
        if count == 0 {
            return;
        }
        let mut core_bounds = Bounds::default();
        let pack = |bytes: &mut Vec<u8>| core_bounds = packed::pack(core, halo, self.fields, bytes);
        if let Err(error) = self.spill.append(*key, pack) {
            self.error.get_or_insert(error);
        }
        self.shares.entry(*key).or_default().merge(&Share { points: count as u64, core: core_bounds });
        core.clear();
        halo.clear();
    }

    /// Writes all that is held back.
    fn write_all(&mut self) {
        (0..self.slots.len()).for_each(|slot| self.write(slot));
    }

    /// Whether the disk took everything so far.
    ///
    /// # Errors
    /// Where it did not.
    pub fn failed(&mut self) -> Result<(), EngineError> {
        self.error.take().map_or(Ok(()), Err)
    }

    /// Writes what is still held back; gives what each tile has got.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn finish(mut self) -> Result<HashMap<TileKey, Share>, EngineError> {
        self.write_all();
        self.failed()?;
        self.spill.flush()?;
        Ok(self.shares)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;
    use crate::cloud::packed::Piece;

    const ALL: Fields = Fields { strip: true, scan_angle: true, gps_time: false };

    /// What tiles have: their core, their halo.
    type Tiles = BTreeMap<TileKey, (Vec<Point>, Vec<Point>)>;

    /// Points at these positions, no two equal.
    fn points(places: &[(Micrometres, Micrometres)]) -> Vec<Point> {
        let point = |(i, &(x, y)): (usize, &(Micrometres, Micrometres))| Point {
            x,
            y,
            z: i as Micrometres,
            strip: i as u16,
            ..Point::default()
        };
        places.iter().enumerate().map(point).collect()
    }

    /// What the tiles have after points were added, a few hundred at a time; and what each is said to have.
    fn partitioned(points: &[Point], tiling: Tiling, halo: Micrometres) -> (Tiles, HashMap<TileKey, Share>) {
        let folder = tempfile::tempdir().unwrap();
        let spill = Spill::create(&folder.path().join("spill")).unwrap();
        let mut partitioner = Partitioner::new(&spill, ALL, tiling, halo);
        points.chunks(256).for_each(|points| partitioner.add(points));
        let shares = partitioner.finish().unwrap();
        let mut tiles = Tiles::new();
        for key in spill.keys() {
            let (core, halo) = tiles.entry(key).or_default();
            let read = |bytes: &[u8]| {
                let piece = Piece::read(bytes)?;
                piece.core.add_to(core);
                piece.halo.add_to(halo);
                Some(())
            };
            spill.for_each_piece(key, &mut Vec::new(), read).unwrap();
            core.sort();
            halo.sort();
        }
        (tiles, shares)
    }

    /// The same by testing every tile for every point.
    fn by_looking(points: &[Point], tiling: Tiling, halo: Micrometres) -> Tiles {
        let mut tiles = Tiles::new();
        let farthest = points.iter().flat_map(|point| [point.x.abs(), point.y.abs()]).max().unwrap_or(0);
        let most = (farthest + halo) / tiling.edge + 1;
        for (row, column) in (-most..=most).flat_map(|row| (-most..=most).map(move |column| (row, column))) {
            let key = TileKey { row, column };
            let holds = |point: &&Point, margin| {
                let (x, y) = tiling.ground(key, margin);
                x.0 <= point.x && point.x < x.1 && y.0 <= point.y && point.y < y.1
            };
            let (mut core, mut others): (Vec<Point>, Vec<Point>) =
                points.iter().filter(|point| holds(point, halo)).partition(|point| holds(point, 0));
            if core.is_empty() && others.is_empty() {
                continue;
            }
            core.sort();
            others.sort();
            tiles.insert(key, (core, others));
        }
        tiles
    }

    fn check(points: &[Point], tiling: Tiling, halo: Micrometres) -> Result<(), TestCaseError> {
        let (tiles, shares) = partitioned(points, tiling, halo);
        prop_assert!(tiles == by_looking(points, tiling, halo));
        let cores: usize = tiles.values().map(|(core, _)| core.len()).sum();
        prop_assert_eq!(cores, points.len());
        prop_assert_eq!(shares.len(), tiles.len());
        for (key, (core, halo)) in &tiles {
            let mut bounds = Bounds::default();
            core.iter().for_each(|point| bounds.add((point.x, point.y)));
            let points = (core.len() + halo.len()) as u64;
            prop_assert_eq!(shares[key], Share { points, core: bounds });
        }
        Ok(())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn a_point_is_in_one_core_and_in_the_halo_of_every_tile_within_reach(
            edge in 4i64..5_000,
            // Narrow, as wide as the tile, and the widest that is allowed.
            halo in prop_oneof![Just(0.0), 0.0..0.5f64, Just(0.5), Just(1.0), 0.5..2.0f64],
            tiles in 1i64..5,
            places in proptest::collection::vec((-1.0..1.0f64, -1.0..1.0f64, 1usize..20), 1..200),
        ) {
            let along = |part: f64| (part * (tiles * edge) as f64) as Micrometres;
            // Some lie beside each other, as in a file.
            let places: Vec<(Micrometres, Micrometres)> = places
                .iter()
                .flat_map(|&(x, y, run)| (0..run as i64).map(move |i| (along(x) + i, along(y) - i)))
                .collect();
            check(&points(&places), Tiling { edge }, (halo * edge as f64) as Micrometres)?;
        }
    }

    #[test]
    fn points_on_the_edges_of_tiles_and_halos_are_those_of_the_greater_side() {
        let (edge, halo) = (100, 30);
        let near = [-halo - 1, -halo, -halo + 1, -1, 0, 1, halo - 1, halo, halo + 1];
        let along: Vec<Micrometres> =
            (-1..=1).flat_map(|tile| near.iter().map(move |by| tile * edge + by)).collect();
        let places: Vec<(Micrometres, Micrometres)> =
            along.iter().flat_map(|x| along.iter().map(move |y| (*x, *y))).collect();
        check(&points(&places), Tiling { edge }, halo).unwrap();
    }

    #[test]
    fn more_points_than_the_buffers_hold_come_back_in_several_pieces() {
        // In one tile, more than a piece takes; then so many tiles that all buffers are given back on the way.
        let tiling = Tiling { edge: 1000 };
        let mut places: Vec<(Micrometres, Micrometres)> =
            (0..3 * PIECE as i64).map(|i| (i % 1000, i / 1000)).collect();
        let side = ((2 * HELD / FIRST) as f64).sqrt().ceil() as i64;
        places.extend((0..side * side).map(|i| (i % side * 1000 + 5, i / side * 1000 + 995)));
        check(&points(&places), tiling, 10).unwrap();
    }
}
