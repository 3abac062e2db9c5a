//! `export`: what the client is handed for use in other programs.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stages::stage::{ExpectedSurvey, Preparing, StageOptions, Step};

/// Writes what the client is handed: the survey with its ground classified, and the points that the figures rest on.
///
/// The classified cloud is a LAZ file for each file of the survey, in the folder `cloud` of the run folder: the same LAS version,
/// point format, scale, records and order of points, and every field as it came but the class. Ground is class 2, low
/// outliers are class 7; a point that came as class 2 and is not ground becomes class 1. All others keep their class:
/// noise (7 and 18), withheld points, and those that a `select` before `ground` leaves out. Points that a `select` after
/// `ground` leaves out have been classified, too, and so have those in areas left out of comparisons. Of a COPC file the copy is plain LAZ.
/// With `ground: {from: classes}` nothing is classified, so that there is no cloud to write. Where blocks of the survey were
/// skipped as damaged, no cloud is written, and that is said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Export {
    /// Write the classified cloud.
    #[schemars(extend("x-source" = "this program's own choice; classes: LAS 1.4 R16, classification tables"))]
    pub cloud: bool,
    /// What points of the cloud get besides, each under its name. `ground_limit`: the highest elevation that is ground in the
    /// cell of the point, in the unit, scale and offset of z; none for a point that was not judged. `dz`: survey elevation minus
    /// reference elevation, in the unit of z, of points that were compared; it takes `per_return: all` in `checkpoints`.
    #[schemars(extend("x-source" = "this program's own choice; extra bytes: LAS 1.4 R16"))]
    pub extra_bytes: Vec<Dimension>,
    /// Write the checkpoints, the areas left out and, with the stage `terrain`, the voids of the terrain model as polygons into a
    /// GeoPackage, `points.gpkg`, beside `checkpoints.csv`.
    #[schemars(extend("x-source" = "this program's own choice; GeoPackage: OGC 12-128"))]
    pub checkpoints: bool,
    /// Write every comparison, one a line, as `comparisons.csv`, and as a layer of `points.gpkg`: x, y, dz and what is known of
    /// each. There may be millions. With `per_return` a number in `checkpoints`, the comparisons are those checkpoints alone, and this is refused.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub comparisons: bool,
}

impl Default for Export {
    fn default() -> Self {
        Export { cloud: true, extra_bytes: Vec::new(), checkpoints: true, comparisons: false }
    }
}

impl Export {
    /// Whether points of the cloud get a dimension besides.
    pub fn has(&self, dimension: Dimension) -> bool {
        self.cloud && self.extra_bytes.contains(&dimension)
    }
}

/// A dimension that points of the classified cloud get besides.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Dimension {
    /// Survey elevation minus reference elevation.
    Dz,
    /// The highest elevation that is ground in the cell of the point.
    GroundLimit,
}

/// Bytes of a file written again, to those of the source: LAZ takes about as many, LAS fewer.
const AGAIN: f64 = 1.05;

/// Bytes of a value of a dimension, compressed.
const DIMENSION: f64 = 3.0;

/// Bytes of the limits that the ground filter keeps, for each square metre: five a cell of half a metre.
const LIMITS_M2: f64 = 20.0;

impl StageOptions for Export {
    fn step(&self) -> Step {
        Step::Deliver
    }

    // The ground filter keeps its limits where a cloud is written; the rest is done once the results are known.
    fn prepare(&self, _: usize, _: &mut Preparing<'_>) {}

    fn disk_bytes(&self, survey: &ExpectedSurvey) -> u64 {
        if !self.cloud {
            return 0;
        }
        let dimensions = self.extra_bytes.len() as f64 * survey.points as f64 * DIMENSION;
        (survey.file_bytes as f64 * AGAIN + dimensions + survey.area_m2 * LIMITS_M2) as u64
    }
}
