//! A residual that knows its place, for whatever depends on distance.

use twox_hash::XxHash3_64;

/// One dz with its place.
///
/// Sorted by its fields, so that a sorted list is the same whatever order the residuals came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Placed {
    /// Easting, in micrometres.
    pub x: i64,
    /// Northing, in micrometres.
    pub y: i64,
    /// Survey minus reference elevation, in micrometres.
    pub dz: i64,
    /// Highest dz that the ground filter would have accepted here, as the *other* points set it, in micrometres.
    pub limit: Option<i64>,
    /// Index into the list of groups of interest (the finest strata).
    pub group: u16,
}

impl Placed {
    /// The block of side `size` micrometres that it lies in, as (row, column); blocks align to coordinate zero.
    pub fn block(&self, size: i64) -> (i64, i64) {
        block_of(self.x, self.y, size)
    }

    /// A seeded hash of its place and group, to draw by without regard to order. Not of dz: the level of the reference must
    /// not decide which are drawn.
    pub fn hash(&self, seed: u64) -> u64 {
        let mut bytes = [0; 18];
        bytes[..8].copy_from_slice(&self.x.to_le_bytes());
        bytes[8..16].copy_from_slice(&self.y.to_le_bytes());
        bytes[16..].copy_from_slice(&self.group.to_le_bytes());
        XxHash3_64::oneshot_with_seed(seed, &bytes)
    }
}

/// The block of side `size` that a place lies in, as (row, column).
pub fn block_of(x: i64, y: i64, size: i64) -> (i64, i64) {
    (y.div_euclid(size), x.div_euclid(size))
}
