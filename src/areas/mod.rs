//! Areas on the ground: polygons from files, and whether a position lies in one.
//!
//! [`AreaFile::read`] reads polygons with what their file says of their system; [`AreaFile::place`] takes them to the
//! program's own integers. An [`Area`] then answers for positions exactly. [`LeftOut`] is the list of areas whose points
//! are left out of comparisons.

mod area_file;
mod geojson;
#[cfg(feature = "geopackage")]
mod geopackage;
mod left_out;
mod polygon;
mod stated;
#[cfg(feature = "geopackage")]
mod wkb;

pub use area_file::{AreaFile, AreaSystem};
pub use left_out::{LeftOut, LeftOutArea};
pub use polygon::Area;

/// Rings of polygons: of each its outer ring and its holes, in the coordinates of a file.
pub(crate) type Polygons = Vec<Vec<Vec<[f64; 2]>>>;
