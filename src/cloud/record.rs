//! The packed record in which points wait on disk between scattering and the work on tiles.
//!
//! Sixteen bytes: x and y from the tile's corner (i32 each), z (40 bits), the two return counts (4 bits each),
//! class, and flags; two more for the strip and two for the scan angle where a later stage asks for them.

use super::point::{Fields, Point};
use crate::pipeline::units::Micrometres;

/// Elevations are used up to this height over and under zero (200 km): dz then fits 40 bits.
pub const MAX_ELEVATION: Micrometres = 200_000_000_000;

/// Positions are used up to this distance from zero on either axis (4.5 million km): exact in `f64`.
pub const MAX_POSITION: Micrometres = 1 << 52;

/// How points of one cloud are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packing {
    strip: bool,
    scan_angle: bool,
}

impl Packing {
    /// The packing that holds what `fields` asks for.
    pub fn new(fields: Fields) -> Self {
        Packing { strip: fields.strip, scan_angle: fields.scan_angle }
    }

    /// Bytes of one point.
    pub fn size(self) -> usize {
        BASE + 2 * (usize::from(self.strip) + usize::from(self.scan_angle))
    }

    /// Appends a point of the tile whose corner is `corner`; `halo` marks a copy that another tile answers for.
    #[inline]
    pub fn pack(self, point: &Point, corner: (Micrometres, Micrometres), halo: bool, to: &mut Vec<u8>) {
        let mut bytes = [0u8; BASE];
        bytes[0..4].copy_from_slice(&((point.x - corner.0) as i32).to_le_bytes());
        bytes[4..8].copy_from_slice(&((point.y - corner.1) as i32).to_le_bytes());
        bytes[8..13].copy_from_slice(&pack_40(point.z));
        bytes[13] = point.return_number | point.number_of_returns << 4;
        bytes[14] = point.class;
        bytes[15] = u8::from(halo);
        to.extend_from_slice(&bytes);
        if self.strip {
            to.extend_from_slice(&point.strip.to_le_bytes());
        }
        if self.scan_angle {
            to.extend_from_slice(&point.scan_angle.to_le_bytes());
        }
    }

    /// Calls `f` with every point packed in `bytes`, and whether it belongs to the halo.
    #[inline]
    pub fn for_each(self, bytes: &[u8], corner: (Micrometres, Micrometres), f: impl FnMut(Point, bool)) {
        match (self.strip, self.scan_angle) {
            (false, false) => each::<BASE>(bytes, corner, f, |_, _| {}),
            (true, false) => each::<{ BASE + 2 }>(bytes, corner, f, |record, point| {
                point.strip = u16::from_le_bytes([record[BASE], record[BASE + 1]]);
            }),
            (false, true) => each::<{ BASE + 2 }>(bytes, corner, f, |record, point| {
                point.scan_angle = i16::from_le_bytes([record[BASE], record[BASE + 1]]);
            }),
            (true, true) => each::<{ BASE + 4 }>(bytes, corner, f, |record, point| {
                point.strip = u16::from_le_bytes([record[BASE], record[BASE + 1]]);
                point.scan_angle = i16::from_le_bytes([record[BASE + 2], record[BASE + 3]]);
            }),
        }
    }
}

/// Bytes of a point without strip and scan angle.
const BASE: usize = 16;

/// Unpacks records of `SIZE` bytes; `more` reads what lies beyond the base.
#[inline]
fn each<const SIZE: usize>(
    bytes: &[u8],
    corner: (Micrometres, Micrometres),
    mut f: impl FnMut(Point, bool),
    more: impl Fn(&[u8; SIZE], &mut Point),
) {
    for record in bytes.as_chunks::<SIZE>().0 {
        let mut point = unpack(record.first_chunk().expect("long enough"), corner);
        more(record, &mut point);
        f(point, record[BASE - 1] != 0);
    }
}

#[inline]
fn unpack(record: &[u8; BASE], corner: (Micrometres, Micrometres)) -> Point {
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
            for (keep_strip, keep_angle) in [(false, false), (true, false), (false, true), (true, true)] {
                let fields = Fields { strip: keep_strip, scan_angle: keep_angle, ..Fields::default() };
                let packing = Packing::new(fields);
                let mut bytes = Vec::new();
                packing.pack(&point, corner, halo, &mut bytes);
                prop_assert_eq!(bytes.len(), packing.size());
                let expected = Point {
                    strip: if keep_strip { strip } else { 0 },
                    scan_angle: if keep_angle { scan_angle } else { 0 },
                    ..point
                };
                packing.for_each(&bytes, corner, |p, h| assert_eq!((p, h), (expected, halo)));
            }
        }
    }
}
