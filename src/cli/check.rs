//! `echograde check`: all that can be known about a run without reading points.

use std::fmt::Write as _;
use std::path::Path;

use serde::Serialize;

use crate::cli::error::CliError;
use crate::cloud::{Block, Ground};
use crate::engine::plan::budget::{free_bytes, least_memory, unit_bytes};
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::forecast::Forecast;
use crate::engine::plan::job::{Job, Resources, edge_metres};
use crate::engine::watch::progress::duration;
use crate::pipeline::load;
use crate::pipeline::resolved::resolved_yaml;
use crate::results::format::thousands;
use crate::tile::points::Cloud;
use crate::units::Unit;

/// What is known about a run before it reads points.
#[derive(Serialize)]
struct Checked {
    pipeline: String,
    output: String,
    report_units: Unit,
    survey: CheckedCloud,
    reference: Option<CheckedCloud>,
    tile_edge_m: f64,
    tiles: u64,
    threads: usize,
    memory_allowed: u64,
    memory_expected: u64,
    memory_floor: u64,
    disk_needed: u64,
    disk_free: Option<u64>,
    rough_seconds: f64,
    in_parts: InParts,
    notes: Vec<String>,
    resolved: String,
}

/// What the phases of a run in parts take: the first two are divided among machines.
#[derive(Serialize)]
struct InParts {
    deal_seconds: f64,
    work_seconds: f64,
    finish_seconds: f64,
    /// Bytes of the largest unit of work: a worker's memory should hold one.
    unit_bytes: u64,
}

#[derive(Serialize)]
struct CheckedCloud {
    points: u64,
    files: Vec<CheckedFile>,
}

#[derive(Serialize)]
struct CheckedFile {
    path: String,
    points: u64,
    horizontal_unit: Unit,
    vertical_unit: Unit,
    crs: String,
    /// Of a COPC file, the nodes of its octree, and how many of them are decoded.
    #[serde(skip_serializing_if = "Option::is_none")]
    copc: Option<CheckedNodes>,
}

#[derive(Serialize)]
struct CheckedNodes {
    nodes: usize,
    decoded: usize,
}

/// Checks a pipeline file and the headers of its clouds; gives the text for standard output.
///
/// # Errors
/// Whatever is wrong with the file or its clouds.
pub fn check(file: &Path, json: bool, resources: Resources) -> Result<String, CliError> {
    let loaded = load(file)?;
    let output = loaded.output_folder();
    let job = Job::prepare(loaded, resources)?;
    let checked = gather(&job, &output);
    if json {
        return Ok(serde_json::to_string_pretty(&checked).expect("plain data") + "\n");
    }
    Ok(text(&checked))
}

fn gather(job: &Job, output: &Path) -> Checked {
    let forecast = Forecast::of(job);
    Checked {
        pipeline: job.pipeline_path.display().to_string(),
        output: output.display().to_string(),
        report_units: job.units,
        survey: cloud(&job.survey, &job.chain.grounds(Cloud::Survey)),
        reference: job.reference.as_ref().map(|one| cloud(one, &job.chain.grounds(Cloud::Reference))),
        tile_edge_m: edge_metres(job.tiling.edge),
        tiles: forecast.tiles,
        threads: job.resources.threads,
        memory_allowed: job.resources.memory,
        memory_expected: forecast.memory,
        memory_floor: least_memory(job.tiling.edge, &job.chain),
        disk_needed: forecast.disk,
        disk_free: free_bytes(output),
        rough_seconds: forecast.seconds,
        in_parts: InParts {
            deal_seconds: forecast.phases.deal,
            work_seconds: forecast.phases.work,
            finish_seconds: forecast.phases.finish,
            unit_bytes: unit_bytes(job.tiling.edge, &job.survey.density, &job.chain),
        },
        notes: job.notes.clone(),
        resolved: resolved_yaml(&job.pipeline),
    }
}

fn cloud(job: &CloudJob, grounds: &[&Ground]) -> CheckedCloud {
    let files = job.sources.iter().zip(&job.units).map(|(source, units)| CheckedFile {
        path: source.path().display().to_string(),
        points: source.points(),
        horizontal_unit: units.0,
        vertical_unit: units.1,
        crs: source.crs().describe(),
        copc: source.nodes().map(|nodes| {
            let needed = |block: &&Block| source.may_lie_on(block, grounds, units.0);
            CheckedNodes { nodes, decoded: source.blocks().iter().filter(needed).count() }
        }),
    });
    CheckedCloud { points: job.density.points, files: files.collect() }
}

fn text(checked: &Checked) -> String {
    let mut text = format!("{} can be run; results go to {}\n", checked.pipeline, checked.output);
    for (name, cloud) in [("survey", Some(&checked.survey)), ("reference", checked.reference.as_ref())] {
        let Some(cloud) = cloud else { continue };
        let _ =
            writeln!(text, "\n{name}: {} points in {} file(s)", thousands(cloud.points), cloud.files.len());
        for file in &cloud.files {
            let _ = writeln!(
                text,
                "  {}  {} points, x and y in {}, z in {}, {}{}",
                file.path,
                thousands(file.points),
                file.horizontal_unit.words(),
                file.vertical_unit.words(),
                file.crs,
                file.copc.as_ref().map_or_else(String::new, |copc| format!(
                    ", COPC: {} of {} nodes are decoded",
                    thousands(copc.decoded as u64),
                    thousands(copc.nodes as u64)
                ))
            );
        }
    }
    let mib = |bytes: u64| thousands(bytes.div_ceil(1 << 20));
    let _ = writeln!(
        text,
        "\nreport in {}; {} tiles of {} m; {} threads\nmemory: about {} MiB, {} MiB allowed, {} MiB at least\ndisk needed: {} MiB, {}\ntime: \
         roughly {}; the run gives a better estimate once it is under way",
        checked.report_units.words(),
        thousands(checked.tiles),
        checked.tile_edge_m,
        checked.threads,
        mib(checked.memory_expected),
        mib(checked.memory_allowed),
        mib(checked.memory_floor),
        mib(checked.disk_needed),
        match checked.disk_free {
            None => "free space unknown".to_string(),
            Some(free) if free < checked.disk_needed => {
                format!("but only {} MiB free: `run` will refuse to start", thousands(free >> 20))
            }
            Some(free) => format!("{} MiB free", thousands(free >> 20)),
        },
        roughly(checked.rough_seconds)
    );
    let InParts { deal_seconds, work_seconds, finish_seconds, unit_bytes } = checked.in_parts;
    let _ = writeln!(
        text,
        "in parts: reading the clouds ({}) and the work on tiles ({}, {} MiB a unit) can be divided among machines, the end ({}) \
         cannot",
        roughly(deal_seconds),
        roughly(work_seconds),
        mib(unit_bytes),
        roughly(finish_seconds)
    );
    if !checked.notes.is_empty() {
        text.push_str("\nnotes\n");
        for note in &checked.notes {
            let _ = writeln!(text, "  {note}");
        }
    }
    let _ = write!(text, "\npipeline as resolved\n\n{}", checked.resolved);
    text
}

/// A rough time in words.
fn roughly(seconds: f64) -> String {
    if seconds < 10.0 { "a few seconds".to_string() } else { duration(seconds) }
}
