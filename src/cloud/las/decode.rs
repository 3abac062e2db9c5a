//! Decoding blocks into points: the hot path of the whole program.
//!
//! Of a LAZ file in layers only the layers of the fields asked for are read and decoded; points come out of raw
//! records without an allocation each.

use std::io::{Cursor, Read};
use std::sync::Arc;

use laz::las::selective::DecompressionSelection;
use laz::record::{RecordDecompressor, SequentialPointRecordDecompressor};

use crate::cloud::block::Block;
use crate::cloud::error::CloudError;
use crate::cloud::las::compression::{Compression, Kind};
use crate::cloud::las::copc::NodeGround;
use crate::cloud::las::decompress::{BATCH, LARGE_CHUNK, LEFT_OVER, Take, decompress};
use crate::cloud::las::extent::{Extent, Limits};
use crate::cloud::las::header::LasFile;
use crate::cloud::las::layers;
use crate::cloud::las::wiped;
use crate::cloud::packed::{MAX_ELEVATION, MAX_POSITION};
use crate::cloud::point::{Decoded, Fields};
use crate::cloud::ranges::RangeReader;
use crate::units::Unit;

/// Coordinates in micrometres from here on cannot be distinguished to the micrometre.
const FARTHEST: f64 = MAX_POSITION as f64;

/// Elevations above 200 km (in micrometres) are no elevations.
const HIGHEST: f64 = MAX_ELEVATION as f64;

/// Decodes the blocks of one file. One for each thread: it holds its own file handle and buffers.
pub struct LasDecoder {
    source: RangeReader,
    compression: Option<Compression>,
    blocks: usize,
    record_length: usize,
    converter: Converter,
    /// Compressed bytes of a block, or its plain records.
    buffer: Vec<u8>,
    /// Raw records just decompressed.
    batch: Vec<u8>,
    /// The points made of them.
    decoded: Vec<Decoded>,
    /// The box that the header states.
    limits: Option<Limits>,
    /// Of a COPC file, the ground of each block.
    nodes: Option<Arc<[NodeGround]>>,
    /// The extent of the points of the block decoded last.
    extent: Extent,
    /// Points of a block that are decoded at the most, its first.
    most: u64,
}

impl LasDecoder {
    /// A decoder of `cloud` that delivers `fields`; `horizontal` is the unit of the file's x and y, `vertical`
    /// that of its z.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn new(
        cloud: &LasFile,
        fields: Fields,
        horizontal: Unit,
        vertical: Unit,
    ) -> Result<Self, CloudError> {
        Ok(LasDecoder {
            source: RangeReader::open(&cloud.location)?,
            compression: cloud.compression.clone(),
            blocks: cloud.blocks.len(),
            record_length: cloud.record_length.into(),
            converter: Converter::new(cloud, fields, horizontal, vertical),
            buffer: Vec::new(),
            batch: Vec::new(),
            decoded: Vec::new(),
            limits: Limits::of(cloud),
            nodes: cloud.nodes.clone(),
            extent: Extent::NONE,
            most: u64::MAX,
        })
    }

    /// The same decoder, for a look at the first points of each block, so many at the most. Damage after them is not found.
    pub fn of_first(mut self, most: u64) -> Self {
        self.most = most;
        self
    }

    /// The same decoder, which delivers a setup in place of the point source ID.
    pub fn of_setup(mut self, setup: u16) -> Self {
        self.converter.strip = setup;
        self.converter.fields.strip = false;
        self
    }

    /// Reads all bytes of `block`, so that it is decoded from memory; nothing where they are too many for that.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn load(&mut self, block: &Block) -> Result<Option<&[u8]>, CloudError> {
        if !can_load(self.compression.as_ref(), block) {
            return Ok(None);
        }
        self.source.load(block.offset, block.bytes, "block of points").map(Some)
    }

    /// Calls `visit` with each point of `block`, in file order. The calling thread needs a stack of
    /// [`STACK`](crate::cloud::STACK) bytes.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each(&mut self, block: &Block, mut visit: impl FnMut(&Decoded)) -> Result<(), CloudError> {
        self.for_each_batch(block, |points| points.iter().for_each(&mut visit))
    }

    /// Calls `visit` with the points of `block`, a few hundred at a time, in file order: faster than one by one. The calling
    /// thread needs a stack of [`STACK`](crate::cloud::STACK) bytes.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each_batch(
        &mut self,
        block: &Block,
        mut visit: impl FnMut(&[Decoded]),
    ) -> Result<(), CloudError> {
        self.decode(block, false, |_, points| visit(points))
    }

    /// The same, with the points' records as they are in the file, all fields of them.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each_record_batch(
        &mut self,
        block: &Block,
        visit: impl FnMut(&[u8], &[Decoded]),
    ) -> Result<(), CloudError> {
        self.decode(block, true, visit)
    }

    /// Records are `whole` where those who visit look at more of them than what the points hold.
    fn decode(
        &mut self,
        block: &Block,
        whole: bool,
        mut visit: impl FnMut(&[u8], &[Decoded]),
    ) -> Result<(), CloudError> {
        let LasDecoder {
            source,
            compression,
            record_length,
            converter,
            buffer,
            batch,
            decoded,
            extent,
            most,
            ..
        } = self;
        let (converter, points) = (&*converter, block.points.min(*most));
        *extent = Extent::NONE;
        let take = &mut |records: &[u8], length: usize| {
            for records in records.chunks(BATCH * length) {
                extent.add(records, length);
                converter.all(records, length, decoded);
                visit(records, decoded);
            }
        };
        buffer.clear();
        let needed = match compression {
            None => block.bytes.min(points * *record_length as u64),
            Some(_) => block.bytes,
        };
        if can_load(compression.as_ref(), block) {
            source.fetch(block.offset, needed, "block of points")?;
        }
        let result = match compression {
            None => {
                source.fill(buffer, block.offset, needed, "block of points")?;
                take(buffer, *record_length);
                Ok(())
            }
            Some(compression) => match compression.kind {
                Kind::Chunks if block.bytes <= LARGE_CHUNK => {
                    source.fill(buffer, block.offset, block.bytes, "compressed chunk")?;
                    chunk(buffer, compression, block, points, batch, take)
                }
                Kind::Whole | Kind::Chunks => streamed(source, compression, block, points, batch, take)?,
                Kind::Layers if whole => match layers::fill_whole(source, buffer, compression, block)? {
                    Ok(()) => layers::decode_whole(buffer, compression, block, batch, take),
                    Err(what) => Err(what),
                },
                Kind::Layers => {
                    let (selection, with_time) = (converter.selection(), converter.gps_time);
                    match layers::fill(source, buffer, compression, block, with_time)? {
                        Ok(()) => layers::decode(buffer, compression, block, points, batch, selection, take),
                        Err(what) => Err(what),
                    }
                }
            },
        };
        result.map_err(|what| self.damaged(block, what))
    }

    /// How the points of the block decoded last lie outside the box that the header states, in words; nothing where they do
    /// not, or where it states none.
    pub fn outside(&self) -> Option<String> {
        self.limits.as_ref()?.outside(&self.extent)
    }

    /// How the points of the block, which was decoded last, lie outside its node of the octree, in words; nothing where they do
    /// not, or where there is none.
    pub fn outside_node(&self, block: &Block) -> Option<String> {
        let node = self.nodes.as_ref()?.get(block.number)?;
        self.extent.outside_node(node, self.converter.scale, self.converter.offset)
    }

    /// The error of a damaged block.
    pub fn damaged(&self, block: &Block, what: String) -> CloudError {
        CloudError::Block {
            path: self.source.path().to_path_buf(),
            number: block.number + 1,
            blocks: self.blocks,
            offset: block.offset,
            bytes: block.bytes,
            first_point: block.first_point,
            points: block.points,
            what,
        }
    }
}

/// Whether a block is decoded from memory.
fn can_load(compression: Option<&Compression>, block: &Block) -> bool {
    block.bytes <= LARGE_CHUNK && compression.is_none_or(|compression| compression.kind != Kind::Whole)
}

impl LasFile {
    /// Whether a decoder can [load](LasDecoder::load) a block.
    pub fn can_load(&self, block: &Block) -> bool {
        can_load(self.compression.as_ref(), block)
    }
}

/// A chunk in memory. Writers end in step with the decoder, so that bytes left over show damage that went unnoticed.
fn chunk(
    bytes: &[u8],
    compression: &Compression,
    block: &Block,
    points: u64,
    batch: &mut Vec<u8>,
    take: &mut Take<'_>,
) -> Result<(), String> {
    let first_point = compression.record_length().min(bytes.len());
    wiped::not_wiped(&bytes[first_point..])?;
    let end = sequential(Cursor::new(bytes), compression, points, batch, take)?.position();
    let left = block.bytes - end;
    if left > LEFT_OVER && points == block.points {
        Err(format!("its points end {left} bytes early"))
    } else {
        Ok(())
    }
}

/// A chunk, or a whole file, decoded as it is read.
fn streamed(
    source: &mut RangeReader,
    compression: &Compression,
    block: &Block,
    points: u64,
    batch: &mut Vec<u8>,
    take: &mut Take<'_>,
) -> Result<Result<(), String>, CloudError> {
    let first_point = block.bytes.min(compression.record_length() as u64);
    let (offset, bytes) = (block.offset + first_point, block.bytes - first_point);
    let stretch = wiped::not_wiped_stream(source.stream(offset, bytes)?);
    if let Err(what) = stretch.map_err(|error| source.read_error(offset, error))? {
        return Ok(Err(what));
    }
    let input = source.stream(block.offset, block.bytes)?;
    let decoded = sequential(input, compression, points, batch, take).map(|_| ());
    source.check_failed()?;
    Ok(decoded)
}

/// Gives back what is left of the input.
fn sequential<R: Read>(
    input: R,
    compression: &Compression,
    points: u64,
    batch: &mut Vec<u8>,
    take: &mut Take<'_>,
) -> Result<R, String> {
    let mut decompressor = SequentialPointRecordDecompressor::new(input);
    decompressor.set_fields_from(compression.vlr.items()).map_err(|error| error.to_string())?;
    decompress(&mut decompressor, points, batch, take)?;
    Ok(decompressor.into_inner())
}

/// Makes points of raw records.
struct Converter {
    extended: bool,
    gps_time: bool,
    fields: Fields,
    /// The strip of a point whose point source ID is not read: its setup, where it has one.
    strip: u16,
    scale: [f64; 3],
    offset: [f64; 3],
    micrometres: [f64; 3],
}

impl Converter {
    fn new(cloud: &LasFile, fields: Fields, horizontal: Unit, vertical: Unit) -> Self {
        Converter {
            extended: cloud.format >= 6,
            gps_time: fields.gps_time && cloud.has_gps_time(),
            fields,
            strip: 0,
            scale: cloud.scale,
            offset: cloud.offset,
            micrometres: [horizontal.micrometres(), horizontal.micrometres(), vertical.micrometres()],
        }
    }

    fn selection(&self) -> DecompressionSelection {
        let mut selection = DecompressionSelection::xy_returns_channel()
            .decompress_z()
            .decompress_classification()
            .decompress_flags();
        if self.fields.strip {
            selection = selection.decompress_point_source_id();
        }
        if self.fields.scan_angle {
            selection = selection.decompress_scan_angle();
        }
        if self.fields.gps_time {
            selection = selection.decompress_gps_time();
        }
        selection
    }

    fn all(&self, records: &[u8], length: usize, to: &mut Vec<Decoded>) {
        to.clear();
        let records = records.chunks_exact(length);
        if self.extended {
            to.extend(records.map(|record| self.extended(record)));
        } else {
            to.extend(records.map(|record| self.legacy(record)));
        }
    }

    /// Formats 0 to 5: LAS 1.4 R16, sections 2.6.1 to 2.6.6.
    #[inline(always)]
    fn legacy(&self, record: &[u8]) -> Decoded {
        let core: &[u8; 20] = record[..20].try_into().expect("records are as long as the format says");
        let mut decoded = self.place(core[..12].try_into().expect("twelve bytes"));
        let point = &mut decoded.point;
        point.return_number = core[14] & 0x07;
        point.number_of_returns = core[14] >> 3 & 0x07;
        point.class = core[15] & 0x1f;
        decoded.withheld = core[15] & 0x80 != 0;
        if self.fields.scan_angle {
            point.scan_angle = rank_to_angle(core[16] as i8);
        }
        if self.fields.strip {
            point.strip = u16::from_le_bytes([core[18], core[19]]);
        }
        if self.gps_time {
            decoded.gps_time = f64::from_le_bytes(record[20..28].try_into().expect("eight bytes"));
        }
        decoded
    }

    /// Formats 6 to 10: LAS 1.4 R16, sections 2.6.7 to 2.6.11.
    #[inline(always)]
    fn extended(&self, record: &[u8]) -> Decoded {
        let core: &[u8; 30] = record[..30].try_into().expect("records are as long as the format says");
        let mut decoded = self.place(core[..12].try_into().expect("twelve bytes"));
        let point = &mut decoded.point;
        point.return_number = core[14] & 0x0f;
        point.number_of_returns = core[14] >> 4;
        point.class = core[16];
        decoded.withheld = core[15] & 0x04 != 0;
        if self.fields.scan_angle {
            point.scan_angle = i16::from_le_bytes([core[18], core[19]]);
        }
        if self.fields.strip {
            point.strip = u16::from_le_bytes([core[20], core[21]]);
        }
        if self.gps_time {
            decoded.gps_time = f64::from_le_bytes(core[22..30].try_into().expect("eight bytes"));
        }
        decoded
    }

    /// The position of a point in whole micrometres, half away from zero.
    #[inline(always)]
    fn place(&self, record: &[u8; 12]) -> Decoded {
        let axis = |axis: usize| {
            let raw = i32::from_le_bytes(record[4 * axis..4 * axis + 4].try_into().expect("four bytes"));
            (f64::from(raw) * self.scale[axis] + self.offset[axis]) * self.micrometres[axis]
        };
        let (x, y, z) = (axis(0), axis(1), axis(2));
        let mut decoded = Decoded::default();
        decoded.point.strip = self.strip;
        // Not-a-number fails every comparison, and so this test.
        if x.abs() < FARTHEST && y.abs() < FARTHEST && z.abs() <= HIGHEST {
            decoded.in_range = true;
            decoded.point.x = nearest(x);
            decoded.point.y = nearest(y);
            decoded.point.z = nearest(z);
        }
        decoded
    }
}

/// The nearest whole number, half away from zero. `f64::round` is a library call on processors taken to be old.
#[inline]
fn nearest(value: f64) -> i64 {
    (value + 0.5f64.copysign(value)) as i64
}

/// A scan angle rank (whole degrees) in units of 0.006 degree, rounded.
#[inline]
fn rank_to_angle(degrees: i8) -> i16 {
    // degrees / 0.006 = degrees * 500 / 3, which never lies halfway between two whole numbers.
    let thirds = i32::from(degrees) * 500;
    ((thirds + thirds.signum()) / 3) as i16
}

#[cfg(test)]
#[path = "decode_tests.rs"]
mod tests;
