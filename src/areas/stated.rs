//! What files of areas say of their system.

use crate::cloud::Crs;

/// What a file says of the system of its coordinates.
#[derive(Clone, Debug, PartialEq)]
pub enum Stated {
    /// Nothing.
    Nothing,
    /// Longitude and latitude, by this name.
    Degrees(String),
    /// An EPSG code.
    Code(u32),
    /// A system.
    // GeoJSON names an authority at the most.
    #[cfg_attr(not(feature = "geopackage"), expect(dead_code))]
    System(Box<Crs>),
    /// Something that is not understood.
    Unknown(String),
}
