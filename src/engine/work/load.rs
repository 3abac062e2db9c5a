//! The load of every tile, once its real contents are known, held against the memory allowed: headers may lie about where
//! points lie and how densely.

use std::collections::HashSet;

use crate::cloud::bounds::Range;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::budget::{CELL, REFERENCE_POINT, SHARE, SURVEY_POINT, TERRAIN_CELL};
use crate::engine::plan::edge::wrong_edge;
use crate::engine::plan::job::{Job, Resources};
use crate::engine::store::error::EngineError;
use crate::raster::Extent;
use crate::stages::chain::Chain;
use crate::tile::points::Cloud;
use crate::tile::tiling::{TileKey, Tiling};

/// Bytes on disk that the surfaces of all tiles may always take.
const SURFACES_FREE: u64 = 1 << 30;

/// Beyond that, bytes of surfaces for each byte of points: a point on 50 square metres at cells of half a metre.
const SURFACES_PER_POINTS: u64 = 64;

/// Bytes of a surface's cell on disk.
const CELL_ON_DISK: u64 = 5;

/// The tiles that must be worked on one at a time, since each takes more memory than a worker's share.
///
/// # Errors
/// Where a tile takes more than all memory allowed, or the surfaces would flood the disk.
pub fn heavy_tiles(dealt: &Partitions, job: &Job) -> Result<HashSet<TileKey>, EngineError> {
    let Job { chain, tiling, resources: Resources { threads, memory }, .. } = job;
    check_surfaces(dealt, chain, *tiling)?;
    let all = (*memory as f64 * SHARE) as u64;
    let mut heavy = HashSet::new();
    for key in dealt.keys() {
        let load = Load::of(key, dealt, chain, *tiling);
        if load.bytes() > all {
            let filled = filled_area(key, dealt, *tiling);
            let remedy = match (1..6).map(|halvings| tiling.edge >> halvings).find(|edge| {
                let share = ((*edge as f64).powi(2) / filled).min(1.0);
                let smaller = Load::of(key, dealt, chain, Tiling { edge: *edge });
                (load.point_bytes() as f64 * share) as u64 + smaller.cell_bytes() <= all
                    && wrong_edge(*edge, chain).is_none()
            }) {
                Some(edge) => format!("set smaller tiles: `read: {{tile: {} m}}`", edge as f64 / 1e6),
                None if load.cell_bytes() > load.point_bytes() => {
                    "set a larger `cell:` or a smaller `window_max:` of `ground`".to_string()
                }
                None => "thin the cloud out".to_string(),
            };
            return Err(EngineError::TileMemory {
                place: tiling.place(key),
                edge_m: tiling.edge as f64 / 1e6,
                points: load.survey + load.reference,
                cells: load.cells,
                needed: load.bytes(),
                allowed: all,
                remedy,
            });
        }
        if load.bytes() > all / *threads as u64 {
            heavy.insert(key);
        }
    }
    Ok(heavy)
}

/// The part of a tile that lies in the box around either cloud, square micrometres.
fn filled_area(key: TileKey, dealt: &Partitions, tiling: Tiling) -> f64 {
    let (x, y) = tiling.ground(key, 0);
    let areas = [Cloud::Survey, Cloud::Reference].into_iter().filter_map(|cloud| {
        let (box_x, box_y) = dealt.get(cloud)?.counts.bounds.ranges()?;
        let along = |tile: Range, all: Range| (tile.1.min(all.1) - tile.0.max(all.0)).max(1) as f64;
        Some(along(x, box_x) * along(y, box_y))
    });
    areas.fold(1.0, f64::max)
}

/// What a tile holds while it is worked on, margins included.
struct Load {
    survey: u64,
    reference: u64,
    cells: u64,
    terrain_cells: u64,
}

impl Load {
    fn of(key: TileKey, dealt: &Partitions, chain: &Chain, tiling: Tiling) -> Self {
        let points = dealt.points_of(key);
        let halo = chain.halo();
        let halo = halo.survey.max(halo.reference);
        let cells_of = |cloud, cell, halo, margin| {
            let (x, y) = dealt.get(cloud)?.counts.bounds.ranges()?;
            let domain = Extent::covering(cell, x, y, 0);
            let (x, y) = tiling.ground(key, halo);
            let extent = Extent::covering(cell, x, y, margin);
            // The tile may lie elsewhere when another edge is tried: then its size counts, not its place.
            let along = |own: usize, all: usize| own.min(all) as u64;
            Some(along(extent.columns, domain.columns).saturating_mul(along(extent.rows, domain.rows)))
        };
        let cells = chain.surfaces().filter_map(|need| cells_of(need.cloud, need.cell, halo, need.margin));
        let terrain = chain.terrain_cell;
        let terrain_cells = terrain.and_then(|cell| cells_of(Cloud::Survey, cell.exact_micrometres(), 0, 0));
        Load {
            terrain_cells: terrain_cells.unwrap_or(0),
            survey: points.survey,
            reference: points.reference,
            cells: cells.max().unwrap_or(0),
        }
    }

    fn point_bytes(&self) -> u64 {
        (self.survey as f64 * SURVEY_POINT + self.reference as f64 * REFERENCE_POINT) as u64
    }

    fn cell_bytes(&self) -> u64 {
        (self.cells as f64 * CELL + self.terrain_cells as f64 * TERRAIN_CELL) as u64
    }

    fn bytes(&self) -> u64 {
        self.point_bytes().saturating_add(self.cell_bytes())
    }
}

/// Refuses points so scattered that surfaces over their tiles would take the disk: the work of a wrong scale factor.
fn check_surfaces(dealt: &Partitions, chain: &Chain, tiling: Tiling) -> Result<(), EngineError> {
    let points = dealt.spill_bytes();
    for need in chain.surfaces() {
        let Some(cloud) = dealt.get(need.cloud) else { continue };
        let Some((x, y)) = cloud.counts.bounds.ranges() else { continue };
        let domain = Extent::covering(need.cell, x, y, 0);
        let tiles = cloud.spill.keys();
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

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::path::Path;

    use super::*;
    use crate::cloud::bounds::Bounds;
    use crate::engine::partition::partitioner::Share;
    use crate::engine::partition::read::{Partition, ReadCounts};
    use crate::engine::store::spill::Spill;

    /// The demo's job, with 512 MiB for two workers and tiles of 50 m.
    fn job() -> Job {
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipelines/demo.yaml");
        let resources = Resources { threads: 2, memory: 512 << 20 };
        let mut job = Job::prepare(crate::pipeline::load(&demo).unwrap(), resources).unwrap();
        job.tiling = Tiling { edge: 50_000_000 };
        job
    }

    /// A survey of so many points in two tiles, side by side, in a box that reaches so far into each, micrometres.
    fn survey(points: [u64; 2], reach: i64, folder: &Path) -> Partitions {
        let spill = Spill::create(&folder.join("spill")).unwrap();
        let mut shares = BTreeMap::new();
        let mut counts = ReadCounts::default();
        for (column, points) in (0..).zip(points) {
            let key = TileKey { row: 0, column };
            spill.append(key, &mut vec![1]).unwrap();
            shares.insert(key, Share { points, core: Bounds::default() });
        }
        counts.bounds = Bounds::new((50_000_000 - reach, 0), (50_000_000 + reach - 1, reach - 1));
        Partitions { survey: Partition { spill, shares, counts }, reference: None }
    }

    /// Points whose bytes are this part of what all tiles together may take.
    fn part(part: f64, job: &Job) -> u64 {
        (part * SHARE * job.resources.memory as f64 / SURVEY_POINT) as u64
    }

    const EAST: TileKey = TileKey { row: 0, column: 1 };

    #[test]
    fn a_tile_is_heavy_that_takes_more_than_the_share_of_a_worker() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = job();
        let heavy = |part_of_all, job: &Job| {
            heavy_tiles(&survey([1000, part(part_of_all, job)], 50_000_000, folder.path()), job).unwrap()
        };
        assert_eq!(heavy(0.4, &job), HashSet::new());
        assert_eq!(heavy(0.6, &job), HashSet::from([EAST]));
        // One worker has all the memory to itself; of four, each has less.
        job.resources.threads = 1;
        assert_eq!(heavy(0.6, &job), HashSet::new());
        job.resources.threads = 4;
        assert_eq!(heavy(0.4, &job), HashSet::from([EAST]));
    }

    #[test]
    fn cells_count_beside_the_points() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = job();
        let wide = survey([1000, 1000], 50_000_000, folder.path());
        let load = Load::of(EAST, &wide, &job.chain, job.tiling);
        // Half-metre cells over the tile and the margin that the largest window wants, as far as the survey's box reaches.
        assert!((100 * 100..=200 * 200).contains(&load.cells), "{}", load.cells);
        assert_eq!(load.bytes(), load.point_bytes() + load.cell_bytes());
        job.resources = Resources { threads: 1, memory: (load.bytes() as f64 / SHARE) as u64 + 2 };
        assert_eq!(heavy_tiles(&wide, &job).unwrap(), HashSet::new());
        job.resources.threads = 2;
        assert_eq!(heavy_tiles(&wide, &job).unwrap().len(), 2);
    }

    #[test]
    fn a_tile_that_takes_more_than_all_memory_is_refused_with_what_helps() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = job();
        let refused = |part_of_all, reach, job: &Job| {
            let clouds = survey([1000, part(part_of_all, job)], reach, folder.path());
            let said = heavy_tiles(&clouds, job).unwrap_err().to_string();
            assert!(said.contains(", 50 m wide, ") && said.contains("Allow more with --memory"), "{said}");
            said
        };
        // A quarter of the ground holds a quarter of the points.
        let said = refused(1.5, 50_000_000, &job);
        assert!(said.starts_with("the tile at x 50 m, y 0 m") && said.contains("leaves 307 MiB"), "{said}");
        assert!(said.ends_with("or set smaller tiles: `read: {tile: 25 m}`"), "{said}");
        let said = refused(6.0, 50_000_000, &job);
        assert!(said.ends_with("or set smaller tiles: `read: {tile: 12.5 m}`"), "{said}");
        // All in one spot, they are in one tile however small it is.
        let said = refused(1.5, 100_000, &job);
        assert!(said.ends_with("or thin the cloud out"), "{said}");
        // Few points, but more cells than memory holds, most of them in the margins.
        job.resources.memory = 1 << 20;
        let said = refused(0.1, 50_000_000, &job);
        assert!(said.ends_with("or set a larger `cell:` or a smaller `window_max:` of `ground`"), "{said}");
    }

    #[test]
    fn points_scattered_so_thinly_that_surfaces_would_flood_the_disk_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = job();
        let scattered = survey([1, 1], 50_000_000, folder.path());
        assert!(check_surfaces(&scattered, &job.chain, job.tiling).is_ok());
        // The same with tiles of 20 km, all of which the box covers.
        job.tiling = Tiling { edge: 20_000_000_000 };
        let wide = survey([1, 1], 20_000_000_000, folder.path());
        let error = check_surfaces(&wide, &job.chain, job.tiling).unwrap_err();
        assert!(matches!(error, EngineError::Scattered { cloud: "survey", tiles: 2, .. }), "{error}");
    }
}
