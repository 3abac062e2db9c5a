//! What the work on tiles needs, whichever tile it is.

use std::collections::HashMap;

use crate::engine::partition::clouds::Partitions;
use crate::engine::store::journal::Journals;
use crate::engine::work::load::Allowance;
use crate::engine::work::surfaces::Surfaces;
use crate::stages::chain::Chain;
use crate::tile::points::Cloud;

/// What the work on tiles needs, whichever tile it is.
pub struct Work<'a> {
    /// The points.
    pub partitions: &'a Partitions,
    /// The surfaces of each cloud.
    pub surfaces: &'a HashMap<Cloud, Surfaces>,
    /// The stages.
    pub chain: &'a Chain,
    /// The memory that tiles may take.
    pub allowance: Allowance,
    /// Where what is found goes.
    pub journals: &'a Journals,
}
