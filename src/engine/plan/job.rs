//! All that is known of a run before a point is read: the clouds, their units, whether they belong together, and the
//! size of the tiles. `check` shows it, `run` starts from it.
//!
//! A unit that a file states may be overridden by `units:`, since the two feet are mixed up in headers every day, but never
//! silently: a note is shown and kept in `manifest.json`. The vertical unit is never taken from the horizontal one.

use std::path::PathBuf;
use std::sync::Arc;

use rayon::prelude::*;

use crate::areas::{AreaFile, LeftOut};
use crate::cloud::point_list::ListError;
use crate::cloud::{CloudError, Location, Source};
use crate::engine::plan::areas::Areas;
use crate::engine::plan::budget::least_memory;
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::copies::copies;
use crate::engine::plan::edge::{EDGES, tile_edge, wrong_edge};
use crate::engine::plan::fitting::Fitting;
use crate::engine::plan::list_job::ListJob;
use crate::engine::plan::placing::placing;
use crate::engine::plan::registering::{Failed, Registering};
use crate::engine::plan::setups;
use crate::engine::plan::sites::{Demands, SitesAsked};
use crate::engine::plan::systems::{VerticalProblem, verticals};
use crate::engine::plan::together;
use crate::engine::plan::units::{Axis, Other, others_too, unit_of};
use crate::pipeline::inputs::CloudUnits;
use crate::pipeline::model::CloudInput;
use crate::pipeline::{Loaded, Pipeline, PipelineError, Problem, Seg};
use crate::results::format::and_list_of;
use crate::stages::auto::Auto;
use crate::stages::chain::{Chain, Given};
use crate::stages::list::{Stage, export_of, is_delivered};
use crate::stages::sites::SiteSearch;
use crate::stages::stage::Setups;
use crate::tile::points::Cloud;
use crate::tile::tiling::Tiling;
use crate::units::{Micrometres, Unit};

/// Memory that a run may take by default, bytes.
pub const DEFAULT_MEMORY: u64 = 512 << 20;

/// How a run may use the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Resources {
    /// Workers.
    pub threads: usize,
    /// Memory allowed, bytes.
    pub memory: u64,
}

/// Why a pipeline file that is right in itself cannot be run.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// What the clouds say does not fit the pipeline file.
    #[error("{0}")]
    Pipeline(#[from] PipelineError),
    /// A cloud cannot be read.
    #[error(transparent)]
    Cloud(#[from] CloudError),
    /// The list of surveyed points cannot be used.
    #[error(transparent)]
    List(#[from] ListError),
    /// The memory allowed is too small for the cells over one tile.
    #[error(
        "{} MiB of memory is too little: the cells of one tile of {edge_m} m with its margins need {} MiB. Allow more with \
         --memory, or set a larger `cell:`, a smaller `window_max:` or `fill_max:`, or fewer settings under `compare:`, of `ground`, or a larger \
         `agreement_cell:` or `terrain_cell:` of `summarise`, or `cell:` of `terrain`", allowed >> 20, needed.div_ceil(1 << 20)
    )]
    Memory {
        /// Memory allowed, bytes.
        allowed: u64,
        /// Memory needed, bytes.
        needed: u64,
        /// Edge of the tiles, metres.
        edge_m: f64,
    },
}

/// A run, ready to start.
pub struct Job {
    /// The pipeline as resolved.
    pub pipeline: Pipeline,
    /// The pipeline file.
    pub pipeline_path: PathBuf,
    /// The stages.
    pub chain: Chain,
    /// The survey.
    pub survey: CloudJob,
    /// The reference, where there is one.
    pub reference: Option<CloudJob>,
    /// How the scans of the reference are registered, where they are.
    pub registering: Option<Registering>,
    /// The list of surveyed points that is the reference instead.
    pub list: Option<ListJob>,
    /// The control that the survey is fitted to, where it is.
    pub fitting: Option<Fitting>,
    /// Unit of the report.
    pub units: Unit,
    /// The tiles.
    pub tiling: Tiling,
    /// The files of the areas left out.
    pub areas: Vec<AreaFile>,
    /// What sites for checkpoints are looked for by, where they are.
    pub sites: Option<Arc<SiteSearch>>,
    /// The areas themselves.
    pub left_out: LeftOut,
    /// What the run may use.
    pub resources: Resources,
    /// What a person should know, in words.
    pub notes: Vec<String>,
}

impl Job {
    /// Opens the clouds that a pipeline file names and checks that they belong together.
    ///
    /// # Errors
    /// A cloud that cannot be read, units that are not stated, systems that differ, or too little memory.
    pub fn prepare(loaded: Loaded, resources: Resources) -> Result<Self, JobError> {
        Job::prepare_with(loaded, resources, None)
    }

    /// A job that looks for sites of checkpoints: the stages of the file up to the ground filter, on the survey alone.
    ///
    /// # Errors
    /// As [`Job::prepare`], and where the file has no ground filter for the survey.
    pub fn prepare_sites(
        mut loaded: Loaded,
        demands: Demands,
        resources: Resources,
    ) -> Result<Self, JobError> {
        let asked = SitesAsked::of(&mut loaded, demands);
        let asked = asked.map_err(|problem| loaded.error(vec![problem]))?;
        Job::prepare_with(loaded, resources, Some(asked))
    }

    /// As [`Job::prepare`]; `asked` is what sites for checkpoints are looked for by, where they are.
    fn prepare_with(
        loaded: Loaded,
        resources: Resources,
        asked: Option<SitesAsked>,
    ) -> Result<Self, JobError> {
        let pipeline = loaded.pipeline.clone();
        let read = pipeline.stages.iter().find_map(Stage::as_read).cloned().unwrap_or_default();
        let (skip_damaged, ignore_bounds) = (read.skips_damaged(), read.ignores_bounds());
        let mut found = Findings { loaded: &loaded, notes: Vec::new(), problems: Vec::new() };
        let survey = open(&loaded.survey_files, skip_damaged)?;
        let mut reference = open(&loaded.reference_files, skip_damaged)?;
        let is_registered = pipeline.reference.as_ref().is_some_and(|input| input.register.is_some());
        if is_registered {
            reference = reference.into_iter().map(Source::in_own_frame).collect();
        }
        let given = |input: &CloudInput| input.units.unwrap_or_default();
        let scanned = pipeline.reference.as_ref().filter(|input| input.points.is_none());
        let others = [
            scanned.map(|input| ("reference", reference.as_slice(), given(input))),
            Some(("survey", survey.as_slice(), given(&pipeline.survey))),
        ];
        let survey_units = units("survey", &survey, given(&pipeline.survey), others[0].as_ref(), &mut found);
        let reference_units =
            scanned.map(|input| units("reference", &reference, given(input), others[1].as_ref(), &mut found));
        let registering = match &reference_units {
            Some(units) if found.problems.is_empty() => {
                found.registering(&reference, units, survey_units[0])?
            }
            _ => None,
        };
        let placings = placing(&survey, &pipeline.survey, &[], &[], false, None);
        let survey = CloudJob::new(survey, survey_units, placings);
        let reference = scanned.zip(reference_units).map(|(input, units)| {
            let (files, setups) = (&loaded.reference_files, &loaded.reference_setups);
            let number = setups::are_files(&reference, &pipeline.stages);
            let placings = placing(&reference, input, files, setups, number, registering.as_ref());
            CloudJob::new(reference, units, placings)
        });
        let list = ListJob::reference(&loaded, survey.units[0])?;
        // Scans in their own frames are in no system but that of the control.
        check_systems(&survey, reference.as_ref().filter(|_| !is_registered), &mut found);
        found.verticals(&survey, reference.as_ref().zip(pipeline.reference.as_ref()));
        found.classes(&survey, reference.as_ref());
        found.copies(&survey)?;
        if found.problems.is_empty()
            && let Some(reference) = &reference
            && let Some((message, help)) = together::check(&survey, reference, &pipeline, ignore_bounds)
        {
            found.problem("reference", &message, &help);
        }
        let fitting = Fitting::of(&loaded, survey.units[0], list.as_ref(), &mut found.problems)?;
        found.notes.extend(fitting.iter().map(Fitting::note));
        let areas = Areas::read(&loaded, survey.sources[0].crs(), survey.units[0].0);
        let Findings { mut notes, mut problems, .. } = found;
        notes.extend_from_slice(&areas.notes);
        problems.extend_from_slice(&areas.problems);
        let overlap = reference.as_ref().is_some_and(setups::overlap);
        let middles = registering.as_ref().map(|one| Arc::new(one.network.middles()));
        notes.extend(asked.iter().filter_map(|asked| asked.note.clone()));
        let sites = asked.map(|asked| asked.search(&survey, fitting.as_ref(), pipeline.seed));
        let given = Given {
            left_out: areas.left_out.clone(),
            surveyed: list.as_ref().map(ListJob::places),
            control: fitting.as_ref().map(|fitting| fitting.list.places()).unwrap_or_default(),
            setups: Setups { overlap, middles },
            sites: sites.transpose()?.map(Arc::new),
        };
        let sites = given.sites.clone();
        let chain = Chain::with(&pipeline.stages, pipeline.seed, given);
        if !problems.is_empty() {
            return Err(loaded.error(problems).into());
        }
        let fixed = match read.tile {
            Auto::Fixed(edge) => Some(edge.micrometres()),
            Auto::Auto => None,
        };
        let edge = fixed.or_else(|| tile_edge(&survey.density, &chain)).unwrap_or(EDGES.0 * 1_000_000);
        if let Some(why) = wrong_edge(edge, &chain) {
            return Err(loaded.error(vec![edge_problem(&loaded, &why)]).into());
        }
        let needed = least_memory(edge, &chain);
        if needed > resources.memory {
            return Err(JobError::Memory { allowed: resources.memory, needed, edge_m: edge_metres(edge) });
        }
        let units = pipeline.units.unwrap_or(survey.units[0].1);
        Ok(Job {
            pipeline,
            pipeline_path: loaded.path.clone(),
            chain,
            survey,
            reference,
            registering,
            list,
            fitting,
            units,
            tiling: Tiling { edge },
            areas: areas.files,
            sites,
            left_out: areas.left_out,
            resources,
            notes,
        })
    }
}

/// The edge of the tiles does not fit the other options.
fn edge_problem(loaded: &Loaded, why: &str) -> Problem {
    let stages = &loaded.pipeline.stages;
    let read = stages.iter().position(|stage| matches!(stage, Stage::Read(_))).unwrap_or(0);
    let place = loaded.option_path(read, "tile");
    loaded.problem_at(&place, why, "this edge", Some("`tile: auto` chooses an edge that fits"))
}

/// What the headers of the clouds bring to light.
struct Findings<'a> {
    loaded: &'a Loaded,
    notes: Vec<String>,
    problems: Vec<Problem>,
}

impl Findings<'_> {
    /// Notes a problem with the files of a cloud.
    fn problem(&mut self, role: &str, message: &str, help: &str) {
        let key =
            if role == "reference" && !self.loaded.reference_setups.is_empty() { "scans" } else { "files" };
        let place = [Seg::Key(role.to_string()), Seg::Key(key.to_string())];
        self.problems.push(self.loaded.problem_at(&place, message, "these files", Some(help)));
    }

    /// Clouds whose classes are to be taken as delivered, in files that have none.
    fn classes(&mut self, survey: &CloudJob, reference: Option<&CloudJob>) {
        for (cloud, job) in [(Cloud::Survey, Some(survey)), (Cloud::Reference, reference)] {
            let scan = job.and_then(|job| job.sources.iter().find(|source| !source.has_classes()));
            if let Some(scan) = scan.filter(|_| is_delivered(&self.loaded.pipeline.stages, cloud)) {
                let name = cloud.name();
                let message = format!(
                    "{} holds no classes (an E57 file has none), but `ground` takes the ground of the {name} from them",
                    scan.name()
                );
                let help = format!("let the ground filter find it: `- ground: {{cloud: {name}}}`");
                self.problem(name, &message, &help);
            }
        }
    }

    /// Registers the scans of the reference; what is wrong with the lists' content is noted.
    fn registering(
        &mut self,
        reference: &[Source],
        units: &[(Unit, Unit)],
        survey: (Unit, Unit),
    ) -> Result<Option<Registering>, JobError> {
        match Registering::of(self.loaded, reference, units, survey) {
            Ok(registering) => {
                self.notes.extend(registering.iter().flat_map(|one| one.notes.iter().cloned()));
                Ok(registering)
            }
            Err(Failed::List(error)) => Err(error.into()),
            Err(Failed::Table(error)) => Err(error.into()),
            Err(Failed::Problem(problem)) => {
                self.problems.push(problem);
                Ok(None)
            }
        }
    }

    /// Files of the survey that cannot be written again with other classes.
    fn copies(&mut self, survey: &CloudJob) -> Result<(), CloudError> {
        let Some(export) = export_of(&self.loaded.pipeline.stages).filter(|export| export.cloud) else {
            return Ok(());
        };
        let found = copies(survey, export)?;
        self.notes.extend(found.notes);
        if let Some(message) = found.problem {
            let help = "`export: {cloud: false}` goes without the classified cloud";
            self.problem("survey", &message, help);
        }
        Ok(())
    }

    /// What the vertical systems of the clouds bring to light.
    fn verticals(&mut self, survey: &CloudJob, reference: Option<(&CloudJob, &CloudInput)>) {
        let found = verticals(&survey.sources, reference.map(|(job, input)| (&job.sources[..], input)));
        self.notes.extend(found.notes);
        if let Some(VerticalProblem { role, message, help }) = found.problem {
            self.problem(role, &message, help);
        }
    }
}

/// Objects that are opened at once: stores answer slowly, but many at once.
const OPENED_AT_ONCE: usize = 16;

/// Opens the files of a cloud.
fn open(files: &[Location], skip_damaged: bool) -> Result<Vec<Source>, CloudError> {
    let open = |file: &Location| Source::open(file, skip_damaged);
    if !files.iter().any(Location::is_object) {
        return Ok(files.iter().map(open).collect::<Result<Vec<_>, _>>()?.concat());
    }
    let pool = rayon::ThreadPoolBuilder::new().num_threads(OPENED_AT_ONCE.min(files.len())).build();
    let opened: Vec<Result<Vec<Source>, CloudError>> = match pool {
        Ok(pool) => pool.install(|| files.par_iter().with_max_len(1).map(open).collect()),
        Err(_) => files.iter().map(open).collect(),
    };
    Ok(opened.into_iter().collect::<Result<Vec<_>, _>>()?.concat())
}

/// Puts a file to those of which the same is to be said. The scans of one are one file.
fn say<'a, T: PartialEq>(said: &mut Vec<(T, Vec<&'a Source>)>, what: T, source: &'a Source) {
    match said.iter_mut().find(|(same, _)| *same == what) {
        Some((_, files)) if files.last().is_some_and(|last| last.path() == source.path()) => {}
        Some((_, files)) => files.push(source),
        None => said.push((what, vec![source])),
    }
}

/// Files that a note names; of more it says how many they are.
const MOST_NAMED: usize = 2;

/// The units of each source of a cloud; what is wrong with them, and what the sources say of themselves, is noted.
fn units(
    role: &str,
    sources: &[Source],
    given: CloudUnits,
    other: Option<&Other<'_>>,
    found: &mut Findings<'_>,
) -> Vec<(Unit, Unit)> {
    let mut units = Vec::with_capacity(sources.len());
    let (mut missing, mut notes) = (Vec::new(), Vec::new());
    for source in sources {
        source.notes().iter().for_each(|note| say(&mut notes, note, source));
        let [horizontal, vertical] = [Axis::Horizontal, Axis::Vertical].map(|axis| {
            match unit_of(source, axis, axis.given(given)) {
                Ok((unit, note)) => {
                    // Once for all scans of a file.
                    found.notes.extend(note.filter(|note| !found.notes.contains(note)));
                    unit
                }
                Err(why) => {
                    say(&mut missing, (axis, why), source);
                    Unit::Metre
                }
            }
        });
        units.push((horizontal, vertical));
    }
    for (note, files) in notes {
        let names: Vec<String> = files.iter().map(|file| file.name()).collect();
        found.notes.push(format!("{}: {note}", and_list_of(&names, MOST_NAMED)));
    }
    for ((axis, why), sources) in missing {
        let (message, help) = why.told(axis, &sources, other);
        found.problem(role, &message, &help);
    }
    units
}

/// Refuses clouds in different horizontal systems; where one states none, says what is assumed.
fn check_systems(survey: &CloudJob, reference: Option<&CloudJob>, found: &mut Findings<'_>) {
    let first = &survey.sources[0];
    let others = survey.sources[1..].iter().map(|s| ("survey", s));
    let others = others.chain(reference.into_iter().flat_map(|r| r.sources.iter().map(|s| ("reference", s))));
    let mut reported = false;
    let mut differing = Vec::new();
    for (role, source) in others {
        match first.crs().same_horizontal(source.crs()) {
            Some(true) => {}
            Some(false) => say(&mut differing, (role, source.crs().describe()), source),
            None if !reported => {
                reported = true;
                found.notes.push(format!(
                    "{} and {} do not both state their horizontal system; the same one is assumed",
                    first.name(),
                    source.name()
                ));
            }
            None => {}
        }
    }
    for ((role, system), sources) in differing {
        let message = format!(
            "{} is in {system}{}, but {} is in {}",
            sources[0].name(),
            others_too(sources.len()),
            first.name(),
            first.crs().describe()
        );
        let help = "transform both to one horizontal system first: coordinates are compared as they are";
        found.problem(role, &message, help);
    }
}

/// A tile edge in whole micrometres, for people: metres.
pub fn edge_metres(edge: Micrometres) -> f64 {
    edge as f64 / 1e6
}
