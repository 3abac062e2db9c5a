//! `manifest.json`: what a run read, how it was done and what it cost. The only result that is not the same each time.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use rayon::prelude::*;
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::error::EngineError;
use super::job::{CloudJob, Job, edge_metres};
use crate::pipeline::units::Unit;

/// The contents of `manifest.json`.
#[derive(Debug, Serialize)]
pub struct Manifest {
    /// Program name.
    pub program: &'static str,
    /// Program version.
    pub version: &'static str,
    /// The pipeline file.
    pub pipeline: String,
    /// Its seed.
    pub seed: u64,
    /// All files read.
    pub inputs: Vec<InputFile>,
    /// What a person should know.
    pub notes: Vec<String>,
    /// Workers.
    pub threads: usize,
    /// Memory allowed, bytes.
    pub memory_allowed: u64,
    /// Edge of the tiles, metres.
    pub tile_edge_m: f64,
    /// Bytes of points on disk while the run worked.
    pub spill_bytes: u64,
    /// Wall time of each step, seconds.
    pub seconds: Vec<Step>,
    /// Wall time in all, seconds.
    pub seconds_in_all: f64,
    /// Points read (survey and reference) a second of wall time.
    pub points_per_second: f64,
    /// Peak resident memory, bytes, where the system tells.
    pub peak_memory: Option<u64>,
}

/// A step of a run.
#[derive(Debug, Serialize)]
pub struct Step {
    /// What was done.
    pub step: &'static str,
    /// Wall time, seconds.
    pub seconds: f64,
}

/// A file that was read.
#[derive(Debug, Serialize)]
pub struct InputFile {
    /// `survey` or `reference`.
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
}

impl Manifest {
    /// What is known of a run before its results are in.
    ///
    /// # Errors
    /// Where an input cannot be read again for its hash.
    pub fn of(job: &Job) -> Result<Self, EngineError> {
        let list = |cloud: &'static str, job: &CloudJob| -> Vec<(&'static str, usize)> {
            (0..job.files.len()).map(|i| (cloud, i)).collect()
        };
        let mut files = list("survey", &job.survey);
        if let Some(reference) = &job.reference {
            files.extend(list("reference", reference));
        }
        let inputs = files
            .into_par_iter()
            .map(|(cloud, i)| {
                let clouds =
                    if cloud == "survey" { &job.survey } else { job.reference.as_ref().expect("listed") };
                let (file, units) = (&clouds.files[i], clouds.units[i]);
                Ok(InputFile {
                    cloud,
                    path: file.path.display().to_string(),
                    size: file.size,
                    sha256: sha256(&file.path)
                        .map_err(EngineError::disk(&file.path, "reading it for its hash"))?,
                    points: file.points,
                    horizontal_unit: units.0,
                    vertical_unit: units.1,
                    crs: file.crs.describe(),
                })
            })
            .collect::<Result<_, EngineError>>()?;
        Ok(Manifest {
            program: env!("CARGO_PKG_NAME"),
            version: env!("CARGO_PKG_VERSION"),
            pipeline: job.pipeline_path.display().to_string(),
            seed: job.pipeline.seed,
            inputs,
            notes: job.notes.clone(),
            threads: job.means.threads,
            memory_allowed: job.means.memory,
            tile_edge_m: edge_metres(job.tiling.edge),
            spill_bytes: 0,
            seconds: Vec::new(),
            seconds_in_all: 0.0,
            points_per_second: 0.0,
            peak_memory: None,
        })
    }
}

fn sha256(path: &Path) -> io::Result<String> {
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            n => hasher.update(&buffer[..n]),
        }
    }
    Ok(hasher.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Peak resident memory of this process, bytes; known on Linux.
pub fn peak_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()? * 1024)
}
