//! `manifest.json`: what a run read, how it was done and what it cost. The only result that is not the same each time.

use serde::Serialize;

use crate::areas::AreaFile;
use crate::engine::plan::inputs::InputFile;
use crate::engine::plan::job::{Job, edge_metres};
use crate::engine::watch::clock::Step;
use crate::pipeline::resolved::pipeline_sha256;
use crate::products::staging::Product;

/// The contents of `manifest.json`.
#[derive(Debug, Serialize)]
pub struct Manifest {
    /// Program name.
    pub program: &'static str,
    /// Program version.
    pub version: &'static str,
    /// The pipeline file.
    pub pipeline: String,
    /// SHA-256 of the pipeline as resolved, without the run folder and the edge of the tiles; products state it.
    pub pipeline_sha256: String,
    /// Its seed.
    pub seed: u64,
    /// All files read.
    pub inputs: Vec<InputFile>,
    /// The files of the areas left out.
    pub areas: Vec<ManifestArea>,
    /// All that the run hands over beside its results.
    pub products: Vec<Product>,
    /// What a person should know.
    pub notes: Vec<String>,
    /// Workers.
    pub threads: usize,
    /// Memory allowed, bytes.
    pub memory_allowed: u64,
    /// Edge of the tiles, metres.
    pub tile_edge_m: f64,
    /// Tiles that had points.
    pub tiles: u64,
    /// Tiles that were taken over from an interrupted run: 0 for a run that went through.
    pub tiles_taken_over: u64,
    /// Parts that each phase was done in, where it was; `seconds`, `threads` and memory are then those of the conclusion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parts: Option<u32>,
    /// Bytes of points on disk while the run worked.
    pub spill_bytes: u64,
    /// Wall time of each step of this run (an interrupted one before it not counted), seconds.
    pub seconds: Vec<Step>,
    /// Wall time in all, seconds.
    pub seconds_in_all: f64,
    /// Points read (survey and reference) a second of wall time; nothing for a run that did not read them itself.
    pub points_per_second: Option<f64>,
    /// Peak resident memory, bytes, where the system tells.
    pub peak_memory: Option<u64>,
}

/// A file of areas.
#[derive(Debug, Serialize)]
pub struct ManifestArea {
    /// Its path.
    pub path: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

impl ManifestArea {
    fn of(file: &AreaFile) -> Self {
        let AreaFile { path, size, sha256, .. } = file;
        ManifestArea { path: path.display().to_string(), size: *size, sha256: sha256.clone() }
    }
}

impl Manifest {
    /// What is known of a run before its results are in.
    pub fn of(job: &Job, inputs: Vec<InputFile>) -> Self {
        Manifest {
            program: env!("CARGO_PKG_NAME"),
            version: env!("CARGO_PKG_VERSION"),
            pipeline: job.pipeline_path.display().to_string(),
            pipeline_sha256: pipeline_sha256(&job.pipeline),
            seed: job.pipeline.seed,
            inputs,
            areas: job.areas.iter().map(ManifestArea::of).collect(),
            products: Vec::new(),
            notes: job.notes.clone(),
            threads: job.resources.threads,
            memory_allowed: job.resources.memory,
            tile_edge_m: edge_metres(job.tiling.edge),
            tiles: 0,
            tiles_taken_over: 0,
            parts: None,
            spill_bytes: 0,
            seconds: Vec::new(),
            seconds_in_all: 0.0,
            points_per_second: None,
            peak_memory: None,
        }
    }
}

/// Peak resident memory of this process, bytes; known on Linux.
pub fn peak_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()? * 1024)
}
