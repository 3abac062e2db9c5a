//! A run from start to end.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::thread;
use std::time::Instant;

use crate::cloud::STACK;
use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::gather::Gathered;
use crate::engine::conclude::manifest::{Manifest, Step, peak_memory};
use crate::engine::conclude::summing_up::{cloud_counts, histogram, notes_of_reading};
use crate::engine::conclude::terrain::{Account, trade};
use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::index;
use crate::engine::partition::read::{Input, Partition, scatter};
use crate::engine::plan::budget::free_bytes;
use crate::engine::plan::inputs::{InputFile, check_unchanged, hash_inputs, identity};
use crate::engine::plan::job::{CloudJob, Job};
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::identity::Identity;
use crate::engine::store::run_folder::{Claim, MANIFEST, RunFolder};
use crate::engine::watch::log::{self, RunLog};
use crate::engine::watch::progress::{Progress, duration};
use crate::engine::watch::stop;
use crate::engine::work::load::heavy_tiles;
use crate::engine::work::surfaces::Surfaces;
use crate::engine::work::tiles::{Work, make_surfaces, run_tiles};
use crate::pipeline::resolved::resolved_yaml;
use crate::report::html;
use crate::report::method::method;
use crate::results::summary;
use crate::results::summary::Summary;
use crate::results::tables::{returns_csv, summary_json, write_checkpoint, write_checkpoint_header};
use crate::stages::auto::Count;
use crate::stages::draw::Draw;
use crate::tile::points::Cloud;
use crate::tile::tiling::Tiling;
use crate::trust::figures::PointCounts;
use crate::trust::study::{self, Studied};

/// Runs a job and leaves its results in the run folder `out`.
///
/// # Errors
/// Whatever stops the run; the run folder is then as it was before, and work that can be gone on with is kept.
pub fn run(job: Job, out: &Path, claim: Claim) -> Result<Summary, EngineError> {
    let folder = RunFolder::claim(out, claim)?;
    let log = RunLog::open(&folder.log())?;
    tracing::info!(target: log::ONLY, "{}, version {}", job.pipeline_path.display(), env!("CARGO_PKG_VERSION"));
    let result = in_pool(job, &folder);
    match &result {
        Ok(_) => tracing::info!(target: log::ONLY, "done"),
        Err(error) => tracing::error!(target: log::ONLY, "{error}"),
    }
    // It is closed before it is moved.
    drop(log);
    let (work, kept) = (folder.work().to_path_buf(), folder.is_kept());
    let finished = result.and_then(|summary| folder.finish().map(|()| summary));
    finished.map_err(|error| match error {
        // Nothing that can be gone on with: the way on is another one, which the message tells.
        error @ (EngineError::RunFolder { .. } | EngineError::Damaged { .. }) => error,
        error if kept => EngineError::Resumable { source: Box::new(error), folder: work },
        error => error,
    })
}

fn in_pool(job: Job, folder: &RunFolder) -> Result<Summary, EngineError> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(job.resources.threads).stack_size(STACK).build();
    let pool = pool.map_err(|error| EngineError::Internal {
        doing: "starting the workers".into(),
        message: error.to_string(),
    })?;
    // Within the pool, since a panic is told apart on the thread that it happens on.
    pool.install(|| guarded(|| "doing the run".into(), || work(job, folder)))
}

/// Wall time of the steps of a run.
struct Clock {
    start: Instant,
    step: Instant,
    steps: Vec<Step>,
}

impl Clock {
    fn start() -> Self {
        Clock { start: Instant::now(), step: Instant::now(), steps: Vec::new() }
    }

    /// Ends a step; between two steps is a good place to stop.
    fn step(&mut self, name: &'static str) -> Result<(), EngineError> {
        let seconds = self.step.elapsed().as_secs_f64();
        tracing::info!("{name}: {}", duration(seconds));
        self.steps.push(Step { step: name, seconds });
        self.step = Instant::now();
        stop::check()
    }
}

fn work(mut job: Job, folder: &RunFolder) -> Result<Summary, EngineError> {
    let mut clock = Clock::start();
    let inputs = hash_inputs(&job)?;
    clock.step("hash the inputs")?;
    let dealt = match folder.left_over() {
        Some(left_over) => take_up(&mut job, &inputs, left_over, folder)?,
        None => deal_out(&job, &inputs, folder, &mut clock)?,
    };
    let spill = folder.spill();
    let draw = Draw::of(&job.pipeline.stages);
    let gathered = Gathered::open(&spill, draw.kept)?;
    let (tiles, taken_over) = (dealt.keys().len(), gathered.done_before().len());
    if folder.left_over().is_some() {
        tracing::info!("going on with the interrupted run: {taken_over} of {tiles} tiles are done");
    }
    if taken_over < tiles {
        let surfaces = make_surfaces(&dealt, &job.chain, job.tiling, &spill)?;
        clock.step("make surfaces")?;
        let work = Work {
            dealt: &dealt,
            surfaces: &surfaces,
            chain: &job.chain,
            tiling: job.tiling,
            gathered: &gathered,
        };
        run_tiles(&work, &heavy_tiles(&dealt, &job)?)?;
        surfaces.values().for_each(Surfaces::empty);
        clock.step("work on tiles")?;
    }
    let compared = if draw.everything_counts { gathered.compared() } else { gathered.drawn()? };
    let counts = gathered.counts();
    let read = &dealt.survey.counts;
    let point_counts = PointCounts {
        points: read.by_return,
        ground: counts.survey.ground_by_return,
        strata: counts.strata.clone(),
    };
    let studied = || -> Result<Studied, EngineError> {
        let figured = study::figures(&compared, &point_counts, &job.pipeline, job.units)
            .map_err(EngineError::disk(compared.path(), "reading working data back"))?;
        let terrain = match job.chain.terrain_cell {
            Some(cell) => {
                let account = Account {
                    ground: counts.survey.ground_by_return,
                    dz: figured.by_return,
                    learning: &figured.learning,
                    block: figured.block,
                };
                trade(&gathered.journal, job.tiling, cell.exact_micrometres(), &account)?
            }
            None => Vec::new(),
        };
        Ok(study::conclude(figured, terrain, &job.pipeline, job.units))
    };
    // The study leaves workers idle now and then: time to write the checkpoints, and for the system to give room back.
    let (studied, checkpoints) = thread::scope(|scope| {
        scope.spawn(|| dealt.empty());
        rayon::join(studied, || write_checkpoints(&job, &folder.results(), &gathered, draw.listed))
    });
    checkpoints?;
    let studied = studied?;
    let histogram = histogram(&studied.returns, &studied.all, &compared, job.units)?;
    let uncertainty = job.pipeline.reference.as_ref().and_then(|r| r.uncertainty);
    let summary = Summary {
        title: job.pipeline.title.clone(),
        units: job.units,
        points: read.by_return.iter().sum(),
        reference_uncertainty: uncertainty.map(|u| job.units.from_micrometres(u.micrometres() as f64)),
        returns: studied.returns,
        all: studied.all,
        trust: studied.trust,
        survey: cloud_counts(read, &counts.survey),
        reference: dealt.reference.as_ref().map(|dealt| cloud_counts(&dealt.counts, &counts.reference)),
        method: method(&job.pipeline),
    };
    clock.step("sum up")?;
    write_results(&job, &folder.results(), &summary, &histogram)?;
    clock.step("write results")?;
    let mut manifest = Manifest::of(&job, inputs);
    manifest.notes.extend(notes_of_reading(&dealt, &job));
    let points = summary.survey.read + summary.reference.as_ref().map_or(0, |r| r.read);
    manifest.tiles = tiles as u64;
    manifest.tiles_taken_over = taken_over as u64;
    manifest.spill_bytes = dealt.spill_bytes();
    manifest.seconds_in_all = clock.start.elapsed().as_secs_f64();
    manifest.points_per_second =
        folder.left_over().is_none().then(|| points as f64 / manifest.seconds_in_all);
    manifest.seconds = clock.steps;
    manifest.peak_memory = peak_memory();
    let text = serde_json::to_string_pretty(&manifest).expect("plain data") + "\n";
    write(&folder.results().join(MANIFEST), &text)?;
    Ok(summary)
}

/// Takes up the points that an interrupted run dealt out, if it was started with the same things.
fn take_up(
    job: &mut Job,
    inputs: &[InputFile],
    left_over: &Identity,
    folder: &RunFolder,
) -> Result<Partitions, EngineError> {
    let changed = left_over.differences(&identity(job, inputs, folder.may_replace()));
    if !changed.is_empty() {
        let message = format!(
            "the interrupted run cannot be gone on with, since what it was started with has changed:\n  {}\n\
             Put that back, or start anew with --replace",
            changed.join("\n  ")
        );
        return Err(EngineError::RunFolder { path: folder.work().to_path_buf(), message });
    }
    job.tiling = Tiling { edge: left_over.tile_edge };
    index::read(&folder.index(), &folder.spill())
}

/// Reads the clouds and deals their points out to tiles on disk; from then on the run can be gone on with.
fn deal_out(
    job: &Job,
    inputs: &[InputFile],
    folder: &RunFolder,
    clock: &mut Clock,
) -> Result<Partitions, EngineError> {
    let needed = job.disk_bytes();
    if let Some(free) = free_bytes(folder.work()).filter(|free| *free < needed) {
        return Err(EngineError::Room { path: folder.work().to_path_buf(), needed, free });
    }
    folder.write_identity(&identity(job, inputs, folder.may_replace()))?;
    let halo = job.chain.halo();
    let deal = |cloud, files: &CloudJob, halo, path: &Path| -> Result<Partition, EngineError> {
        let doing = if cloud == Cloud::Survey { "reading the survey" } else { "reading the reference" };
        let progress = Progress::start(doing, "points", files.density.points);
        let input =
            Input { cloud, files: &files.files, units: &files.units, halo, memory: job.resources.memory };
        scatter(&input, &job.chain, job.tiling, path, &progress)
    };
    let spill = folder.spill();
    let survey = deal(Cloud::Survey, &job.survey, halo.survey, &index::survey_spill(&spill))?;
    clock.step("read the survey")?;
    let reference = match &job.reference {
        Some(files) => {
            let path = index::reference_spill(&spill);
            let dealt = deal(Cloud::Reference, files, halo.reference, &path)?;
            clock.step("read the reference")?;
            Some(dealt)
        }
        None => None,
    };
    let dealt = Partitions { survey, reference };
    check_unchanged(inputs)?;
    // Before anything is kept: the remedy may be another pipeline file.
    heavy_tiles(&dealt, job)?;
    index::write(&dealt, &folder.index())?;
    folder.keep_work();
    Ok(dealt)
}

fn write_results(
    job: &Job,
    results: &Path,
    summary: &Summary,
    histogram: &summary::Histogram,
) -> Result<(), EngineError> {
    write(&results.join("summary.json"), &summary_json(summary))?;
    write(&results.join("returns.csv"), &returns_csv(summary))?;
    write(&results.join("report.html"), &html::page(summary, histogram))?;
    write(&results.join("pipeline.yaml"), &resolved_yaml(&job.pipeline))
}

fn write_checkpoints(
    job: &Job,
    results: &Path,
    gathered: &Gathered,
    listed: Count,
) -> Result<(), EngineError> {
    let path = results.join("checkpoints.csv");
    let failed = || EngineError::disk(path.clone(), "writing the results");
    let mut file = BufWriter::new(File::create(&path).map_err(failed())?);
    write_checkpoint_header(&mut file).map_err(failed())?;
    let horizontal = job.survey.units[0].0;
    for number in 1..=MAX_RETURN as u8 {
        gathered.sample.for_each(number, listed, &mut |drawn| {
            write_checkpoint(&mut file, drawn, horizontal, job.units).map_err(failed())
        })?;
    }
    file.flush().map_err(failed())
}

fn write(path: &Path, text: &str) -> Result<(), EngineError> {
    fs::write(path, text).map_err(EngineError::disk(path, "writing the results"))
}
