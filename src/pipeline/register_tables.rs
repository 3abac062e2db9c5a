//! The lists of targets and of control that scans are registered with.

use std::collections::BTreeSet;

use crate::cloud::files::file_name;
use crate::cloud::point_list::ListFile;
use crate::pipeline::PipelineError;
use crate::pipeline::inputs::Renamed;
use crate::pipeline::table::{Record, Table};
use crate::registration::{Control, Target};
use crate::units::Unit;

/// Columns of a list of targets.
const TARGETS: [&str; 6] = ["setup", "name", "x", "y", "z", "sigma"];

/// Columns of a list of control that are read: `sigma_h` stands for `sigma_e` and `sigma_n`, `sigma` for all three.
const CONTROL: [&str; 10] = [
    "name",
    "easting",
    "northing",
    "elevation",
    "sigma_e",
    "sigma_n",
    "covariance_en",
    "sigma_h",
    "sigma_v",
    "sigma",
];

/// Columns that `echograde adjust` writes beside them.
const ADJUSTED: [&str; 6] = ["semi_major", "semi_minor", "azimuth", "semi_major_95", "semi_minor_95", "held"];

/// Farthest coordinate, and largest standard deviation, micrometres: beyond, a unit or a column is mistaken.
const FARTHEST: f64 = 1e13;
const COARSEST: f64 = 10e6;

/// A list that was read, and what a person should know of it.
pub struct List<T> {
    /// Its points.
    pub points: Vec<T>,
    /// Names of setups, or of points, that are left out.
    pub left_out: Vec<String>,
    /// Columns that nothing reads.
    pub notes: Vec<String>,
}

/// Reads a list of targets; `setups` gives the number of a setup by its name and the units of its coordinates. Those of other
/// setups are left out, by name.
///
/// # Errors
/// All that is wrong with the file.
pub fn targets(
    file: &ListFile,
    renamed: &Renamed,
    setups: impl Fn(&str) -> Option<(usize, (Unit, Unit))>,
) -> Result<List<Target>, PipelineError> {
    let (mut table, records) = Table::of(file, &TARGETS, renamed)?;
    table.need(&TARGETS, "targets");
    let (mut points, mut others, mut known) = (Vec::new(), BTreeSet::new(), BTreeSet::new());
    for record in &records {
        let (of, name) = (table.name(record, "setup"), table.name(record, "name"));
        let Some((of, name)) = of.zip(name) else { continue };
        if !known.insert((of.clone(), name.clone())) {
            let message = format!("setup {of} has two targets named {name}");
            table.wrong(record, "name", message, "give each target of a setup a name of its own");
        }
        let Some((setup, (horizontal, vertical))) = setups(&of) else {
            others.insert(of);
            continue;
        };
        let at = [("x", horizontal), ("y", horizontal), ("z", vertical)];
        let at = at.map(|(column, unit)| length(&mut table, record, column, unit));
        let sigma = sigma(&mut table, record, "sigma", horizontal, false);
        if let ([Some(x), Some(y), Some(z)], Some(sigma)) = (at, sigma) {
            points.push(Target { setup, name, at: [x, y, z], sigma });
        }
    }
    let notes = table.finish(&file_name(&file.path))?;
    Ok(List { points, left_out: others.into_iter().collect(), notes })
}

/// Reads a list of control; `horizontal` is the unit of easting, northing and their sigmas, `vertical` that of the others. Points
/// without easting, northing or elevation are left out, by name.
///
/// # Errors
/// All that is wrong with the file.
pub fn control(
    file: &ListFile,
    renamed: &Renamed,
    (horizontal, vertical): (Unit, Unit),
) -> Result<List<Control>, PipelineError> {
    let columns: Vec<&'static str> = CONTROL.into_iter().chain(ADJUSTED).collect();
    let (mut table, records) = Table::of(file, &columns, renamed)?;
    table.need(&["name", "easting", "northing", "elevation"], "control");
    let has = |columns: &[&str]| columns.iter().all(|column| table.has(column));
    // What each of two coordinates has of a sigma in plan.
    let in_plan = match () {
        () if has(&["sigma_e", "sigma_n"]) => ("sigma_e", "sigma_n", 1.0),
        () if has(&["sigma_h"]) => ("sigma_h", "sigma_h", std::f64::consts::FRAC_1_SQRT_2),
        () if has(&["sigma"]) => ("sigma", "sigma", 1.0),
        () => ("sigma_h", "sigma_h", 1.0),
    };
    let in_height = if has(&["sigma_v"]) || !has(&["sigma"]) { "sigma_v" } else { "sigma" };
    table.need(&[in_plan.0, in_height], "control");
    let correlated = in_plan.0 == "sigma_e" && table.has("covariance_en");
    let (mut points, mut partial, mut known) = (Vec::new(), Vec::new(), BTreeSet::new());
    for record in &records {
        let Some(name) = table.name(record, "name") else { continue };
        if !known.insert(name.clone()) {
            let message = format!("there are two points named {name}");
            table.wrong(record, "name", message, "give each point a name of its own");
        }
        let place = [("easting", horizontal), ("northing", horizontal), ("elevation", vertical)];
        if place.iter().any(|(column, _)| table.has(column) && table.text(record, column).is_none()) {
            partial.push(name);
            continue;
        }
        let at = place.map(|(column, unit)| length(&mut table, record, column, unit));
        let (east, north, part) = in_plan;
        let sigmas = [(east, horizontal, part), (north, horizontal, part), (in_height, vertical, 1.0)];
        let sigmas = sigmas.map(|(column, unit, part)| {
            sigma(&mut table, record, column, unit, true).map(|sigma| sigma * part)
        });
        let covariance = if correlated { table.number(record, "covariance_en") } else { None };
        let covariance = covariance.unwrap_or(0.0) * horizontal.micrometres().powi(2);
        if let ([Some(x), Some(y), Some(z)], [Some(e), Some(n), Some(u)]) = (at, sigmas) {
            if covariance != 0.0 && covariance.abs() >= e * n {
                let message = "`covariance_en` is too large for the sigmas".to_string();
                let help = "it is in squares of the unit, and not a correlation";
                table.wrong(record, "covariance_en", message, help);
            }
            points.push(Control { name, at: [x, y, z], sigma: [e, n, u], covariance });
        }
    }
    let notes = table.finish(&file_name(&file.path))?;
    Ok(List { points, left_out: partial, notes })
}

/// A length in micrometres, which must be there.
fn length(table: &mut Table, record: &Record, column: &'static str, unit: Unit) -> Option<f64> {
    if table.has(column) && table.text(record, column).is_none() {
        table.wrong(record, column, format!("`{column}` is empty"), "give every point a value");
        return None;
    }
    let um = table.number(record, column)? * unit.micrometres();
    if um.abs() > FARTHEST {
        let message = format!("`{column}` is beyond anything on this planet");
        table.wrong(record, column, message, "check the units");
        return None;
    }
    Some(um)
}

/// A standard deviation in micrometres, which must be there; 0 where a coordinate may be held.
fn sigma(
    table: &mut Table,
    record: &Record,
    column: &'static str,
    unit: Unit,
    may_be_held: bool,
) -> Option<f64> {
    let um = length(table, record, column, unit)?;
    if um < 0.0 || um == 0.0 && !may_be_held {
        let help = if may_be_held { "0 (held) or more" } else { "above 0" };
        let message = format!("`{column}` is a standard deviation: expected {help}");
        table.wrong(record, column, message, "state how well the coordinate is known, one sigma");
        return None;
    }
    if um > COARSEST {
        let message = format!("`{column}` is more than 10 m");
        table.wrong(record, column, message, "check the units and the column");
        return None;
    }
    Some(um)
}
