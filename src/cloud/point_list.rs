//! Lists of surveyed points: text files with a header, a point a line, each with its name and its own sigma.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::cloud::files::hex;
use crate::units::{Micrometres, Unit};

/// Most bytes of a list or table: a hundred thousand lines are far below it, a point cloud saved as text is above.
pub(crate) const LARGEST: u64 = 64 << 20;

/// Names of the columns of a list of points, where they are not `name`, `easting`, `northing`, `elevation`, `sigma`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Columns {
    /// Column of the point's name.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "name"))]
    pub name: Option<String>,
    /// Column of the easting.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "easting"))]
    pub easting: Option<String>,
    /// Column of the northing.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "northing"))]
    pub northing: Option<String>,
    /// Column of the elevation.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "elevation"))]
    pub elevation: Option<String>,
    /// Column of the elevation's standard deviation.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "sigma or sigma_v, if there is one; otherwise `uncertainty`"))]
    pub sigma: Option<String>,
}

/// A surveyed point, in micrometres.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SurveyedPoint {
    /// Its name.
    pub name: String,
    /// Easting.
    pub x: Micrometres,
    /// Northing.
    pub y: Micrometres,
    /// Elevation.
    pub z: Micrometres,
    /// Standard deviation of the elevation, where the list gives one.
    pub sigma: Option<Micrometres>,
    /// Its line in the file, from 1.
    pub line: u64,
}

impl SurveyedPoint {
    /// Standard deviation of the elevation, micrometres: its own, or the one stated for points without.
    pub fn sigma_or(&self, stated: Option<f64>) -> Option<f64> {
        self.sigma.map(|sigma| sigma as f64).or(stated)
    }
}

/// A list of surveyed points as read.
#[derive(Clone, Debug, Default)]
pub struct PointList {
    /// The points, in the order of the file.
    pub points: Vec<SurveyedPoint>,
    /// Bytes of the file.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

/// Why a list cannot be used: the file, the place in it and the remedy.
#[derive(Debug, thiserror::Error)]
#[error("{}: {message}", path.display())]
pub struct ListError {
    /// The file.
    pub path: PathBuf,
    /// What is wrong, where, and what to do.
    pub message: String,
}

impl PointList {
    /// Reads a list whose coordinates are in units of `horizontal` and `vertical`.
    ///
    /// Fields are separated by commas, semicolons or tabs, whichever the header has; where it is not commas, a decimal comma
    /// is read as one. Lines that are empty or begin with `#` are passed over.
    ///
    /// `key` is that of the pipeline file which names the list.
    ///
    /// # Errors
    /// What is wrong with the file.
    pub fn open(
        path: &Path,
        key: &str,
        columns: &Columns,
        horizontal: Unit,
        vertical: Unit,
    ) -> Result<Self, ListError> {
        let file = ListFile::read(path)?;
        let points =
            parse(&file.text, key, columns, horizontal, vertical).map_err(|what| file.error(what))?;
        Ok(PointList { points, size: file.size, sha256: file.sha256 })
    }
}

/// The text of a list.
#[derive(Clone, Debug)]
pub struct ListFile {
    /// The file.
    pub path: PathBuf,
    /// Its text, without a byte order mark.
    pub text: String,
    /// Its bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

impl ListFile {
    /// Reads it.
    ///
    /// # Errors
    /// Where it is not there, too large, or no text.
    pub fn read(path: &Path) -> Result<Self, ListError> {
        let failed = |message: String| ListError { path: path.to_path_buf(), message };
        let meta = fs::metadata(path).map_err(|e| failed(format!("cannot be opened: {e}")))?;
        if meta.len() > LARGEST {
            return Err(failed(format!(
                "has {} MB: too large for a list of surveyed points. Point clouds belong under `files:`, as LAS or LAZ",
                meta.len() >> 20
            )));
        }
        let bytes = fs::read(path).map_err(|e| failed(format!("cannot be read: {e}")))?;
        let text = std::str::from_utf8(&bytes)
            .map_err(|e| failed(format!("is not UTF-8 text (byte {}). Save it as UTF-8", e.valid_up_to())))?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text).to_string();
        Ok(ListFile {
            path: path.to_path_buf(),
            text,
            size: bytes.len() as u64,
            sha256: hex(&Sha256::digest(&bytes)),
        })
    }

    /// What is wrong with it.
    pub fn error(&self, message: String) -> ListError {
        ListError { path: self.path.clone(), message }
    }
}

/// A field that a list may have: its name, and that in the file where the pipeline file gives one.
type Wanted<'a> = (&'static str, Option<&'a String>);

fn parse(
    text: &str,
    key: &str,
    columns: &Columns,
    horizontal: Unit,
    vertical: Unit,
) -> Result<Vec<SurveyedPoint>, String> {
    let (numbers, lines): (Vec<u64>, Vec<&str>) =
        (1..).zip(text.lines()).filter(|(_, line)| is_data(line)).unzip();
    let header = lines.first().ok_or("is empty. It needs a header and a line for each point")?;
    let separator = separator(header);
    let lines = lines.join("\n");
    // Where a line stands in the file, by its number among those that are not passed over.
    let line_of = |position: Option<&csv::Position>| {
        let at = position.map_or(0, |position| position.line().saturating_sub(1));
        numbers.get(at as usize).copied().unwrap_or(0)
    };
    let mut table = csv::ReaderBuilder::new()
        .delimiter(separator as u8)
        .trim(csv::Trim::All)
        .from_reader(lines.as_bytes());
    let names = table.headers().map_err(|e| wrong_record(&e, line_of(e.position())))?.clone();
    let find = |(name, given): Wanted<'_>| {
        let wanted = given.map_or(name, String::as_str);
        names.iter().position(|one| one.eq_ignore_ascii_case(wanted))
    };
    let need = |wanted: Wanted<'_>| {
        find(wanted).ok_or_else(|| {
            let (name, given) = wanted;
            let has = names.iter().collect::<Vec<_>>().join(", ");
            format!(
                "line {}: there is no column `{}`; the header has: {has}. Name the column: `{key}: {{file: …, columns: {{{name}: \
                 …}}}}`",
                numbers[0],
                given.map_or(name, String::as_str)
            )
        })
    };
    let name = need(("name", columns.name.as_ref()))?;
    let easting = need(("easting", columns.easting.as_ref()))?;
    let northing = need(("northing", columns.northing.as_ref()))?;
    let elevation = need(("elevation", columns.elevation.as_ref()))?;
    let sigma = match &columns.sigma {
        Some(_) => Some(need(("sigma", columns.sigma.as_ref()))?),
        None => find(("sigma", None)).or_else(|| find(("sigma_v", None))),
    };
    let (mut points, mut known) = (Vec::new(), HashSet::new());
    for record in table.records() {
        let record = record.map_err(|e| wrong_record(&e, line_of(e.position())))?;
        let line = line_of(record.position());
        let number = |at: usize, what: &str, unit: Unit, largest: f64| -> Result<Micrometres, String> {
            let text = record.get(at).unwrap_or("");
            let value = decimal(text, separator).filter(|value| value.is_finite()).ok_or_else(|| {
                format!("line {line}: the {what} `{text}` is not a number. Write for example `1234.567`")
            })?;
            if value.abs() * unit.micrometres() > largest {
                return Err(format!(
                    "line {line}: the {what} `{text}` is beyond anything on this planet. Check the units"
                ));
            }
            Ok(unit.to_micrometres(value))
        };
        let point = SurveyedPoint {
            name: record.get(name).unwrap_or("").to_string(),
            x: number(easting, "easting", horizontal, FARTHEST)?,
            y: number(northing, "northing", horizontal, FARTHEST)?,
            z: number(elevation, "elevation", vertical, HIGHEST)?,
            sigma: match sigma {
                Some(at) if record.get(at).is_some_and(|text| !text.is_empty()) => {
                    Some(number(at, "sigma", vertical, HIGHEST)?)
                }
                _ => None,
            },
            line,
        };
        if point.name.is_empty() {
            return Err(format!("line {line}: the point has no name. Give each point a name of its own"));
        }
        if point.sigma.is_some_and(|sigma| sigma < 0) {
            return Err(format!(
                "line {line}: the sigma of {} is negative. It is a standard deviation: 0 or more",
                point.name
            ));
        }
        if !known.insert(point.name.clone()) {
            return Err(format!(
                "line {line}: there are two points named {}. Give each point a name of its own",
                point.name
            ));
        }
        points.push(point);
    }
    if points.is_empty() {
        return Err("has a header, but no point below it".to_string());
    }
    Ok(points)
}

/// 10,000 km, and 100 km, in micrometres.
const FARTHEST: f64 = 1e13;
const HIGHEST: f64 = 1e11;

/// Whether a line of a list or table holds anything: neither nothing at all nor a comment.
pub(crate) fn is_data(line: &str) -> bool {
    let line = line.trim();
    !line.is_empty() && !line.starts_with('#')
}

/// What separates fields: commas, semicolons or tabs, whichever the header has most of.
pub(crate) fn separator(header: &str) -> char {
    let count = |separator: char| header.matches(separator).count();
    [';', '\t', ','].into_iter().max_by_key(|&one| (count(one), one == ',')).unwrap_or(',')
}

/// A number with a decimal point or, where commas do not separate fields, a decimal comma.
pub(crate) fn decimal(text: &str, separator: char) -> Option<f64> {
    match text.split_once(',') {
        Some((whole, part)) if separator != ',' && !text.contains('.') => {
            format!("{whole}.{part}").parse().ok()
        }
        _ => text.parse().ok(),
    }
}

/// What is wrong with the record on a line.
fn wrong_record(error: &csv::Error, line: u64) -> String {
    match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!(
                "line {line}: has {len} fields, but the header has {expected_len}. A comma in a name needs \"quotes\""
            )
        }
        _ => format!("line {line}: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Vec<SurveyedPoint>, String> {
        parse(text, "points", &Columns::default(), Unit::Metre, Unit::Metre)
    }

    #[test]
    fn separators_and_decimal_commas_are_found_from_the_header() {
        let expected = SurveyedPoint {
            name: "P 1".into(),
            x: 2_000_000_500_000,
            y: -5_000_250_000,
            z: 101_234_000,
            sigma: Some(15_000),
            line: 0,
        };
        for (line, text) in [
            (2, "name,easting,northing,elevation,sigma\nP 1,2000000.5,-5000.25,101.234,0.015\n"),
            (
                5,
                "# set out in spring\n  # by foot; twice\nName;Easting;Northing;Elevation;Sigma\n\nP 1;2000000,5;-5000,25;101,234;0,015\n",
            ),
            (
                2,
                "northing\teasting\tname\tsigma\televation\tnote\n-5000.25\t2000000.5\tP 1\t0.015\t101.234\tkerb\n",
            ),
            (2, "name, easting, northing, elevation, sigma\n\"P 1\", 2000000.5, -5000.25, 101.234, 0.015\n"),
        ] {
            assert_eq!(read(text).unwrap(), [SurveyedPoint { line, ..expected.clone() }], "{text}");
        }
    }

    #[test]
    fn columns_of_other_names_are_mapped_and_feet_are_exact() {
        let columns = Columns { name: Some("Pt".into()), elevation: Some("H".into()), ..Columns::default() };
        let text = "pt,easting,northing,h\nA,1,2,3.5\n";
        let points = parse(text, "points", &columns, Unit::UsSurveyFoot, Unit::Foot).unwrap();
        assert_eq!((points[0].x, points[0].z, points[0].sigma), (304_801, 1_066_800, None));
    }

    #[test]
    fn what_is_wrong_is_told_with_its_line_and_remedy() {
        for (text, message) in [
            ("", "is empty"),
            ("name,easting,northing,elevation\n", "no point below"),
            ("id,easting,northing,elevation\nA,1,2,3\n", "no column `name`; the header has: id, easting"),
            (
                "name,easting,northing,elevation\nA,1,2,3\nB,1,x,3\n",
                "line 3: the northing `x` is not a number",
            ),
            ("name,easting,northing,elevation\nA,1,2,3\nA,1,2,3\n", "line 3: there are two points named A"),
            ("name,easting,northing,elevation\nA,1,2\n", "line 2: has 3 fields, but the header has 4"),
            ("name,easting,northing,elevation,sigma\nA,1,2,3,-1\n", "line 2: the sigma of A is negative"),
            ("name,easting,northing,elevation\nA,1,1e99,3\n", "line 2: the northing `1e99` is beyond"),
            ("name,easting,northing,elevation\n,1,1,3\n", "line 2: the point has no name"),
            ("name,easting,northing,elevation\nA,1,inf,3\n", "line 2: the northing `inf` is not a number"),
        ] {
            let error = read(text).unwrap_err();
            assert!(error.contains(message), "{error}");
        }
    }
}
