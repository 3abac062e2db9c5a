//! Cutting a scan into blocks that can be decoded independently of each other.
//!
//! The values of each field are one long stream of bits, of which each packet holds a stretch; fields need not be in
//! step. The heads of the packets say how long the stretches are, so that it is known where in a stream each packet
//! begins. A block is a run of packets; where a field of its first points lies in packets before, it is read again.

use std::collections::VecDeque;

use crate::cloud::block::Block;
use crate::cloud::e57::layout::Layout;
use crate::cloud::e57::pages;
use crate::cloud::error::CloudError;
use crate::cloud::ranges::RangeReader;

/// Points of a block, about: as many as LAZ writers commonly put into a chunk.
const POINTS: u64 = 50_000;

/// Bytes of a block, about: packets hold 64 KiB at the most.
const BYTES: u64 = 2 << 20;

/// Bytes that must be in memory to decode a block at the most.
const MOST_BYTES: u64 = 32 << 20;

/// Bytes of the head of a data packet before the lengths of its stretches.
const HEAD: usize = 6;

/// What is known of a block beside its place in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Run {
    /// Logical place of the first packet that must be read.
    pub start: u64,
    /// Logical place after the last one.
    pub end: u64,
    /// Logical place of the block's own first packet.
    pub own: u64,
    /// Bytes of each stream that is read before `start`.
    pub before: Box<[u64]>,
}

/// The blocks of a scan, and what is known of each.
#[derive(Clone, Debug, Default)]
pub(super) struct Cut {
    pub blocks: Vec<Block>,
    pub runs: Vec<Run>,
    /// Why points are missing, if they are.
    pub problem: Option<String>,
}

/// A packet as its head describes it.
pub(super) struct Packet {
    /// Bytes of the packet.
    pub length: u64,
    /// Bytes of the stretch of each field; none where it is no data packet.
    pub stretches: Vec<u64>,
}

/// Reads the head of a packet from the bytes it begins with.
///
/// # Errors
/// What is wrong with it.
pub(super) fn packet(bytes: &[u8], fields: usize) -> Result<Packet, String> {
    let short = || "its last packet is cut off".to_string();
    let head = bytes.get(..4).ok_or_else(short)?;
    let length = u64::from(u16::from_le_bytes([head[2], head[3]])) + 1;
    if length % 4 != 0 {
        return Err(format!("a packet has {length} bytes, which is no multiple of 4"));
    }
    match head[0] {
        0 | 2 => return Ok(Packet { length, stretches: Vec::new() }),
        1 => {}
        other => return Err(format!("a packet is of kind {other}, which does not exist")),
    }
    let lengths = bytes.get(HEAD..HEAD + 2 * fields).ok_or_else(short)?;
    let count = u16::from_le_bytes([bytes[4], bytes[5]]);
    if usize::from(count) != fields {
        return Err(format!("a packet holds {count} fields, but a point has {fields}"));
    }
    let stretches: Vec<u64> =
        lengths.chunks_exact(2).map(|two| u16::from_le_bytes([two[0], two[1]]).into()).collect();
    if (HEAD + 2 * fields) as u64 + stretches.iter().sum::<u64>() > length {
        return Err("a packet is shorter than what it holds".to_string());
    }
    Ok(Packet { length, stretches })
}

/// Bytes of the head of a data packet.
pub(super) fn head(fields: usize) -> u64 {
    (HEAD + 2 * fields) as u64
}

/// Cuts the scan whose section begins at the physical place `section` into blocks. What is damaged or missing ends the
/// list.
///
/// # Errors
/// When reading fails.
pub(super) fn cut(
    source: &mut RangeReader,
    layout: &Layout,
    section: u64,
    points: u64,
) -> Result<Cut, CloudError> {
    let mut cut = Cut::default();
    let mut bytes = Vec::new();
    let file_end = pages::logical(source.size());
    let mut look =
        |source: &mut RangeReader, at: u64, length: u64| -> Result<Result<Vec<u8>, String>, CloudError> {
            let end = at.saturating_add(length).min(file_end);
            if at >= end {
                return Ok(Err("the file ends there".to_string()));
            }
            Ok(pages::read(source, &mut bytes, (at, end))?.map(|()| bytes.clone()))
        };
    let start = match look(source, pages::logical(section), 32)? {
        Ok(head) if head.len() == 32 && head[0] == 1 => {
            pages::logical(u64::from_le_bytes(head[16..24].try_into().expect("eight bytes")))
        }
        Ok(_) => {
            cut.problem = Some(format!("no points begin at byte {section}"));
            return Ok(cut);
        }
        Err(what) => {
            cut.problem = Some(what);
            return Ok(cut);
        }
    };
    if layout.streams.iter().all(|stream| stream.bits == 0) {
        cut.problem = Some("all its points are the same".to_string());
        return Ok(cut);
    }
    let mut walk = Walk::new(layout, start, points);
    while walk.there < points {
        let found = look(source, walk.at, head(layout.all))?;
        let problem = match found.and_then(|bytes| packet(&bytes, layout.all)) {
            Ok(packet) if walk.at + packet.length > file_end => {
                Some("the file ends within a packet".to_string())
            }
            Ok(packet) => walk.step(&packet, &mut cut),
            Err(what) => Some(what),
        };
        if let Some(what) = problem {
            cut.problem = Some(format!("{what} (byte {})", pages::physical(walk.at)));
            break;
        }
    }
    Ok(cut)
}

/// A walk from packet to packet.
struct Walk<'a> {
    layout: &'a Layout,
    points: u64,
    at: u64,
    /// Bytes of each stream so far.
    so_far: Box<[u64]>,
    /// Packets that points of the next block may begin in: place, and bytes of each stream before it.
    recent: VecDeque<(u64, Box<[u64]>)>,
    /// Points that are complete.
    there: u64,
    /// The next block: its first point, and the place of its first packet.
    next: (u64, u64),
}

impl<'a> Walk<'a> {
    fn new(layout: &'a Layout, at: u64, points: u64) -> Self {
        let so_far = vec![0; layout.streams.len()].into_boxed_slice();
        Walk { layout, points, at, so_far, recent: VecDeque::new(), there: 0, next: (0, at) }
    }

    /// Takes a packet; what is wrong with it comes back.
    fn step(&mut self, packet: &Packet, cut: &mut Cut) -> Option<String> {
        if !packet.stretches.is_empty() {
            self.recent.push_back((self.at, self.so_far.clone()));
            for (sum, field) in self.so_far.iter_mut().zip(&self.layout.fields) {
                *sum += packet.stretches[*field];
            }
        }
        self.at += packet.length;
        let complete = self.layout.streams.iter().zip(&self.so_far);
        let complete =
            complete.filter_map(|(stream, bytes)| (bytes * 8).checked_div(stream.bits.into())).min();
        self.there = complete.unwrap_or(0).min(self.points);
        // The last packet at or before the first bit of the block's points in every stream.
        let (first, own) = self.next;
        let begins = |(_, before): &(u64, Box<[u64]>)| {
            let mut streams = self.layout.streams.iter().zip(before);
            streams.all(|(stream, before)| before * 8 <= first * u64::from(stream.bits))
        };
        while self.recent.len() > 1 && begins(&self.recent[1]) {
            self.recent.pop_front();
        }
        let start = self.recent.front().map_or(self.at, |(at, _)| *at);
        if self.at - start.min(own) > MOST_BYTES {
            return Some("the fields of its points lie too far apart".to_string());
        }
        let in_block = self.there - first;
        let full = in_block >= POINTS || self.at - own >= BYTES || self.there == self.points;
        if in_block > 0 && full {
            let offset = pages::physical(own);
            cut.blocks.push(Block {
                number: cut.blocks.len(),
                first_point: first,
                points: in_block,
                offset,
                bytes: pages::physical(self.at) - offset,
            });
            let before = self.recent.front().map(|(_, before)| before.clone()).unwrap_or_default();
            cut.runs.push(Run { start, end: self.at, own, before });
            self.next = (self.there, self.at);
        }
        None
    }
}
