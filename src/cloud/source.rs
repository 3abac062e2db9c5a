//! Sources: what a cloud is made of, behind one face, whatever kind of file it is.

use std::path::Path;

use crate::cloud::block::Block;
use crate::cloud::crs::Crs;
use crate::cloud::error::CloudError;
use crate::cloud::las::{LasDecoder, LasFile};
use crate::cloud::point::{Decoded, Fields, MAX_RETURN};
use crate::units::Unit;

/// Points with one coordinate system, one pair of units and one pose: a file, or a part of one (a setup of several).
#[derive(Clone, Debug)]
pub enum Source {
    /// A LAS or LAZ file.
    Las(LasFile),
}

/// The box around the points of a source as its file states it, in the units of the file. A number that the file lacks is
/// not a number here.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StatedBox {
    /// Least x, y and z.
    pub min: [f64; 3],
    /// Greatest x, y and z.
    pub max: [f64; 3],
    /// By how much each may be rounded.
    pub rounding: [f64; 3],
}

/// How the coordinates of a source lie in the system of the cloud: a turn, then a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pose {
    /// The turn, a unit quaternion: w, x, y, z.
    pub rotation: [f64; 4],
    /// The shift along x, y and z, in the units of the file.
    pub translation: [f64; 3],
}

impl Source {
    /// Opens the sources in a file and checks all that can be checked without reading points. Of a file that is cut off
    /// those points that are there are taken where `cut_off_too` is set.
    ///
    /// # Errors
    /// When the file cannot be read or its points cannot be found: the message names the place and the remedy.
    pub fn open(path: &Path, cut_off_too: bool) -> Result<Vec<Source>, CloudError> {
        let file = if cut_off_too { LasFile::open_what_is_there(path) } else { LasFile::open(path) };
        Ok(vec![Source::Las(file?)])
    }

    /// The file.
    pub fn path(&self) -> &Path {
        match self {
            Source::Las(file) => &file.path,
        }
    }

    /// Size of the file in bytes.
    pub fn size(&self) -> u64 {
        match self {
            Source::Las(file) => file.size,
        }
    }

    /// Number of points, as the file states it.
    pub fn points(&self) -> u64 {
        match self {
            Source::Las(file) => file.points,
        }
    }

    /// How many of them are not there, because the file is cut off.
    pub fn missing(&self) -> u64 {
        match self {
            Source::Las(file) => file.missing,
        }
    }

    /// Points of return 1 to 15, as the file states them.
    pub fn points_by_return(&self) -> &[u64; MAX_RETURN] {
        match self {
            Source::Las(file) => &file.points_by_return,
        }
    }

    /// Runs of points that can be decoded independently of each other, in file order.
    pub fn blocks(&self) -> &[Block] {
        match self {
            Source::Las(file) => &file.blocks,
        }
    }

    /// Whether a decoder can [load](Decoder::load) a block.
    pub fn can_load(&self, block: &Block) -> bool {
        match self {
            Source::Las(file) => file.can_load(block),
        }
    }

    /// The box around the points, as the file states it.
    pub fn stated_box(&self) -> StatedBox {
        match self {
            // Headers are rounded to the scale factor at best.
            Source::Las(file) => {
                StatedBox { min: file.stated_min, max: file.stated_max, rounding: file.scale.map(f64::abs) }
            }
        }
    }

    /// Whether the file states a box around its points at all.
    pub fn states_box(&self) -> bool {
        match self {
            Source::Las(file) => file.stated_bounds().is_some(),
        }
    }

    /// What the file says of its coordinate system and units.
    pub fn crs(&self) -> &Crs {
        match self {
            Source::Las(file) => &file.crs,
        }
    }

    /// What is wrong with the file without making it unreadable, in words for people.
    pub fn notes(&self) -> &[String] {
        match self {
            Source::Las(file) => &file.notes,
        }
    }

    /// The pose that the file states for its points. The decoder is where it is applied, so that points come out in the
    /// system of the cloud. LAS and LAZ files have none.
    pub fn pose(&self) -> Option<Pose> {
        match self {
            Source::Las(_) => None,
        }
    }

    /// A decoder that delivers `fields`; `horizontal` is the unit of the file's x and y, `vertical` that of its z.
    ///
    /// # Errors
    /// When the file can no longer be opened.
    pub fn decoder(&self, fields: Fields, horizontal: Unit, vertical: Unit) -> Result<Decoder, CloudError> {
        match self {
            Source::Las(file) => LasDecoder::new(file, fields, horizontal, vertical).map(Decoder::Las),
        }
    }
}

/// Decodes the blocks of one source. One for each thread: it holds its own file handle and buffers.
pub enum Decoder {
    /// Of a LAS or LAZ file.
    Las(LasDecoder),
}

impl Decoder {
    /// Reads all bytes of `block`, so that it is decoded from memory; nothing where they are too many for that.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn load(&mut self, block: &Block) -> Result<Option<&[u8]>, CloudError> {
        match self {
            Decoder::Las(decoder) => decoder.load(block),
        }
    }

    /// Calls `visit` with each point of `block`, in file order. The calling thread needs a stack of
    /// [`STACK`](crate::cloud::STACK) bytes.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each(&mut self, block: &Block, visit: impl FnMut(&Decoded)) -> Result<(), CloudError> {
        match self {
            Decoder::Las(decoder) => decoder.for_each(block, visit),
        }
    }

    /// Calls `visit` with the points of `block`, a few hundred at a time, in file order: faster than one by one. The
    /// calling thread needs a stack of [`STACK`](crate::cloud::STACK) bytes.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged; points before the damage have been visited by then.
    pub fn for_each_batch(&mut self, block: &Block, visit: impl FnMut(&[Decoded])) -> Result<(), CloudError> {
        match self {
            Decoder::Las(decoder) => decoder.for_each_batch(block, visit),
        }
    }

    /// How the points of the block decoded last lie outside the box that the file states, in words; nothing where they do not,
    /// or where it states none.
    pub fn outside(&self) -> Option<String> {
        match self {
            Decoder::Las(decoder) => decoder.outside(),
        }
    }

    /// The error of a damaged block.
    pub fn damaged(&self, block: &Block, what: String) -> CloudError {
        match self {
            Decoder::Las(decoder) => decoder.damaged(block, what),
        }
    }
}
