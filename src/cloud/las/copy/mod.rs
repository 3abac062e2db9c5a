//! Writing a file again as LAZ: the same points in the same order with other classes, and perhaps with more extra bytes.
//!
//! All else stays as it came, byte for byte: the header but for the places in it, all records, and all fields of the points.
//! A [`CopyPlan`] says how a file is written again, and whether it can be. Its points are cut into chunks as the source is,
//! so that chunks can be made in parallel by a [`ChunkEncoder`] each and the bytes depend on nobody's order; a [`CopyWriter`]
//! then takes them one after another.

mod chunks;
mod extra_bytes;
mod frame;
#[cfg(test)]
mod tests;
mod writer;

pub use chunks::ChunkEncoder;
pub use extra_bytes::ExtraDimension;
pub use writer::{CopyError, CopyWriter};

use crate::cloud::block::Block;
use crate::cloud::error::CloudError;
use crate::cloud::las::header::LasFile;
use crate::cloud::location::Location;
use crate::cloud::ranges::RangeReader;
use chunks::Chunking;
use frame::Frame;

/// User of the record that says where a copy comes from, and its number.
pub const OWN_USER: &str = "echograde";
const OWN_RECORD: u16 = 1;

/// How a file is written again.
#[derive(Clone, Debug)]
pub struct CopyPlan {
    location: Location,
    frame: Frame,
    chunking: Chunking,
    /// Bytes of a record in the source.
    record_length: usize,
    /// Bytes that the new dimensions take in a record.
    added: usize,
    extended: bool,
    /// Whether the source is a COPC file, which the copy is not.
    pub was_copc: bool,
}

impl CopyPlan {
    /// That of a file whose points get these dimensions besides; `origin` says in words where the copy comes from.
    ///
    /// # Errors
    /// Where the file cannot be read, or its records have no room for that.
    pub fn new(file: &LasFile, dimensions: &[ExtraDimension], origin: &str) -> Result<Self, CloudError> {
        let mut source = RangeReader::open(&file.location)?;
        let mut frame = Frame::read(&mut source, file)?;
        let added: usize = dimensions.iter().map(|dimension| dimension.bytes()).sum();
        frame.add_dimensions(file, dimensions)?;
        let chunking = Chunking::of(file, added as u16)?;
        frame.set_compression(&chunking);
        frame.set_origin(origin);
        Ok(CopyPlan {
            location: file.location.clone(),
            was_copc: frame.was_copc,
            frame,
            chunking,
            record_length: file.record_length.into(),
            added,
            extended: file.format >= 6,
        })
    }

    /// Points that are encoded together at the most: blocks are cut into chunks of so many.
    pub fn most_in_chunk(&self, block: &Block) -> usize {
        self.chunking.most_in_chunk(block)
    }

    /// Points of the largest chunk.
    pub fn most_points(&self) -> u64 {
        self.chunking.most_points() as u64
    }

    /// Bytes of memory that encoding a chunk takes at the most, its records before and after included.
    pub fn bytes_in_hand(&self) -> u64 {
        // Compressed bytes rarely exceed half of those not compressed.
        self.most_points() * (2 * self.record_length + 2 * self.added + self.record_length / 2) as u64
    }

    /// Bytes of a record in the source, and in the copy.
    pub fn record_lengths(&self) -> (usize, usize) {
        (self.record_length, self.record_length + self.added)
    }

    /// The encoder of its chunks: one for each thread.
    pub fn encoder(&self) -> ChunkEncoder {
        ChunkEncoder::new(&self.chunking)
    }

    /// The class in a record of the source, replaced: in formats 0 to 5 it shares its byte with flags, which stay.
    /// Source: LAS 1.4 R16, tables 8 and 16.
    #[inline]
    pub fn set_class(&self, record: &mut [u8], class: u8) {
        if self.extended {
            record[16] = class;
        } else {
            record[15] = record[15] & 0xe0 | class & 0x1f;
        }
    }
}
