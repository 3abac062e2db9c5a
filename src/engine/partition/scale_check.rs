//! Points so scattered that surfaces over their tiles would fill the disk: the effect of a wrong scale factor.

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

/// Refuses points so scattered that surfaces over their tiles would fill the disk.
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
    use serde_json::json;

    use super::*;
    use crate::cloud::bounds::Bounds;
    use crate::engine::partition::clouds::Partition;
    use crate::engine::partition::counts::ReadCounts;
    use crate::engine::partition::partitioner::Share;
    use crate::tile::tiling::Tiling;

    /// A survey of one point in each of two tiles, side by side, in a box as wide as both.
    fn survey(edge: i64) -> Partitions {
        let share = Share { points: 1, core: Bounds::default() };
        let shares = (0..2).map(|column| (TileKey { row: 0, column }, share)).collect();
        let counts =
            ReadCounts { bounds: Bounds::new((0, 0), (2 * edge - 1, edge - 1)), ..ReadCounts::default() };
        Partitions {
            survey: Partition { spills: Vec::new(), shares, counts },
            reference: None,
            tiling: Tiling { edge },
        }
    }

    #[test]
    fn points_scattered_so_thinly_that_surfaces_would_flood_the_disk_are_refused() {
        let stages: Vec<_> = serde_json::from_value(json!([{"read": {}}, {"ground": {}}])).unwrap();
        let chain = Chain::new(&stages, 1);
        assert!(check_surfaces(&survey(50_000_000), &chain).is_ok());
        // The same with tiles of 20 km, all of which the box covers.
        let error = check_surfaces(&survey(20_000_000_000), &chain).unwrap_err();
        assert!(matches!(error, EngineError::Scattered { cloud: "survey", tiles: 2, .. }), "{error}");
    }
}
