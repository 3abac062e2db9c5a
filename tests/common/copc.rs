//! COPC files made byte by byte, after the open standard (COPC 1.0): an octree over points, a chunk of a LAZ file for each node.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::io::{Cursor, Seek, SeekFrom};

use laz::laszip::ChunkTable;
use laz::{LasZipCompressor, LazVlr, LazVlrBuilder};

use crate::files::{Builder, Raw};

/// Where things are in a file, for those who damage it.
pub struct Copc {
    pub bytes: Vec<u8>,
    /// Byte at which the data of the record with the cube begin.
    pub info: usize,
    /// Byte at which the hierarchy begins.
    pub hierarchy: usize,
    /// Nodes that hold points.
    pub nodes: usize,
    /// The ground of each chunk in raw coordinates, least and greatest x and y, and its points.
    pub chunks: Vec<([f64; 4], Vec<Raw>)>,
}

/// Points of a node at the most, before its children take the others.
const FULL: usize = 300;

type Key = [i32; 4];

/// A record of the header, or an extended one.
fn record(user: &str, id: u16, data: &[u8], extended: bool) -> Vec<u8> {
    let mut bytes = vec![0; 2];
    let mut name = user.as_bytes().to_vec();
    name.resize(16, 0);
    bytes.extend(name);
    bytes.extend(id.to_le_bytes());
    match extended {
        true => bytes.extend((data.len() as u64).to_le_bytes()),
        false => bytes.extend((data.len() as u16).to_le_bytes()),
    }
    bytes.extend([0; 32]);
    bytes.extend(data);
    bytes
}

impl Builder {
    /// The bytes of a COPC file; the hierarchy below level 1 stands in pages of its own.
    pub fn copc(&self) -> Copc {
        const SCALE: [f64; 3] = [0.001, 0.01, 0.0001];
        const OFFSET: [f64; 3] = [1000.0, -2000.0, 50.0];
        let real = |point: &Raw, axis: usize| f64::from(point.xyz[axis]) * SCALE[axis] + OFFSET[axis];
        let low = [0, 1, 2].map(|axis| self.points.iter().map(|p| real(p, axis)).fold(f64::MAX, f64::min));
        let high = [0, 1, 2].map(|axis| self.points.iter().map(|p| real(p, axis)).fold(f64::MIN, f64::max));
        let side = (0..3).map(|axis| high[axis] - low[axis]).fold(0.0, f64::max) * 1.001;
        let key = |point: &Raw, level: i32| -> Key {
            let cells = 2f64.powi(level);
            let at = |axis: usize| ((real(point, axis) - low[axis]) / side * cells).floor().min(cells - 1.0);
            [level, at(0) as i32, at(1) as i32, at(2) as i32]
        };
        let mut nodes: BTreeMap<Key, Vec<Raw>> = BTreeMap::new();
        for point in &self.points {
            let level =
                (0..12).find(|level| nodes.get(&key(point, *level)).is_none_or(|node| node.len() < FULL));
            nodes.entry(key(point, level.unwrap_or(12))).or_default().push(*point);
        }
        // The record with the cube comes first, at a fixed place.
        let vlr = LazVlrBuilder::default()
            .with_point_format(self.format, self.extra_bytes)
            .unwrap()
            .with_variable_chunk_size()
            .build();
        let mut laszip = Vec::new();
        vlr.write_to(&mut laszip).unwrap();
        let mut records = record("copc", 1, &[0; 160], false);
        records.extend(record(LazVlr::USER_ID, LazVlr::RECORD_ID, &laszip, false));
        let mut head = self.honest(self.head(&records, 2));
        head[104] |= 0x80;
        let start = head.len();
        let mut out = Cursor::new(head);
        out.seek(SeekFrom::End(0)).unwrap();
        let mut compressor = LasZipCompressor::new(out, vlr.clone()).unwrap();
        let mut chunks = Vec::new();
        for (number, (key, points)) in nodes.iter().enumerate() {
            compressor.compress_many(&self.records_of(points)).unwrap();
            if number + 1 < nodes.len() {
                compressor.finish_current_chunk().unwrap();
            }
            let width = side / 2f64.powi(key[0]);
            let along = |axis: usize| low[axis] + width * f64::from(key[1 + axis]);
            chunks.push(([along(0), along(0) + width, along(1), along(1) + width], points.clone()));
        }
        compressor.done().unwrap();
        let mut bytes = compressor.into_inner().into_inner();
        // Where each chunk begins is what the table of the file says.
        let mut reader = Cursor::new(&bytes);
        reader.seek(SeekFrom::Start(start as u64)).unwrap();
        let table = ChunkTable::read_from(reader, &vlr).unwrap();
        let mut at = start as u64 + 8;
        let places: Vec<(u64, u64)> = table
            .as_ref()
            .iter()
            .map(|chunk| {
                at += chunk.byte_count;
                (at - chunk.byte_count, chunk.byte_count)
            })
            .collect();
        assert_eq!(places.len(), nodes.len());
        let entry = |key: &Key, place: u64, size: i32, points: i32| -> Vec<u8> {
            let mut bytes: Vec<u8> = key.iter().flat_map(|word| word.to_le_bytes()).collect();
            bytes.extend(place.to_le_bytes());
            bytes.extend(size.to_le_bytes());
            bytes.extend(points.to_le_bytes());
            bytes
        };
        let listed: Vec<(&Key, Vec<u8>)> = nodes
            .iter()
            .zip(&places)
            .map(|((key, points), (at, bytes))| (key, entry(key, *at, *bytes as i32, points.len() as i32)))
            .collect();
        // A page for each node of level 1 that has children, and the root page.
        let mut pages: BTreeMap<[i32; 3], Vec<u8>> = BTreeMap::new();
        let mut root = Vec::new();
        for (key, entry) in &listed {
            match key[0] {
                0 => root.extend(entry),
                level => {
                    let ancestor = [1, 2, 3].map(|axis: usize| key[axis] >> (level - 1));
                    pages.entry(ancestor).or_default().extend(entry);
                }
            }
        }
        let root_length = root.len() + pages.len() * 32;
        let hierarchy = bytes.len() + 60;
        let mut place = hierarchy + root_length;
        let mut tail: Vec<u8> = Vec::new();
        for ([x, y, z], page) in &pages {
            root.extend(entry(&[1, *x, *y, *z], place as u64, page.len() as i32, -1));
            place += page.len();
            tail.extend(page);
        }
        root.extend(tail);
        let evlr = bytes.len() as u64;
        bytes.extend(record("copc", 1000, &root, true));
        bytes[235..243].copy_from_slice(&evlr.to_le_bytes());
        bytes[243..247].copy_from_slice(&1u32.to_le_bytes());
        let info = 375 + 54;
        let numbers =
            [low[0] + side / 2.0, low[1] + side / 2.0, low[2] + side / 2.0, side / 2.0, side / 128.0];
        for (i, number) in numbers.into_iter().enumerate() {
            bytes[info + 8 * i..info + 8 * i + 8].copy_from_slice(&number.to_le_bytes());
        }
        bytes[info + 40..info + 48].copy_from_slice(&(hierarchy as u64).to_le_bytes());
        bytes[info + 48..info + 56].copy_from_slice(&(root_length as u64).to_le_bytes());
        Copc { bytes, info, hierarchy, nodes: nodes.len(), chunks }
    }
}

/// The same file as plain LAZ: nothing says that its chunks are nodes.
pub fn without_copc(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    bytes[375 + 2..375 + 6].copy_from_slice(b"none");
    bytes
}
