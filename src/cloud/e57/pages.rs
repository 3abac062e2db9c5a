//! Pages: an E57 file is cut into pages of 1,024 bytes, each with a checksum in its last four. *Physical* places count
//! all bytes of the file, *logical* ones leave the checksums out. ASTM E2807, citation not verified; the layout is that
//! of the crate `e57`, against which the tests read.

use crate::cloud::error::CloudError;
use crate::cloud::ranges::RangeReader;

/// Bytes of a page.
const PAGE: u64 = 1024;

/// Bytes of a page without its checksum.
const DATA: u64 = PAGE - 4;

/// The logical place of a physical one.
pub(super) fn logical(physical: u64) -> u64 {
    physical / PAGE * DATA + (physical % PAGE).min(DATA)
}

/// The physical place of a logical one.
pub(super) fn physical(logical: u64) -> u64 {
    (logical / DATA).saturating_mul(PAGE).saturating_add(logical % DATA)
}

/// The stretch of the file in whole pages that holds the logical bytes `from` to `to`: physical place and length.
pub(super) fn stretch(from: u64, to: u64) -> (u64, u64) {
    let first = from / DATA;
    let last = to.div_ceil(DATA).max(first + 1);
    (first.saturating_mul(PAGE), (last - first).saturating_mul(PAGE))
}

/// Reads the logical bytes `from` to `to` into `buffer` and checks the checksums of their pages; what is wrong with
/// them comes back as text.
///
/// # Errors
/// When the file does not have them, or reading fails.
pub(super) fn read(
    source: &mut RangeReader,
    buffer: &mut Vec<u8>,
    (from, to): (u64, u64),
) -> Result<Result<(), String>, CloudError> {
    buffer.clear();
    let (offset, length) = stretch(from, to);
    source.fill(buffer, offset, length, "pages of points")?;
    Ok(unwrap(buffer, offset, (from, to)))
}

/// Takes the checksums out of whole pages from `offset` on, and all before `from` and from `to` on.
fn unwrap(pages: &mut Vec<u8>, offset: u64, (from, to): (u64, u64)) -> Result<(), String> {
    for (number, page) in pages.chunks_exact(PAGE as usize).enumerate() {
        let (data, stored) = page.split_at(DATA as usize);
        if crc32c(data).to_be_bytes() != stored {
            let number = offset / PAGE + number as u64;
            return Err(format!("page {} (byte {}) does not fit its checksum", number + 1, number * PAGE));
        }
    }
    for page in 1..pages.len() / PAGE as usize {
        let start = page * PAGE as usize;
        pages.copy_within(start..start + DATA as usize, page * DATA as usize);
    }
    let start = (from % DATA) as usize;
    let length = (to - from) as usize;
    pages.copy_within(start..start + length, 0);
    pages.truncate(length);
    Ok(())
}

/// CRC-32C (Castagnoli), reflected, eight bytes at a time.
fn crc32c(data: &[u8]) -> u32 {
    let mut crc = !0u32;
    let (words, rest) = data.as_chunks::<8>();
    for word in words {
        let word = u64::from_le_bytes(*word) ^ u64::from(crc);
        crc = (0..8).fold(0, |sum, i| sum ^ TABLES[7 - i][(word >> (8 * i)) as usize & 0xff]);
    }
    for byte in rest {
        crc = TABLES[0][usize::from(crc as u8 ^ byte)] ^ crc >> 8;
    }
    !crc
}

/// What a byte does to the checksum when so many follow it.
static TABLES: [[u32; 256]; 8] = {
    let mut tables = [[0u32; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut value = byte as u32;
        let mut bit = 0;
        while bit < 8 {
            value = value >> 1 ^ if value & 1 == 1 { 0x82f6_3b78 } else { 0 };
            bit += 1;
        }
        tables[0][byte] = value;
        byte += 1;
    }
    let mut place = 1;
    while place < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[place - 1][byte];
            tables[place][byte] = tables[0][(before & 0xff) as usize] ^ before >> 8;
            byte += 1;
        }
        place += 1;
    }
    tables
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_is_that_of_the_standard() {
        // RFC 3720, B.4: 32 bytes of zeros, of ones, ascending.
        let ascending: Vec<u8> = (0..32).collect();
        assert_eq!(crc32c(&[0; 32]), 0x8a91_36aa);
        assert_eq!(crc32c(&[0xff; 32]), 0x62a8_ab43);
        assert_eq!(crc32c(&ascending), 0x46dd_794e);
        assert_eq!(crc32c(b"123456789"), 0xe306_9283);
    }

    #[test]
    fn places_go_from_physical_to_logical_and_back() {
        for (at, without) in [(0, 0), (1019, 1019), (1024, 1020), (2047, 2040), (5 * 1024 + 7, 5107)] {
            assert_eq!(logical(at), without);
        }
        for at in [0, 1, 1019, 1020, 1021, 2040, 100_000] {
            assert_eq!(logical(physical(at)), at);
        }
        assert_eq!(stretch(1019, 1021), (0, 2048));
        assert_eq!(stretch(1020, 2040), (1024, 1024));
    }
}
