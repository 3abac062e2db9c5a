//! From the network file and its tables to observations, with all problems at once.

use std::collections::BTreeSet;
use std::fmt;
use std::path::{Path, PathBuf};

use crate::network::angle::AngleUnit;
use crate::network::file::NetworkFile;
use crate::network::inputs::{Inputs, TableInput};
use crate::network::rows::{LevelRow, PositionRow, Read, SightRow};
use crate::network::{levels, positions, total_station};
use crate::pipeline::parse::{NETWORK_KEYS, PIPELINE_KEYS, Starts, decode_part, keys_and_values};
use crate::pipeline::problem::Notes;
use crate::pipeline::schema::schema_of;
use crate::pipeline::{PipelineError, Seg, read_text};
use crate::results::format::and_list;

/// A network file with its tables, right as far as can be known before adjusting.
#[derive(Clone, Debug)]
pub(crate) struct Loaded {
    /// The file, with its defaults filled in.
    pub file: NetworkFile,
    /// Its folder, from which its paths go.
    pub folder: PathBuf,
    pub(super) levels: Vec<LevelRow>,
    pub(super) positions: Vec<PositionRow>,
    pub(super) sights: Vec<SightRow>,
    /// What was assumed, for people.
    pub(super) notes: Vec<String>,
}

impl Loaded {
    /// The folder of the results as the file has it.
    pub fn output_folder(&self) -> PathBuf {
        self.folder.join(&self.file.output)
    }
}

/// What is wrong with the network file and its tables.
#[derive(Clone, Debug)]
pub struct LoadError(pub Vec<PipelineError>);

impl LoadError {
    /// Every problem with its place, file by file.
    pub fn render(&self, colour: bool) -> String {
        self.0.iter().map(|error| error.render(colour)).collect::<Vec<_>>().join("\n")
    }
}

impl fmt::Display for LoadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for LoadError {}

const STARTS: Starts = Starts {
    kind: "network file",
    shortest: "for example `fixed: [{name: A, elevation: 100.0}]` and `levels: levels.csv`",
    first: "expected keys with values, such as `fixed:` and `levels:`",
    keys: NETWORK_KEYS,
    other: ("pipeline file", PIPELINE_KEYS, "`echograde run FILE` runs it"),
};

/// Loads a network file and its tables.
///
/// # Errors
/// Everything that is wrong with them, each with its place and its remedy.
pub(crate) fn load(path: &Path) -> Result<Loaded, LoadError> {
    let one = |error| LoadError(vec![error]);
    let text = read_text(path, STARTS.kind).map_err(one)?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let folder = path.parent().map_or_else(PathBuf::new, Path::to_path_buf);
    let mut notes = Notes::new(text);
    let file = decode(&mut notes);
    let Some(mut file) = file else { return Err(one(notes.into_error(path))) };
    check(&file, &mut notes);

    let (mut errors, mut noted) = (Vec::new(), Vec::new());
    let mut read = |key: &str, named: &Inputs| find(key, named, &folder, &mut notes);
    let tables = [
        read("levels", &file.levels),
        read("positions", &file.positions),
        read("observations", &file.observations),
    ];
    let [levels, positions, sights] = tables;
    let levels = gather(levels, levels::read, &file, &mut errors, &mut noted);
    let positions = gather(positions, positions::read, &file, &mut errors, &mut noted);
    let sights = gather(sights, total_station::read, &file, &mut errors, &mut noted);

    let stem = path.file_stem().map_or("network".into(), |stem| stem.to_string_lossy());
    if file.title.trim().is_empty() {
        file.title = stem.to_string();
    }
    if file.output.as_os_str().is_empty() {
        file.output = PathBuf::from(format!("runs/{stem}"));
    }
    if !notes.is_empty() {
        errors.insert(0, notes.into_error(path));
    }
    if !errors.is_empty() {
        return Err(LoadError(errors));
    }
    let notes = [assumed(&file, &sights), noted].concat();
    let mut loaded = Loaded { file, folder, levels, positions, sights, notes };
    loaded.notes.extend(unused(&loaded));
    Ok(loaded)
}

/// Decodes the text; `None` where something is wrong with it.
fn decode(notes: &mut Notes) -> Option<NetworkFile> {
    notes.document = keys_and_values(notes.text(), &STARTS, notes)?;
    let schema = schema_of::<NetworkFile>("echograde network file");
    let document = notes.document.clone();
    decode_part(document, &[], &[], &schema, notes)
}

/// Notes the values that can be decoded but are wrong.
fn check(file: &NetworkFile, notes: &mut Notes) {
    let mut wrong = |path: &[Seg], message: String, help: &str| {
        notes.value(path, message, String::new(), Some(help.to_string()));
    };
    let observed = [&file.levels, &file.positions, &file.observations];
    if observed.iter().all(|inputs| inputs.0.is_empty()) {
        let help = "name at least one table under `levels`, `positions` or `observations`";
        wrong(&[], "the network has no observations".into(), help);
    }
    let fixed = file.fixed.iter().map(|p| (&p.name.0, [p.easting, p.northing, p.elevation]));
    check_points("fixed", fixed, &mut wrong);
    let approximate = file.approximate.iter().map(|p| (&p.name.0, [p.easting, p.northing, p.elevation]));
    check_points("approximate", approximate, &mut wrong);
    for (index, point) in file.fixed.iter().enumerate() {
        let sigma = point.sigma.map_or(0.0, |sigma| sigma.metres(file.units));
        if !(sigma >= 0.0 && sigma.is_finite()) {
            let help = "a standard deviation is 0 (the point is held) or more";
            wrong(&["fixed".into(), index.into(), "sigma".into()], "a sigma is negative".into(), help);
        }
    }
    let ranges = [
        ("scale_factor", file.scale_factor, 0.9..=1.1, "0.9 to 1.1"),
        ("refraction", file.refraction, -5.0..=5.0, "−5 to 5"),
        ("distance_ppm", file.distance_ppm, 0.0..=1000.0, "0 to 1000"),
    ];
    for (key, value, range, words) in ranges {
        if !range.contains(&value) {
            wrong(&[key.into()], format!("`{key}` is {value}"), &format!("it lies in {words}"));
        }
    }
    for (key, length) in [("level_sigma", file.level_sigma), ("distance_sigma", file.distance_sigma)] {
        if length.exact_micrometres() <= 0.0 {
            wrong(&[key.into()], format!("`{key}` is {length}"), "a standard deviation is above 0");
        }
    }
}

/// Checks the names and coordinates of the points under a key.
fn check_points<'a>(
    key: &str,
    points: impl Iterator<Item = (&'a String, [Option<f64>; 3])>,
    wrong: &mut impl FnMut(&[Seg], String, &str),
) {
    let mut names = BTreeSet::new();
    for (index, (name, [easting, northing, elevation])) in points.enumerate() {
        let path = [key.into(), index.into()];
        if name.is_empty() {
            let message = format!("a point under `{key}` has no name");
            wrong(&path, message, "give it the name that the tables use");
        }
        if !names.insert(name) {
            let message = match key {
                "fixed" => format!("the point {name} is fixed twice"),
                _ => format!("the point {name} stands twice under `{key}`"),
            };
            wrong(&path, message, "give each point once, with all that is known of it");
        }
        if easting.is_some() != northing.is_some() {
            wrong(&path, format!("{name} has only one of easting and northing"), "give both, or neither");
        }
        if easting.is_none() && elevation.is_none() {
            let help = "give easting and northing, elevation, or all three";
            wrong(&path, format!("nothing is known of {name}"), help);
        }
    }
}

/// The paths of the tables under a key; notes those that are not there.
fn find(key: &str, named: &Inputs, folder: &Path, notes: &mut Notes) -> Vec<(PathBuf, TableInput)> {
    let mut found = Vec::new();
    for (index, input) in named.0.iter().enumerate() {
        let path = folder.join(&input.file);
        if path.is_file() {
            found.push((path, input.clone()));
            continue;
        }
        let listed = notes.document[key].is_array();
        let at = if listed { vec![key.into(), index.into()] } else { vec![key.into()] };
        let help = "paths are relative to the folder of the network file";
        let message = format!("there is no file `{}`", input.file);
        notes.value(&at, message, "does not exist".to_string(), Some(help.to_string()));
    }
    found
}

/// Reads tables, gathering what is wrong with them and what is noted.
fn gather<T>(
    tables: Vec<(PathBuf, TableInput)>,
    read: impl Fn(&Path, &TableInput, &NetworkFile) -> Result<Read<T>, PipelineError>,
    file: &NetworkFile,
    errors: &mut Vec<PipelineError>,
    noted: &mut Vec<String>,
) -> Vec<T> {
    let mut rows = Vec::new();
    for (path, input) in tables {
        match read(&path, &input, file) {
            Ok(some) => {
                rows.extend(some.rows);
                noted.extend(some.notes);
            }
            Err(error) => errors.push(error),
        }
    }
    rows
}

/// What the program assumed where the files say nothing.
fn assumed(file: &NetworkFile, sights: &[SightRow]) -> Vec<String> {
    let mut notes = Vec::new();
    if file.angles.is_none() && sights.iter().any(|sight| sight.direction.is_some() || sight.zenith.is_some())
    {
        notes.push(format!(
            "The unit of angles is not stated: {} assumed (`angles`).",
            AngleUnit::Deg.words()
        ));
    }
    if file.scale_factor == 1.0 && sights.iter().any(|sight| sight.distance.is_some()) {
        notes.push(
            "Distances were not scaled to the grid: combined scale factor 1 (`scale_factor`).".to_string(),
        );
    }
    notes
}

/// Notes the approximate coordinates of points that no table names.
fn unused(loaded: &Loaded) -> Option<String> {
    let mut named: BTreeSet<&str> = loaded.positions.iter().map(|row| row.name.as_str()).collect();
    named.extend(loaded.levels.iter().flat_map(|row| [row.from.as_str(), row.to.as_str()]));
    named.extend(loaded.sights.iter().flat_map(|row| [row.station.as_str(), row.target.as_str()]));
    let given = loaded.file.approximate.iter().map(|point| &point.name.0);
    let unused: Vec<String> = given.filter(|name| !named.contains(name.as_str())).cloned().collect();
    let note =
        format!("Not used: `approximate` has coordinates of {}, which no table names.", and_list(&unused));
    Some(note).filter(|_| !unused.is_empty())
}
