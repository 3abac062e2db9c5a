//! Points so scattered that the work on them would flood the disk.

use crate::engine::partition::clouds::Partitions;
use crate::engine::store::error::EngineError;
use crate::raster::Extent;
use crate::stages::chain::Chain;
use crate::tile::tiling::TileKey;

/// Bytes on disk that the surfaces of all tiles may always take.
const SURFACES_FREE: u64 = 1 << 30;

/// Beyond that, bytes of surfaces for each byte of points: a point on 50 square metres at cells of half a metre.
const SURFACES_PER_POINTS: u64 = 64;

/// Bytes of a surface's cell on disk.
const CELL_ON_DISK: u64 = 5;

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

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::path::Path;

    use super::*;
    use crate::cloud::bounds::Bounds;
    use crate::engine::partition::clouds::Partition;
    use crate::engine::partition::counts::ReadCounts;
    use crate::engine::partition::partitioner::Share;
    use crate::engine::plan::job::{Job, Resources};
    use crate::engine::store::spill::Spill;
    use crate::tile::tiling::Tiling;

    /// The demo's job.
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

    #[test]
    fn points_scattered_so_thinly_that_surfaces_would_flood_the_disk_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let job = job();
        let scattered = survey([1, 1], TILES.edge, TILES, folder.path());
        assert!(check_surfaces(&scattered, &job.chain).is_ok());
        // The same with tiles of 20 km, all of which the box covers.
        let tiles = Tiling { edge: 20_000_000_000 };
        let wide = survey([1, 1], tiles.edge, tiles, folder.path());
        let error = check_surfaces(&wide, &job.chain).unwrap_err();
        assert!(matches!(error, EngineError::Scattered { cloud: "survey", tiles: 2, .. }), "{error}");
    }
}
