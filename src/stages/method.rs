//! How reference and survey are matched, as the pipeline file says it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How reference elevation at a checkpoint is found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Where the scan is dense the plane through its points around the checkpoint, elsewhere the nearest of them. Where the
    /// reference is a list of surveyed points: `triangulated`.
    #[default]
    Auto,
    /// The reference ground point at the smallest horizontal distance.
    Nearest,
    /// The least-squares plane through the reference ground points within reach.
    Plane,
    /// Linear interpolation in the Delaunay triangulation of ground points: of the reference's at a checkpoint or, where the
    /// reference is a list of surveyed points, of the survey's at each of them.
    Triangulated,
}

impl Method {
    /// Its name in the pipeline file.
    pub fn word(self) -> &'static str {
        match self {
            Method::Auto => "auto",
            Method::Nearest => "nearest",
            Method::Plane => "plane",
            Method::Triangulated => "triangulated",
        }
    }
}
