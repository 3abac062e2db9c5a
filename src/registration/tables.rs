//! The lists of targets and of control: text files with a header, read as lists of surveyed points are.

use std::collections::{BTreeMap, BTreeSet};

use csv::StringRecord;

use crate::cloud::point_list::{ListError, ListFile, decimal, place_of};
use crate::registration::{Control, Target};
use crate::units::Unit;

/// Names of columns that are called otherwise in a file.
pub type Renamed = BTreeMap<String, String>;

/// Columns of a list of targets.
const TARGETS: [&str; 6] = ["setup", "name", "x", "y", "z", "sigma"];

/// Columns of a list of control; `sigma` may stand for both of its kind.
const CONTROL: [&str; 7] = ["name", "easting", "northing", "elevation", "sigma_h", "sigma_v", "sigma"];

/// Farthest coordinate, and largest standard deviation, micrometres: beyond, a unit or a column is mistaken.
const FARTHEST: f64 = 1e13;
const COARSEST: f64 = 10e6;

/// A list in the reading.
struct Table<'a> {
    file: &'a ListFile,
    key: &'static str,
    separator: char,
    names: Vec<String>,
    renamed: &'a Renamed,
}

/// A line of it.
struct Line {
    number: u64,
    record: StringRecord,
}

impl<'a> Table<'a> {
    fn open(
        file: &'a ListFile,
        key: &'static str,
        known: &[&str],
        renamed: &'a Renamed,
    ) -> Result<(Self, Vec<Line>), ListError> {
        let failed = |message: String| file.error(message);
        if let Some(name) = renamed.keys().find(|name| !known.contains(&name.as_str())) {
            return Err(failed(format!(
                "`columns` of `{key}` renames `{name}`, which is no column of it. The columns are: {}",
                known.join(", ")
            )));
        }
        let is_data = |line: &&str| !line.trim().is_empty() && !line.starts_with('#');
        let header = file.text.lines().find(is_data);
        let header = header.ok_or_else(|| {
            failed(format!("is empty. It needs a header, `{}`, and a line for each point", known.join(",")))
        })?;
        let count = |separator: char| header.matches(separator).count();
        let separator =
            [';', '\t', ','].into_iter().max_by_key(|&one| (count(one), one == ',')).unwrap_or(',');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(separator as u8)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(file.text.as_bytes());
        let names = reader.headers().map_err(|e| failed(place_of(&e)))?.iter().map(str::to_string).collect();
        let mut lines = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|e| failed(place_of(&e)))?;
            lines.push(Line { number: record.position().map_or(0, csv::Position::line), record });
        }
        if lines.is_empty() {
            return Err(failed("has a header, but no point below it".to_string()));
        }
        Ok((Table { file, key, separator, names, renamed }, lines))
    }

    fn find(&self, column: &str) -> Option<usize> {
        let wanted = self.renamed.get(column).map_or(column, String::as_str);
        self.names.iter().position(|one| one.eq_ignore_ascii_case(wanted))
    }

    fn need(&self, column: &str) -> Result<usize, ListError> {
        self.find(column).ok_or_else(|| {
            let wanted = self.renamed.get(column).map_or(column, String::as_str);
            self.file.error(format!(
                "line 1: there is no column `{wanted}`; the header has: {}. Name the column: `{}: {{file: …, columns: {{{column}: …}}}}`",
                self.names.join(", "),
                self.key
            ))
        })
    }

    fn text(&self, line: &Line, at: usize, column: &str) -> Result<String, ListError> {
        let text = line.record.get(at).unwrap_or("");
        if text.is_empty() {
            return Err(self.wrong(line, format!("the {column} is empty. Every line needs one")));
        }
        Ok(text.to_string())
    }

    /// A length in micrometres; `unit` is that of the column.
    fn number(&self, line: &Line, at: usize, column: &str, unit: Unit) -> Result<f64, ListError> {
        let text = line.record.get(at).unwrap_or("");
        let value = decimal(text, self.separator).filter(|value| value.is_finite());
        let value = value.ok_or_else(|| {
            self.wrong(line, format!("the {column} `{text}` is not a number. Write for example `1234.567`"))
        })?;
        let um = value * unit.micrometres();
        if um.abs() > FARTHEST {
            return Err(self.wrong(
                line,
                format!("the {column} `{text}` is beyond anything on this planet. Check the units"),
            ));
        }
        Ok(um)
    }

    fn sigma(
        &self,
        line: &Line,
        at: usize,
        column: &str,
        unit: Unit,
        may_be_held: bool,
    ) -> Result<f64, ListError> {
        let um = self.number(line, at, column, unit)?;
        if um < 0.0 || um == 0.0 && !may_be_held {
            let least = if may_be_held { "0 (held) or more" } else { "above 0" };
            return Err(self.wrong(line, format!("the {column} is a standard deviation: expected {least}")));
        }
        if um > COARSEST {
            return Err(
                self.wrong(line, format!("the {column} is more than 10 m. Check the units and the column"))
            );
        }
        Ok(um)
    }

    fn wrong(&self, line: &Line, what: String) -> ListError {
        self.file.error(format!("line {}: {what}", line.number))
    }
}

/// Reads a list of targets; `setups` gives the number of a setup by its name and the units of its coordinates. Those of other
/// setups are left out; their names come back beside.
///
/// # Errors
/// What is wrong with the file, and the line.
pub fn targets(
    file: &ListFile,
    renamed: &Renamed,
    setups: impl Fn(&str) -> Option<(usize, (Unit, Unit))>,
) -> Result<(Vec<Target>, BTreeSet<String>), ListError> {
    let (table, lines) = Table::open(file, "targets", &TARGETS, renamed)?;
    let [setup, name, x, y, z, sigma] = TARGETS.map(|column| table.need(column));
    let (setup, name, x, y, z, sigma) = (setup?, name?, x?, y?, z?, sigma?);
    let (mut targets, mut others, mut known) = (Vec::new(), BTreeSet::new(), BTreeSet::new());
    for line in &lines {
        let of = table.text(line, setup, "setup")?;
        let own = table.text(line, name, "name")?;
        if !known.insert((of.clone(), own.clone())) {
            let what = format!(
                "setup {of} has two targets named {own}. Give each target of a setup a name of its own"
            );
            return Err(table.wrong(line, what));
        }
        let Some((number, (horizontal, vertical))) = setups(&of) else {
            others.insert(of);
            continue;
        };
        targets.push(Target {
            setup: number,
            name: own,
            at: [
                table.number(line, x, "x", horizontal)?,
                table.number(line, y, "y", horizontal)?,
                table.number(line, z, "z", vertical)?,
            ],
            sigma: table.sigma(line, sigma, "sigma", horizontal, false)?,
        });
    }
    Ok((targets, others))
}

/// Reads a list of control; `horizontal` is the unit of easting, northing and their sigma, `vertical` that of the others. Points
/// without easting, northing or elevation are left out; their names come back beside.
///
/// # Errors
/// What is wrong with the file, and the line.
pub fn control(
    file: &ListFile,
    renamed: &Renamed,
    (horizontal, vertical): (Unit, Unit),
) -> Result<(Vec<Control>, Vec<String>), ListError> {
    let (table, lines) = Table::open(file, "control", &CONTROL, renamed)?;
    let [name, easting, northing, elevation] =
        ["name", "easting", "northing", "elevation"].map(|column| table.need(column));
    let (name, place) = (name?, [easting?, northing?, elevation?]);
    let both = table.find("sigma");
    let sigmas = ["sigma_h", "sigma_v"].map(|column| table.find(column).or(both));
    let [Some(sigma_h), Some(sigma_v)] = sigmas else {
        return Err(file.error(format!(
            "line 1: there are no columns `sigma_h` and `sigma_v`, nor one `sigma` for both; the header has: {}. State how well the control is \
             known, one sigma; 0 holds a point. Name them: `control: {{file: …, columns: {{sigma_h: …, sigma_v: …}}}}`",
            table.names.join(", ")
        )));
    };
    let (mut control, mut partial, mut known) = (Vec::new(), Vec::new(), BTreeSet::new());
    for line in &lines {
        let own = table.text(line, name, "name")?;
        if !known.insert(own.clone()) {
            return Err(table.wrong(
                line,
                format!("there are two points named {own}. Give each point a name of its own"),
            ));
        }
        if place.iter().any(|&at| line.record.get(at).is_none_or(str::is_empty)) {
            partial.push(own);
            continue;
        }
        control.push(Control {
            name: own,
            at: [
                table.number(line, place[0], "easting", horizontal)?,
                table.number(line, place[1], "northing", horizontal)?,
                table.number(line, place[2], "elevation", vertical)?,
            ],
            sigma: [
                table.sigma(line, sigma_h, "sigma_h", horizontal, true)?,
                table.sigma(line, sigma_v, "sigma_v", vertical, true)?,
            ],
        });
    }
    Ok((control, partial))
}
