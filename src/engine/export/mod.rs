//! What is written for use in other programs, once the results are known.

pub(crate) mod blocks;
pub(crate) mod classify;
pub(crate) mod cloud;
pub(crate) mod comparisons;
pub(crate) mod kept;
#[cfg(feature = "geopackage")]
pub(crate) mod points;

use crate::engine::conclude::voids::VoidRuns;
use crate::engine::partition::clouds::Partitions;
use crate::fit::VerticalFit;
use crate::results::summary::Summary;
use crate::tile::yields::Yields;

/// What products are made of.
pub struct Found<'a> {
    /// The points as they were read.
    pub partitions: &'a Partitions,
    /// What the tiles gave back.
    pub yields: &'a dyn Yields,
    /// The results.
    pub summary: &'a Summary,
    /// What is added to dz, where the survey is fitted to control; never to the cloud itself.
    pub fit: Option<&'a VerticalFit>,
    /// The voids of the terrain model, where one is made.
    #[cfg_attr(not(feature = "geopackage"), allow(dead_code, reason = "only a GeoPackage takes polygons"))]
    pub voids: Option<&'a VoidRuns>,
}
