//! `echograde inspect`: what is in a cloud, return by return, and what is wrong with it.

mod e57;
mod inspection;
mod problems;
mod text;

use std::fmt;

use serde::Serialize;

pub use crate::cli::inspect::inspection::Inspection;

use crate::cli::inspect::e57::E57Inspection;
use crate::cli::inspect::inspection::{
    ClassCount, CoordinateRange, DensityBasis, GpsSpan, ReturnCount, Span, StripCount, Units,
};
use crate::cloud::{
    Census, CloudError, GpsTimeType, LasFile, Location, MAX_RETURN, Source, StatedUnit, is_e57,
};
use crate::units::Unit;

/// Inspects each of `clouds` and gives the text for people, or JSON: one object for one cloud, a list of them for
/// several.
///
/// # Errors
/// When a file cannot be read at all. What is wrong with a readable file is listed among its problems.
pub fn inspect(clouds: &[Location], json: bool) -> Result<String, CloudError> {
    let inspections: Vec<Inspected> = clouds.iter().map(Inspected::of).collect::<Result<_, _>>()?;
    if !json {
        return Ok(inspections.iter().map(Inspected::to_string).collect::<Vec<_>>().join("\n"));
    }
    let text = match inspections.as_slice() {
        [one] => serde_json::to_string_pretty(one),
        all => serde_json::to_string_pretty(all),
    };
    Ok(text.expect("numbers and text always make JSON") + "\n")
}

/// What is in a file of either kind.
#[derive(Serialize)]
#[serde(untagged)]
enum Inspected {
    /// LAS or LAZ.
    Las(Box<Inspection>),
    /// E57.
    E57(Box<E57Inspection>),
}

impl Inspected {
    fn of(cloud: &Location) -> Result<Self, CloudError> {
        if is_e57(cloud) {
            return Ok(Inspected::E57(Box::new(E57Inspection::of(cloud)?)));
        }
        Ok(Inspected::Las(Box::new(Inspection::of(cloud)?)))
    }
}

impl fmt::Display for Inspected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Inspected::Las(found) => found.fmt(f),
            Inspected::E57(found) => found.fmt(f),
        }
    }
}

impl Inspection {
    /// Reads the whole cloud at `location`, on all cores.
    ///
    /// # Errors
    /// When the file cannot be read at all.
    pub fn of(location: impl Into<Location>) -> Result<Inspection, CloudError> {
        let source = Source::Las(LasFile::open(location)?);
        let Source::Las(cloud) = &source else { unreachable!("opened as LAS or LAZ") };
        // Where a unit is not reliably stated, numbers stay in the file's own unit: treated as metres, they come
        // back as they were.
        let horizontal = cloud.crs.horizontal_unit.unit();
        let vertical = cloud.crs.vertical_unit.unit();
        let units = [horizontal, horizontal, vertical].map(|unit| unit.unwrap_or(Unit::Metre));
        let census = Census::of(&source, units[0], units[2])?;

        let points = census.points();
        let share = |count: u64| if points == 0 { 0.0 } else { count as f64 / points as f64 };
        let highest = (1..=MAX_RETURN).rev().find(|number| census.of_valid_return(*number) > 0).unwrap_or(0);
        let density = match cloud.crs.horizontal_unit {
            StatedUnit::Degrees | StatedUnit::Other(_) => None,
            _ => census.density(),
        };
        let foot = horizontal.filter(|unit| *unit != Unit::Metre);
        let bounds = (census.bounds[0].0 <= census.bounds[0].1).then(|| {
            // Two decimals more than the scale has show the file's own number without the noise of fractions.
            let value = |axis: usize, micrometres: i64| {
                let power = 10f64.powi(text::decimals(cloud.scale[axis]) as i32 + 2);
                (units[axis].from_micrometres(micrometres as f64) * power).round() / power
            };
            CoordinateRange {
                min: [0, 1, 2].map(|axis| value(axis, census.bounds[axis].0)),
                max: [0, 1, 2].map(|axis| value(axis, census.bounds[axis].1)),
            }
        });
        let mut inspection = Inspection {
            file: source.path().display().to_string(),
            bytes: cloud.size,
            version: format!("{}.{}", cloud.version.0, cloud.version.1),
            format: cloud.format,
            compressed: cloud.compressed,
            copc_nodes: source.nodes(),
            created: cloud.creation_date.clone(),
            software: cloud.generating_software.clone(),
            points,
            points_stated: cloud.points,
            returns: (1..=highest)
                .map(|number| {
                    let points = census.of_valid_return(number);
                    ReturnCount { r#return: number, points, share: share(points) }
                })
                .collect(),
            first: census.of_valid_return(1),
            last: census.last(),
            single: census.pulses[1][1],
            invalid_returns: census.invalid(),
            density_per_m2: density.and(horizontal).and(density).map(|density| density.points),
            first_returns_per_m2: density.and(horizontal).and(density).map(|density| density.first_returns),
            density_per_ft2: foot
                .and_then(|foot| density.map(|density| density.points * (foot.micrometres() / 1e6).powi(2))),
            density_per_square_unit: density.filter(|_| horizontal.is_none()).map(|density| density.points),
            density_basis: density.map(|density| DensityBasis { cell: density.cell, area: density.area }),
            units: Units {
                horizontal,
                vertical,
                horizontal_stated: cloud.crs.horizontal_unit.to_string(),
                vertical_stated: cloud.crs.vertical_unit.to_string(),
            },
            crs: Some(cloud.crs.describe()).filter(|text| text != "not stated"),
            strips: occupied(&census.strips).map(|(strip, points)| StripCount { strip, points }).collect(),
            classes: occupied(&census.classes)
                .map(|(class, points)| ClassCount {
                    class,
                    name: class_name(class, cloud.format),
                    points,
                    share: share(points),
                })
                .collect(),
            scan_angle_deg: (points > 0)
                .then(|| Span { min: degrees(census.scan_angle.0), max: degrees(census.scan_angle.1) }),
            gps_time: (cloud.has_gps_time() && census.gps_time.0 <= census.gps_time.1).then_some(GpsSpan {
                first: census.gps_time.0,
                last: census.gps_time.1,
                counted_from: match cloud.gps_time_type {
                    GpsTimeType::WeekSeconds => "week",
                    GpsTimeType::AdjustedStandard => "adjusted",
                },
            }),
            bounds_stated: CoordinateRange { min: cloud.stated_min, max: cloud.stated_max },
            bounds,
            withheld: census.withheld,
            noise: census.classes[7] + census.classes[18],
            duplicates: census.duplicates(),
            problems: Vec::new(),
        };
        inspection.problems = problems::find(cloud, &census, &inspection);
        Ok(inspection)
    }
}

/// The counts of an array that are not zero, each with its index.
fn occupied(counts: &[u64]) -> impl Iterator<Item = (usize, u64)> {
    counts.iter().copied().enumerate().filter(|(_, count)| *count > 0)
}

/// A scan angle in degrees: units of 0.006 degree, without the noise of binary fractions.
fn degrees(angle: i16) -> f64 {
    f64::from(angle) * 6.0 / 1000.0
}

/// Names of the classes: LAS 1.4 R16, tables 9 (formats 0 to 5) and 17 (6 to 10).
fn class_name(class: usize, format: u8) -> &'static str {
    match class {
        0 => "created, never classified",
        1 => "unclassified",
        2 => "ground",
        3 => "low vegetation",
        4 => "medium vegetation",
        5 => "high vegetation",
        6 => "building",
        7 => "low point (noise)",
        8 if format < 6 => "model key-point",
        9 => "water",
        12 if format < 6 => "overlap",
        8 | 12 => "reserved",
        10 | 11 | 13.. if format < 6 => "reserved",
        10 => "rail",
        11 => "road surface",
        13 => "wire guard",
        14 => "wire conductor",
        15 => "transmission tower",
        16 => "wire-structure connector",
        17 => "bridge deck",
        18 => "high noise",
        19 => "overhead structure",
        20 => "ignored ground",
        21 => "snow",
        22 => "temporal exclusion",
        23..=63 => "reserved",
        _ => "user defined",
    }
}

#[cfg(test)]
#[path = "inspect/tests.rs"]
mod tests;
