//! The memory that the work on a tile takes, and how tiles that take more than there is are cut.

use crate::cloud::bounds::{Range, widened, within};
use crate::cloud::point::Point;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::budget::{CELL, RASTER_CELL, SHARE, SITE_CELL, TERRAIN_CELL, with_strips};
use crate::engine::plan::job::Resources;
use crate::raster::Extent;
use crate::stages::chain::Chain;
use crate::tile::at_work::{Halo, Surroundings};
use crate::tile::points::{Cloud, PointStatus};
use crate::tile::tiling::TileKey;

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

    /// Bytes that the cells over a tile and its margins take: of the surface while it is opened, of the terrain, and of the strips.
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
        let agreement = chain.agreement.and_then(|rule| cells_of(Cloud::Survey, rule.cell, 0, 0));
        let raster = chain.raster_cell;
        let raster = raster.and_then(|cell| cells_of(Cloud::Survey, cell.exact_micrometres(), 0, 0));
        let held = chain
            .held_cells()
            .filter_map(|(need, bytes)| Some(bytes * cells_of(need.cloud, need.cell, halo, 0)? as f64));
        let sites = chain.site_cell.and_then(|cell| cells_of(Cloud::Survey, cell as f64, halo, 0));
        let surface = with_strips(cells as f64 * CELL, agreement.unwrap_or(0) as f64) + held.sum::<f64>();
        let cells = terrain.unwrap_or(0) as f64 * TERRAIN_CELL + raster.unwrap_or(0) as f64 * RASTER_CELL;
        (surface + cells + sites.unwrap_or(0) as f64 * SITE_CELL) as u64
    }

    /// How often the edge of a tile is halved so that the points of a part fit into `allowed` bytes, were they spread
    /// evenly; 0 where the whole tile fits.
    pub fn halvings(&self, key: TileKey, partitions: &Partitions, chain: &Chain, allowed: u64) -> u32 {
        let mut core = partitions.tiling.ground(key, 0);
        let survey = partitions.points_of(key).survey;
        let needed = survey as f64 * bytes_per_point(chain, NearReference::of(key, core, partitions, chain));
        let left = allowed.saturating_sub(self.cell_bytes(key, partitions, chain)).max(1) as f64;
        let halo = chain.halo();
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

/// How much of some ground in a tile lies near the reference: at the points of the rest nothing is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NearReference {
    /// Share of the ground, with the survey's halo, within the halos of the box around the reference there.
    pub share: f64,
    /// Points of the reference in the tile to a square metre of that box.
    pub per_m2: f64,
}

impl NearReference {
    /// Nothing near it.
    pub const NONE: NearReference = NearReference { share: 0.0, per_m2: 0.0 };

    /// That of a part of a tile.
    pub fn of(key: TileKey, core: (Range, Range), partitions: &Partitions, chain: &Chain) -> Self {
        let halo = chain.halo();
        let around = |core: (Range, Range), margin| (widened(core.0, margin), widened(core.1, margin));
        let seen = |core| partitions.box_on(Cloud::Reference, around(core, halo.reference)).ranges();
        let (Some((near_x, near_y)), Some((all_x, all_y))) =
            (seen(core), seen(partitions.tiling.ground(key, 0)))
        else {
            return NearReference::NONE;
        };
        let length = |range: Range| (range.1 - range.0) as f64;
        let share = |near: Range, all: Range| {
            within(widened(near, halo.survey + halo.reference), all).map_or(0.0, length) / length(all)
        };
        let (x, y) = around(core, halo.survey);
        let m2 = length(all_x) * length(all_y) / 1e12;
        NearReference {
            share: share(near_x, x) * share(near_y, y),
            per_m2: partitions.points_of(key).reference as f64 / m2,
        }
    }
}

/// Bytes that a point of the survey takes that is held, on average where so much lies near the reference.
pub fn bytes_per_point(chain: &Chain, near: NearReference) -> f64 {
    let held = (size_of::<Point>() + size_of::<PointStatus>()) as f64;
    let more: f64 = chain.tiles.iter().map(|stage| stage.bytes_per_point(near.per_m2)).sum();
    let given: f64 = chain.tiles.iter().map(|stage| stage.bytes_given()).sum();
    held + given + near.share * more
}

/// Whether cutting a part of a tile once more makes it hold less: it must be wider than the margin around it.
pub fn can_be_cut(core: (Range, Range), halo: Halo) -> bool {
    core.0.1 - core.0.0 > (2 * halo.survey).max(1_000_000)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::path::Path;

    use super::*;
    use crate::cloud::bounds::Bounds;
    use crate::engine::partition::clouds::Partition;
    use crate::engine::partition::counts::ReadCounts;
    use crate::engine::partition::partitioner::Share;
    use crate::engine::plan::job::Job;
    use crate::engine::store::spill::Spill;
    use crate::tile::tiling::Tiling;

    /// The demo's job, with 512 MiB for two workers.
    fn job() -> Job {
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipelines/demo.yaml");
        let resources = Resources { threads: 2, memory: 512 << 20 };
        Job::prepare(crate::pipeline::load(&demo).unwrap(), resources).unwrap()
    }

    /// A survey of so many points in two tiles, side by side, in a box that reaches so far into each, micrometres.
    fn survey(points: [u64; 2], reach: i64, tiling: Tiling, folder: &Path) -> Partitions {
        let mut shares = BTreeMap::new();
        for (column, points) in (0..).zip(points) {
            shares.insert(TileKey { row: 0, column }, Share { points, core: Bounds::default() });
        }
        let bounds = Bounds::new((tiling.edge - reach, 0), (tiling.edge + reach - 1, reach - 1));
        let counts = ReadCounts { bounds, ..ReadCounts::default() };
        let spills = vec![Spill::create(&folder.join("spill")).unwrap()];
        Partitions { survey: Partition { spills, shares, counts }, reference: None, tiling }
    }

    const TILES: Tiling = Tiling { edge: 50_000_000 };
    const EAST: TileKey = TileKey { row: 0, column: 1 };

    #[test]
    fn a_tile_whose_cells_take_more_than_half_of_a_share_is_heavy_whatever_its_points() {
        let folder = tempfile::tempdir().unwrap();
        let job = job();
        let full = survey([1000, 1 << 40], TILES.edge, TILES, folder.path());
        let cells = Allowance { whole: 0, worker: 0 }.cell_bytes(EAST, &full, &job.chain);
        let of = |worker| Allowance { whole: 4 * worker, worker };
        assert!(of(2 * cells - 2).is_heavy(EAST, &full, &job.chain));
        assert!(!of(2 * cells).is_heavy(EAST, &full, &job.chain));
        // A worker's share is what is left for tiles, by the number of workers.
        let resources = Resources { threads: 4, memory: 1000 << 20 };
        assert_eq!(Allowance::of(&resources), Allowance { whole: 600 << 20, worker: 150 << 20 });
    }

    #[test]
    fn a_tile_is_halved_until_its_points_fit_and_no_further_than_its_margin_is_wide() {
        let folder = tempfile::tempdir().unwrap();
        let job = job();
        let allowance = Allowance::of(&job.resources);
        let halvings = |part: f64, of: u64| {
            let bytes = bytes_per_point(&job.chain, NearReference::NONE);
            let full = survey([1000, (part * of as f64 / bytes) as u64], TILES.edge, TILES, folder.path());
            let cells = allowance.cell_bytes(EAST, &full, &job.chain);
            allowance.halvings(EAST, &full, &job.chain, of + cells)
        };
        let some = 100 << 20;
        assert_eq!([0.99, 1.01, 3.9, 4.1, 15.9, 16.1].map(|part| halvings(part, some)), [0, 1, 1, 2, 2, 3]);
        // Halved five times, a tile of 50 m is 1.6 m wide: the margin on both sides is wider.
        let margin = 2 * job.chain.halo().survey;
        let most = (1..10).find(|halvings| TILES.edge >> halvings <= margin).unwrap();
        assert_eq!(halvings(1e9, some), most);
    }

    #[test]
    fn points_far_from_the_reference_take_no_room_for_what_is_asked_near_it() {
        let folder = tempfile::tempdir().unwrap();
        let job = job();
        let mut full = survey([1000, 1000], TILES.edge, TILES, folder.path());
        let ground = TILES.ground(EAST, 0);
        let near = |full: &Partitions| NearReference::of(EAST, ground, full, &job.chain);
        assert_eq!(near(&full), NearReference::NONE);
        // All over the tile, then in its western half and in a corner, both widened by how far the stages look.
        let halo = job.chain.halo();
        let (edge, margin) = (TILES.edge, halo.survey + halo.reference);
        let whole = (edge + 2 * halo.survey) as f64;
        for (width, height) in [(edge, edge), (edge / 2, edge), (edge / 5, edge / 10)] {
            let core = Bounds::new((edge, 0), (edge + width - 1, height - 1));
            let shares = BTreeMap::from([(EAST, Share { points: 7, core })]);
            let spills = vec![Spill::create(&folder.path().join("reference")).unwrap()];
            full.reference = Some(Partition { spills, shares, counts: ReadCounts::default() });
            let along =
                |length: i64| (halo.survey + length + margin).min(edge + 2 * halo.survey) as f64 / whole;
            let found = near(&full);
            assert!((found.share - along(width) * along(height)).abs() < 1e-12, "{width} {height}");
            assert!((found.per_m2 - 7e12 / (width * height) as f64).abs() < 1e-12);
        }
        let bytes = |share, per_m2| bytes_per_point(&job.chain, NearReference { share, per_m2 });
        let [none, half, all] = [0.0, 0.5, 1.0].map(|share| bytes(share, 100.0));
        assert!(none < half && half < all && (none + all - 2.0 * half).abs() < 1e-9);
    }
}
