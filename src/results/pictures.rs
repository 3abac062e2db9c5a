//! What the page shows beside the figures of `summary.json`: the data of its pictures, and the files that were compared.

use serde::{Deserialize, Serialize};

use crate::results::summary::Histogram;
use crate::stats::delivered::SquaresByStrip;
use crate::units::{Micrometres, Unit};

/// Everything on the page that is not in `summary.json`.
#[derive(Clone, Debug, PartialEq)]
pub struct Pictures {
    /// Residual histograms.
    pub histogram: Histogram,
    /// Residuals by place; none where nothing was compared.
    pub map: Option<ResidualMap>,
    /// The ground under it, and where the reference lies.
    pub relief: Option<Relief>,
    /// Squares with ground of each flight strip: their edge, and by strip (row, column).
    pub strips: (Micrometres, SquaresByStrip),
    /// Areas left out: the reason, and rings of corners (x, y), micrometres.
    pub left_out: Vec<(String, Vec<Ring>)>,
    /// Where a list of surveyed points was compared: (x, y), micrometres.
    pub checkpoints: Vec<(Micrometres, Micrometres)>,
    /// Profiles where dz is largest, and where it is as usual.
    pub profiles: Vec<Profile>,
    /// Unit of easting and northing.
    pub horizontal: Unit,
    /// The files of both clouds.
    pub files: Vec<ComparedFile>,
}

/// Corners (x, y) in micrometres; the last is joined to the first.
pub type Ring = Vec<(Micrometres, Micrometres)>;

impl From<Histogram> for Pictures {
    fn from(histogram: Histogram) -> Self {
        Pictures {
            histogram,
            map: None,
            relief: None,
            strips: (1, Vec::new()),
            left_out: Vec::new(),
            checkpoints: Vec::new(),
            profiles: Vec::new(),
            horizontal: Unit::Metre,
            files: Vec::new(),
        }
    }
}

/// Residuals by square cell; cells align to multiples of their edge from coordinate zero.
#[derive(Clone, Debug, PartialEq)]
pub struct ResidualMap {
    /// Edge of a cell.
    pub cell: Micrometres,
    /// The cells that hold comparisons, by row, then column.
    pub cells: Vec<MapCell>,
    /// Squares in which the survey delivered ground: their edge, and (row, column).
    pub ground: (Micrometres, Vec<(i64, i64)>),
}

/// A cell of a map.
#[derive(Clone, Debug, PartialEq)]
pub struct MapCell {
    /// Northing over the edge, rounded down.
    pub row: i64,
    /// Easting over the edge, rounded down.
    pub column: i64,
    /// Return number, comparisons and mean of dz in the unit of the report.
    pub returns: Vec<(u8, u64, f64)>,
}

/// The ground of the survey by coarse cell, from the south-west, and which of the cells have ground of the reference. Cells align to
/// multiples of their edge from coordinate zero.
#[derive(Clone, Debug, PartialEq)]
pub struct Relief {
    /// Edge of a cell.
    pub cell: Micrometres,
    /// Easting and northing over the edge of the first cell.
    pub first: (i64, i64),
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from south to north.
    pub rows: usize,
    /// Mean elevation of the ground points, micrometres, row by row from the south.
    pub heights: Vec<Option<f64>>,
    /// Whether the reference has ground there.
    pub reference: Vec<bool>,
}

/// A narrow band of the ground from west to east, with what lies in it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Profile {
    /// Where |dz| is largest; else where dz is as in the middle of all squares.
    pub is_worst: bool,
    /// Comparisons in the square that it was chosen for, their mean of dz in the unit of the report, and the edge of the square.
    pub square: (u64, f64, Micrometres),
    /// Its middle (x, y).
    pub middle: (Micrometres, Micrometres),
    /// Length from west to east, and width.
    pub size: (Micrometres, Micrometres),
    /// Points of the survey in the band: ground, and others.
    pub survey: (u64, u64),
    /// Points of the reference in the band.
    pub reference: u64,
    /// Those of the survey that are drawn.
    pub echoes: Vec<Echo>,
    /// Those of the reference that are drawn: distance from the western end, and elevation.
    pub reference_points: Vec<(Micrometres, Micrometres)>,
}

/// A point of the survey in a profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Echo {
    /// Return number, 0 where it is not valid.
    pub return_number: u8,
    /// Whether it is ground.
    pub is_ground: bool,
    /// Distance from the western end.
    pub along: Micrometres,
    /// Elevation.
    pub z: Micrometres,
}

/// A file that was compared.
#[derive(Clone, Debug, PartialEq)]
pub struct ComparedFile {
    /// `survey`, `reference` or `control`.
    pub cloud: &'static str,
    /// Its name without folders.
    pub name: String,
    /// Points as its header states.
    pub points: u64,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
    /// Day on which the file was made, as its header states, such as `2015-09-10`.
    pub made_on: Option<String>,
    /// First and last day of its points by their GPS times, where these are stated to be adjusted standard time; UTC.
    pub measured_on: Option<[String; 2]>,
    /// Its coordinate system as it states it.
    pub crs: String,
    /// Units of x and y, and of z, as read.
    pub units: (Unit, Unit),
}
