//! Chunks in layers (point formats 6 to 10): only the layers of the core of a point are read, and only those of the fields
//! asked for decoded.
//!
//! A coder ends in step with its writer, so that bytes left over show damage that still decodes. The decoder keeps to itself
//! how much of a layer it has used; but asked for more points than there are, it must run out of elevations at once.

use std::collections::BTreeSet;
use std::io::Cursor;

use laz::las::selective::DecompressionSelection;
use laz::record::{LayeredPointRecordDecompressor, RecordDecompressor};

use crate::cloud::block::Block;
use crate::cloud::error::CloudError;
use crate::cloud::guard;
use crate::cloud::las::compression::{self, Compression};
use crate::cloud::las::decompress::{LARGE_CHUNK, LEFT_OVER, Take, decompress};
use crate::cloud::las::wiped;
use crate::cloud::ranges::RangeReader;

/// Zeros put behind the layer of positions, so that of points that are not there the elevations run out first.
const PADDING: usize = 256;

/// Points beyond the last that are asked for at the most.
const BEYOND: usize = 64;

/// So many different elevations among them show bytes left over: of 400 whole chunks of all kinds of clouds none gave more
/// than two.
const DIFFERENT: usize = 16;

/// Elevations that take fewer bits each tell nothing, as what little is left may give many of them: those of a cloud computed on
/// a grid, say. What the coder takes to learn a cloud counts apart, in bytes.
const LEAST_BITS: u64 = 2;
const LEARNING: u64 = 256;

/// Lengths that the head of a layered chunk states, bytes.
struct Lengths {
    /// The head itself: the first point, the number of points, and these lengths.
    head: usize,
    /// All layers.
    all: u64,
    /// The layers of the core of a point.
    core: u64,
    /// The layer of positions, the first of them.
    positions: u64,
    /// The layer of GPS times, the last of them.
    times: usize,
}

/// Puts the head of a chunk into `buffer`, and makes sure that its layers can be there.
fn head(
    source: &mut RangeReader,
    buffer: &mut Vec<u8>,
    compression: &Compression,
    block: &Block,
) -> Result<Result<Lengths, String>, CloudError> {
    let record = compression.record_length();
    let layers: usize = compression.vlr.items().iter().map(compression::layers).sum();
    let head = record + 4 + 4 * layers;
    if head as u64 > block.bytes {
        return Ok(Err(format!("its header needs {head} bytes")));
    }
    source.fill(buffer, block.offset, head as u64, "compressed chunk")?;
    let word = |at: usize| u64::from(u32::from_le_bytes(buffer[at..at + 4].try_into().expect("four bytes")));
    let count = word(record);
    if count != block.points {
        return Ok(Err(format!("it holds {count} points")));
    }
    let lengths = |layers| (0..layers).map(|layer| word(record + 4 + 4 * layer)).sum::<u64>();
    let (all, core) = (lengths(layers), lengths(compression::POINT_LAYERS));
    let end = head as u64 + all;
    if end > block.bytes {
        return Ok(Err(format!("its layers need {all} bytes")));
    }
    if end + LEFT_OVER < block.bytes {
        return Ok(Err(format!("its layers end {} bytes early", block.bytes - end)));
    }
    let times = word(record + 4 + 4 * (compression::POINT_LAYERS - 1)) as usize;
    Ok(Ok(Lengths { head, all, core, positions: word(record + 4), times }))
}

fn too_long(bytes: u64) -> String {
    format!("its layers take {bytes} bytes, more than {LARGE_CHUNK}")
}

/// Puts into `buffer` what a decoder of the core of a point alone needs of a layered chunk: the first point's
/// core, the number of points, the lengths of the core's layers, and these layers. Colours, waves and extra bytes
/// come after them and are never read. Every length is checked before the decoder may believe it.
pub(super) fn fill(
    source: &mut RangeReader,
    buffer: &mut Vec<u8>,
    compression: &Compression,
    block: &Block,
    with_time: bool,
) -> Result<Result<(), String>, CloudError> {
    let Lengths { head, core: wanted, positions, times, .. } = match head(source, buffer, compression, block)?
    {
        Ok(lengths) => lengths,
        Err(what) => return Ok(Err(what)),
    };
    if wanted > LARGE_CHUNK {
        return Ok(Err(too_long(wanted)));
    }
    let (record, head) = (compression.record_length(), head as u64);
    let core = usize::from(compression::size(&compression.vlr.items()[0]));
    buffer.copy_within(record..record + 4 + 4 * compression::POINT_LAYERS, core);
    buffer.truncate(core + 4 + 4 * compression::POINT_LAYERS);
    source.fill(buffer, block.offset + head, positions, "compressed chunk")?;
    if positions > 0 {
        let padded = positions as u32 + PADDING as u32;
        buffer[core + 4..core + 8].copy_from_slice(&padded.to_le_bytes());
        buffer.resize(buffer.len() + PADDING, 0);
    }
    source.fill(buffer, block.offset + head + positions, wanted - positions, "compressed chunk")?;
    // The layer of the GPS times is the last of the core.
    Ok(if with_time { wiped::not_wiped(&buffer[buffer.len() - times..]) } else { Ok(()) })
}

/// Puts into `buffer` a whole chunk, every length of which has been checked.
pub(super) fn fill_whole(
    source: &mut RangeReader,
    buffer: &mut Vec<u8>,
    compression: &Compression,
    block: &Block,
) -> Result<Result<(), String>, CloudError> {
    let Lengths { head, all, core, times, .. } = match head(source, buffer, compression, block)? {
        Ok(lengths) => lengths,
        Err(what) => return Ok(Err(what)),
    };
    if all > LARGE_CHUNK {
        return Ok(Err(too_long(all)));
    }
    source.fill(buffer, block.offset + head as u64, all, "compressed chunk")?;
    let end = head + core as usize;
    Ok(wiped::not_wiped(&buffer[end - times..end]))
}

/// Decodes what [`fill_whole`] has read.
pub(super) fn decode_whole(
    bytes: &[u8],
    compression: &Compression,
    block: &Block,
    batch: &mut Vec<u8>,
    take: &mut Take<'_>,
) -> Result<(), String> {
    let mut decompressor = LayeredPointRecordDecompressor::new(Cursor::new(bytes));
    decompressor.set_fields_from(compression.vlr.items()).map_err(|error| error.to_string())?;
    decompressor.set_selection(DecompressionSelection::all());
    decompress(&mut decompressor, block.points, batch, take)
}

/// Decodes the first so many points of what [`fill`] has read. Of all points of the block, makes sure that the elevations end
/// with them.
pub(super) fn decode(
    bytes: &[u8],
    compression: &Compression,
    block: &Block,
    points: u64,
    batch: &mut Vec<u8>,
    selection: DecompressionSelection,
    take: &mut Take<'_>,
) -> Result<(), String> {
    let mut decompressor = LayeredPointRecordDecompressor::new(Cursor::new(bytes));
    let core = vec![compression.vlr.items()[0]];
    decompressor.set_fields_from(&core).map_err(|error| error.to_string())?;
    decompressor.set_selection(selection);
    decompress(&mut decompressor, points, batch, take)?;
    if points < block.points {
        return Ok(());
    }
    let record = &mut batch[..decompressor.record_size()];
    let length =
        u32::from_le_bytes(bytes[record.len() + 8..record.len() + 12].try_into().expect("four bytes"));
    if 8 * u64::from(length).saturating_sub(LEARNING) < LEAST_BITS * block.points {
        return Ok(());
    }
    let mut elevations = BTreeSet::new();
    for _ in 0..BEYOND {
        if !guard::call(|| decompressor.decompress_next(record)).is_ok_and(|result| result.is_ok()) {
            return Ok(());
        }
        elevations.insert([record[8], record[9], record[10], record[11]]);
        if elevations.len() >= DIFFERENT {
            return Err("its elevations end before their bytes do".into());
        }
    }
    Ok(())
}
