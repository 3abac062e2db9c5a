//! The checkpoints of a list of surveyed points, as `summary.json` has them. Lengths are in the unit of the report, but easting
//! and northing in the survey's own.

use serde::Serialize;

/// The columns with which every `checkpoints.csv` begins, be the reference a cloud or a list of surveyed points: position, the
/// survey's elevation, return number and number of returns, the reference's elevation, and the residual.
pub const FIRST_COLUMNS: [&str; 7] = ["x", "y", "z", "return", "returns", "reference_z", "dz"];

/// The columns that every `checkpoints.csv` has besides, in this order: the units of x and y and of all other lengths, cover and
/// slope of the ground.
pub const GROUND_COLUMNS: [&str; 4] = ["horizontal_units", "units", "cover", "slope"];

/// A surveyed point and what was found there.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckpointRow {
    /// Its name in the list.
    pub name: String,
    /// Easting.
    pub easting: f64,
    /// Northing.
    pub northing: f64,
    /// Its surveyed elevation.
    pub elevation: f64,
    /// The survey's elevation there, without a fit.
    pub survey_elevation: Option<f64>,
    /// What the fit of the survey adds there; null without one.
    pub fit: Option<f64>,
    /// Survey elevation, with what the fit adds, minus surveyed elevation.
    pub dz: Option<f64>,
    /// Standard deviation of its surveyed elevation.
    pub sigma: Option<f64>,
    /// Whether it counts.
    pub used: bool,
    /// Why not: in words, with figures.
    pub reason: Option<String>,
    /// The same, told apart.
    #[serde(skip)]
    pub not_used: Option<NotUsed>,
    /// Cover of the ground there, where it is told apart.
    pub cover: Option<&'static str>,
    /// Slope of the ground around it, rise over run.
    pub slope: Option<f64>,
    /// The control that the survey was fitted to nearest to it, and how far that lies off in plan, in the survey's own unit.
    pub nearest_control: Option<NearestControl>,
    /// What the standards' rules on siting have against it; it counts nevertheless.
    pub siting: Vec<String>,
    /// dz from the ground of each return alone, where dense enough.
    pub returns: Vec<OfReturn>,
    /// dz from the ground of returns 1 to k together, for each k with a facet there.
    pub terrain_by_returns: Vec<UpTo>,
}

/// The control nearest to a checkpoint.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NearestControl {
    /// Its name.
    pub name: String,
    /// How far it lies off in plan.
    pub distance: f64,
}

/// Why a surveyed point is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotUsed {
    /// It lies where no tile has points of the survey.
    Outside,
    /// There is no ground around it.
    NoGround,
    /// Ground does not lie on all sides of it.
    NotSurrounded,
    /// The triangle over it is too large.
    TooSparse,
    /// It is too steep.
    TooSteep,
    /// It lies in an area that is left out.
    LeftOut,
    /// Ground points are too unevenly spaced to tell the triangle over it.
    Uneven,
}

impl NotUsed {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            NotUsed::Outside => "outside the survey",
            NotUsed::NoGround => "no ground of the survey around it",
            NotUsed::NotSurrounded => "ground of the survey does not lie on all sides of it",
            NotUsed::TooSparse => "ground too sparse",
            NotUsed::TooSteep => "too steep",
            NotUsed::LeftOut => "in an area that is left out",
            NotUsed::Uneven => "ground points around it too unevenly spaced",
        }
    }
}

/// dz from the ground of returns 1 to k.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct UpTo {
    /// k.
    pub returns_up_to: u8,
    /// Survey elevation minus surveyed elevation.
    pub dz: f64,
}

/// dz from the ground of one return.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OfReturn {
    /// The return number.
    #[serde(rename = "return")]
    pub return_number: u8,
    /// Survey elevation minus surveyed elevation.
    pub dz: f64,
}
