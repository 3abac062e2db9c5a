//! Lowest-elevation surfaces of tiles, kept on disk so that neighbours can share them instead of points.

use std::collections::HashMap;
use std::path::Path;

use crate::cloud::bounds::{Range, widened};
use crate::cloud::packed::{pack_40, unpack_40};
use crate::cloud::point::Point;
use crate::engine::partition::clouds::{Partition, Partitions};
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::spill::Spill;
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::engine::work::queue::longest_first;
use crate::raster::{EMPTY, Extent, Raster};
use crate::stages::chain::Chain;
use crate::stages::stage::{LowestOf, SurfaceKey};
use crate::tile::points::Cloud;
use crate::tile::tiling::{TileKey, Tiling};
use crate::units::Micrometres;

/// Marks an empty cell on disk: no elevation is as low.
const NO_VALUE: i64 = -(1 << 39);

/// Bytes of a cell on disk.
const PACKED: usize = 5;

/// The surfaces of all tiles of one cloud.
pub struct Surfaces {
    /// The cells of the box around the cloud: the surface ends there, and filling does not go beyond.
    domain: Extent,
    tiling: Tiling,
    /// One for each part that made some.
    stores: Vec<Spill<TileKey>>,
}

impl Surfaces {
    /// No surfaces yet, to be kept in a file at `path`, over the cells of `domain`.
    ///
    /// # Errors
    /// Where the file cannot be made.
    pub fn create(path: &Path, domain: Extent, tiling: Tiling) -> Result<Self, EngineError> {
        Ok(Surfaces { domain, tiling, stores: vec![Spill::create(path)?] })
    }

    /// Adds those that another part made.
    pub fn join(&mut self, other: Spill<TileKey>) {
        self.stores.push(other);
    }

    /// Where its own are kept.
    pub fn own(&self) -> &Spill<TileKey> {
        &self.stores[0]
    }

    /// An empty surface over the ground of a tile.
    pub fn blank(&self, key: TileKey) -> Raster {
        Raster::empty(self.extent(key))
    }

    /// Gives the room on the disk back.
    pub fn empty(&self) {
        self.stores.iter().for_each(Spill::empty);
    }

    fn extent(&self, key: TileKey) -> Extent {
        let (x, y) = self.tiling.ground(key, 0);
        Extent::covering(self.domain.cell, x, y, 0).within(&self.domain)
    }

    /// Keeps the surface of a tile.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn put(&self, key: TileKey, surface: &Raster) -> Result<(), EngineError> {
        let mut bytes = vec![0; PACKED * surface.values.len()];
        for (packed, &value) in bytes.as_chunks_mut::<PACKED>().0.iter_mut().zip(&surface.values) {
            *packed = pack_40(if value == EMPTY { NO_VALUE } else { value as i64 });
        }
        self.own().append(key, &bytes)
    }

    /// The tiles that touch the given ground and have a surface.
    fn keys(&self, x: Range, y: Range) -> Vec<TileKey> {
        let (columns, rows) = ((x.1 - x.0) / self.tiling.edge, (y.1 - y.0) / self.tiling.edge);
        let lists: usize = self.stores.iter().map(Spill::lists).sum();
        if columns.saturating_mul(rows) < lists as i64 {
            return self.tiling.touching(x, y).collect();
        }
        // Ground far wider than the cloud: fewer tiles have a surface than there are places for one.
        let touches = |at: Range, ground: Range| at.0 < ground.1 && ground.0 < at.1;
        let mut keys: Vec<TileKey> = self.stores.iter().flat_map(Spill::keys).collect();
        keys.sort_unstable();
        keys.dedup();
        keys.retain(|key| {
            let (own_x, own_y) = self.tiling.ground(*key, 0);
            touches(own_x, x) && touches(own_y, y)
        });
        keys
    }

    /// The surface over the given ground and `margin` cells around it, put together from all tiles it
    /// touches; it ends where the cloud does.
    ///
    /// # Errors
    /// Where the disk does not give it back.
    pub fn get(&self, x: Range, y: Range, margin: i64) -> Result<Raster, EngineError> {
        let extent = Extent::covering(self.domain.cell, x, y, margin).within(&self.domain);
        let mut surface = Raster::empty(extent);
        let reach = reach(margin, extent.cell);
        let mut buffer = Vec::new();
        for key in self.keys(widened(x, reach), widened(y, reach)) {
            for store in &self.stores {
                let theirs = self.extent(key);
                store.for_each_piece(key, &mut buffer, |piece| lower_by(&mut surface, &theirs, piece))?;
            }
        }
        Ok(surface)
    }
}

/// Lowers a surface by that of a tile over the cells of `theirs`, of which only those are unpacked that both have. Nothing where
/// the bytes are of another.
fn lower_by(surface: &mut Raster, theirs: &Extent, packed: &[u8]) -> Option<()> {
    let (packed, rest) = packed.as_chunks::<PACKED>();
    if packed.len() != theirs.len() || !rest.is_empty() {
        return None;
    }
    let both = surface.extent.within(theirs);
    if both.is_empty() {
        return Some(());
    }
    let (columns, their_columns) = (surface.extent.columns, theirs.columns);
    let ((left, below), (their_left, their_below)) =
        (surface.extent.offset_of(&both), theirs.offset_of(&both));
    for row in 0..both.rows {
        let own = &mut surface.values[(below + row) * columns + left..][..both.columns];
        let packed = &packed[(their_below + row) * their_columns + their_left..][..both.columns];
        for (value, bytes) in own.iter_mut().zip(packed) {
            let z = unpack_40(bytes);
            if z != NO_VALUE {
                *value = value.min(z as f64);
            }
        }
    }
    Some(())
}

/// The other tiles whose surfaces the work on a tile may look at, whichever cloud they are of.
pub fn looked_at(key: TileKey, partitions: &Partitions, chain: &Chain) -> Vec<TileKey> {
    let mut keys = Vec::new();
    for need in chain.surfaces() {
        let reach = chain.halo().of(need.cloud) + reach(need.margin, need.cell);
        let (x, y) = partitions.tiling.ground(key, reach);
        keys.extend(partitions.tiling.touching(x, y));
    }
    keys
}

/// How far so many cells around reach, and the one that an edge cuts.
fn reach(margin: i64, cell: f64) -> Micrometres {
    ((margin + 1) as f64 * cell).ceil() as Micrometres
}

/// Surfaces by what they are of.
pub type SurfacesOf = HashMap<SurfaceKey, Surfaces>;

/// Makes the surfaces of the tiles that are `wanted`, for each cloud of which a stage wants one.
///
/// # Errors
/// Where the disk fails.
pub fn make_surfaces(
    partitions: &Partitions,
    chain: &Chain,
    wanted: &dyn Fn(TileKey) -> bool,
    folder: &Path,
    watch: &Watch,
) -> Result<SurfacesOf, EngineError> {
    let tiling = partitions.tiling;
    let mut all = SurfacesOf::new();
    let mut jobs = Vec::new();
    for need in chain.surfaces() {
        let key = need.key();
        if all.contains_key(&key) {
            continue;
        }
        let Some(cloud) = partitions.get(need.cloud) else { continue };
        let Some((x, y)) = cloud.counts.bounds.ranges() else { continue };
        let name = match (need.cloud, need.of) {
            (Cloud::Survey, LowestOf::AllButNoise) => "survey-surfaces",
            (Cloud::Survey, LowestOf::GroundClass) => "survey-ground-surfaces",
            (Cloud::Reference, LowestOf::AllButNoise) => "reference-surfaces",
            (Cloud::Reference, LowestOf::GroundClass) => "reference-ground-surfaces",
        };
        // Of another cell, a file of its own.
        let others = all.keys().filter(|(cloud, of, _)| (*cloud, *of) == (need.cloud, need.of)).count();
        let path = folder.join(if others > 0 { format!("{name}-{others}") } else { name.to_string() });
        let domain = Extent::covering(need.cell, x, y, 0);
        all.insert(key, Surfaces::create(&path, domain, tiling)?);
        jobs.extend(cloud.keys().into_iter().filter(|tile| wanted(*tile)).map(|tile| (key, cloud, tile)));
    }
    let progress = Progress::start(watch, "making surfaces", "tiles", jobs.len() as u64);
    let length = |(_, cloud, tile): &(SurfaceKey, &Partition, TileKey)| cloud.share_of(*tile).points;
    longest_first(jobs, length, Vec::new, |buffer, (key, cloud, tile)| {
        watch.check()?;
        let doing = || format!("making the surface of {}", tiling.place(*tile));
        guarded(doing, || make_surface(*tile, key.1, cloud, &all[key], buffer))?;
        progress.advance(1);
        Ok(())
    })?;
    Ok(all)
}

/// Makes the surface of some points of a tile.
fn make_surface(
    tile: TileKey,
    of: LowestOf,
    cloud: &Partition,
    surfaces: &Surfaces,
    buffer: &mut Vec<u8>,
) -> Result<(), EngineError> {
    let counts = |point: &Point| match of {
        LowestOf::AllButNoise => !point.is_noise(),
        LowestOf::GroundClass => point.is_ground_class(),
    };
    let mut surface = surfaces.blank(tile);
    let finder = surface.extent.finder();
    cloud.for_each_piece(tile, buffer, |piece| {
        piece.core.for_each(|point| {
            if counts(&point) {
                surface.lower_at(finder.index_of(point.x, point.y), point.z);
            }
        });
    })?;
    surfaces.put(tile, &surface)
}
