//! The pipeline file: model, units, checking, schema.
//!
//! [`load`] goes from the file to a [`Loaded`] pipeline: text → tree of keys and values → [`model`] → checks of
//! values, of the order of stages and of the files named. All problems are reported at once.

pub(crate) mod accept;
mod addresses;
mod check;
mod control_check;
pub(crate) mod explain;
pub(crate) mod files;
pub(crate) mod fit;
mod ground_check;
pub(crate) mod inputs;
mod limits;
pub(crate) mod locate;
pub(crate) mod model;
mod option_check;
mod order;
pub(crate) mod parse;
pub(crate) mod problem;
pub(crate) mod register;
pub(crate) mod register_tables;
pub mod resolved;
pub(crate) mod schema;
mod short;
pub(crate) mod table;
mod tree;
pub(crate) mod uncertainty;

use std::fs;
use std::path::{Path, PathBuf};

pub use locate::{Aim, Seg};
pub use model::Pipeline;
pub use problem::{PipelineError, Problem};

use crate::cloud::address::masked;
use crate::cloud::{Location, Stores};
use crate::pipeline::files::Places;
use crate::pipeline::order::ReferenceKind;
use crate::pipeline::problem::Notes;

/// No pipeline file is near this; a point file named by mistake is far above.
const LARGEST: u64 = 1 << 20;

/// What a pipeline file is loaded for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// A run.
    Run,
    /// A plan of what to measure: files of the reference need not be there yet, and are not looked for.
    Plan,
}

/// A pipeline file that is right as far as can be known without opening the point files.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The pipeline file, as it was named.
    pub path: PathBuf,
    /// Its folder, from which its paths go.
    pub folder: PathBuf,
    /// Its text, without a byte order mark; what may be secret in addresses stands as `*`.
    pub text: String,
    /// Its content, with every default filled in.
    pub pipeline: Pipeline,
    /// The files of the survey, sorted, each once.
    pub survey_files: Vec<Location>,
    /// The files of the reference, sorted, each once; none where there is no reference.
    pub reference_files: Vec<Location>,
    /// The setup of each file of the reference, from 1; none where the file names no setups.
    pub reference_setups: Vec<u16>,
    /// The files of the areas left out, one for each entry of `exclude`.
    pub area_files: Vec<PathBuf>,
}

impl Loaded {
    /// The list of surveyed points that is the reference, if it is one.
    pub fn reference_points(&self) -> Option<PathBuf> {
        let points = self.pipeline.reference.as_ref()?.points.as_ref()?;
        Some(self.folder.join(&points.file))
    }

    /// The lists that scans are registered with: targets and control.
    pub fn register_lists(&self) -> Option<[PathBuf; 2]> {
        let register = self.pipeline.reference.as_ref()?.register.as_ref()?;
        Some([&register.targets, &register.control].map(|table| self.folder.join(&table.file)))
    }

    /// The list of control that the survey is fitted to, if it is.
    pub fn fit_list(&self) -> Option<PathBuf> {
        Some(self.folder.join(&self.pipeline.survey.fit.as_ref()?.to.file))
    }

    /// The run folder as the file has it.
    pub fn output_folder(&self) -> PathBuf {
        self.folder.join(&self.pipeline.output)
    }

    /// What keeps `output` (of `--out`, say) from being the run folder, if anything: `is a file`, or `holds …`.
    pub fn output_clash(&self, output: &Path) -> Option<String> {
        let clouds = self.survey_files.iter().chain(&self.reference_files).map(Location::path);
        let others = self.area_files.iter().chain([&self.path]).map(PathBuf::as_path);
        let lists = self.register_lists().into_iter().flatten();
        let lists: Vec<PathBuf> = lists.chain(self.fit_list()).chain(self.reference_points()).collect();
        files::output_clash(output, clouds.chain(others).chain(lists.iter().map(PathBuf::as_path)))
    }

    /// A problem with the value at a key path, found after loading; it is shown there or, where the file does
    /// not give it, at the nearest key above.
    ///
    /// `loaded.problem_at(&["survey".into(), "units".into()], message, label, help)`
    pub fn problem_at(&self, path: &[Seg], message: &str, label: &str, help: Option<&str>) -> Problem {
        let span = Some(locate::span(&self.text, path, Aim::Value, None));
        let help = help.map(str::to_string);
        Problem { path: path.to_vec(), span, message: message.to_string(), label: label.to_string(), help }
    }

    /// The key path of an option of the stage at `index` of the pipeline's stages.
    pub fn option_path(&self, index: usize, option: &str) -> Vec<Seg> {
        let stage = serde_json::to_value(&self.pipeline.stages[index]).unwrap_or_default();
        let name = stage.as_object().and_then(|map| map.keys().next()).cloned().unwrap_or_default();
        vec!["stages".into(), index.into(), Seg::Key(name), option.into()]
    }

    /// An error of problems found after loading.
    pub fn error(&self, problems: Vec<Problem>) -> PipelineError {
        let problems = problems.into_iter().map(problem::told).collect();
        PipelineError { path: self.path.clone(), text: self.text.clone(), problems }
    }
}

/// Loads a pipeline file and checks all that can be checked without opening the point files.
///
/// # Errors
/// Everything that is wrong with the file, each with its place and its remedy.
pub fn load(path: &Path) -> Result<Loaded, PipelineError> {
    load_text(path, &read_text(path, "pipeline file")?)
}

/// Like [`load`], where addresses lead to objects of these stores.
///
/// # Errors
/// As [`load`].
pub fn load_from(path: &Path, stores: &Stores) -> Result<Loaded, PipelineError> {
    load_as(Purpose::Run, path, &read_text(path, "pipeline file")?, stores)
}

/// Like [`load`], for a plan of what to measure.
///
/// # Errors
/// As [`load`], but for files of the reference that are not there.
pub fn load_for_plan(path: &Path) -> Result<Loaded, PipelineError> {
    load_as(Purpose::Plan, path, &read_text(path, "pipeline file")?, &Stores::default())
}

/// Like [`load`], for a file that has the text `text`.
///
/// # Errors
/// Everything that is wrong with the text, each with its place and its remedy.
pub fn load_text(path: &Path, text: &str) -> Result<Loaded, PipelineError> {
    load_as(Purpose::Run, path, text, &Stores::default())
}

fn load_as(purpose: Purpose, path: &Path, text: &str, stores: &Stores) -> Result<Loaded, PipelineError> {
    // A byte order mark would make YAML see two documents.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let folder = path.parent().map_or_else(PathBuf::new, Path::to_path_buf);
    let mut notes = Notes::new(text);
    let Some((pipeline, files)) = read_pipeline(purpose, path, Places { base: &folder, stores }, &mut notes)
        .filter(|_| notes.is_empty())
    else {
        return Err(notes.into_error(path));
    };
    let (path, text) = (path.to_path_buf(), masked(text).into_owned());
    let Files {
        survey: survey_files,
        reference: reference_files,
        setups: reference_setups,
        areas: area_files,
    } = files;
    Ok(Loaded { path, folder, text, pipeline, survey_files, reference_files, reference_setups, area_files })
}

/// The files that a pipeline file names.
struct Files {
    survey: Vec<Location>,
    reference: Vec<Location>,
    setups: Vec<u16>,
    areas: Vec<PathBuf>,
}

/// Every step of the check: gives the pipeline with the files that it names. `None` where it cannot
/// continue; what is wrong is in `notes`.
fn read_pipeline(
    purpose: Purpose,
    path: &Path,
    places: Places<'_>,
    notes: &mut Notes,
) -> Option<(Pipeline, Files)> {
    let folder = places.base;
    let measured = purpose == Purpose::Run;
    notes.to_come = Some("reference").filter(|_| !measured);
    let schema = schema::schema();
    notes.document = parse::tree(notes.text(), notes)?;
    let document = notes.document.as_object().cloned()?;
    let draft = parse::decode(document, &schema, notes)?;
    let mut pipeline = draft.pipeline;
    let entries = draft.entries.as_deref().unwrap_or(&[]);

    check::values(&pipeline, entries, &schema, notes);
    if draft.entries.is_some() {
        let reference = match &pipeline.reference {
            _ if !notes.meant("reference", &schema) => ReferenceKind::None,
            Some(reference) if reference.points.is_some() => ReferenceKind::List,
            _ => ReferenceKind::Cloud,
        };
        order::check(entries, reference, draft.gaps, notes);
    }
    let survey = files::find("survey", places, notes);
    let (mut reference, mut setups) = (Vec::new(), Vec::new());
    let to_be_there = pipeline.reference.as_ref().filter(|_| measured);
    if measured {
        reference = files::find("reference", places, notes);
        let of_setups: Vec<Location>;
        (of_setups, setups) = files::find_setups(places, notes).into_iter().unzip();
        reference.extend(of_setups);
    }
    if let Some(points) = to_be_there.and_then(|reference| reference.points.as_ref()) {
        files::find_list(&points.file, &["reference".into(), "points".into()], folder, notes);
    }
    let register = to_be_there.and_then(|reference| reference.register.as_ref());
    for (key, table) in register.iter().flat_map(|register| register.tables()) {
        let place = ["reference".into(), "register".into(), key.into()];
        if notes.given(&place) {
            files::find_list(&table.file, &place, folder, notes);
        }
    }
    if let Some(fit) = &pipeline.survey.fit {
        let place = ["survey".into(), "fit".into(), "to".into()];
        if notes.given(&place) {
            files::find_list(&fit.to.file, &place, folder, notes);
        }
    }
    let areas = files::find_areas(folder, notes);

    let stages_given = draft.entries.is_some();
    pipeline.stages = draft.entries.into_iter().flatten().map(|entry| entry.stage).collect();
    pipeline.resolve(path, stages_given);
    addresses::leave_out_secrets(&mut pipeline);

    let clouds = survey.iter().chain(&reference).map(Location::path);
    let inputs = clouds.chain(areas.iter().map(PathBuf::as_path)).chain([path]);
    if let Some(clash) = files::output_clash(&folder.join(&pipeline.output), inputs) {
        let message = format!("the run folder `{}` {clash}", pipeline.output.display());
        let help = "give the results a folder of their own, for example `output: runs/first`".to_string();
        notes.value(&["output".into()], message, "cannot be the run folder".to_string(), Some(help));
    }
    Some((pipeline, Files { survey, reference, setups, areas }))
}

/// Reads a file of keys and values; `kind` is what it should be, for messages.
pub(crate) fn read_text(path: &Path, kind: &str) -> Result<String, PipelineError> {
    let unreadable = |message: &str, help: Option<&str>| {
        Err(PipelineError::unreadable(path, message.to_string(), help.map(str::to_string)))
    };
    let cannot = |error: std::io::Error| {
        let message = format!("the {kind} cannot be read: {}", files::plain(&error));
        PipelineError::unreadable(path, message, None)
    };
    let meta = fs::metadata(path).map_err(cannot)?;
    if meta.is_dir() {
        return unreadable("this is a folder", Some(&format!("give the {kind} in it")));
    }
    if meta.len() > LARGEST {
        return unreadable(&format!("this is not a {kind}: it is larger than 1 MB"), None);
    }
    let bytes = fs::read(path).map_err(cannot)?;
    if bytes.starts_with(b"LASF") {
        let help = format!(
            "a {kind} is a text file that names the files with the data; to see what is in a point file use `echograde inspect`"
        );
        return unreadable("this is a point file", Some(&help));
    }
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return unreadable("the file is saved as UTF-16", Some("save it as UTF-8 in your editor"));
    }
    String::from_utf8(bytes)
        .or_else(|_| unreadable("the file is not UTF-8 text", Some("save it as UTF-8 in your editor")))
}
