//! What is in an E57 file: its scans, and what is wrong with them.

use std::fmt;

use serde::Serialize;

use crate::cli::inspect::inspection::{CoordinateRange, ReturnCount, Units};
use crate::cloud::{Census, CloudError, E57Scan, Location, MAX_RETURN, Source};
use crate::results::format::thousands;
use crate::units::Unit;

/// What is in an E57 file. Coordinates with the poses applied, in metres.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct E57Inspection {
    /// The file as it was named.
    pub file: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// `E57`.
    pub format: &'static str,
    /// Points that were found and are valid.
    pub points: u64,
    /// Points that the file states.
    pub points_stated: u64,
    /// Units of the coordinates.
    pub units: Units,
    /// The coordinate system as text.
    pub crs: Option<String>,
    /// The scans that have points, in the order in which they lie in the file.
    pub scans: Vec<ScanInspection>,
    /// Least and greatest coordinates of all points.
    pub bounds: Option<CoordinateRange>,
    /// What is wrong with the file, and what to do.
    pub problems: Vec<String>,
}

/// One scan.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ScanInspection {
    /// Its number in the file, from 1.
    pub scan: usize,
    /// Its name.
    pub name: Option<String>,
    /// Points that were found and are valid.
    pub points: u64,
    /// Points that the file states.
    pub points_stated: u64,
    /// Points flagged invalid.
    pub invalid: u64,
    /// `x, y, z` or `range and angles`.
    pub coordinates: &'static str,
    /// Points of each return where the scan records returns.
    pub returns: Option<Vec<ReturnCount>>,
    /// Its pose: the shift in metres and the turn as a quaternion w, x, y, z; null where it has none.
    pub pose: Option<PoseInspection>,
    /// Least and greatest coordinates of its points, with the pose applied.
    pub bounds: Option<CoordinateRange>,
}

/// A pose.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PoseInspection {
    /// Shift along x, y and z.
    pub translation: [f64; 3],
    /// Unit quaternion.
    pub rotation: [f64; 4],
}

impl E57Inspection {
    /// Reads the whole file at `location`, on all cores.
    ///
    /// # Errors
    /// When the file cannot be read at all.
    pub fn of(location: impl Into<Location>) -> Result<E57Inspection, CloudError> {
        let opened = E57Scan::open(location, true)?;
        let first = &opened[0];
        let mut found = E57Inspection {
            file: first.location.path().display().to_string(),
            bytes: first.size,
            format: "E57",
            points: 0,
            points_stated: 0,
            units: Units {
                horizontal: first.crs.horizontal_unit.unit(),
                vertical: first.crs.vertical_unit.unit(),
                horizontal_stated: first.crs.horizontal_unit.to_string(),
                vertical_stated: first.crs.vertical_unit.to_string(),
            },
            crs: Some(first.crs.describe()).filter(|text| text != "not stated"),
            scans: Vec::new(),
            bounds: None,
            problems: first.notes.clone(),
        };
        found.problems.extend(first.crs.problems.iter().cloned());
        for scan in opened {
            let inspection = found.scan(scan)?;
            found.points += inspection.points;
            found.points_stated = found.points_stated.saturating_add(inspection.points_stated);
            found.bounds = joined(found.bounds.take(), inspection.bounds.as_ref());
            found.scans.push(inspection);
        }
        found.find_problems();
        Ok(found)
    }

    fn scan(&mut self, scan: E57Scan) -> Result<ScanInspection, CloudError> {
        let (named, missing, has_returns) = (scan.named(), scan.missing, scan.has_returns);
        let mut inspection = ScanInspection {
            scan: scan.number.0,
            name: scan.name.clone(),
            points: 0,
            points_stated: scan.points,
            invalid: 0,
            coordinates: scan.coordinates,
            returns: None,
            pose: scan
                .pose
                .map(|pose| PoseInspection { translation: pose.translation, rotation: pose.rotation }),
            bounds: None,
        };
        let census = Census::of(&Source::E57(scan), Unit::Metre, Unit::Metre)?;
        self.problems.extend(census.damaged.iter().map(|(_, damage)| damage.clone()));
        if missing > 0 {
            self.problems.push(format!(
                "{named}: {} points are not there: copy or export the file again",
                thousands(missing)
            ));
        }
        inspection.invalid = census.withheld;
        inspection.points = census.points() - census.withheld;
        // Points flagged invalid have no position.
        let out_of_range = census.out_of_range - census.withheld;
        if out_of_range > 0 {
            self.problems.push(format!(
                "{named}: impossible coordinates: {} points, left out",
                thousands(out_of_range)
            ));
        }
        let metres =
            |end: fn(&(i64, i64)) -> i64| census.bounds.each_ref().map(|range| end(range) as f64 / 1e6);
        inspection.bounds = (census.bounds[0].0 <= census.bounds[0].1)
            .then(|| CoordinateRange { min: metres(|range| range.0), max: metres(|range| range.1) });
        inspection.returns = has_returns.then(|| {
            let highest =
                (1..=MAX_RETURN).rev().find(|number| census.of_valid_return(*number) > 0).unwrap_or(0);
            let count = |number| {
                let points = census.of_valid_return(number);
                ReturnCount {
                    r#return: number,
                    points,
                    share: points as f64 / inspection.points.max(1) as f64,
                }
            };
            (1..=highest).map(count).collect()
        });
        Ok(inspection)
    }

    fn find_problems(&mut self) {
        if self.crs.is_none() {
            self.problems.push("the file states no coordinate system".into());
        }
        if [self.units.horizontal, self.units.vertical].contains(&None) {
            self.problems.push(
                "the unit is not reliably stated: add `units: m` (or ft, ftUS) beside `files:` in the pipeline file".into(),
            );
        }
        let without = self.scans.iter().filter(|scan| scan.pose.is_none()).count();
        if without > 0 && self.scans.len() > 1 {
            self.problems.push(format!(
                "{without} of {} scans have no pose: their coordinates are taken as they are",
                self.scans.len()
            ));
        }
        for pair in self.scans.windows(2) {
            if let [ScanInspection { name: Some(a), .. }, ScanInspection { name: Some(b), .. }] = pair
                && a == b
            {
                self.problems.push(format!("two scans have the name {a}"));
            }
        }
    }
}

/// The box around two.
fn joined(a: Option<CoordinateRange>, b: Option<&CoordinateRange>) -> Option<CoordinateRange> {
    let (Some(a), Some(b)) = (&a, b) else { return a.or(b.cloned()) };
    let pick = |a: [f64; 3], b: [f64; 3], f: fn(f64, f64) -> f64| [0, 1, 2].map(|axis| f(a[axis], b[axis]));
    Some(CoordinateRange { min: pick(a.min, b.min, f64::min), max: pick(a.max, b.max, f64::max) })
}

impl fmt::Display for E57Inspection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let row = |f: &mut fmt::Formatter<'_>, label: &str, text: String| writeln!(f, "  {label:<12}{text}");
        writeln!(f, "{}", self.file)?;
        row(f, "file", format!("E57, {} scan(s)", self.scans.len()))?;
        row(f, "CRS", self.crs.clone().unwrap_or("not stated".into()))?;
        let stated = (&self.units.horizontal_stated, &self.units.vertical_stated);
        row(f, "units", format!("x, y: {}; z: {}", stated.0, stated.1))?;
        row(f, "points", thousands(self.points))?;
        for scan in &self.scans {
            let name = scan.name.as_ref().map(|name| format!(" {name}:")).unwrap_or_default();
            let mut text = format!("{:>3}{name} {} points", scan.scan, thousands(scan.points));
            if scan.invalid > 0 {
                text += &format!(", {} flagged invalid", thousands(scan.invalid));
            }
            row(f, "scan", format!("{text}, {}", scan.coordinates))?;
            let pose = match &scan.pose {
                Some(pose) => {
                    let [x, y, z] = pose.translation;
                    let [a, b, c, d] = pose.rotation;
                    format!("pose: shift {x:.3}, {y:.3}, {z:.3} m; quaternion {a:.6}, {b:.6}, {c:.6}, {d:.6}")
                }
                None => "no pose".to_string(),
            };
            row(f, "", format!("    {pose}"))?;
            if let Some(bounds) = &scan.bounds {
                let axis = |axis: usize| format!("{:.3} to {:.3}", bounds.min[axis], bounds.max[axis]);
                row(f, "", format!("    x {}, y {}, z {}", axis(0), axis(1), axis(2)))?;
            }
        }
        for (index, problem) in self.problems.iter().enumerate() {
            row(f, if index == 0 { "problems" } else { "" }, format!("- {problem}"))?;
        }
        if self.problems.is_empty() {
            row(f, "problems", "none found".into())?;
        }
        Ok(())
    }
}
