//! What the page shows beside the figures of `summary.json`: the data of its pictures, and the files that were compared.

use crate::results::summary::Histogram;
use crate::units::{Micrometres, Unit};

/// Everything on the page that is not in `summary.json`.
#[derive(Clone, Debug, PartialEq)]
pub struct Pictures {
    /// Residual histograms.
    pub histogram: Histogram,
    /// Residuals by place; none where nothing was compared.
    pub map: Option<ResidualMap>,
    /// Unit of easting and northing.
    pub horizontal: Unit,
    /// The files of both clouds.
    pub files: Vec<ComparedFile>,
}

impl From<Histogram> for Pictures {
    fn from(histogram: Histogram) -> Self {
        Pictures { histogram, map: None, horizontal: Unit::Metre, files: Vec::new() }
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
    /// Its coordinate system as it states it.
    pub crs: String,
    /// Units of x and y, and of z, as read.
    pub units: (Unit, Unit),
}
