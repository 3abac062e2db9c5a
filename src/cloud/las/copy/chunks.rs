//! Chunks of a copy: how points are cut into them, and how one is encoded.

use std::io::Cursor;

use laz::LazVlr;
use laz::record::{LayeredPointRecordCompressor, RecordCompressor, SequentialPointRecordCompressor};

use crate::cloud::block::Block;
use crate::cloud::error::CloudError;
use crate::cloud::guard;
use crate::cloud::las::compression::MOST_EXTRA_BYTES;
use crate::cloud::las::header::{LasFile, RECORD_LENGTHS};

/// Points in a chunk at the most, as many as writers commonly put into one, and bytes of them before they are encoded.
const MOST_POINTS: u64 = 50_000;
const MOST_BYTES: u64 = 4 << 20;

/// How points are cut into chunks and how these are encoded.
#[derive(Clone, Debug)]
pub(super) struct Chunking {
    /// The record that says how the points are compressed.
    pub vlr: LazVlr,
    layered: bool,
    /// Bytes of a record.
    record_length: u64,
    /// Points of the largest chunk.
    most: u64,
}

impl Chunking {
    /// That of a file whose records get so many bytes besides.
    ///
    /// # Errors
    /// Where records have no room for that.
    pub fn of(file: &LasFile, added: u16) -> Result<Self, CloudError> {
        let own = RECORD_LENGTHS[usize::from(file.format)];
        let there = file.record_length - own;
        let Some(extra) = there.checked_add(added).filter(|extra| *extra <= MOST_EXTRA_BYTES) else {
            return Err(CloudError::Unsupported {
                path: file.location.path().to_path_buf(),
                what: format!(
                    "compressing points with {there} extra bytes and {added} more, beyond {MOST_EXTRA_BYTES} in all,"
                ),
                offset: 105,
                remedy: "Write `export: {cloud: false}`",
            });
        };
        let layered = file.format >= 6;
        let mut chunking = Chunking {
            vlr: LazVlr::from_buffer(record(file.format, extra, None))
                .map_err(|error| unknown(file, error))?,
            layered,
            record_length: u64::from(own) + u64::from(extra),
            most: MOST_POINTS,
        };
        let size = chunking.fixed_size(&file.blocks);
        chunking.most =
            file.blocks.iter().map(|block| chunking.most_in_chunk(block) as u64).max().unwrap_or(1);
        chunking.vlr =
            LazVlr::from_buffer(record(file.format, extra, size)).map_err(|error| unknown(file, error))?;
        Ok(chunking)
    }

    /// Points of the chunks that a block is cut into, all alike but the last.
    pub fn most_in_chunk(&self, block: &Block) -> usize {
        let most = MOST_POINTS.min(MOST_BYTES / self.record_length).max(1);
        block.points.div_ceil(block.points.div_ceil(most)) as usize
    }

    /// Points of the largest chunk.
    pub fn most_points(&self) -> usize {
        self.most as usize
    }

    /// Points of all chunks but the last, where they have as many.
    fn fixed_size(&self, blocks: &[Block]) -> Option<u32> {
        let (last, others) = blocks.split_last()?;
        let size = self.most_in_chunk(others.first().unwrap_or(last)) as u64;
        let alike = others
            .iter()
            .all(|block| block.points.is_multiple_of(size) && self.most_in_chunk(block) as u64 == size);
        // The last block may be cut otherwise, where it is not one chunk by itself.
        let ends = last.points <= size || self.most_in_chunk(last) as u64 == size;
        (alike && ends).then_some(size as u32)
    }
}

fn unknown(file: &LasFile, error: laz::LasZipError) -> CloudError {
    CloudError::Unsupported {
        path: file.location.path().to_path_buf(),
        what: format!("compressing point format {}: {error}", file.format),
        offset: 104,
        remedy: "Export the cloud in a format from 0 to 10",
    }
}

/// The data of the record that says how points are compressed, in chunks of `size` points or of sizes of their own: of a
/// format with so many extra bytes.
///
/// Items are written here rather than by the crate, which gives wave packets of formats 4 and 5 a version that none but
/// itself knows. Source: the open description of LAZ, the record of the compressor.
fn record(format: u8, extra_bytes: u16, size: Option<u32>) -> Vec<u8> {
    let (point, colour, wave, extra) = ((6, 20, 2), (8, 6, 2), (9, 29, 1), (0, extra_bytes, 2));
    let (point_6, colour_6, infrared_6, wave_6, extra_6) =
        ((10, 30, 3), (11, 6, 3), (12, 8, 3), (13, 29, 3), (14, extra_bytes, 3));
    let time = (7, 8, 2);
    let mut items: Vec<(u16, u16, u16)> = match format {
        0 => vec![point],
        1 => vec![point, time],
        2 => vec![point, colour],
        3 => vec![point, time, colour],
        4 => vec![point, time, wave],
        5 => vec![point, time, colour, wave],
        6 => vec![point_6],
        7 => vec![point_6, colour_6],
        8 => vec![point_6, infrared_6],
        9 => vec![point_6, wave_6],
        _ => vec![point_6, infrared_6, wave_6],
    };
    let layered = format >= 6;
    if extra_bytes > 0 {
        items.push(if layered { extra_6 } else { extra });
    }
    let mut bytes = Vec::new();
    // Compressor, coder, version 2.2 of it, options, chunk size, two places that are not used, number of items.
    bytes.extend_from_slice(&(if layered { 3u16 } else { 2 }).to_le_bytes());
    bytes.extend_from_slice(&0u16.to_le_bytes());
    bytes.extend_from_slice(&[2, 2, 0, 0]);
    bytes.extend_from_slice(&0u32.to_le_bytes());
    bytes.extend_from_slice(&size.unwrap_or(u32::MAX).to_le_bytes());
    bytes.extend_from_slice(&[0xff; 16]);
    bytes.extend_from_slice(&(items.len() as u16).to_le_bytes());
    for (kind, length, version) in items {
        [kind, length, version].iter().for_each(|word| bytes.extend_from_slice(&word.to_le_bytes()));
    }
    bytes
}

/// Encodes chunks of a copy.
pub struct ChunkEncoder {
    vlr: LazVlr,
    layered: bool,
}

impl ChunkEncoder {
    pub(super) fn new(chunking: &Chunking) -> Self {
        ChunkEncoder { vlr: chunking.vlr.clone(), layered: chunking.layered }
    }

    /// The chunk of these records, at least one.
    ///
    /// # Errors
    /// What the encoder fails with.
    pub fn encode(&self, records: &[u8]) -> Result<Vec<u8>, String> {
        let encode = || -> Result<Vec<u8>, String> {
            let chunk = Cursor::new(Vec::with_capacity(records.len() / 3));
            let chunk = match self.layered {
                true => self.fill(LayeredPointRecordCompressor::new(chunk), records)?,
                false => self.fill(SequentialPointRecordCompressor::new(chunk), records)?,
            };
            Ok(chunk.into_inner())
        };
        guard::call(encode).flatten()
    }

    fn fill<C: RecordCompressor<Cursor<Vec<u8>>>>(
        &self,
        mut compressor: C,
        records: &[u8],
    ) -> Result<Cursor<Vec<u8>>, String> {
        compressor.set_fields_from(self.vlr.items()).map_err(|error| error.to_string())?;
        compressor
            .compress_many(records)
            .and_then(|()| compressor.done())
            .map_err(|error| error.to_string())?;
        Ok(compressor.into_inner())
    }
}
