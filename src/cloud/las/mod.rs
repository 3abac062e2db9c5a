//! LAS and LAZ files, the one kind of source so far.
//!
//! [`LasFile::open`] reads a file's header and records, checks them against the file's real size and cuts the points into
//! blocks. A [`LasDecoder`] turns blocks into points. Writers and damaged disks are not trusted: a length is believed only
//! once the bytes are known to be there.

mod blocks;
mod compression;
mod copc;
mod copy;
mod decode;
mod decompress;
mod extent;
mod header;
mod layers;
#[cfg(test)]
pub(super) mod testing;
mod vlr;
mod wiped;

pub use copy::{ChunkEncoder, CopyError, CopyPlan, CopyWriter, ExtraDimension};
pub use decode::LasDecoder;
pub use header::{GpsTimeType, LasFile};
pub use wiped::STACK;
