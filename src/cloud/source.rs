//! Sources: what a cloud is made of, behind one face, whatever kind of file it is.

use std::ops::Range;
use std::path::Path;

use crate::cloud::block::Block;
use crate::cloud::crs::Crs;
use crate::cloud::e57::{E57Decoder, E57Scan, SIGNATURE};
use crate::cloud::error::CloudError;
use crate::cloud::las::{GpsTimeType, LasDecoder, LasFile};
use crate::cloud::location::Location;
use crate::cloud::packed::{MAX_ELEVATION, MAX_POSITION};
use crate::cloud::point::{Decoded, Fields, MAX_RETURN};
use crate::cloud::pose::Registered;
use crate::cloud::ranges::RangeReader;
use crate::cloud::stated_box::StatedBox;
use crate::units::{Micrometres, Unit};

/// Bytes of a block that is asked for before it is needed at the most.
const MOST_ASKED: u64 = 4 << 20;

/// Ranges of x and y.
pub type Ground = (Range<Micrometres>, Range<Micrometres>);

/// Points with one coordinate system, one pair of units and one pose: a file, or a part of one (a setup of several).
#[derive(Clone, Debug)]
pub enum Source {
    /// A LAS or LAZ file.
    Las(LasFile),
    /// A scan of an E57 file.
    E57(E57Scan),
}

/// What is laid down for a source beside what its file says; the decoder carries it out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Placing {
    /// The setup that the points belong to: it takes the place of the point source ID.
    pub setup: Option<u16>,
    /// How a scan in its own frame lies in the system of the cloud.
    pub pose: Option<Registered>,
    /// What is added to every elevation.
    pub vertical_shift: Micrometres,
}

impl Source {
    /// Opens the sources in a file and checks all that can be checked without reading points. Of a file that is cut off
    /// those points that are there are taken where `cut_off_too` is set.
    ///
    /// # Errors
    /// When the file cannot be read or its points cannot be found: the message names the place and the remedy.
    pub fn open(location: impl Into<Location>, cut_off_too: bool) -> Result<Vec<Source>, CloudError> {
        let mut reader = RangeReader::open(location)?;
        if begins_as_e57(&mut reader)? {
            return Ok(E57Scan::read(reader, cut_off_too)?.into_iter().map(Source::E57).collect());
        }
        Ok(vec![Source::Las(LasFile::read(reader, cut_off_too)?)])
    }

    /// Where its file is.
    pub fn location(&self) -> &Location {
        match self {
            Source::Las(file) => &file.location,
            Source::E57(scan) => &scan.location,
        }
    }

    /// The file, or the address of the object.
    pub fn path(&self) -> &Path {
        self.location().path()
    }

    /// Name of the file, without its folders.
    pub fn name(&self) -> String {
        self.location().name()
    }

    /// Size of the file in bytes.
    pub fn size(&self) -> u64 {
        match self {
            Source::Las(file) => file.size,
            Source::E57(scan) => scan.size,
        }
    }

    /// Number of points, as the file states it.
    pub fn points(&self) -> u64 {
        match self {
            Source::Las(file) => file.points,
            Source::E57(scan) => scan.points,
        }
    }

    /// How many of them are not there, because the file is cut off.
    pub fn missing(&self) -> u64 {
        match self {
            Source::Las(file) => file.missing,
            Source::E57(scan) => scan.missing,
        }
    }

    /// Whether its points carry a time whose day is known: adjusted standard GPS time.
    pub fn has_absolute_time(&self) -> bool {
        match self {
            Source::Las(file) => file.has_gps_time() && file.gps_time_type == GpsTimeType::AdjustedStandard,
            Source::E57(_) => false,
        }
    }

    /// Day on which the file was made, as its header states, such as `2015-09-10`.
    pub fn made_on(&self) -> Option<&str> {
        match self {
            Source::Las(file) => file.creation_date.as_deref(),
            Source::E57(_) => None,
        }
    }

    /// Points of return 1 to 15, where the file states them.
    pub fn points_by_return(&self) -> Option<&[u64; MAX_RETURN]> {
        match self {
            Source::Las(file) => Some(&file.points_by_return),
            Source::E57(scan) => scan.points_by_return.as_ref(),
        }
    }

    /// Whether its points have a classification.
    pub fn has_classes(&self) -> bool {
        matches!(self, Source::Las(_))
    }

    /// Runs of points that can be decoded independently of each other, in file order.
    pub fn blocks(&self) -> &[Block] {
        match self {
            Source::Las(file) => &file.blocks,
            Source::E57(scan) => scan.blocks(),
        }
    }

    /// Of a COPC file, how many nodes with points its octree has.
    pub fn nodes(&self) -> Option<usize> {
        match self {
            Source::Las(file) => file.nodes.as_ref().map(|nodes| nodes.len()),
            Source::E57(_) => None,
        }
    }

    /// Whether points of a block may lie on all of some grounds, ranges of x and y in micrometres; `horizontal` is the unit
    /// of the file's x and y. It is known of the nodes of a COPC file; blocks of others may lie anywhere.
    pub fn may_lie_on(&self, block: &Block, grounds: &[&Ground], horizontal: Unit) -> bool {
        let Source::Las(LasFile { nodes: Some(nodes), scale, .. }) = self else { return true };
        let Some(node) = nodes.get(block.number) else { return true };
        let meets = |node: [f64; 2], scale: f64, range: &Range<Micrometres>| {
            // Positions are rounded to a step of the scale factor, then to micrometres.
            let slack = scale.abs() * 2.0;
            let [low, high] = [node[0] - slack, node[1] + slack].map(|v| v * horizontal.micrometres());
            low - 1.0 < range.end as f64 && high + 1.0 >= range.start as f64
        };
        grounds.iter().all(|ground| meets(node.x, scale[0], &ground.0) && meets(node.y, scale[1], &ground.1))
    }

    /// Whether a decoder can [load](Decoder::load) a block.
    pub fn can_load(&self, block: &Block) -> bool {
        match self {
            Source::Las(file) => file.can_load(block),
            Source::E57(_) => true,
        }
    }

    /// Asks for the bytes of a block of an object that a decoder will [load](Decoder::load) soon, and does not wait for them:
    /// stores answer slowly, but many at once. Nothing is done of a file, or where they are too many to wait in memory.
    pub fn ask(&self, block: &Block) {
        let Some(object) = self.location().object() else { return };
        let (offset, length) = match self {
            Source::Las(_) => (block.offset, block.bytes),
            Source::E57(scan) => scan.pages(block),
        };
        if self.can_load(block) && length <= MOST_ASKED {
            object.ask(offset, length);
        }
    }

    /// The same points in the frame in which they were measured: a pose that the file states is not applied.
    pub fn in_own_frame(self) -> Source {
        match self {
            Source::Las(file) => Source::Las(file),
            Source::E57(scan) => Source::E57(scan.in_own_frame()),
        }
    }

    /// The box around the points, as the file states it.
    pub fn stated_box(&self) -> StatedBox {
        match self {
            // Headers are rounded to the scale factor at best.
            Source::Las(file) => {
                StatedBox { min: file.stated_min, max: file.stated_max, rounding: file.scale.map(f64::abs) }
            }
            Source::E57(scan) => scan.stated_box,
        }
    }

    /// Whether the file states a box around its points at all.
    pub fn states_box(&self) -> bool {
        match self {
            Source::Las(file) => file.stated_bounds().is_some(),
            Source::E57(scan) => scan.stated_box.min.iter().all(|v| v.is_finite()),
        }
    }

    /// What the file says of its coordinate system and units.
    pub fn crs(&self) -> &Crs {
        match self {
            Source::Las(file) => &file.crs,
            Source::E57(scan) => &scan.crs,
        }
    }

    /// The scan in words, where it is one that has no pose.
    pub fn without_pose(&self) -> Option<String> {
        match self {
            Source::E57(scan) if scan.pose.is_none() => Some(format!("{} of {}", scan.named(), self.name())),
            _ => None,
        }
    }

    /// What is wrong with the file without making it unreadable, in words for people.
    pub fn notes(&self) -> &[String] {
        match self {
            Source::Las(file) => &file.notes,
            Source::E57(scan) => &scan.notes,
        }
    }

    /// A decoder that delivers `fields`; `horizontal` is the unit of the file's x and y, `vertical` that of its z.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn decoder(&self, fields: Fields, horizontal: Unit, vertical: Unit) -> Result<Decoder, CloudError> {
        let kind = match self {
            Source::Las(file) => Kind::Las(Box::new(LasDecoder::new(file, fields, horizontal, vertical)?)),
            Source::E57(scan) => Kind::E57(Box::new(E57Decoder::new(scan, horizontal, vertical)?)),
        };
        Ok(Decoder { kind, placing: Placing::default(), placed: Vec::new() })
    }
}

/// Whether a file begins as an E57 file does. What cannot be opened is told by whoever reads it next.
pub fn is_e57(location: impl Into<Location>) -> bool {
    RangeReader::open(location).and_then(|mut reader| begins_as_e57(&mut reader)).unwrap_or(false)
}

fn begins_as_e57(reader: &mut RangeReader) -> Result<bool, CloudError> {
    let length = SIGNATURE.len() as u64;
    Ok(reader.size() >= length && reader.bytes(0, length, "signature")? == SIGNATURE)
}

/// Decodes the blocks of one source. One for each thread: it holds its own file handle and buffers.
pub struct Decoder {
    kind: Kind,
    placing: Placing,
    /// Points as they were laid down.
    placed: Vec<Decoded>,
}

enum Kind {
    /// Of a LAS or LAZ file.
    Las(Box<LasDecoder>),
    /// Of a scan of an E57 file.
    E57(Box<E57Decoder>),
}

impl Decoder {
    /// The same decoder, which also carries out what is laid down for the source.
    pub fn placed(self, mut placing: Placing) -> Self {
        let kind = match (self.kind, placing.setup) {
            (Kind::Las(decoder), Some(setup)) => {
                placing.setup = None;
                Kind::Las(Box::new(decoder.of_setup(setup)))
            }
            (kind, _) => kind,
        };
        Decoder { kind, placing, placed: self.placed }
    }

    /// The same decoder, for a look at the first points of each block, so many at the most where that saves time. Damage after
    /// them is not found.
    pub fn of_first(self, most: u64) -> Self {
        let kind = match self.kind {
            Kind::Las(decoder) => Kind::Las(Box::new(decoder.of_first(most))),
            kind => kind,
        };
        Decoder { kind, ..self }
    }

    /// Reads all bytes of `block`, so that it is decoded from memory; nothing where they are too many for that.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn load(&mut self, block: &Block) -> Result<Option<&[u8]>, CloudError> {
        match &mut self.kind {
            Kind::Las(decoder) => decoder.load(block),
            Kind::E57(decoder) => decoder.load(block).map(Some),
        }
    }

    /// Calls `visit` with each point of `block`, in file order. The calling thread needs a stack of
    /// [`STACK`](crate::cloud::STACK) bytes.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each(&mut self, block: &Block, mut visit: impl FnMut(&Decoded)) -> Result<(), CloudError> {
        self.for_each_batch(block, |points| points.iter().for_each(&mut visit))
    }

    /// Calls `visit` with the points of `block`, a few hundred at a time, in file order: faster than one by one. The
    /// calling thread needs a stack of [`STACK`](crate::cloud::STACK) bytes.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each_batch(
        &mut self,
        block: &Block,
        mut visit: impl FnMut(&[Decoded]),
    ) -> Result<(), CloudError> {
        let Decoder { kind, placing, placed } = self;
        if *placing == Placing::default() {
            return kind.for_each_batch(block, visit);
        }
        kind.for_each_batch(block, |points| {
            placed.clear();
            placed.extend(points.iter().map(|point| placing.apply(point)));
            visit(placed);
        })
    }

    /// The same, with the points' records as they are in a LAS or LAZ file, all fields of them; other files have none.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each_record_batch(
        &mut self,
        block: &Block,
        mut visit: impl FnMut(&[u8], &[Decoded]),
    ) -> Result<(), CloudError> {
        let Decoder { kind, placing, placed } = self;
        let Kind::Las(decoder) = kind else { return Ok(()) };
        decoder.for_each_record_batch(block, |records, points| {
            if *placing == Placing::default() {
                return visit(records, points);
            }
            placed.clear();
            placed.extend(points.iter().map(|point| placing.apply(point)));
            visit(records, placed);
        })
    }

    /// How the points of the block decoded last lie outside the box that the file states, in words; nothing where they do not,
    /// or where it states none.
    pub fn outside(&self) -> Option<String> {
        match &self.kind {
            Kind::Las(decoder) => decoder.outside(),
            // Its pages have checksums: damage is found by them.
            Kind::E57(_) => None,
        }
    }

    /// How the points of the block, which was decoded last, lie outside the ground that the file states for it, in words;
    /// nothing where they do not, or where it states none.
    pub fn outside_node(&self, block: &Block) -> Option<String> {
        match &self.kind {
            Kind::Las(decoder) => decoder.outside_node(block),
            Kind::E57(_) => None,
        }
    }

    /// The error of a damaged block.
    pub fn damaged(&self, block: &Block, what: String) -> CloudError {
        match &self.kind {
            Kind::Las(decoder) => decoder.damaged(block, what),
            Kind::E57(decoder) => decoder.damaged(block, what),
        }
    }
}

impl Kind {
    fn for_each_batch(&mut self, block: &Block, visit: impl FnMut(&[Decoded])) -> Result<(), CloudError> {
        match self {
            Kind::Las(decoder) => decoder.for_each_batch(block, visit),
            Kind::E57(decoder) => decoder.for_each_batch(block, visit),
        }
    }
}

impl Placing {
    #[inline]
    fn apply(&self, decoded: &Decoded) -> Decoded {
        let mut placed = *decoded;
        placed.point.strip = self.setup.unwrap_or(placed.point.strip);
        if let Some(pose) = self.pose.filter(|_| placed.in_range) {
            let point = &mut placed.point;
            let [x, y, z] = pose.apply([point.x, point.y, point.z]);
            if x.abs() < MAX_POSITION && y.abs() < MAX_POSITION {
                (point.x, point.y, point.z) = (x, y, z);
            } else {
                placed.in_range = false;
                (point.x, point.y, point.z) = (0, 0, 0);
            }
        }
        if placed.in_range {
            placed.point.z += self.vertical_shift;
            placed.in_range = placed.point.z.abs() <= MAX_ELEVATION;
        }
        placed
    }
}
