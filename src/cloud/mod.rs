//! Reading point files.
//!
//! A cloud is a list of [`Source`]s: points with one coordinate system, one pair of units and one pose, whatever kind of
//! file they are in. [`Source::open`] checks all that can be checked without reading points and cuts them into [`Block`]s
//! that can be decoded independently. A [`Decoder`] (one for each thread) turns blocks into [`Point`]s in whole
//! micrometres, decoding only the [`Fields`] asked for. [`Crs`] is what a file says of its coordinate system and, safely or
//! not, of its units. A [`Census`] counts all that is in a source. What is peculiar to LAS and LAZ is in `las/`, to
//! E57 in `e57/`.

pub(crate) mod address;
mod block;
pub(crate) mod bounds;
pub mod buckets;
mod census;
mod column;
mod crs;
mod e57;
mod error;
pub mod files;
pub(crate) mod guard;
mod las;
mod location;
mod objects;
pub(crate) mod packed;
pub mod point;
pub mod point_list;
mod pose;
mod ranges;
pub(crate) mod reuse;
mod source;
mod stated_box;

pub use self::block::Block;
pub use self::census::{Census, PointDensity, sample_one_in};
pub use self::crs::{Crs, StatedUnit};
pub use self::e57::{E57Decoder, E57Scan};
pub use self::error::CloudError;
pub use self::las::{
    ChunkEncoder, CopyError, CopyPlan, CopyWriter, ExtraDimension, GpsTimeType, LasDecoder, LasFile, STACK,
};
pub use self::location::Location;
pub use self::objects::Stores;
pub use self::point::{Decoded, Fields, MAX_RETURN, Point};
pub use self::pose::{Pose, Registered};
pub use self::ranges::read_stretch;
pub use self::source::{Decoder, Ground, Placing, Source, is_e57};
pub use self::stated_box::StatedBox;
