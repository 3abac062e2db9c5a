//! Square cells aligned to multiples of their size from coordinate zero, and the morphology done on them.
//!
//! Cell values are elevations in whole micrometres held in `f64` (exact up to 2^53, and the processor's own
//! minimum and maximum apply); [`EMPTY`] marks a cell without one.

pub(crate) mod fill;
pub(crate) mod grid;
pub(crate) mod lowest;
pub mod morphology;
pub mod outlines;

pub use grid::{EMPTY, Extent, Finder, Raster, edge};
