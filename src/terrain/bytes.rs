//! Whole numbers as bytes, seven bits a byte with the least first, so that small ones are short.

use crate::raster::Extent;

/// Adds a number without sign.
pub fn put(mut value: u64, to: &mut Vec<u8>) {
    while value >= 0x80 {
        to.push(value as u8 | 0x80);
        value >>= 7;
    }
    to.push(value as u8);
}

/// Adds a number with sign: 0, -1, 1, -2, … become 0, 1, 2, 3, …
pub fn put_signed(value: i64, to: &mut Vec<u8>) {
    put(((value << 1) ^ (value >> 63)) as u64, to);
}

/// Takes a number without sign off the front; nothing where there is none.
#[inline]
pub fn take(from: &mut &[u8]) -> Option<u64> {
    let mut value = 0;
    for shift in (0..64).step_by(7) {
        let (&byte, rest) = from.split_first()?;
        *from = rest;
        value |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

/// Takes a number with sign off the front.
#[inline]
pub fn take_signed(from: &mut &[u8]) -> Option<i64> {
    take(from).map(|value| (value >> 1) as i64 ^ -((value & 1) as i64))
}

/// Adds a number without sign of up to 128 bits.
pub fn put_wide(value: u128, to: &mut Vec<u8>) {
    put(value as u64, to);
    put((value >> 64) as u64, to);
}

/// Takes a number of up to 128 bits off the front.
pub fn take_wide(from: &mut &[u8]) -> Option<u128> {
    Some(u128::from(take(from)?) | u128::from(take(from)?) << 64)
}

/// Adds an extent.
pub fn put_extent(extent: &Extent, to: &mut Vec<u8>) {
    to.extend_from_slice(&extent.cell.to_le_bytes());
    put_signed(extent.first_column, to);
    put_signed(extent.first_row, to);
    put(extent.columns as u64, to);
    put(extent.rows as u64, to);
}

/// Columns and rows beyond this are farther from coordinate zero than any coordinate.
const FAR: u64 = 1 << 50;

/// Takes an extent off the front; nothing where it is none that could be.
pub fn take_extent(from: &mut &[u8]) -> Option<Extent> {
    let (cell, rest) = from.split_first_chunk::<8>()?;
    *from = rest;
    let cell = f64::from_le_bytes(*cell);
    let (first_column, first_row) = (take_signed(from)?, take_signed(from)?);
    let (columns, rows) = (take(from)?, take(from)?);
    let near = |first: i64, count: u64| first.unsigned_abs() < FAR && count < FAR;
    let possible = cell.is_finite() && cell >= 1.0 && near(first_column, columns) && near(first_row, rows);
    columns.checked_mul(rows).filter(|&cells| possible && cells < u64::from(u32::MAX))?;
    Some(Extent { cell, first_column, first_row, columns: columns as usize, rows: rows as usize })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn numbers_come_back_and_a_cut_is_noticed(a in any::<u64>(), shift in 0u32..64, b in any::<i64>()) {
            let (a, b) = (a >> shift, b >> shift);
            let mut bytes = Vec::new();
            put(a, &mut bytes);
            put_signed(b, &mut bytes);
            let mut from = &bytes[..];
            prop_assert_eq!((take(&mut from), take_signed(&mut from), from.len()), (Some(a), Some(b), 0));
            let mut cut = &bytes[..bytes.len() - 1];
            prop_assert!(take(&mut cut).and_then(|_| take(&mut cut)).is_none());
        }
    }
}
