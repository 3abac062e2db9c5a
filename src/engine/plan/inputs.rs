//! The files that a run reads, with size and hash: for the manifest, and to check whether a later run may continue.

use std::path::Path;
use std::time::SystemTime;

use rayon::prelude::*;
use serde::Serialize;
use sha2::{Digest, Sha256};
use twox_hash::XxHash3_64;

use crate::cloud::files::{hex, itself};
use crate::cloud::{Location, Source, read_stretch};
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
    /// Of an object, the strong entity tag that its store gives it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entity_tag: Option<String>,
    #[serde(skip)]
    location: Location,
    #[serde(skip)]
    state: Option<(u64, Option<SystemTime>)>,
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
        state: sources[0].location().state(),
        entity_tag: sources[0].location().entity_tag(),
        sha256: String::new(),
        points: sources.iter().map(Source::points).fold(0, u64::saturating_add),
        horizontal_unit: units.0,
        vertical_unit: units.1,
        crs: sources[0].crs().describe(),
        location: sources[0].location().clone(),
    };
    let mut inputs: Vec<InputFile> = files.map(input).collect();
    inputs.extend(job.list.as_ref().map(|list| InputFile {
        cloud: "reference",
        path: list.path.display().to_string(),
        size: list.points.size,
        state: Location::from(&list.path).state(),
        entity_tag: None,
        sha256: list.points.sha256.clone(),
        points: list.points.points.len() as u64,
        horizontal_unit: list.horizontal,
        vertical_unit: list.vertical,
        crs: job.survey.sources[0].crs().describe(),
        location: (&list.path).into(),
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
        if inputs.iter().any(|input| input.cloud == CONTROL && input.location.path() == path) {
            continue;
        }
        inputs.push(InputFile {
            cloud: CONTROL,
            path: path.display().to_string(),
            size,
            state: Location::from(path).state(),
            entity_tag: None,
            sha256: sha256.clone(),
            points: 0,
            horizontal_unit: units.0,
            vertical_unit: units.1,
            crs: match own_frames {
                true => "the frame of each setup".to_string(),
                false => job.survey.sources[0].crs().describe(),
            },
            location: path.into(),
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
        measured_on: source_of(input.location.path())
            .and_then(|source| measured_on(source, (input.horizontal_unit, input.vertical_unit))),
        name: input.location.name(),
        points: input.points,
        sha256: input.sha256.clone(),
        made_on: source_of(input.location.path()).and_then(|source| source.made_on().map(str::to_string)),
        crs: input.crs.clone(),
        units: (input.horizontal_unit, input.vertical_unit),
    };
    inputs.par_iter().map(file).collect()
}

/// The files of a job with their hashes, for which all of them are read: all but those of which an earlier run has left a
/// hash in `known` with the same address, size and entity tag.
///
/// # Errors
/// Where an input cannot be read, or the run is asked to stop.
pub fn hash_inputs(job: &Job, known: &[Input], watch: &Watch) -> Result<Vec<InputFile>, EngineError> {
    let mut inputs = inputs_of(job);
    for input in inputs.iter_mut().filter(|input| input.entity_tag.is_some()) {
        let same = known.iter().find(|known| {
            (&known.path, known.size, &known.entity_tag) == (&input.path, input.size, &input.entity_tag)
        });
        input.sha256 = same.map(|known| known.sha256.clone()).unwrap_or_default();
    }
    let is_known = |input: &InputFile| input.entity_tag.is_some() && !input.sha256.is_empty();
    let unknown = inputs.iter().filter(|input| !is_known(input)).map(|input| input.size).sum();
    let progress = Progress::start(watch, "hashing the inputs", "bytes", unknown);
    // File by file, so that no worker is left alone with several.
    inputs.par_iter_mut().with_max_len(1).filter(|input| !is_known(input)).try_for_each(|input| {
        let mut hasher = Sha256::new();
        read_stretch(&input.location, 0, input.size, |piece| {
            hasher.update(piece);
            progress.advance(piece.len() as u64);
            Ok::<(), EngineError>(watch.check()?)
        })?;
        input.sha256 = hex(&hasher.finalize());
        Ok::<(), EngineError>(())
    })?;
    Ok(inputs)
}

/// Bytes at both ends of a file that [`mark_by_ends`] looks at.
const END: u64 = 64 << 10;

/// Puts a hash of both ends in place of the hash that is not known yet: whoever writes a file again changes its header or what
/// follows the points. Cheap enough for every part of a run, and no matter of clocks. The entity tag of an object does that,
/// too, and nothing need be read for it.
///
/// # Errors
/// Where an input cannot be read.
pub fn mark_by_ends(inputs: &mut [InputFile]) -> Result<(), EngineError> {
    for input in inputs.iter_mut().filter(|input| input.sha256.is_empty()) {
        if let Some(tag) = &input.entity_tag {
            input.sha256 = format!("entity tag {tag}");
            continue;
        }
        let mut bytes = Vec::new();
        for (from, to) in [(0, END.min(input.size)), (input.size.saturating_sub(END), input.size)] {
            read_stretch(&input.location, from, to, |piece| {
                bytes.extend_from_slice(piece);
                Ok::<(), EngineError>(())
            })?;
        }
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
        entity_tag: input.entity_tag.clone(),
    });
    let areas = job.areas.iter().map(|area| Input {
        cloud: "exclude".to_string(),
        path: itself(&area.path).display().to_string(),
        size: area.size,
        sha256: area.sha256.clone(),
        entity_tag: None,
    });
    let pipeline = serde_json::to_value(&job.pipeline).expect("plain data");
    Identity::new(pipeline, inputs.chain(areas).collect(), job.tiling.edge, may_replace)
}

/// Makes sure that no input has changed since it was hashed, as far as size and time of change tell.
///
/// # Errors
/// The first input that has.
pub fn check_unchanged(inputs: &[InputFile]) -> Result<(), EngineError> {
    let changed = inputs.iter().find(|input| input.location.state() != input.state || input.is_gone());
    changed
        .map_or(Ok(()), |input| Err(EngineError::InputChanged { path: input.location.path().to_path_buf() }))
}

impl InputFile {
    /// Its path, where it is a file: objects are reached from everywhere.
    pub fn file(&self) -> Option<&Path> {
        Some(self.location.path()).filter(|_| !self.location.is_object())
    }

    /// Whether it was no file any more when its size was asked for, or is none now.
    fn is_gone(&self) -> bool {
        !self.location.is_object() && self.state.is_none_or(|(size, _)| size != self.size)
    }
}
