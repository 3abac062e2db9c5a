//! `ground`: the progressive morphological filter of Zhang et al. 2003.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::CloudChoice;
use crate::pipeline::units::Length;

/// Tells ground from everything else: the progressive morphological filter.
///
/// The lowest elevation of every cell makes a surface; the surface is opened (eroded, then dilated) with windows
/// that grow, each pass opening what the pass before left. A point is ground where its height over the opened
/// surface of its cell is at most the threshold of that window, in every pass. Points of class 7 and 18 (noise)
/// take no part. Symbols: cell size `c`, window `w_k`, slope `s`, thresholds `dh_0`, `dh_k`, `dh_max`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Ground {
    /// The cloud it applies to: `both`, `survey` or `reference`.
    pub cloud: CloudChoice,
    /// Cell size `c` of the surface; cells are aligned to its multiples from coordinate zero.
    #[schemars(extend("x-source" = "Zhang et al. 2003, IEEE TGRS 41(4) 872-882; value for drone densities: common practice, no source"))]
    pub cell: Length,
    /// The windows grow while window × cell does not exceed this. It must exceed the widest building.
    #[schemars(extend("x-source" = "Zhang et al. 2003; value: common practice, no source"))]
    pub window_max: Length,
    /// How windows grow, in cells: `exponential` 3, 5, 9, 17, … (2·2^k + 1) or `linear` 3, 5, 7, 9, … (2k + 1).
    #[schemars(extend("x-source" = "Zhang et al. 2003, equations 4 and 5"))]
    pub window_growth: WindowGrowth,
    /// Slope `s` of the terrain, rise over run: the threshold grows by `s` times the growth of the window.
    #[schemars(extend("x-source" = "Zhang et al. 2003, equation 7; value: common practice, no source"))]
    pub slope: f64,
    /// Threshold `dh_0` of the first window. Near the noise of the late returns it cuts off their upper tail
    /// and makes them look better than they are.
    #[schemars(extend("x-source" = "Zhang et al. 2003, equation 7; value: common practice, no source"))]
    pub dh_initial: Length,
    /// Greatest threshold `dh_max` of any window.
    #[schemars(extend("x-source" = "Zhang et al. 2003, equation 7; value: common practice, no source"))]
    pub dh_max: Length,
    /// A cell without points takes the lowest elevation of the nearest cell that has some, no farther than this
    /// between cell centres; farther off it stays empty.
    #[schemars(extend("x-source" = "Zhang et al. 2003 (nearest neighbour); the limit: this program's own choice"))]
    pub fill_max: Length,
    /// A point more than this below its surroundings is a low outlier (a multipath echo): it is not ground and
    /// does not shape the surface. Its surroundings are the 24 cells around its own; it must lie this far below
    /// the lowest points of all but three of those that have points.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub low_outlier: Length,
}

/// How the windows of the ground filter grow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum WindowGrowth {
    /// Windows of 2·2^k + 1 cells, k from 0: 3, 5, 9, 17, …
    Exponential,
    /// Windows of 2k + 1 cells, k from 1: 3, 5, 7, 9, …
    Linear,
}

impl Default for Ground {
    fn default() -> Self {
        Ground {
            cloud: CloudChoice::Both,
            cell: Length::metres(0.5),
            window_max: Length::metres(18.0),
            window_growth: WindowGrowth::Exponential,
            slope: 0.3,
            dh_initial: Length::metres(0.3),
            dh_max: Length::metres(1.0),
            fill_max: Length::metres(10.0),
            low_outlier: Length::metres(1.0),
        }
    }
}
