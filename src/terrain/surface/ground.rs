//! Ground points as tiles give them back: packed by squares of the ground, each of which can be read by itself.

use crate::terrain::bytes::{put, put_signed, take, take_signed};
use crate::units::Micrometres;

/// Edge of a square, micrometres.
pub const SQUARE: Micrometres = 16_000_000;

/// A ground point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct GroundPoint {
    /// Easting.
    pub x: Micrometres,
    /// Northing.
    pub y: Micrometres,
    /// Elevation.
    pub z: Micrometres,
    /// Return number, from 1 to 15.
    pub return_number: u8,
}

impl GroundPoint {
    /// Row and column of its square.
    fn square(&self) -> (i64, i64) {
        (self.y.div_euclid(SQUARE), self.x.div_euclid(SQUARE))
    }
}

/// Points of a square that are packed together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packed {
    /// Row and column of the square, counted from coordinate zero.
    pub square: (i64, i64),
    /// How many.
    pub points: u64,
    /// Where they begin, counted from the start of all.
    pub offset: u64,
    /// Bytes that they take.
    pub bytes: u64,
}

/// Adds points as bytes: how many bytes the table takes, the table of the squares, and square by square its points. They are
/// sorted by it.
pub fn encode(points: &mut [GroundPoint], to: &mut Vec<u8>) {
    sort(points);
    let (mut table, mut all) = (Vec::new(), Vec::new());
    for square in points.chunk_by(|a, b| a.square() == b.square()) {
        let before = all.len();
        encode_square(square, &mut all);
        let (row, column) = square[0].square();
        put_signed(row, &mut table);
        put_signed(column, &mut table);
        put(square.len() as u64, &mut table);
        put((all.len() - before) as u64, &mut table);
    }
    to.extend((table.len() as u64).to_le_bytes());
    to.extend(table);
    to.extend(all);
}

/// Sorts points by square, and within one by place, elevation and return.
fn sort(points: &mut [GroundPoint]) {
    let low = |of: fn(&GroundPoint) -> i64| points.iter().map(of).min().unwrap_or(0);
    let (row, column, z) = (low(|p| p.square().0), low(|p| p.square().1), low(|p| p.z));
    // As whole numbers, which sort faster, as long as all parts have room in one: squares 16 bits each, places in a square 24,
    // elevations 40, returns 4.
    let high = |of: fn(&GroundPoint) -> i64| points.iter().map(of).max().unwrap_or(0);
    if high(|p| p.square().0) - row >= 1 << 16
        || high(|p| p.square().1) - column >= 1 << 16
        || high(|p| p.z) - z >= 1 << 40
    {
        return points.sort_unstable_by_key(|point| (point.square(), *point));
    }
    let key = |point: &GroundPoint| {
        let square = point.square();
        let (north, east) = (point.y.rem_euclid(SQUARE), point.x.rem_euclid(SQUARE));
        let parts = [
            (square.0 - row, 16),
            (square.1 - column, 16),
            (east, 24),
            (north, 24),
            (point.z - z, 40),
            (i64::from(point.return_number), 4),
        ];
        parts.iter().fold(0u128, |key, (part, bits)| key << bits | *part as u128)
    };
    let mut keys: Vec<u128> = points.iter().map(key).collect();
    keys.sort_unstable();
    for (point, mut key) in points.iter_mut().zip(keys) {
        let mut part = |bits: u32| {
            let part = (key & ((1 << bits) - 1)) as i64;
            key >>= bits;
            part
        };
        let (return_number, up, north, east) = (part(4), part(40), part(24), part(24));
        let (along, across) = (part(16), part(16));
        *point = GroundPoint {
            x: (column + along) * SQUARE + east,
            y: (row + across) * SQUARE + north,
            z: z + up,
            return_number: return_number as u8,
        };
    }
}

/// Bytes before the table.
pub const HEAD: u64 = 8;

/// The squares of a table that takes `bytes`, which [`encode`] wrote; nothing where it makes no sense.
pub fn decode_table(mut bytes: &[u8]) -> Option<Vec<Packed>> {
    let mut offset = HEAD + bytes.len() as u64;
    let mut all = Vec::new();
    while !bytes.is_empty() {
        let square = (take_signed(&mut bytes)?, take_signed(&mut bytes)?);
        let (points, length) = (take(&mut bytes)?, take(&mut bytes)?);
        all.push(Packed { square, points, offset, bytes: length });
        offset = offset.checked_add(length)?;
    }
    Some(all)
}

/// The largest whole number of which all of these are multiples; 1 where they are all zero.
fn step(values: impl Iterator<Item = i64>) -> i64 {
    let mut step = 0u64;
    for value in values {
        let (mut a, mut b) = (step, value.unsigned_abs());
        while b > 0 {
            (a, b) = (b, a % b);
        }
        step = a;
        if step == 1 {
            break;
        }
    }
    (step as i64).max(1)
}

/// Points of one square, sorted: coordinates against the point before, in steps of whatever they are multiples of.
fn encode_square(points: &[GroundPoint], to: &mut Vec<u8>) {
    let first = points[0];
    let mut before = first;
    let steps = [
        step(points.iter().map(|p| p.x - first.x)),
        step(points.iter().map(|p| p.y - first.y)),
        step(points.iter().map(|p| p.z - first.z)),
    ];
    steps.iter().for_each(|step| put(*step as u64, to));
    [first.x, first.y, first.z].iter().for_each(|at| put_signed(*at, to));
    for point in points {
        put((((point.x - before.x) / steps[0]) as u64) << 4 | u64::from(point.return_number), to);
        put_signed((point.y - before.y) / steps[1], to);
        put_signed((point.z - before.z) / steps[2], to);
        before = *point;
    }
}

/// Hands over the points of a square; nothing where the bytes make no sense.
pub fn decode(mut bytes: &[u8], packed: &Packed, mut f: impl FnMut(GroundPoint)) -> Option<()> {
    let mut step = || take(&mut bytes).map(|step| step as i64);
    let steps = [step()?, step()?, step()?];
    let mut at = [take_signed(&mut bytes)?, take_signed(&mut bytes)?, take_signed(&mut bytes)?];
    for _ in 0..packed.points {
        let first = take(&mut bytes)?;
        let by = [(first >> 4) as i64, take_signed(&mut bytes)?, take_signed(&mut bytes)?];
        for ((at, by), step) in at.iter_mut().zip(by).zip(steps) {
            *at = at.checked_add(by.checked_mul(step)?)?;
        }
        let point = GroundPoint { x: at[0], y: at[1], z: at[2], return_number: (first & 15) as u8 };
        // What is out of its square would be out of the memory that it was counted for.
        (point.square() == packed.square).then_some(())?;
        f(point);
    }
    bytes.is_empty().then_some(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn points() -> impl Strategy<Value = Vec<GroundPoint>> {
        let at = || prop_oneof![-40_000i64..40_000, Just(0)];
        // The last elevation has no room beside the others in a whole number that is sorted.
        let z = prop_oneof![20 => -9000i64..9000, 1 => Just(4_000_000)];
        let point = (at(), at(), z, 1u8..16);
        (proptest::collection::vec(point, 0..200), prop_oneof![Just(1000), Just(1), Just(304_801)]).prop_map(
            |(all, step)| {
                let point = |(x, y, z, return_number)| GroundPoint {
                    x: x * step + 7,
                    y: y * step - 3,
                    z: z * step,
                    return_number,
                };
                all.into_iter().map(point).collect()
            },
        )
    }

    fn unpacked(bytes: &[u8]) -> Option<Vec<GroundPoint>> {
        let (length, _) = bytes.split_first_chunk::<8>()?;
        let table = bytes.get(8..)?.get(..usize::try_from(u64::from_le_bytes(*length)).ok()?)?;
        let mut all = Vec::new();
        for packed in decode_table(table)? {
            let end = packed.offset.checked_add(packed.bytes)?;
            let of_square = bytes.get(packed.offset as usize..end as usize)?;
            decode(of_square, &packed, |point| all.push(point))?;
        }
        Some(all)
    }

    proptest! {
        #[test]
        fn points_come_back_square_by_square(points in points()) {
            let (mut sorted, mut bytes) = (points.clone(), Vec::new());
            encode(&mut sorted, &mut bytes);
            let mut found = unpacked(&bytes).unwrap();
            prop_assert_eq!(&found, &sorted);
            let mut points = points;
            points.sort_by_key(|point| (point.square(), *point));
            prop_assert_eq!(&sorted, &points);
            points.sort();
            found.sort();
            prop_assert_eq!(found, points);
        }

        #[test]
        fn damage_is_noticed_or_read_but_never_a_panic(
            points in points(), at in any::<proptest::sample::Index>(), flip in 1u8..=255,
        ) {
            let mut bytes = Vec::new();
            encode(&mut points.clone(), &mut bytes);
            let at = at.index(bytes.len());
            bytes[at] ^= flip;
            let _ = unpacked(&bytes);
            let _ = unpacked(&bytes[..at]);
        }
    }

    #[test]
    fn points_of_whole_millimetres_take_a_few_bytes() {
        let mut points: Vec<GroundPoint> = (0..4000)
            .map(|i| GroundPoint {
                x: (i * 7919 % 16_000) * 1000,
                y: (i * 104_729 % 16_000) * 1000,
                z: 150_000_000 + (i % 90) * 1000,
                return_number: 1,
            })
            .collect();
        let mut bytes = Vec::new();
        encode(&mut points, &mut bytes);
        assert!(bytes.len() < 6 * points.len(), "{}", bytes.len());
    }
}
