//! The memory that the work on a tile takes, and how tiles that take more than there is are cut.

use crate::cloud::bounds::Range;
use crate::cloud::point::Point;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::budget::{CELL, SHARE, TERRAIN_CELL};
use crate::engine::plan::job::Resources;
use crate::engine::store::error::EngineError;
use crate::raster::Extent;
use crate::stages::chain::Chain;
use crate::tile::at_work::Halo;
use crate::tile::points::{Cloud, PointStatus};
use crate::tile::tiling::TileKey;

/// Bytes on disk that the surfaces of all tiles may always take.
const SURFACES_FREE: u64 = 1 << 30;

/// Beyond that, bytes of surfaces for each byte of points: a point on 50 square metres at cells of half a metre.
const SURFACES_PER_POINTS: u64 = 64;

/// Bytes of a surface's cell on disk.
const CELL_ON_DISK: u64 = 5;

/// Most times that the edge of a tile is halved.
const MOST_HALVINGS: u32 = 10;

/// The memory that tiles at work may take, bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Allowance {
    /// In all.
    pub whole: u64,
    /// For each worker.
    pub worker: u64,
}

impl Allowance {
    /// What the memory allowed leaves for tiles.
    pub fn of(resources: &Resources) -> Self {
        let whole = (resources.memory as f64 * SHARE) as u64;
        Allowance { whole, worker: whole / resources.threads as u64 }
    }

    /// Whether the cells of a tile alone take more than half of a worker's share: such tiles are worked on one by one.
    pub fn is_heavy(&self, key: TileKey, partitions: &Partitions, chain: &Chain) -> bool {
        self.cell_bytes(key, partitions, chain) > self.worker / 2
    }

    /// Bytes that the cells over a tile and its margins take: of the surface while it is opened, and of the terrain.
    pub fn cell_bytes(&self, key: TileKey, partitions: &Partitions, chain: &Chain) -> u64 {
        let tiling = partitions.tiling;
        let cells_of = |cloud, cell, halo, margin| {
            let (x, y) = partitions.get(cloud)?.counts.bounds.ranges()?;
            let domain = Extent::covering(cell, x, y, 0);
            let (x, y) = tiling.ground(key, halo);
            let extent = Extent::covering(cell, x, y, margin).within(&domain);
            Some((extent.columns as u64).saturating_mul(extent.rows as u64))
        };
        let halo = chain.halo().widest();
        let cells = chain.surfaces().filter_map(|need| cells_of(need.cloud, need.cell, halo, need.margin));
        let cells = cells.max().unwrap_or(0);
        let terrain = chain.terrain_cell;
        let terrain = terrain.and_then(|cell| cells_of(Cloud::Survey, cell.exact_micrometres(), 0, 0));
        (cells as f64 * CELL + terrain.unwrap_or(0) as f64 * TERRAIN_CELL) as u64
    }

    /// How often the edge of a tile is halved so that the points of a part fit into `allowed` bytes, were they spread
    /// evenly; 0 where the whole tile fits.
    pub fn halvings(&self, key: TileKey, partitions: &Partitions, chain: &Chain, allowed: u64) -> u32 {
        let points = partitions.points_of(key);
        let needed = points.survey as f64 * bytes_per_point(chain, points.reference > 0);
        let left = allowed.saturating_sub(self.cell_bytes(key, partitions, chain)).max(1) as f64;
        let halo = chain.halo();
        let mut core = partitions.tiling.ground(key, 0);
        let mut halvings = 0;
        while needed / f64::from(1 << (2 * halvings)) > left
            && halvings < MOST_HALVINGS
            && can_be_cut(core, halo)
        {
            halvings += 1;
            core.0.1 = core.0.0 + (core.0.1 - core.0.0) / 2;
            core.1.1 = core.1.0 + (core.1.1 - core.1.0) / 2;
        }
        halvings
    }
}

/// Bytes that a point of the survey takes that is held, in a tile that has reference or not.
pub fn bytes_per_point(chain: &Chain, compared: bool) -> f64 {
    let held = (size_of::<Point>() + size_of::<PointStatus>()) as f64;
    let more: f64 = chain.tiles.iter().map(|stage| stage.bytes_per_point()).sum();
    held + if compared { more } else { 0.0 }
}

/// Whether cutting a part of a tile once more makes it hold less: it must be wider than the margin around it.
pub fn can_be_cut(core: (Range, Range), halo: Halo) -> bool {
    core.0.1 - core.0.0 > (2 * halo.survey).max(1_000_000)
}

/// Refuses points so scattered that surfaces over their tiles would take the disk: the work of a wrong scale factor.
///
/// # Errors
/// Where they are.
pub fn check_surfaces(partitions: &Partitions, chain: &Chain) -> Result<(), EngineError> {
    let (points, tiling) = (partitions.bytes(), partitions.tiling);
    for need in chain.surfaces() {
        let Some(cloud) = partitions.get(need.cloud) else { continue };
        let Some((x, y)) = cloud.counts.bounds.ranges() else { continue };
        let domain = Extent::covering(need.cell, x, y, 0);
        let tiles = cloud.keys();
        let cells = |key: &TileKey| {
            let (x, y) = tiling.ground(*key, 0);
            let extent = Extent::covering(need.cell, x, y, 0).within(&domain);
            (extent.columns as u64).saturating_mul(extent.rows as u64)
        };
        let bytes = tiles.iter().map(cells).fold(0, u64::saturating_add).saturating_mul(CELL_ON_DISK);
        if bytes > SURFACES_FREE.max(SURFACES_PER_POINTS.saturating_mul(points)) {
            return Err(EngineError::Scattered {
                cloud: need.cloud.name(),
                tiles: tiles.len(),
                span_m: [(x.1 - x.0) as f64 / 1e6, (y.1 - y.0) as f64 / 1e6],
                bytes,
            });
        }
    }
    Ok(())
}
