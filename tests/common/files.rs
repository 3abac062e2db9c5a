//! Small point files made byte by byte.
#![allow(dead_code)]

use std::io::{Cursor, Seek, SeekFrom};

use laz::{LasZipCompressor, LazVlr, LazVlrBuilder};

/// Bytes of a point record of formats 0 to 10.
const RECORD_LENGTHS: [u16; 11] = [20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67];

/// One point to be written.
#[derive(Clone, Copy, Debug, Default)]
pub struct Raw {
    pub xyz: [i32; 3],
    pub return_number: u8,
    pub number_of_returns: u8,
    pub class: u8,
    pub withheld: bool,
    /// Units of 0.006 degree, or whole degrees in formats 0 to 5.
    pub scan_angle: i16,
    pub strip: u16,
    pub gps_time: f64,
}

/// A file to be written.
pub struct Builder {
    pub minor: u8,
    pub format: u8,
    pub extra_bytes: u16,
    pub points: Vec<Raw>,
}

impl Builder {
    pub fn new(minor: u8, format: u8, points: Vec<Raw>) -> Self {
        Builder { minor, format, extra_bytes: 0, points }
    }

    pub fn record_length(&self) -> u16 {
        RECORD_LENGTHS[usize::from(self.format)] + self.extra_bytes
    }

    fn records(&self) -> Vec<u8> {
        self.records_of(&self.points)
    }

    /// The records of some points.
    pub fn records_of(&self, points: &[Raw]) -> Vec<u8> {
        points.iter().flat_map(|point| self.record(point)).collect()
    }

    fn record(&self, point: &Raw) -> Vec<u8> {
        // What no field sets is 0xAA, so that a byte read from the wrong place shows.
        let mut bytes = vec![0xAA; self.record_length().into()];
        for (axis, raw) in point.xyz.into_iter().enumerate() {
            bytes[4 * axis..4 * axis + 4].copy_from_slice(&raw.to_le_bytes());
        }
        if self.format < 6 {
            bytes[14] = point.return_number | point.number_of_returns << 3;
            bytes[15] = point.class | u8::from(point.withheld) << 7;
            bytes[16] = point.scan_angle as i8 as u8;
            bytes[18..20].copy_from_slice(&point.strip.to_le_bytes());
            if !matches!(self.format, 0 | 2) {
                bytes[20..28].copy_from_slice(&point.gps_time.to_le_bytes());
            }
        } else {
            bytes[14] = point.return_number | point.number_of_returns << 4;
            bytes[15] = u8::from(point.withheld) << 2;
            bytes[16] = point.class;
            bytes[18..20].copy_from_slice(&point.scan_angle.to_le_bytes());
            bytes[20..22].copy_from_slice(&point.strip.to_le_bytes());
            bytes[22..30].copy_from_slice(&point.gps_time.to_le_bytes());
        }
        bytes
    }

    /// Header and records before the points.
    pub fn head(&self, vlrs: &[u8], number_of_vlrs: u32) -> Vec<u8> {
        let size: u16 = match self.minor {
            0..=2 => 227,
            3 => 235,
            _ => 375,
        };
        let mut head = vec![0; size.into()];
        let mut put = |at: usize, bytes: &[u8]| {
            if at + bytes.len() <= usize::from(size) {
                head[at..at + bytes.len()].copy_from_slice(bytes);
            }
        };
        put(0, b"LASF");
        if self.minor >= 4 {
            put(6, &(if self.format >= 6 { 0x11u16 } else { 1 }).to_le_bytes());
        }
        put(24, &[1, self.minor]);
        put(26, b"test system");
        put(58, b"test program");
        put(90, &253u16.to_le_bytes());
        put(92, &2015u16.to_le_bytes());
        put(94, &size.to_le_bytes());
        put(96, &(u32::from(size) + vlrs.len() as u32).to_le_bytes());
        put(100, &number_of_vlrs.to_le_bytes());
        put(104, &[self.format]);
        put(105, &self.record_length().to_le_bytes());
        if self.format < 6 {
            put(107, &(self.points.len() as u32).to_le_bytes());
        }
        for (axis, scale) in [0.001f64, 0.01, 0.0001].into_iter().enumerate() {
            put(131 + 8 * axis, &scale.to_le_bytes());
        }
        for (axis, offset) in [1000.0f64, -2000.0, 50.0].into_iter().enumerate() {
            put(155 + 8 * axis, &offset.to_le_bytes());
        }
        put(247, &(self.points.len() as u64).to_le_bytes());
        head.extend(vlrs);
        head
    }

    /// The bytes of a LAS file.
    pub fn las(&self) -> Vec<u8> {
        let mut bytes = self.head(&[], 0);
        bytes.extend(self.records());
        bytes
    }

    /// As [`Builder::las`], of LAS 1.4, with a header that states box and counts by return as they are.
    pub fn honest_las(&self) -> Vec<u8> {
        self.honest(self.las())
    }

    /// A file of LAS 1.4 with a header that states box and counts by return as they are.
    pub fn honest(&self, mut bytes: Vec<u8>) -> Vec<u8> {
        for (axis, (scale, offset)) in
            [(0.001, 1000.0), (0.01, -2000.0), (0.0001, 50.0)].into_iter().enumerate()
        {
            let values = || self.points.iter().map(|point| f64::from(point.xyz[axis]) * scale + offset);
            let (low, high) = (values().fold(f64::MAX, f64::min), values().fold(f64::MIN, f64::max));
            bytes[179 + 16 * axis..187 + 16 * axis].copy_from_slice(&high.to_le_bytes());
            bytes[187 + 16 * axis..195 + 16 * axis].copy_from_slice(&low.to_le_bytes());
        }
        for number in 1..=15u8 {
            let count = self.points.iter().filter(|point| point.return_number == number).count() as u64;
            let at = 247 + 8 * usize::from(number);
            bytes[at..at + 8].copy_from_slice(&count.to_le_bytes());
        }
        bytes
    }

    /// The bytes of a LAZ file with chunks of these many points; of sizes of their own (1, 2, 3, …) where
    /// `chunk` is 0.
    pub fn laz(&self, chunk: u32) -> Vec<u8> {
        let builder = LazVlrBuilder::default().with_point_format(self.format, self.extra_bytes).unwrap();
        let vlr = if chunk == 0 {
            builder.with_variable_chunk_size().build()
        } else {
            builder.with_fixed_chunk_size(chunk).build()
        };
        let mut data = Vec::new();
        vlr.write_to(&mut data).unwrap();
        let mut record = vec![0; 2];
        let mut user = LazVlr::USER_ID.as_bytes().to_vec();
        user.resize(16, 0);
        record.extend(user);
        record.extend(LazVlr::RECORD_ID.to_le_bytes());
        record.extend((data.len() as u16).to_le_bytes());
        record.extend([0; 32]);
        record.extend(data);
        let mut bytes = self.head(&record, 1);
        bytes[104] |= 0x80;
        let mut out = Cursor::new(bytes);
        out.seek(SeekFrom::End(0)).unwrap();
        let mut compressor = LasZipCompressor::new(out, vlr).unwrap();
        let records = self.records();
        let (mut rest, mut size) = (records.as_slice(), 1);
        while !rest.is_empty() {
            let length = if chunk == 0 {
                (size * usize::from(self.record_length())).min(rest.len())
            } else {
                rest.len()
            };
            compressor.compress_many(&rest[..length]).unwrap();
            rest = &rest[length..];
            size += 1;
            if chunk == 0 && !rest.is_empty() {
                compressor.finish_current_chunk().unwrap();
            }
        }
        compressor.done().unwrap();
        compressor.into_inner().into_inner()
    }
}

/// Points that differ from each other in every field.
pub fn points(count: u32, format: u8) -> Vec<Raw> {
    let most = if format < 6 { 5 } else { 15 };
    (0..count)
        .map(|i| {
            let number_of_returns = (i % most) as u8 + 1;
            Raw {
                xyz: [i as i32 * 7 - 300, (i as i32 * 13) % 1000 - 500, -(i as i32) * 3 + 40],
                return_number: ((i * 3) % u32::from(number_of_returns)) as u8 + 1,
                number_of_returns,
                class: if format < 6 { (i % 32) as u8 } else { (i % 256) as u8 },
                withheld: i % 7 == 3,
                scan_angle: if format < 6 { (i % 181) as i16 - 90 } else { (i as i16 % 100) * 150 - 7500 },
                strip: (i / 10 * 1000 + 17) as u16,
                gps_time: 1000.5 + f64::from(i / 3),
            }
        })
        .collect()
}

/// The bytes with those from `at` on replaced.
pub fn with(bytes: &[u8], at: usize, new: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    bytes[at..at + new.len()].copy_from_slice(new);
    bytes
}

/// Where the chunks of a LAZ file begin, and where the table of them.
pub fn chunks_and_table(laz: &[u8]) -> (usize, usize) {
    let offset = u32::from_le_bytes(laz[96..100].try_into().unwrap()) as usize;
    let table = i64::from_le_bytes(laz[offset..offset + 8].try_into().unwrap()) as usize;
    (offset + 8, table)
}
