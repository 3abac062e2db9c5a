//! Tables of what total stations observed: directions, zenith angles, distances.

use std::f64::consts::PI;
use std::path::Path;

use crate::network::file::NetworkFile;
use crate::network::inputs::TableInput;
use crate::network::rows::{ASIDE, Measured, Read, SightRow, origin, withheld};
use crate::pipeline::PipelineError;
use crate::pipeline::table::{Record, Table};

const COLUMNS: [&str; 15] = [
    "station",
    "target",
    "set",
    "direction",
    "zenith",
    "distance",
    "station_height",
    "target_height",
    "sigma_direction",
    "sigma_zenith",
    "sigma_distance",
    "sigma_station_height",
    "sigma_target_height",
    ASIDE[0],
    ASIDE[1],
];
const MEASURED: [&str; 3] = ["direction", "zenith", "distance"];

/// No instrument measures an angle better: a sigma below it is in another unit than it should be.
const BEST_ANGLE: f64 = 0.01;

/// Reads a table of sights.
pub(super) fn read(
    path: &Path,
    input: &TableInput,
    network: &NetworkFile,
) -> Result<Read<SightRow>, PipelineError> {
    let (mut table, records) = Table::open(path, &COLUMNS, &input.columns)?;
    table.need(&["station", "target"], "observations");
    if MEASURED.iter().all(|column| !table.has(column)) {
        table.need(&MEASURED, "observations");
    }
    let unit = network.units.metres();
    let mut rows = Vec::new();
    for record in &records {
        let (station, target) = (table.name(record, "station"), table.name(record, "target"));
        let held = withheld(&mut table, record, MEASURED);
        let direction = angle(&mut table, record, network, "direction");
        let zenith = angle(&mut table, record, network, "zenith");
        let distance = distance(&mut table, record, network);
        if MEASURED.iter().all(|column| table.text(record, column).is_none()) {
            let help = "give a direction, a zenith angle or a distance, or remove the line";
            table.wrong(record, "station", "nothing was observed on this line".into(), help);
        }
        let height = |table: &mut Table, column| table.number(record, column).unwrap_or(0.0) * unit;
        let station_height = height(&mut table, "station_height");
        let target_height = height(&mut table, "target_height");
        let sigma_of =
            |table: &mut Table, column| table.number(record, column).map_or(0.0, |s| (s * unit).powi(2));
        let height_sigma = (sigma_of(&mut table, "sigma_station_height")
            + sigma_of(&mut table, "sigma_target_height"))
        .sqrt();
        let (Some(station), Some(target)) = (station, target) else { continue };
        if station == target {
            table.wrong(record, "target", format!("{station} is its own target"), "name two points");
            continue;
        }
        let measured = |value: Option<(f64, f64)>, withheld| {
            value.map(|(value, sigma)| Measured { value, sigma, withheld })
        };
        rows.push(SightRow {
            station,
            set: table.text(record, "set").unwrap_or_default(),
            target,
            direction: measured(direction, held[0]),
            zenith: measured(zenith, held[1]),
            distance: measured(distance, held[2]),
            station_height,
            target_height,
            height_sigma,
            origin: origin(&table, record, &input.file),
        });
    }
    let assumed = assumed(&table, &records, &input.file, network);
    table.finish(&input.file).map(|notes| Read { rows, notes: [assumed, notes].concat() })
}

/// The sigmas that the table lacks.
fn assumed(table: &Table, records: &[Record], file: &str, network: &NetworkFile) -> Vec<String> {
    let distance = format!("{} + {} ppm", network.distance_sigma, network.distance_ppm);
    let defaults = [network.direction_sigma.to_string(), network.zenith_sigma.to_string(), distance];
    let sigmas = ["sigma_direction", "sigma_zenith", "sigma_distance"];
    let mut notes = Vec::new();
    for ((kind, sigma), default) in MEASURED.iter().zip(sigmas).zip(defaults) {
        let lacks =
            |record: &&Record| table.text(record, kind).is_some() && table.text(record, sigma).is_none();
        let count = records.iter().filter(lacks).count();
        if count > 0 {
            notes.push(format!(
                "{file}: values of `{kind}` without a sigma of their own: {count}. They have {default} (`{kind}_sigma`)."
            ));
        }
    }
    notes
}

/// A direction or a zenith angle with its sigma, in radians.
fn angle(
    table: &mut Table,
    record: &Record,
    network: &NetworkFile,
    column: &'static str,
) -> Option<(f64, f64)> {
    let is_zenith = column == "zenith";
    let unit = network.angles.unwrap_or_default();
    let small = unit.small_per_radian();
    let (sigma_column, default) = match is_zenith {
        true => ("sigma_zenith", network.zenith_sigma.radians),
        false => ("sigma_direction", network.direction_sigma.radians),
    };
    let sigma = table.sigma(record, sigma_column);
    if let Some(few) = sigma.filter(|sigma| *sigma < BEST_ANGLE) {
        let message = format!("`{sigma_column}` is {few} {}, better than any instrument", unit.small());
        let help = format!("sigmas of angles in {} are in {}", unit.words(), unit.small());
        table.wrong(record, sigma_column, message, &help);
    }
    let expected = ("expected an angle", "state the unit of angles: `angles: deg`, `gon` or `dms`");
    let value = table.parsed(record, column, |text, number| unit.parse(text, number), expected)?;
    let circle = unit.circle();
    if is_zenith && !(value > 0.0 && value < 0.5 * circle) {
        let message = format!("the zenith angle {value} is not between 0 and {}", 0.5 * circle);
        let help =
            "give zenith angles, reduced to the first face, in the unit that `angles` states (deg, gon, dms)";
        table.wrong(record, column, message, help);
        return None;
    }
    if value.abs() > circle {
        let message = format!("the direction {value} is more than a full circle of {circle}");
        table.wrong(record, column, message, "state the unit of angles: `angles: deg`, `gon` or `dms`");
        return None;
    }
    let value = unit.radians(value);
    let value = if is_zenith { value } else { value.rem_euclid(2.0 * PI) };
    Some((value, sigma.map_or(default, |sigma| sigma / small)))
}

/// A distance with its sigma, in metres.
fn distance(table: &mut Table, record: &Record, network: &NetworkFile) -> Option<(f64, f64)> {
    let unit = network.units.metres();
    let stated = table.sigma(record, "sigma_distance").map(|sigma| sigma * unit);
    let value = table.number(record, "distance")? * unit;
    if value <= 0.0 {
        let message = format!("`distance` is {}", table.text(record, "distance").unwrap_or_default());
        table.wrong(record, "distance", message, "a distance is above 0");
        return None;
    }
    let by_default = network.distance_sigma.exact_metres() + network.distance_ppm * 1e-6 * value;
    Some((value, stated.unwrap_or(by_default)))
}
