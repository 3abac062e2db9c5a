//! Reading point files.
//!
//! [`CloudFile::open`] reads a LAS or LAZ file's header and records, checks them against the file's real size and
//! cuts the points into [`Block`]s that can be decoded independently. A [`Decoder`] (one for each thread) turns
//! blocks into [`Point`]s in whole micrometres, decoding only the [`Fields`] asked for. [`Crs`] is what the file
//! says of its coordinate system and, safely or not, of its units. A [`Census`] counts all that is in a file.

mod blocks;
pub mod bounds;
pub mod buckets;
mod census;
mod column;
mod compression;
mod crs;
mod decode;
mod error;
mod geokeys;
pub(crate) mod guard;
mod header;
pub mod packed;
pub mod point;
pub mod reuse;
mod sized_file;
#[cfg(test)]
mod testing;
mod vlr;
mod wiped;
mod wkt;

pub use blocks::Block;
pub use census::{Census, PointDensity, sample_one_in};
pub use crs::{Crs, StatedUnit};
pub use decode::{Decoded, Decoder};
pub use error::CloudError;
pub use header::{CloudFile, GpsTimeType};
pub use point::{Fields, MAX_RETURN, Point};
pub use wiped::STACK;
