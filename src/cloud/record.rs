//! The packed record in which points wait on disk between scattering and the work on tiles.
//!
//! Sixteen bytes: x and y from the tile's corner (i32 each), z (40 bits), the two return counts (4 bits each),
//! class, and flags; four more for strip and scan angle where a later stage asks for them.

use super::point::{Fields, Point};
use crate::pipeline::units::Micrometres;

/// Elevations are used up to this height over and under zero (200 km): dz then fits 40 bits.
pub const MAX_ELEVATION: Micrometres = 200_000_000_000;

/// Positions are used up to this distance from zero on either axis (4.5 million km): exact in `f64`.
pub const MAX_POSITION: Micrometres = 1 << 52;

/// How points of one cloud are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packing {
    /// Whether strip and scan angle are packed too.
    extended: bool,
}

impl Packing {
    /// The packing that holds what `fields` asks for.
    pub fn new(fields: Fields) -> Self {
        Packing { extended: fields.strip || fields.scan_angle }
    }

    /// Bytes of one point.
    pub fn size(self) -> usize {
        if self.extended { LONG } else { SHORT }
    }

    /// Appends a point of the tile whose corner is `corner`; `halo` marks a copy that another tile answers for.
    #[inline]
    pub fn pack(self, point: &Point, corner: (Micrometres, Micrometres), halo: bool, to: &mut Vec<u8>) {
        let mut bytes = [0u8; SHORT];
        bytes[0..4].copy_from_slice(&((point.x - corner.0) as i32).to_le_bytes());
        bytes[4..8].copy_from_slice(&((point.y - corner.1) as i32).to_le_bytes());
        bytes[8..13].copy_from_slice(&pack_40(point.z));
        bytes[13] = point.return_number | point.number_of_returns << 4;
        bytes[14] = point.class;
        bytes[15] = u8::from(halo);
        to.extend_from_slice(&bytes);
        if self.extended {
            to.extend_from_slice(&point.strip.to_le_bytes());
            to.extend_from_slice(&point.scan_angle.to_le_bytes());
        }
    }

    /// Calls `f` with every point packed in `bytes`, and whether it belongs to the halo.
    #[inline]
    pub fn for_each(self, bytes: &[u8], corner: (Micrometres, Micrometres), mut f: impl FnMut(Point, bool)) {
        if self.extended {
            for record in bytes.as_chunks::<LONG>().0 {
                let mut point = unpack(record.first_chunk().expect("long enough"), corner);
                point.strip = u16::from_le_bytes([record[16], record[17]]);
                point.scan_angle = i16::from_le_bytes([record[18], record[19]]);
                f(point, record[15] != 0);
            }
        } else {
            for record in bytes.as_chunks::<SHORT>().0 {
                f(unpack(record, corner), record[15] != 0);
            }
        }
    }
}

/// Bytes of a point without and with strip and scan angle.
const SHORT: usize = 16;
const LONG: usize = 20;

#[inline]
fn unpack(record: &[u8; SHORT], corner: (Micrometres, Micrometres)) -> Point {
    let at = |i: usize| i32::from_le_bytes([record[i], record[i + 1], record[i + 2], record[i + 3]]);
    Point {
        x: corner.0 + i64::from(at(0)),
        y: corner.1 + i64::from(at(4)),
        z: unpack_40(&record[8..13]),
        return_number: record[13] & 15,
        number_of_returns: record[13] >> 4,
        class: record[14],
        strip: 0,
        scan_angle: 0,
    }
}

/// The low 40 bits of a whole number between −2^39 and 2^39 − 1.
pub fn pack_40(value: i64) -> [u8; 5] {
    let b = value.to_le_bytes();
    [b[0], b[1], b[2], b[3], b[4]]
}

/// The number that [`pack_40`] packed into the first five bytes.
pub fn unpack_40(b: &[u8]) -> i64 {
    let sign = if b[4] & 0x80 == 0 { 0 } else { 0xff };
    i64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], sign, sign, sign])
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_point_comes_back_as_it_was(
            (x, y) in (-2_000_000_000i64..2_000_000_000, -2_000_000_000i64..2_000_000_000),
            z in -MAX_ELEVATION..=MAX_ELEVATION,
            (return_number, number_of_returns, class) in (0u8..16, 0u8..16, any::<u8>()),
            (strip, scan_angle, halo) in (any::<u16>(), any::<i16>(), any::<bool>()),
            corner in (-1i64 << 52..1i64 << 52, -1i64 << 52..1i64 << 52),
        ) {
            let point = Point {
                x: corner.0 + x, y: corner.1 + y, z, return_number, number_of_returns, class, strip, scan_angle,
            };
            for fields in [Fields::default(), Fields { strip: true, ..Fields::default() }] {
                let packing = Packing::new(fields);
                let mut bytes = Vec::new();
                packing.pack(&point, corner, halo, &mut bytes);
                prop_assert_eq!(bytes.len(), packing.size());
                let expected = if fields.strip { point } else { Point { strip: 0, scan_angle: 0, ..point } };
                packing.for_each(&bytes, corner, |p, h| assert_eq!((p, h), (expected, halo)));
            }
        }
    }
}
