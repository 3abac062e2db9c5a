//! The files that a run reads, with size and hash: for the manifest, and to check whether a later run may continue.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use rayon::prelude::*;
use serde::Serialize;
use twox_hash::XxHash3_64;

use crate::cloud::Source;
use crate::cloud::files::{file_name, itself, sha256};
use crate::engine::plan::days::measured_on;
use crate::engine::plan::job::Job;
use crate::engine::plan::list_job::ListJob;
use crate::engine::store::error::EngineError;
use crate::engine::store::identity::{Identity, Input};
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::results::pictures::ComparedFile;
use crate::units::Unit;

/// What stands for the cloud of a list of targets or of control.
pub const CONTROL: &str = "control";

/// A file that is read.
#[derive(Debug, Serialize)]
pub struct InputFile {
    /// `survey`, `reference` or, of lists of targets and of control, [`CONTROL`].
    pub cloud: &'static str,
    /// Its path.
    pub path: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Points as its header states.
    pub points: u64,
    /// Unit of x and y as read.
    pub horizontal_unit: Unit,
    /// Unit of z as read.
    pub vertical_unit: Unit,
    /// Its coordinate system as it states it.
    pub crs: String,
    #[serde(skip)]
    file: PathBuf,
    #[serde(skip)]
    modified: Option<SystemTime>,
}

/// The files of a job, each with its size and time of change as they are now, and no hash yet.
pub fn inputs_of(job: &Job) -> Vec<InputFile> {
    let clouds = [("survey", Some(&job.survey)), ("reference", job.reference.as_ref())];
    let clouds = clouds.into_iter().filter_map(|(name, cloud)| Some((name, cloud?)));
    let files = clouds.flat_map(|(name, cloud)| {
        // The sources of one file stand together.
        let files = cloud.sources.chunk_by(|a, b| a.path() == b.path());
        let mut units = cloud.units.iter();
        files
            .map(move |sources| (name, sources, *units.nth(sources.len() - 1).expect("units of each source")))
    });
    let input = |(cloud, sources, units): (&'static str, &[Source], (Unit, Unit))| InputFile {
        cloud,
        path: sources[0].path().display().to_string(),
        size: sources[0].size(),
        modified: modified(sources[0].path()),
        sha256: String::new(),
        points: sources.iter().map(Source::points).fold(0, u64::saturating_add),
        horizontal_unit: units.0,
        vertical_unit: units.1,
        crs: sources[0].crs().describe(),
        file: sources[0].path().to_path_buf(),
    };
    let mut inputs: Vec<InputFile> = files.map(input).collect();
    inputs.extend(job.list.as_ref().map(|list| InputFile {
        cloud: "reference",
        path: list.path.display().to_string(),
        size: list.points.size,
        modified: modified(&list.path),
        sha256: list.points.sha256.clone(),
        points: list.points.points.len() as u64,
        horizontal_unit: list.horizontal,
        vertical_unit: list.vertical,
        crs: job.survey.sources[0].crs().describe(),
        file: list.path.clone(),
    }));
    // The list of control may serve more than once.
    let lists = job.registering.iter().flat_map(|registering| &registering.lists);
    let lists = lists.map(|(list, units)| (&list.path, list.size, &list.sha256, *units));
    let fitted_to = job.fitting.iter().map(|fitting| {
        let ListJob { points, path, horizontal, vertical } = &fitting.list;
        (path, points.size, &points.sha256, (*horizontal, *vertical))
    });
    for (at, (path, size, sha256, units)) in lists.chain(fitted_to).enumerate() {
        let own_frames = at == 0 && job.registering.is_some();
        if inputs.iter().any(|input| input.cloud == CONTROL && input.file == *path) {
            continue;
        }
        inputs.push(InputFile {
            cloud: CONTROL,
            path: path.display().to_string(),
            size,
            modified: modified(path),
            sha256: sha256.clone(),
            points: 0,
            horizontal_unit: units.0,
            vertical_unit: units.1,
            crs: match own_frames {
                true => "the frame of each setup".to_string(),
                false => job.survey.sources[0].crs().describe(),
            },
            file: path.clone(),
        });
    }
    inputs
}

/// What a report tells of the inputs.
pub fn compared_files(job: &Job, inputs: &[InputFile]) -> Vec<ComparedFile> {
    let source_of = |path: &Path| {
        let clouds = [Some(&job.survey), job.reference.as_ref()].into_iter().flatten();
        clouds.flat_map(|cloud| &cloud.sources).find(|source| source.path() == path)
    };
    let file = |input: &InputFile| ComparedFile {
        cloud: input.cloud,
        measured_on: source_of(&input.file)
            .and_then(|source| measured_on(source, (input.horizontal_unit, input.vertical_unit))),
        name: file_name(&input.file),
        points: input.points,
        sha256: input.sha256.clone(),
        made_on: source_of(&input.file).and_then(|source| source.made_on().map(str::to_string)),
        crs: input.crs.clone(),
        units: (input.horizontal_unit, input.vertical_unit),
    };
    inputs.par_iter().map(file).collect()
}

/// The files of a job with their hashes, for which all of them are read.
///
/// # Errors
/// Where an input cannot be read, or the run is asked to stop.
pub fn hash_inputs(job: &Job, watch: &Watch) -> Result<Vec<InputFile>, EngineError> {
    let mut inputs = inputs_of(job);
    let progress =
        Progress::start(watch, "hashing the inputs", "bytes", inputs.iter().map(|input| input.size).sum());
    // File by file, so that no worker is left alone with several.
    inputs.par_iter_mut().with_max_len(1).try_for_each(|input| {
        let failed = |error| EngineError::disk(&input.file, "reading it for its hash")(error);
        input.sha256 = sha256(&input.file, failed, |bytes| {
            progress.advance(bytes);
            Ok(watch.check()?)
        })?;
        Ok::<(), EngineError>(())
    })?;
    Ok(inputs)
}

/// Bytes at both ends of a file that [`mark_by_ends`] looks at.
const END: u64 = 64 << 10;

/// Puts a hash of both ends in place of the hash that is not known yet: whoever writes a file again changes its header or what
/// follows the points. Cheap enough for every part of a run, and no matter of clocks.
///
/// # Errors
/// Where an input cannot be read.
pub fn mark_by_ends(inputs: &mut [InputFile]) -> Result<(), EngineError> {
    for input in inputs.iter_mut().filter(|input| input.sha256.is_empty()) {
        let ends = || -> io::Result<Vec<u8>> {
            let (mut file, mut bytes) = (File::open(&input.file)?, Vec::new());
            file.by_ref().take(END).read_to_end(&mut bytes)?;
            file.seek(SeekFrom::Start(input.size.saturating_sub(END)))?;
            file.take(END).read_to_end(&mut bytes)?;
            Ok(bytes)
        };
        let bytes = ends().map_err(EngineError::disk(&input.file, "reading its ends"))?;
        input.sha256 = format!("ends {:016x}", XxHash3_64::oneshot(&bytes));
    }
    Ok(())
}

/// What a run of a job with these inputs is started with.
pub fn identity(job: &Job, inputs: &[InputFile], may_replace: bool) -> Identity {
    let inputs = inputs.iter().map(|input| Input {
        cloud: input.cloud.to_string(),
        path: itself(Path::new(&input.path)).display().to_string(),
        size: input.size,
        sha256: input.sha256.clone(),
    });
    let areas = job.areas.iter().map(|area| Input {
        cloud: "exclude".to_string(),
        path: itself(&area.path).display().to_string(),
        size: area.size,
        sha256: area.sha256.clone(),
    });
    let pipeline = serde_json::to_value(&job.pipeline).expect("plain data");
    Identity::new(pipeline, inputs.chain(areas).collect(), job.tiling.edge, may_replace)
}

/// Makes sure that no input has changed since it was hashed, as far as size and time of change tell.
///
/// # Errors
/// The first input that has.
pub fn check_unchanged(inputs: &[InputFile]) -> Result<(), EngineError> {
    let changed = inputs.iter().find(|input| {
        let size = fs::metadata(&input.file).map(|data| data.len());
        size.ok() != Some(input.size) || modified(&input.file) != input.modified
    });
    changed.map_or(Ok(()), |input| Err(EngineError::InputChanged { path: input.file.clone() }))
}

fn modified(path: &Path) -> Option<SystemTime> {
    fs::metadata(path).and_then(|data| data.modified()).ok()
}
