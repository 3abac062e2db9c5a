//! What a point of a scan is made of: one stream of bits for each of its fields, all values of a stream equally wide.

use e57::{PointCloud, RecordDataType, RecordName};

/// The values of one field, one after another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stream {
    /// Bits of a value; none where all values are the same.
    pub bits: u32,
    kind: Kind,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    Single,
    Double,
    Whole { least: i64, scale: f64, offset: f64 },
}

impl Stream {
    fn of(data_type: &RecordDataType) -> Self {
        let whole = |least: i64, most: i64, scale, offset| Stream {
            bits: 128 - ((i128::from(most) - i128::from(least)).max(0) as u128).leading_zeros(),
            kind: Kind::Whole { least, scale, offset },
        };
        match *data_type {
            RecordDataType::Single { .. } => Stream { bits: 32, kind: Kind::Single },
            RecordDataType::Double { .. } => Stream { bits: 64, kind: Kind::Double },
            RecordDataType::ScaledInteger { min, max, scale, offset } => whole(min, max, scale, offset),
            RecordDataType::Integer { min, max } => whole(min, max, 1.0, 0.0),
        }
    }

    /// The bits of the value that begins at bit `at`; `bytes` go on for 16 more than the values take.
    #[inline]
    fn raw(self, bytes: &[u8], at: u64) -> u64 {
        let start = (at / 8) as usize;
        let window: [u8; 16] = bytes[start..start + 16].try_into().expect("sixteen bytes");
        (u128::from_le_bytes(window) >> (at % 8)) as u64 & u64::MAX.checked_shr(64 - self.bits).unwrap_or(0)
    }

    /// The value that begins at bit `at`.
    #[inline]
    pub fn number(self, bytes: &[u8], at: u64) -> f64 {
        let raw = self.raw(bytes, at);
        match self.kind {
            Kind::Single => f32::from_bits(raw as u32).into(),
            Kind::Double => f64::from_bits(raw),
            Kind::Whole { least, scale, offset } => least.wrapping_add(raw as i64) as f64 * scale + offset,
        }
    }

    /// The value that begins at bit `at`, which is a whole number.
    #[inline]
    pub fn whole(self, bytes: &[u8], at: u64) -> i64 {
        match self.kind {
            Kind::Whole { least, .. } => least.wrapping_add(self.raw(bytes, at) as i64),
            _ => self.number(bytes, at) as i64,
        }
    }
}

/// The fields that are read, by their place in [`Layout::streams`].
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    /// The streams that are read.
    pub streams: Vec<Stream>,
    /// The place of each of them among all fields of the file.
    pub fields: Vec<usize>,
    /// Number of fields of the file.
    pub all: usize,
    /// x, y and z.
    pub cartesian: Option<[usize; 3]>,
    /// Whether x, y and z mean something.
    pub cartesian_state: Option<usize>,
    /// Range, azimuth and elevation.
    pub spherical: Option<[usize; 3]>,
    /// Whether these mean something.
    pub spherical_state: Option<usize>,
    /// Number of the return, from 0, and number of returns.
    pub returns: Option<[usize; 2]>,
}

impl Layout {
    /// That of a scan; nothing where it has no positions.
    pub fn of(scan: &PointCloud) -> Option<Self> {
        let mut layout = Layout {
            streams: Vec::new(),
            fields: Vec::new(),
            all: scan.prototype.len(),
            cartesian: None,
            cartesian_state: None,
            spherical: None,
            spherical_state: None,
            returns: None,
        };
        use RecordName::*;
        layout.cartesian = layout.add_all(scan, [CartesianX, CartesianY, CartesianZ]);
        layout.spherical = layout.add_all(scan, [SphericalRange, SphericalAzimuth, SphericalElevation]);
        if layout.cartesian.is_some() {
            layout.cartesian_state = layout.add(scan, &CartesianInvalidState);
        }
        if layout.spherical.is_some() {
            layout.spherical_state = layout.add(scan, &SphericalInvalidState);
        }
        layout.returns = layout.add_all(scan, [ReturnIndex, ReturnCount]);
        (layout.cartesian.is_some() || layout.spherical.is_some()).then_some(layout)
    }

    fn add_all<const N: usize>(&mut self, scan: &PointCloud, names: [RecordName; N]) -> Option<[usize; N]> {
        let there = |name: &RecordName| scan.prototype.iter().any(|record| record.name == *name);
        names.iter().all(there).then(|| names.map(|name| self.add(scan, &name).expect("it is there")))
    }

    fn add(&mut self, scan: &PointCloud, name: &RecordName) -> Option<usize> {
        let field = scan.prototype.iter().position(|record| record.name == *name)?;
        self.streams.push(Stream::of(&scan.prototype[field].data_type));
        self.fields.push(field);
        Some(self.streams.len() - 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_any_width_come_back_wherever_they_begin() {
        for (least, most) in [(0, 1), (-5, 5), (0, 1023), (-1 << 40, 1 << 40), (i64::MIN, i64::MAX)] {
            let stream = Stream::of(&RecordDataType::Integer { min: least, max: most });
            let values = [least, most, (least / 2 + most / 2).clamp(least, most), most, least];
            let mut bits: Vec<bool> = vec![true; 3];
            for value in values {
                let raw = value.wrapping_sub(least) as u64;
                bits.extend((0..stream.bits).map(|bit| raw >> bit & 1 == 1));
            }
            let mut bytes: Vec<u8> = bits
                .chunks(8)
                .map(|byte| byte.iter().rev().fold(0, |sum, bit| sum << 1 | u8::from(*bit)))
                .collect();
            bytes.extend([0xff; 16]);
            for (i, value) in values.into_iter().enumerate() {
                assert_eq!(stream.whole(&bytes, 3 + i as u64 * u64::from(stream.bits)), value);
            }
        }
        let same = Stream::of(&RecordDataType::ScaledInteger { min: 7, max: 7, scale: 0.5, offset: 1.0 });
        assert_eq!((same.bits, same.number(&[0xff; 16], 0)), (0, 4.5));
    }
}
