//! The network file as the program holds it.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::Deserialize;

use crate::network::angle::{AngleUnit, SmallAngle};
use crate::network::inputs::{Inputs, Name, Sigma};
use crate::units::{Length, Unit};

/// A network file: known points, the tables with what was observed, and how they weigh.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct NetworkFile {
    /// Title of the page; the name of the file where it is left out.
    pub title: String,
    /// The folder of the results; `runs/` and the name of the file where it is left out.
    pub output: PathBuf,
    /// The unit of all coordinates and lengths in this file, its tables and the results: `m`, `ft` or `ftUS`.
    pub units: Unit,
    /// Known points.
    pub fixed: Vec<FixedPoint>,
    /// Approximate coordinates, where the program cannot find them itself.
    pub approximate: Vec<ApproximatePoint>,
    /// Levelled height differences: from, to, dh, and length or sigma.
    pub levels: Inputs,
    /// GNSS positions: name, easting, northing, elevation, sigma_e, sigma_n, sigma_u.
    pub positions: Inputs,
    /// Observations of a total station: station, target, direction, zenith, distance, station_height, target_height.
    pub observations: Inputs,
    /// The unit of directions and zenith angles: `deg` (decimal degrees), `gon`, or `dms` (`123 45 06.7`).
    pub angles: Option<AngleUnit>,
    /// Combined scale factor: distance in the grid over distance measured.
    pub scale_factor: f64,
    /// Coefficient of refraction k. 0.13 by day is common practice (no source).
    pub refraction: f64,
    /// Sigma of a levelled height difference over 1 km, where the table gives lengths; it grows with the root of the length.
    /// 2 mm, an engineer's level run once, is common practice (no source).
    pub level_sigma: Length,
    /// Sigma of a direction where the table gives none. 5 arcsec is common practice (no source).
    pub direction_sigma: SmallAngle,
    /// Sigma of a zenith angle where the table gives none. 5 arcsec is common practice (no source).
    pub zenith_sigma: SmallAngle,
    /// Sigma of a distance where the table gives none. 2 mm is common practice (no source).
    pub distance_sigma: Length,
    /// What `distance_sigma` grows by, in millionths of the distance. 2 is common practice (no source).
    pub distance_ppm: f64,
}

impl Default for NetworkFile {
    fn default() -> Self {
        NetworkFile {
            title: String::new(),
            output: PathBuf::new(),
            units: Unit::Metre,
            fixed: Vec::new(),
            approximate: Vec::new(),
            levels: Inputs::default(),
            positions: Inputs::default(),
            observations: Inputs::default(),
            angles: None,
            scale_factor: 1.0,
            refraction: 0.13,
            level_sigma: Length::millimetres(2.0),
            direction_sigma: SmallAngle::arcsec(5.0),
            zenith_sigma: SmallAngle::arcsec(5.0),
            distance_sigma: Length::millimetres(2.0),
            distance_ppm: 2.0,
        }
    }
}

/// A known point: coordinates that are left out are unknown.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FixedPoint {
    /// Its name.
    pub name: Name,
    /// Easting.
    pub easting: Option<f64>,
    /// Northing.
    pub northing: Option<f64>,
    /// Elevation.
    pub elevation: Option<f64>,
    /// Standard deviation of each coordinate given; 0 or left out: they are held.
    pub sigma: Option<Sigma>,
}

/// Approximate coordinates of a point.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ApproximatePoint {
    /// Its name.
    pub name: Name,
    /// Easting.
    pub easting: Option<f64>,
    /// Northing.
    pub northing: Option<f64>,
    /// Elevation.
    pub elevation: Option<f64>,
}
