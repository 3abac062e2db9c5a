//! `echograde cluster`: the job that does a run in parts on many machines, for their own scheduler.

mod kubernetes;
mod slurm;

use std::path::{Path, PathBuf};

use clap::ValueEnum;

use crate::cli::error::CliError;
use crate::cli::run::prepare;
use crate::engine::plan::forecast::Forecast;
use crate::engine::plan::inputs::inputs_of;
use crate::engine::plan::job::Resources;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::Phase;
use crate::engine::watch::Watch;

/// What schedules the job.
#[derive(Clone, Copy, ValueEnum)]
pub enum Scheduler {
    /// A script for `sbatch`.
    Slurm,
    /// An indexed Job for `kubectl apply`.
    Kubernetes,
}

/// Workers of each part, where the command does not say: machines of a cluster are not this one.
pub const THREADS: usize = 2;

/// Memory that is asked for beyond what the parts are allowed: the program itself, and what the system counts with it.
const MEMORY_MARGIN: f64 = 1.25;

/// Times what `check` expects is asked for, and that long at least, seconds: machines differ, and shared disks do more.
const TIME_MARGIN: f64 = 4.0;
const LEAST_TIME: f64 = 600.0;

/// What a job is written from.
struct Plan {
    /// A short name.
    name: String,
    /// The program, the pipeline file, the run folder and its working folder, as absolute paths.
    program: PathBuf,
    pipeline: PathBuf,
    out: PathBuf,
    work: PathBuf,
    /// Files that are read.
    inputs: Vec<PathBuf>,
    parts: u32,
    replace: bool,
    resources: Resources,
    /// Bytes of memory to ask for.
    memory: u64,
    /// Seconds to ask for: of a part of `deal`, of a part of `work`, and of `finish`.
    seconds: [u64; 3],
    /// Where memory and time come from, a line each.
    remarks: Vec<String>,
}

/// What the command asks for.
pub struct Wanted {
    /// Parts of each phase.
    pub parts: u32,
    /// What schedules them.
    pub scheduler: Scheduler,
    /// Whether the results of an earlier run may be replaced.
    pub replace: bool,
    /// What each part may use.
    pub resources: Resources,
}

/// The text of the job that runs a pipeline file in parts.
///
/// # Errors
/// Whatever is wrong with the file or its clouds.
pub fn cluster(file: &Path, out: Option<&Path>, wanted: &Wanted, watch: &Watch) -> Result<String, CliError> {
    let (job, out) = prepare(file, out, wanted.resources, watch)?;
    let folder = PartsFolder::of(&out)?;
    let Forecast { phases, memory, disk, .. } = Forecast::of(&job);
    let asked = |seconds: f64| (seconds * TIME_MARGIN).max(LEAST_TIME).ceil() as u64;
    let parts = f64::from(wanted.parts);
    let mib = |bytes: u64| bytes.div_ceil(1 << 20);
    let allowed = wanted.resources.memory;
    let path = |path: &Path| std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let inputs = inputs_of(&job);
    let areas = job.areas.iter().map(|area| path(&area.path));
    let plan = Plan {
        name: name(file),
        program: std::env::current_exe().unwrap_or_else(|_| "echograde".into()),
        pipeline: path(file),
        out: folder.target().to_path_buf(),
        work: folder.work().to_path_buf(),
        inputs: inputs.iter().filter_map(|input| input.file()).map(path).chain(areas).collect(),
        parts: wanted.parts,
        replace: wanted.replace,
        resources: wanted.resources,
        memory: (allowed as f64 * MEMORY_MARGIN) as u64,
        seconds: [asked(phases.deal / parts), asked(phases.work / parts), asked(phases.finish)],
        remarks: vec![
            format!(
                "Memory: {} MiB allowed to each part, of which `check` expects {} to be used; {:.0} % more are asked for.",
                mib(allowed),
                mib(memory),
                (MEMORY_MARGIN - 1.0) * 100.0
            ),
            format!(
                "Time: `check` expects {:.0} s for each part of `deal`, {:.0} s for each of `work` and {:.0} s for `finish`; \
                 {TIME_MARGIN} times as much is asked for, and {:.0} min at least.",
                (phases.deal / parts).ceil(),
                (phases.work / parts).ceil(),
                phases.finish.ceil(),
                LEAST_TIME / 60.0
            ),
            format!(
                "Disk: about {} MiB beside the run folder, on a file system that all machines share.",
                mib(disk)
            ),
        ],
    };
    Ok(match wanted.scheduler {
        Scheduler::Slurm => slurm::script(&plan),
        Scheduler::Kubernetes => kubernetes::job(&plan)?,
    })
}

/// The longest name: a DNS label, with room for what is appended.
const LONGEST_NAME: usize = 40;

/// A short name that every scheduler takes.
fn name(file: &Path) -> String {
    let stem = file.file_stem().unwrap_or_default().to_string_lossy().to_lowercase();
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    let name: String = stem.chars().map(plain).take(LONGEST_NAME).collect();
    match name.trim_matches('-') {
        "" => "echograde".to_string(),
        name => format!("echograde-{name}"),
    }
}

impl Plan {
    /// The options of a part or of the end.
    fn options(&self) -> String {
        let Resources { threads, memory } = self.resources;
        let replace = if self.replace { " --replace" } else { "" };
        format!("--threads {threads} --memory {}M{replace}", memory >> 20)
    }

    /// The command of a part, whose number a shell word gives.
    fn part(&self, phase: &str, number: &str) -> String {
        format!(
            "\"$program\" run \"$pipeline\" --out \"$out\" --phase {phase} --part \"{number}/{}\" {}",
            self.parts,
            self.options()
        )
    }

    /// A test in the shell that the results are in place already: a job may be started again.
    fn is_finished(&self) -> String {
        "[ ! -e \"$out.unfinished/plan.json\" ] && [ -e \"$out/manifest.json\" ]".to_string()
    }

    /// The folders of the parts of a phase.
    fn folder(&self, phase: Phase) -> PathBuf {
        self.work.join(phase.name())
    }
}
