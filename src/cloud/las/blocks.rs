//! Cutting a file into blocks, runs of points that can be decoded independently of each other.

use laz::laszip::ChunkTable;

use crate::cloud::block::Block;
use crate::cloud::error::{CloudError, EXPORT_AGAIN};
use crate::cloud::guard;
use crate::cloud::las::compression::{Compression, Kind};
use crate::cloud::ranges::RangeReader;

/// Points in a block of an uncompressed file: as many as LAZ writers commonly put into a chunk.
const PLAIN_BLOCK: u64 = 50_000;

/// Bytes of such a block at the most: a header may give a point up to 65,535 bytes.
const PLAIN_BYTES: u64 = 4 << 20;

/// Points in a byte at the most: even points all alike take some eight symbols each, of about 1/5000 of a bit.
const POINTS_PER_BYTE: u64 = 10_000;

/// Chunks of a file at the most: what is known of each stays in memory.
const MOST_CHUNKS: u64 = 4 << 20;

/// The blocks of the points of an uncompressed file that lie between `offset` and `end`.
pub(super) fn of_plain(
    record_length: u64,
    points: u64,
    offset: u64,
    end: u64,
    notes: &mut Vec<String>,
) -> Vec<Block> {
    let room = (end - offset) / record_length;
    let points = points.min(room);
    if room > points {
        notes.push(format!(
            "{} bytes follow the last point that the header counts: enough for {} more points",
            end - offset - points * record_length,
            room - points
        ));
    }
    let size = PLAIN_BLOCK.min(PLAIN_BYTES / record_length).max(1);
    let blocks = (0..points.div_ceil(size)).map(|number| {
        let first_point = number * size;
        let points = size.min(points - first_point);
        Block {
            number: number as usize,
            first_point,
            points,
            offset: offset + first_point * record_length,
            bytes: points * record_length,
        }
    });
    blocks.collect()
}

/// The blocks of a compressed file: its chunks.
///
/// # Errors
/// When the table of the chunks is missing, lies outside, or does not fit the file or the number of points.
pub(super) fn of_compressed(
    source: &mut RangeReader,
    compression: &Compression,
    points: u64,
    offset: u64,
    end: u64,
) -> Result<Vec<Block>, CloudError> {
    let path = source.path().to_path_buf();
    if compression.kind == Kind::Whole {
        if points > (end - offset).saturating_mul(POINTS_PER_BYTE) {
            return Err(CloudError::Header {
                path,
                what: format!("the header counts {points} points, which cannot be in {} bytes", end - offset),
                offset: 107,
                remedy: EXPORT_AGAIN,
            });
        }
        return Ok(vec![Block { number: 0, first_point: 0, points, offset, bytes: end - offset }]);
    }
    let wrong = |what: String, offset| CloudError::ChunkTable { path: path.clone(), what, offset };
    let (start, place) = table_start(source, offset)?;
    let data = offset + 8;
    if start < data || start.saturating_add(8) > source.size() {
        return Err(wrong(
            format!(
                "it should begin at byte {start}, which is not between the first chunk ({data}) and the end of \
                 the file ({})",
                source.size()
            ),
            place,
        ));
    }
    let head = source.bytes(start, 8, "chunk table")?;
    let word = |at: usize| u32::from_le_bytes(head[at..at + 4].try_into().expect("four bytes"));
    if word(0) != 0 {
        return Err(wrong(format!("its version is {}, but must be 0", word(0)), start));
    }
    // Each chunk holds its first point uncompressed, so that the file's size limits the number of chunks.
    let smallest: u64 = if compression.kind == Kind::Layers { 30 } else { 20 };
    let (chunks, most) = (u64::from(word(4)), (start - data) / smallest + 1);
    if chunks == 0 || chunks > most {
        return Err(wrong(
            format!("it counts {chunks} chunks, but the file can hold 1 to {most}"),
            start + 4,
        ));
    }
    if chunks > MOST_CHUNKS {
        return Err(CloudError::Unsupported {
            path: path.clone(),
            what: format!("a file with {chunks} compressed chunks, more than {MOST_CHUNKS},"),
            offset: start + 4,
            remedy: "Export it again with chunks of 50,000 points",
        });
    }
    let variable = compression.vlr.uses_variable_size_chunks();
    let mut reader = source.stream(start, source.size() - start)?;
    let table =
        guard::call(|| ChunkTable::read(&mut reader, variable).map_err(|error| error.to_string())).flatten();
    drop(reader);
    source.check_failed()?;
    let table = table.map_err(|error| wrong(format!("it cannot be read: {error}"), start + 8))?;

    let mut blocks = Vec::with_capacity(table.len());
    let (mut first_point, mut at) = (0u64, data);
    for (index, entry) in table.as_ref().iter().enumerate() {
        if entry.byte_count > start - at {
            return Err(wrong(
                format!(
                    "chunk {} should take {} bytes from byte {at}, but the chunks end at byte {start}",
                    index + 1,
                    entry.byte_count as i64
                ),
                start,
            ));
        }
        let size = if variable { entry.point_count } else { compression.vlr.chunk_size().into() };
        let left = points - first_point;
        if variable && size > left {
            return Err(wrong(
                format!("its chunks hold more than the {points} points that the header counts"),
                start,
            ));
        }
        let size = size.min(left);
        if size > 0 {
            if entry.byte_count < smallest || size > entry.byte_count.saturating_mul(POINTS_PER_BYTE) {
                return Err(wrong(
                    format!(
                        "chunk {} is said to hold {size} points in {} bytes",
                        index + 1,
                        entry.byte_count
                    ),
                    start,
                ));
            }
            blocks.push(Block {
                number: blocks.len(),
                first_point,
                points: size,
                offset: at,
                bytes: entry.byte_count,
            });
        } else if entry.byte_count > 0 && !variable {
            return Err(CloudError::Header {
                path: path.clone(),
                what: format!(
                    "the header counts {points} points, but the file holds {} compressed chunks of {} points",
                    table.len(),
                    compression.vlr.chunk_size()
                ),
                offset: 107,
                remedy: EXPORT_AGAIN,
            });
        }
        first_point += size;
        at += entry.byte_count;
    }
    if first_point < points {
        return Err(wrong(
            format!("its chunks hold at most {first_point} points, but the header counts {points}"),
            start,
        ));
    }
    Ok(blocks)
}

/// Where the table of the chunks begins, and where the file says so: before the first chunk, or in the last
/// eight bytes where the writer could not go back.
fn table_start(source: &mut RangeReader, offset: u64) -> Result<(u64, u64), CloudError> {
    for place in [offset, source.size().saturating_sub(8)] {
        let bytes = source.bytes(place, 8, "position of the chunk table")?;
        let stated = i64::from_le_bytes(bytes.try_into().expect("eight bytes"));
        if stated > 0 {
            return Ok((stated as u64, place));
        }
    }
    Err(CloudError::ChunkTable { path: source.path().to_path_buf(), what: "it is missing".into(), offset })
}
