//! Decompressing the points of a block, batch by batch.

use laz::record::RecordDecompressor;

use crate::cloud::guard;

/// A compressed chunk beyond this size is decoded as it is read, or refused where that cannot be.
pub(super) const LARGE_CHUNK: u64 = 64 << 20;

/// Bytes that a decoder may leave at the end of a chunk; writers end in step with it.
pub(super) const LEFT_OVER: u64 = 8;

/// Raw records decoded at a time: few enough to stay in the fastest memory.
pub(super) const BATCH: usize = 256;

/// What is done with raw records of the given length.
pub(super) type Take<'a> = dyn FnMut(&[u8], usize) + 'a;

/// Decompresses the first so many points of a block, a batch at a time. Only the decompressor is guarded against panics, not
/// `take`.
pub(super) fn decompress<R>(
    decompressor: &mut impl RecordDecompressor<R>,
    points: u64,
    batch: &mut Vec<u8>,
    take: &mut Take<'_>,
) -> Result<(), String> {
    let length = decompressor.record_size();
    batch.clear();
    batch.resize(BATCH * length, 0);
    let mut left = points;
    while left > 0 {
        let count = left.min(BATCH as u64);
        let records = &mut batch[..count as usize * length];
        guard::call(|| decompressor.decompress_many(records))
            .map_err(|panic| format!("the decoder stopped near its point {}: {panic}", points - left + 1))?
            .map_err(|error| format!("the decoder stopped near its point {}: {error}", points - left + 1))?;
        take(records, length);
        left -= count;
    }
    Ok(())
}
