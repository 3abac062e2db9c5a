//! Observations as the tables have them, in metres and radians.

use crate::pipeline::table::{Record, Table};

/// The coordinates of a point, as tables and results name them.
pub(super) const AXES: [&str; 3] = ["easting", "northing", "elevation"];

/// Where an observation stands.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Origin {
    /// The file, as the network file names it.
    pub file: String,
    /// The line, from 1.
    pub line: usize,
    /// Why it is withheld, if the table says so.
    pub why: Option<String>,
}

/// A levelled height difference.
#[derive(Clone, Debug)]
pub(super) struct LevelRow {
    pub from: String,
    pub to: String,
    pub dh: f64,
    pub sigma: f64,
    pub withheld: bool,
    pub origin: Origin,
}

/// A measured position: easting, northing, elevation, as far as given.
#[derive(Clone, Debug)]
pub(super) struct PositionRow {
    pub name: String,
    pub values: [Option<f64>; 3],
    /// Covariance of all three, of which that of the values given counts.
    pub covariance: [[f64; 3]; 3],
    pub withheld: [bool; 3],
    pub origin: Origin,
}

/// A value with its sigma.
#[derive(Clone, Copy, Debug)]
pub(super) struct Measured {
    pub value: f64,
    pub sigma: f64,
    pub withheld: bool,
}

/// What a total station observed of a target.
#[derive(Clone, Debug)]
pub(super) struct SightRow {
    pub station: String,
    /// The set of directions that share an orientation.
    pub set: String,
    pub target: String,
    pub direction: Option<Measured>,
    pub zenith: Option<Measured>,
    pub distance: Option<Measured>,
    pub station_height: f64,
    pub target_height: f64,
    /// Sigma of the two heights together.
    pub height_sigma: f64,
    pub origin: Origin,
}

/// What a table holds.
pub(super) struct Read<T> {
    pub rows: Vec<T>,
    /// What was assumed or not used, for people.
    pub notes: Vec<String>,
}

/// The columns that any table of observations may have.
pub(super) const ASIDE: [&str; 2] = ["withhold", "why"];

/// Which of the values of a line the table withholds.
pub(super) fn withheld<const N: usize>(table: &mut Table, record: &Record, names: [&str; N]) -> [bool; N] {
    let text = table.text(record, "withhold").unwrap_or_default();
    let mut held = [false; N];
    for word in text.split([' ', ';', ',', '+']).filter(|word| !word.is_empty()) {
        match names.iter().position(|name| name.eq_ignore_ascii_case(word)) {
            Some(at) => held[at] = true,
            None if word.eq_ignore_ascii_case("all") => held = [true; N],
            None => {
                let message = format!("`withhold` is `{word}`");
                let help = format!("write `all`, or which values are withheld: {}", names.join(", "));
                table.wrong(record, "withhold", message, &help);
            }
        }
    }
    held
}

/// Where a line stands.
pub(super) fn origin(table: &Table, record: &Record, file: &str) -> Origin {
    Origin { file: file.to_string(), line: record.line, why: table.text(record, "why") }
}
