//! What an inspection found: the keys of its JSON.

use serde::Serialize;

use crate::units::Unit;

/// What is in a cloud. Coordinates in the file's own units.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Inspection {
    /// The file as it was named.
    pub file: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// LAS version, such as `1.4`.
    pub version: String,
    /// Point format, 0 to 10.
    pub format: u8,
    /// Whether the points are compressed.
    pub compressed: bool,
    /// Of a COPC file, the nodes of its octree that hold points.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copc_nodes: Option<usize>,
    /// Day on which the file was made.
    pub created: Option<String>,
    /// Program that wrote the file.
    pub software: String,
    /// Points that were found.
    pub points: u64,
    /// Points that the header states.
    pub points_stated: u64,
    /// Points of each return, from 1 to the highest there is; valid return numbers only.
    pub returns: Vec<ReturnCount>,
    /// First returns.
    pub first: u64,
    /// Last returns.
    pub last: u64,
    /// Single returns: the only one of their pulse.
    pub single: u64,
    /// Points whose return number does not lie between 1 and the number of returns.
    pub invalid_returns: u64,
    /// Points per square metre of covered ground, without withheld points and noise. Nothing where the horizontal unit
    /// is not reliably stated.
    pub density_per_m2: Option<f64>,
    /// First returns per square metre of covered ground.
    pub first_returns_per_m2: Option<f64>,
    /// Points per square foot, where the horizontal unit is a foot.
    pub density_per_ft2: Option<f64>,
    /// Points per square unit, where the unit of the file is unknown.
    pub density_per_square_unit: Option<f64>,
    /// How the density was measured.
    pub density_basis: Option<DensityBasis>,
    /// Units, where reliably stated.
    pub units: Units,
    /// The coordinate system as text.
    pub crs: Option<String>,
    /// Points of each strip (point source ID).
    pub strips: Vec<StripCount>,
    /// Points of each class.
    pub classes: Vec<ClassCount>,
    /// Least and greatest scan angle in degrees.
    pub scan_angle_deg: Option<Span>,
    /// First and last GPS time in seconds.
    pub gps_time: Option<GpsSpan>,
    /// Least and greatest coordinates, as the header states them.
    pub bounds_stated: CoordinateRange,
    /// Least and greatest coordinates of the points.
    pub bounds: Option<CoordinateRange>,
    /// Points flagged withheld.
    pub withheld: u64,
    /// Points of the classes 7 (low point) and 18 (high noise).
    pub noise: u64,
    /// Points that equal an earlier one in position, time and return number.
    pub duplicates: u64,
    /// What is wrong with the file, and what to do.
    pub problems: Vec<String>,
}

/// Points of one return.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReturnCount {
    /// Return number.
    pub r#return: usize,
    /// Points.
    pub points: u64,
    /// Share of all points, 0 to 1.
    pub share: f64,
}

/// How the density was measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DensityBasis {
    /// Side of the cells, in metres or, where the unit is not reliably stated, in the file's unit.
    pub cell: i64,
    /// Area of the cells that hold a point, in the same unit, squared.
    pub area: f64,
}

/// Units of a cloud: the symbol where reliably stated, and as text in any case.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Units {
    /// Unit of x and y.
    pub horizontal: Option<Unit>,
    /// Unit of z.
    pub vertical: Option<Unit>,
    /// What the file states of x and y.
    pub horizontal_stated: String,
    /// What the file states of z.
    pub vertical_stated: String,
}

/// Points of one strip.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StripCount {
    /// Point source ID.
    pub strip: usize,
    /// Points.
    pub points: u64,
}

/// Points of one class.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ClassCount {
    /// Class code.
    pub class: usize,
    /// Its name in LAS 1.4.
    pub name: &'static str,
    /// Points.
    pub points: u64,
    /// Share of all points, 0 to 1.
    pub share: f64,
}

/// Least and greatest value.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Span {
    /// Least.
    pub min: f64,
    /// Greatest.
    pub max: f64,
}

/// First and last GPS time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GpsSpan {
    /// First, in seconds.
    pub first: f64,
    /// Last, in seconds.
    pub last: f64,
    /// What they count from: `week` (GPS week) or `adjusted` (GPS epoch, less 1e9).
    pub counted_from: &'static str,
}

/// Least and greatest x, y and z in the file's own units.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CoordinateRange {
    /// Least x, y and z; null where the header holds no number.
    pub min: [f64; 3],
    /// Greatest x, y and z.
    pub max: [f64; 3],
}
