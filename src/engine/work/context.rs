//! What the work on tiles needs, whichever tile it is.

use crate::engine::partition::clouds::Partitions;
use crate::engine::store::journal::Journals;
use crate::engine::work::load::Allowance;
use crate::engine::work::surfaces::SurfacesOf;
use crate::stages::chain::Chain;

/// What the work on tiles needs, whichever tile it is.
pub struct Work<'a> {
    /// The points.
    pub partitions: &'a Partitions,
    /// The surfaces that stages want.
    pub surfaces: &'a SurfacesOf,
    /// The stages.
    pub chain: &'a Chain,
    /// The memory that tiles may take.
    pub allowance: Allowance,
    /// Where what is found goes.
    pub journals: &'a Journals,
}
