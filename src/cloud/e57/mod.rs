//! E57 files (ASTM E2807): several scans in one file, each with a pose.
//!
//! Header and XML are read by the crate `e57`. Its reader of points must begin each scan anew, so that points are
//! decoded here: a walk over the heads of the packets ([`blocks`]) cuts a scan into blocks that can be decoded
//! independently, as those of a LAZ file can. The tests compare the two readers point by point.

mod blocks;
mod decode;
mod layout;
mod pages;
mod scan;

#[cfg(test)]
pub(crate) mod testing;

pub use decode::E57Decoder;
pub use scan::{E57Scan, SIGNATURE};
