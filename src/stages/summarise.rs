//! `summarise`: the statistics of dz, by return and in all.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::TileStage;
use crate::engine::tile::{Cloud, Fate, Tile};
use crate::raster::Raster;

/// Gathers counts and the statistics of dz: bias (mean), SD, RMSE, extremes, median, NMAD and the 95th percentile
/// of |dz|, with the share of points and of ground that each group gives.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Summarise {
    /// What to group by.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub by: Vec<By>,
}

/// A property to group points by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// Return number, 1 to 15.
    Return,
}

impl Default for Summarise {
    fn default() -> Self {
        Summarise { by: vec![By::Return] }
    }
}

/// The stage at work: counts what became of the core points.
pub struct CountTile;

impl TileStage for CountTile {
    fn run(&self, tile: &mut Tile, _: Option<Raster>) {
        for cloud in [Cloud::Survey, Cloud::Reference] {
            let mut counts = std::mem::take(tile.found.counts_mut(cloud));
            let set = tile.cloud_mut(cloud);
            for (point, fate) in set.points.iter().zip(&set.fates).take(set.core) {
                match fate {
                    Fate::Ground => {
                        counts.ground_by_return[point.valid_return().unwrap_or(0) as usize] += 1;
                    }
                    Fate::Noise => counts.noise += 1,
                    Fate::LowOutlier => counts.low_outlier += 1,
                    Fate::AboveGround => counts.above_ground += 1,
                    Fate::Dropped => {}
                }
            }
            *tile.found.counts_mut(cloud) = counts;
        }
    }
}
