//! A run from start to end.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Instant;

use super::error::EngineError;
use super::gather::Gathered;
use super::job::{CloudJob, Job};
use super::manifest::{Manifest, Step, peak_memory};
use super::progress::Progress;
use super::run_folder::{MANIFEST, RunFolder};
use super::scatter::{Dealt, Input, scatter};
use super::summing_up::{cloud_counts, histogram, results};
use super::tile::Cloud;
use super::work::{DealtClouds, make_surfaces, run_tiles};
use crate::cloud::point::MAX_RETURN;
use crate::pipeline::resolved::resolved_yaml;
use crate::report::method::method;
use crate::report::summary::Summary;
use crate::report::tables::{
    CheckpointRow, returns_csv, summary_json, write_checkpoint, write_checkpoint_header,
};
use crate::report::{html, summary};
use crate::stages::Stage;
use crate::stages::auto::Count;

/// Runs a job and leaves its results in the run folder `out`.
///
/// # Errors
/// Whatever stops the run; the run folder is then as it was before.
pub fn run(job: &Job, out: &Path, replace: bool) -> Result<Summary, EngineError> {
    let folder = RunFolder::claim(out, replace)?;
    let pool = rayon::ThreadPoolBuilder::new().num_threads(job.means.threads).build().map_err(|error| {
        EngineError::Internal { doing: "starting the workers".into(), message: error.to_string() }
    })?;
    let summary = pool.install(|| work(job, &folder))?;
    folder.finish()?;
    Ok(summary)
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

    fn step(&mut self, name: &'static str) {
        self.steps.push(Step { step: name, seconds: self.step.elapsed().as_secs_f64() });
        self.step = Instant::now();
    }
}

fn work(job: &Job, folder: &RunFolder) -> Result<Summary, EngineError> {
    let mut clock = Clock::start();
    let spill = folder.spill();
    let halo = job.chain.halo();
    let deal = |cloud, files: &CloudJob, halo, name: &str| -> Result<Dealt, EngineError> {
        let doing = if cloud == Cloud::Survey { "reading the survey" } else { "reading the reference" };
        let progress = Progress::start(doing, "points", files.density.points);
        let input = Input { cloud, files: &files.files, units: &files.units, halo };
        scatter(&input, &job.chain, job.tiling, &spill.join(name), &progress)
    };
    let survey = deal(Cloud::Survey, &job.survey, halo.survey, "survey")?;
    clock.step("read the survey");
    let reference = match &job.reference {
        Some(files) => Some(deal(Cloud::Reference, files, halo.reference, "reference")?),
        None => None,
    };
    clock.step("read the reference");
    let dealt = DealtClouds { survey, reference };
    let surfaces = make_surfaces(&dealt, &job.chain, job.tiling, &spill)?;
    clock.step("make surfaces");
    let draw = draw(&job.pipeline.stages);
    let gathered = Gathered::new(&spill, draw.kept)?;
    run_tiles(&dealt, &surfaces, &job.chain, job.tiling, &gathered)?;
    drop(surfaces);
    clock.step("work on tiles");
    if !draw.everything_counts {
        gathered.count_drawn()?;
    }
    let (survey_fates, reference_fates, residuals) = gathered.finish()?;
    let read = &dealt.survey.counts;
    let found = results(read, &survey_fates, &residuals, job.units)?;
    let histogram = histogram(&found, &residuals, job.units)?;
    let uncertainty = job.pipeline.reference.as_ref().and_then(|r| r.uncertainty);
    let summary = Summary {
        title: job.pipeline.title.clone(),
        units: job.units,
        points: read.by_return.iter().sum(),
        reference_uncertainty: uncertainty.map(|u| job.units.from_micrometres(u.micrometres() as f64)),
        returns: found.returns,
        all: found.all,
        survey: cloud_counts(read, &survey_fates),
        reference: dealt.reference.as_ref().map(|dealt| cloud_counts(&dealt.counts, &reference_fates)),
        method: method(&job.pipeline),
    };
    clock.step("sum up");
    write_results(job, &folder.results(), &summary, &histogram, &gathered, draw.listed)?;
    clock.step("write results");
    let mut manifest = Manifest::of(job)?;
    clock.step("hash the inputs");
    let points = summary.survey.read + summary.reference.as_ref().map_or(0, |r| r.read);
    manifest.spill_bytes =
        dealt.survey.spill.bytes() + dealt.reference.as_ref().map_or(0, |r| r.spill.bytes());
    manifest.seconds_in_all = clock.start.elapsed().as_secs_f64();
    manifest.points_per_second = points as f64 / manifest.seconds_in_all;
    manifest.seconds = clock.steps;
    manifest.peak_memory = peak_memory();
    let text = serde_json::to_string_pretty(&manifest).expect("plain data") + "\n";
    write(&folder.results().join(MANIFEST), &text)?;
    Ok(summary)
}

/// What the draw of checkpoints is for.
struct Draw {
    /// Checkpoints of each return that are kept.
    kept: Count,
    /// Checkpoints of each return that are listed.
    listed: Count,
    /// Whether every candidate counts, drawn or not.
    everything_counts: bool,
}

fn draw(stages: &[Stage]) -> Draw {
    let options = stages.iter().find_map(|stage| match stage {
        Stage::Checkpoints(options) => Some(options),
        _ => None,
    });
    match options.map(|o| (o.per_return, o.list)) {
        Some((Count::All, listed)) => Draw { kept: listed, listed, everything_counts: true },
        Some((drawn, _)) => Draw { kept: drawn, listed: drawn, everything_counts: false },
        None => Draw { kept: Count::AtMost(1), listed: Count::AtMost(1), everything_counts: true },
    }
}

fn write_results(
    job: &Job,
    results: &Path,
    summary: &Summary,
    histogram: &summary::Histogram,
    gathered: &Gathered,
    listed: Count,
) -> Result<(), EngineError> {
    write(&results.join("summary.json"), &summary_json(summary))?;
    write(&results.join("returns.csv"), &returns_csv(summary))?;
    write(&results.join("report.html"), &html::page(summary, histogram))?;
    write(&results.join("pipeline.yaml"), &resolved_yaml(&job.pipeline))?;
    let path = results.join("checkpoints.csv");
    let failed = || EngineError::disk(path.clone(), "writing the results");
    let mut file = BufWriter::new(File::create(&path).map_err(failed())?);
    write_checkpoint_header(&mut file).map_err(failed())?;
    let horizontal = job.survey.units[0].0;
    for number in 1..=MAX_RETURN as u8 {
        gathered.sample.for_each(number, listed, &mut |drawn| {
            write_checkpoint(&mut file, &row(drawn), horizontal, job.units).map_err(failed())
        })?;
    }
    file.flush().map_err(failed())
}

fn write(path: &Path, text: &str) -> Result<(), EngineError> {
    fs::write(path, text).map_err(EngineError::disk(path, "writing the results"))
}

fn row(drawn: &crate::stages::checkpoints::Drawn) -> CheckpointRow {
    CheckpointRow {
        x: drawn.x,
        y: drawn.y,
        z: drawn.z,
        return_number: drawn.return_number,
        number_of_returns: drawn.number_of_returns,
        reference_z: drawn.reference_z,
        dz: drawn.dz(),
        slope: drawn.plane.map(|(slope, _)| slope as f64 / 1e6),
        plane_sd: drawn.plane.map(|(_, sd)| sd as i64),
        reference_points: drawn.reference_points,
    }
}
