//! A file of polygons, and whether they are in the system of the survey.

use std::fs;
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::areas::polygon::Area;
use crate::areas::stated::Stated;
use crate::areas::{Polygons, geojson};
use crate::cloud::files::{file_name, hex};
use crate::cloud::{Crs, StatedUnit};
use crate::units::Unit;

/// The system of a file of areas, where the file does not state it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum AreaSystem {
    /// The survey's own.
    Same,
}

/// A file of areas is far smaller than a cloud: one named by mistake is not read.
const LARGEST: u64 = 256 << 20;

/// Coordinates in micrometres from here on are off the Earth.
const FARTHEST: f64 = (1u64 << 52) as f64;

/// Polygons as a file has them.
#[derive(Clone, Debug)]
pub struct AreaFile {
    /// The file.
    pub path: PathBuf,
    /// Its size in bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    polygons: Polygons,
    stated: Stated,
    /// Whether it is GeoJSON, in which no system means longitude and latitude.
    is_geojson: bool,
}

/// Why a file of areas cannot be used: what is wrong, and what to do.
#[derive(Clone, Debug, PartialEq)]
pub struct AreaProblem {
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub help: String,
}

const TRANSFORM: &str = "transform the areas to the survey's own system first";
const DRAW_AGAIN: &str = "export the areas again as GeoJSON or GeoPackage, as polygons";

impl AreaFile {
    /// Reads the polygons of a file.
    ///
    /// # Errors
    /// What is wrong with it, and what to do.
    pub fn read(path: &Path) -> Result<AreaFile, AreaProblem> {
        let name = file_name(path);
        let problem =
            |what: String, help: &str| AreaProblem { message: format!("{name}: {what}"), help: help.into() };
        let cannot =
            |error: std::io::Error| problem(format!("it cannot be read: {error}"), "check the permissions");
        let size = fs::metadata(path).map_err(cannot)?.len();
        if size > LARGEST {
            return Err(problem(
                format!("it has {} MB", size >> 20),
                "a file of areas has a few: check the name",
            ));
        }
        let bytes = fs::read(path).map_err(cannot)?;
        let is_geojson = !bytes.starts_with(b"SQLite format 3\0");
        let read = if is_geojson {
            let text =
                std::str::from_utf8(&bytes).map_err(|_| "it is neither GeoJSON nor a GeoPackage".to_string());
            text.and_then(geojson::read)
        } else {
            geopackage(path)
        };
        let (polygons, stated) = read.map_err(|what| problem(what, DRAW_AGAIN))?;
        if polygons.is_empty() {
            return Err(problem("it holds no polygons".into(), DRAW_AGAIN));
        }
        let sha256 = hex(&Sha256::digest(&bytes));
        Ok(AreaFile { path: path.to_path_buf(), size, sha256, polygons, stated, is_geojson })
    }

    /// Its polygons, each a list of rings, in the coordinates of the file.
    pub fn polygons(&self) -> &[Vec<Vec<[f64; 2]>>] {
        &self.polygons
    }

    /// The area in whole micrometres, with a note for people where its system is taken to be that of the survey without
    /// proof. `survey` is what the survey says of its system, `unit` the unit of its x and y.
    ///
    /// # Errors
    /// Where its coordinates are in another system, or it does not say in which.
    pub fn place(
        &self,
        survey: &Crs,
        unit: Unit,
        system: Option<AreaSystem>,
    ) -> Result<(Area, Option<String>), AreaProblem> {
        let note = match system {
            Some(AreaSystem::Same) => None,
            None => self.compare(survey)?,
        };
        let name = file_name(&self.path);
        let mut out_of_range = false;
        let mut along = |value: f64| {
            let micrometres = value * unit.micrometres();
            out_of_range |= !(-FARTHEST..FARTHEST).contains(&micrometres);
            micrometres.round() as i64
        };
        let mut ring =
            |ring: &Vec<[f64; 2]>| ring.iter().map(|[x, y]| (along(*x), along(*y))).collect::<Vec<_>>();
        let polygons: Vec<Vec<Vec<(i64, i64)>>> =
            self.polygons.iter().map(|rings| rings.iter().map(&mut ring).collect()).collect();
        if out_of_range {
            return Err(AreaProblem {
                message: format!("{name}: a coordinate is off the Earth"),
                help: DRAW_AGAIN.into(),
            });
        }
        let area = Area::new(&polygons);
        if area.is_empty() {
            let message = format!("{name}: its polygons enclose nothing");
            return Err(AreaProblem { message, help: DRAW_AGAIN.into() });
        }
        Ok((area, note))
    }

    /// Whether the stated system is that of the survey; a note where that cannot be known.
    fn compare(&self, survey: &Crs) -> Result<Option<String>, AreaProblem> {
        let name = file_name(&self.path);
        let refuse = |what: String, help: &str| {
            Err(AreaProblem { message: format!("{name} {what}"), help: help.into() })
        };
        let crs = match &self.stated {
            Stated::Nothing if self.is_geojson => {
                return refuse(
                    "states no system, and so GeoJSON means longitude and latitude (RFC 7946)".into(),
                    "transform the areas to the survey's own system, and write `system: same` beside `area:`; where they \
                     already are in it, write that alone",
                );
            }
            Stated::Nothing => {
                let help = "where its coordinates are in the survey's own system, write `system: same` beside `area:`";
                return refuse("does not state the system of its coordinates".into(), help);
            }
            Stated::Degrees(system) => {
                return refuse(format!("is in longitude and latitude ({system})"), TRANSFORM);
            }
            Stated::Unknown(system) => {
                return refuse(
                    format!("states the system `{system}`, which cannot be compared with that of the survey"),
                    "where its coordinates are in the survey's own system, write `system: same` beside `area:`",
                );
            }
            Stated::Code(4326 | 4258 | 4269) => {
                return refuse("is in longitude and latitude".into(), TRANSFORM);
            }
            Stated::Code(code) => Crs { horizontal_code: Some(*code), ..Crs::default() },
            Stated::System(crs) => (**crs).clone(),
        };
        if crs.horizontal_unit == StatedUnit::Degrees {
            return refuse(format!("is in longitude and latitude ({})", crs.describe()), TRANSFORM);
        }
        match crs.same_horizontal(survey) {
            Some(true) => Ok(None),
            Some(false) => refuse(
                format!("is in {}, but the survey is in {}", horizontal(&crs), horizontal(survey)),
                "transform the areas to the survey's own system first; where both names mean one system, write `system: \
                 same` beside `area:`",
            ),
            None => Ok(Some(format!(
                "{name} is in {}, the survey in {}: these cannot be compared, and the same one is assumed",
                horizontal(&crs),
                horizontal(survey)
            ))),
        }
    }
}

/// The horizontal system in words.
fn horizontal(crs: &Crs) -> String {
    match (&crs.name, crs.horizontal_code) {
        (Some(name), Some(code)) => format!("{name} (EPSG {code})"),
        (Some(name), None) => name.clone(),
        (None, Some(code)) => format!("EPSG {code}"),
        (None, None) => "a system that is not stated".into(),
    }
}

#[cfg(feature = "geopackage")]
fn geopackage(path: &Path) -> Result<(Polygons, Stated), String> {
    crate::areas::geopackage::read(path)
}

#[cfg(not(feature = "geopackage"))]
fn geopackage(_: &Path) -> Result<(Polygons, Stated), String> {
    Err("this program was built without GeoPackage (cargo feature `geopackage`); GeoJSON can be read".into())
}
