//! Decoding blocks of a scan into points, with the pose of the scan applied.

use crate::cloud::block::Block;
use crate::cloud::e57::blocks::{self, Run};
use crate::cloud::e57::layout::Layout;
use crate::cloud::e57::pages;
use crate::cloud::e57::scan::E57Scan;
use crate::cloud::error::CloudError;
use crate::cloud::packed::{MAX_ELEVATION, MAX_POSITION};
use crate::cloud::point::{Decoded, MAX_RETURN};
use crate::cloud::ranges::RangeReader;
use crate::units::Unit;

/// Points decoded at a time.
const BATCH: usize = 256;

/// Bytes that a value may be read beyond its end.
const PADDING: usize = 16;

/// Decodes the blocks of one scan. One for each thread: it holds its own file handle and buffers.
pub struct E57Decoder {
    source: RangeReader,
    scan: E57Scan,
    rotation: [[f64; 3]; 3],
    translation: [f64; 3],
    micrometres: [f64; 3],
    /// The packets of a block.
    buffer: Vec<u8>,
    streams: Vec<Vec<u8>>,
    decoded: Vec<Decoded>,
}

impl E57Decoder {
    /// A decoder of `scan`; `horizontal` is the unit of the file's x and y, `vertical` that of its z.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn new(scan: &E57Scan, horizontal: Unit, vertical: Unit) -> Result<Self, CloudError> {
        let pose = scan.pose;
        Ok(E57Decoder {
            source: RangeReader::open(&scan.location)?,
            rotation: pose.map_or([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], |pose| pose.matrix()),
            translation: pose.map_or([0.0; 3], |pose| pose.translation),
            micrometres: [horizontal, horizontal, vertical].map(Unit::micrometres),
            buffer: Vec::new(),
            streams: vec![Vec::new(); scan.layout.streams.len()],
            decoded: Vec::with_capacity(BATCH),
            scan: scan.clone(),
        })
    }

    /// Reads all bytes of `block`, so that it is decoded from memory.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn load(&mut self, block: &Block) -> Result<&[u8], CloudError> {
        let (from, bytes) = self.scan.pages(block);
        let pages = self.source.load(from, bytes, "block of points")?;
        let start = (block.offset - from) as usize;
        Ok(&pages[start..start + block.bytes as usize])
    }

    /// Calls `visit` with the points of `block`, a few hundred at a time, in file order.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each_batch(
        &mut self,
        block: &Block,
        mut visit: impl FnMut(&[Decoded]),
    ) -> Result<(), CloudError> {
        let (layout, cut) = (self.scan.layout.clone(), self.scan.cut.clone());
        let run = &cut.runs[block.number];
        let (from, bytes) = pages::stretch(run.start, run.end);
        self.source.fetch(from, bytes, "block of points")?;
        let read = pages::read(&mut self.source, &mut self.buffer, (run.start, run.end))?;
        let gathered = read.and_then(|()| self.gather(&layout, run, block));
        gathered.map_err(|what| self.scan.damaged(block, what))?;
        let skipped = |stream: usize| {
            block.first_point * u64::from(layout.streams[stream].bits) - run.before[stream] * 8
        };
        let starts: Vec<u64> = (0..self.streams.len()).map(skipped).collect();
        for first in (0..block.points).step_by(BATCH) {
            let count = (block.points - first).min(BATCH as u64);
            let mut decoded = std::mem::take(&mut self.decoded);
            decoded.clear();
            decoded.extend((first..first + count).map(|index| self.point(&layout, &starts, index)));
            visit(&decoded);
            self.decoded = decoded;
        }
        Ok(())
    }

    /// The error of a damaged block.
    pub fn damaged(&self, block: &Block, what: String) -> CloudError {
        self.scan.damaged(block, what)
    }

    /// Puts the stretches of each stream together.
    fn gather(&mut self, layout: &Layout, run: &Run, block: &Block) -> Result<(), String> {
        self.streams.iter_mut().for_each(Vec::clear);
        let mut packets = self.buffer.as_slice();
        while !packets.is_empty() {
            let packet = blocks::packet(packets, layout.all)?;
            let (bytes, rest) =
                packets.split_at_checked(packet.length as usize).ok_or("its last packet is cut off")?;
            packets = rest;
            let mut at = blocks::head(layout.all) as usize;
            for (field, length) in packet.stretches.iter().enumerate() {
                let stretch = &bytes[at..at + *length as usize];
                at += stretch.len();
                if let Some(stream) = layout.fields.iter().position(|read| *read == field) {
                    self.streams[stream].extend_from_slice(stretch);
                }
            }
        }
        for ((stream, bytes), before) in layout.streams.iter().zip(&mut self.streams).zip(&run.before) {
            let needed = (block.first_point + block.points) * u64::from(stream.bits);
            if (before + bytes.len() as u64) * 8 < needed {
                return Err("its packets hold fewer points than before".to_string());
            }
            bytes.extend([0; PADDING]);
        }
        Ok(())
    }

    /// The point of that place in the block.
    #[inline]
    fn point(&self, layout: &Layout, starts: &[u64], index: u64) -> Decoded {
        let at = |stream: usize| starts[stream] + index * u64::from(layout.streams[stream].bits);
        let number = |stream: usize| layout.streams[stream].number(&self.streams[stream], at(stream));
        let whole = |stream: usize| layout.streams[stream].whole(&self.streams[stream], at(stream));
        let valid = |state: Option<usize>| state.is_none_or(|state| whole(state) == 0);
        let mut decoded = Decoded::default();
        let local = match (layout.cartesian, layout.spherical) {
            (Some(xyz), _) if valid(layout.cartesian_state) => xyz.map(number),
            (_, Some(ray)) if valid(layout.spherical_state) => {
                let [range, azimuth, elevation] = ray.map(number);
                let level = range * libm::cos(elevation);
                [level * libm::cos(azimuth), level * libm::sin(azimuth), range * libm::sin(elevation)]
            }
            _ => {
                decoded.withheld = true;
                return decoded;
            }
        };
        let point = &mut decoded.point;
        (point.return_number, point.number_of_returns) = match layout.returns {
            None => (1, 1),
            Some([index, count]) => {
                // What no return number can say is none.
                let fits =
                    |n: i64| u8::try_from(n).ok().filter(|n| usize::from(*n) <= MAX_RETURN).unwrap_or(0);
                (fits(whole(index).saturating_add(1)), fits(whole(count)))
            }
        };
        let axis = |axis: usize| {
            let [a, b, c] = self.rotation[axis];
            let turned = a * local[0] + b * local[1] + c * local[2] + self.translation[axis];
            turned * self.micrometres[axis]
        };
        let (x, y, z) = (axis(0), axis(1), axis(2));
        // Not-a-number fails every comparison, and so this test.
        if x.abs() < MAX_POSITION as f64 && y.abs() < MAX_POSITION as f64 && z.abs() <= MAX_ELEVATION as f64 {
            decoded.in_range = true;
            (point.x, point.y, point.z) = (x.round() as i64, y.round() as i64, z.round() as i64);
        }
        decoded
    }
}

#[cfg(test)]
#[path = "decode_tests.rs"]
mod tests;
