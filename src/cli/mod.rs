//! The command line: what it takes, what it prints, and its exit codes.

mod adjust;
pub(crate) mod check;
mod cluster;
mod diff;
pub mod inspect;
mod log;
mod manual;
mod new;
mod plan;
pub(crate) mod run;
mod several;
mod signals;
pub(crate) mod stages;

use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::cloud::CloudError;
use crate::cloud::{STACK, guard};
use crate::engine::parts::finish::FinishError;
use crate::engine::plan::job::{DEFAULT_MEMORY, JobError, Resources};
use crate::engine::plan::sites::Demands;
use crate::engine::siting::site_plan::Asked;
use crate::engine::store::error::EngineError;
use crate::engine::store::phase::{MOST_PARTS, PartOf, Phase};
use crate::engine::store::run_folder::Claim;
use crate::engine::watch::Watch;
use crate::engine::watch::screen::Screen;
use crate::network::{LoadError, NetworkError};
use crate::pipeline::files::expanded;
use crate::pipeline::{PipelineError, schema};
use crate::siting::rules::SLOPE_MAX;
use crate::units::Length;

/// How well the ground of an airborne lidar survey agrees with a better measurement, return by return.
#[derive(Parser)]
#[command(version, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Run pipeline files, one after the other, and write their run folders.
    Run {
        /// The pipeline file, or several: one that fails does not stop the rest.
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
        /// The run folder, instead of the one that the file names; with several files, the folder for their run
        /// folders, each named after its file.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// Continue an interrupted run in the same folder from its finished tiles; where there is none, start one.
        #[arg(long)]
        resume: bool,
        /// Replace the results of an earlier run in the same folder, or restart an interrupted one.
        #[arg(long)]
        replace: bool,
        /// Print summary.json instead of the table.
        #[arg(long)]
        json: bool,
        /// Do a part of one phase only, beside other processes that share the folder: `deal` reads the clouds, `surface` makes
        /// ground surfaces (`work` makes those that are missing), `work` works on tiles. `finish` concludes.
        #[arg(long, requires = "part", conflicts_with_all = ["resume", "json"])]
        phase: Option<PhaseArgument>,
        /// Which part of the phase, and of how many: the first of seven is 1/7.
        #[arg(long, value_name = "K/N", requires = "phase")]
        part: Option<PartOf>,
        #[command(flatten)]
        resources: ResourcesArguments,
    },
    /// Conclude a run that was done in parts (`run --phase`), and print its result.
    Finish {
        /// The run folder that the parts were given.
        #[arg(value_name = "DIR")]
        out: PathBuf,
        /// Replace the results of an earlier run in the same folder.
        #[arg(long)]
        replace: bool,
        /// Print summary.json instead of the table.
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        resources: ResourcesArguments,
    },
    /// Print the job that does a run in parts on many machines: two arrays of parts and the end, for their scheduler.
    Cluster {
        /// The pipeline file.
        file: PathBuf,
        /// Parts of each phase.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=i64::from(MOST_PARTS)))]
        parts: u32,
        /// The scheduler: a script for `sbatch`, or an indexed Job for `kubectl apply`.
        #[arg(long = "for", value_name = "SCHEDULER")]
        scheduler: cluster::Scheduler,
        /// The run folder, instead of the one that the file names.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// Replace the results of an earlier run in the same folder.
        #[arg(long)]
        replace: bool,
        /// Worker threads of each part; by default 2.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
        threads: Option<u16>,
        /// Memory limit of each part, such as 512M or 4G.
        #[arg(long, value_name = "SIZE", value_parser = parse_size)]
        memory: Option<u64>,
    },
    /// Check a pipeline file and the headers of its clouds, without reading points.
    Check {
        /// The pipeline file.
        file: PathBuf,
        /// Print JSON instead of text.
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        resources: ResourcesArguments,
    },
    /// Show what is in a cloud, return by return, and what is wrong with it.
    Inspect {
        /// LAS or LAZ files.
        #[arg(required = true, value_name = "CLOUD")]
        clouds: Vec<PathBuf>,
        /// Print JSON instead of text.
        #[arg(long)]
        json: bool,
    },
    /// Write a commented pipeline file with values that fit the data, from headers and a sample of the points.
    New {
        /// Files or folders of the survey: LAS, LAZ or E57.
        #[arg(required = true, value_name = "SURVEY")]
        survey: Vec<PathBuf>,
        /// Files or folders of the reference cloud.
        #[arg(long, value_name = "FILE", num_args = 1..)]
        reference: Vec<PathBuf>,
        /// The pipeline file to write.
        #[arg(long, value_name = "FILE", default_value = "pipeline.yaml")]
        out: PathBuf,
        /// Replace the file where it is there.
        #[arg(long)]
        replace: bool,
    },
    /// Propose sites for checkpoints from the survey itself: where to measure, and what that would settle.
    Plan {
        /// The pipeline file; it need not name a reference.
        file: PathBuf,
        /// Sites in all; those of covers without a number of their own share what is left, by the ground that suits.
        #[arg(long, value_name = "N", value_parser = site_count())]
        points: Option<u16>,
        /// Sites on open ground (NVA); by default 30, the least that the standard asks for.
        #[arg(long, value_name = "N", value_parser = site_count())]
        open: Option<u16>,
        /// Sites under low vegetation (VVA).
        #[arg(long, value_name = "N", value_parser = site_count())]
        low: Option<u16>,
        /// Sites under canopy (VVA).
        #[arg(long, value_name = "N", value_parser = site_count())]
        canopy: Option<u16>,
        /// Steepest slope of a site, rise over run (0.176 is 10 degrees).
        #[arg(long, value_name = "SLOPE", default_value_t = SLOPE_MAX, value_parser = parse_slope)]
        slope_max: f64,
        /// The vertical accuracy class to be tested, such as `"5 cm"`: the ground around a site departs from a plane by less than a third
        /// of it. By default the finest `class` or `rmse` of the file's `accept`, otherwise 10 cm.
        #[arg(long, value_name = "LENGTH", value_parser = Length::parse)]
        class: Option<Length>,
        /// The folder of the plan, instead of the run folder's name with `-plan` added.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// Replace an earlier plan in the same folder.
        #[arg(long)]
        replace: bool,
        /// Print plan.json instead of text.
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        resources: ResourcesArguments,
    },
    /// Adjust a control network: levels, GNSS positions, total-station observations.
    Adjust {
        /// The network file.
        file: PathBuf,
        /// The folder of the results, instead of the one that the file names.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// Replace the results of an earlier adjustment in the same folder.
        #[arg(long)]
        replace: bool,
        /// Print adjustment.json instead of text.
        #[arg(long)]
        json: bool,
    },
    /// Compare two run folders: what changed in data, options and figures, and whether it matters.
    Diff {
        /// The run folder to start from.
        #[arg(value_name = "RUN")]
        first: PathBuf,
        /// The run folder that is compared with it.
        #[arg(value_name = "RUN")]
        second: PathBuf,
        /// Print JSON instead of text.
        #[arg(long)]
        json: bool,
    },
    /// List the stages with their options, defaults, units and sources.
    Stages {
        /// The name of one stage, or `pipeline` for the other keys of the file; without it, all stages.
        name: Option<String>,
    },
    /// Print the JSON Schema of the pipeline file, for editors.
    Schema,
    /// Print what a shell needs to complete commands and options.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual pages (man), one for each command.
    Manual {
        /// The folder for the pages.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
    },
}

/// A phase that is done in parts.
#[derive(Clone, Copy, ValueEnum)]
enum PhaseArgument {
    /// Reads the clouds.
    Deal,
    /// Makes ground surfaces.
    Surface,
    /// Works on tiles.
    Work,
}

impl From<PhaseArgument> for Phase {
    fn from(phase: PhaseArgument) -> Self {
        match phase {
            PhaseArgument::Deal => Phase::Deal,
            PhaseArgument::Surface => Phase::Surface,
            PhaseArgument::Work => Phase::Work,
        }
    }
}

#[derive(Args, Clone, Copy)]
struct ResourcesArguments {
    /// Worker threads; by default one per processor.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    /// Memory limit, such as 512M or 4G.
    #[arg(long, value_name = "SIZE", value_parser = parse_size)]
    memory: Option<u64>,
}

impl ResourcesArguments {
    fn resources(self) -> Resources {
        let processors = std::thread::available_parallelism().map_or(1, usize::from);
        Resources {
            threads: self.threads.map_or(processors, usize::from),
            memory: self.memory.unwrap_or(DEFAULT_MEMORY),
        }
    }
}

/// Why a command failed, with its exit code.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// The pipeline file is wrong.
    #[error("{0}")]
    Pipeline(#[from] PipelineError),
    /// The network file or a table of it is wrong.
    #[error("{0}")]
    Load(#[from] LoadError),
    /// The network cannot be adjusted.
    #[error("{}: {error}", path.display())]
    Network {
        /// The network file.
        path: PathBuf,
        /// What is wrong with the network.
        error: NetworkError,
    },
    /// A cloud cannot be read.
    #[error(transparent)]
    Cloud(#[from] CloudError),
    /// The run failed.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// The command line is wrong.
    #[error("{0}")]
    Usage(String),
    /// The program cannot learn when it is asked to stop.
    #[error("the program cannot listen for Ctrl-C and other signals: {0}")]
    Signals(std::io::Error),
    /// The pages of the manual cannot be written.
    #[error("{}: {error}", path.display())]
    Manual {
        /// The folder.
        path: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// Standard output cannot be written.
    #[error("standard output: {0}")]
    Output(std::io::Error),
}

impl From<JobError> for CliError {
    fn from(error: JobError) -> Self {
        match error {
            JobError::Pipeline(error) => error.into(),
            JobError::Cloud(error) => error.into(),
            list @ JobError::List(_) => CliError::Usage(list.to_string()),
            memory @ JobError::Memory { .. } => CliError::Usage(memory.to_string()),
        }
    }
}

impl From<FinishError> for CliError {
    fn from(error: FinishError) -> Self {
        match error {
            FinishError::Pipeline(error) => error.into(),
            FinishError::Job(error) => error.into(),
            FinishError::Engine(error) => error.into(),
        }
    }
}

impl CliError {
    /// 2 where the command line, the pipeline file or the network is wrong, otherwise 1.
    fn exit_code(&self) -> u8 {
        match self {
            CliError::Pipeline(_) | CliError::Load(_) | CliError::Usage(_) => 2,
            CliError::Network { error: NetworkError::NoConvergence(_), .. } => 1,
            CliError::Network { .. } => 2,
            CliError::Cloud(_) | CliError::Engine(_) | CliError::Signals(_) => 1,
            CliError::Manual { .. } | CliError::Output(_) => 1,
        }
    }

    /// The error as it is shown on standard error.
    fn render(&self, colour: bool) -> String {
        match self {
            CliError::Pipeline(error) => error.render(colour),
            CliError::Load(error) => error.render(colour),
            other => format!("error: {other}"),
        }
    }
}

/// Runs the program.
pub fn main() -> ExitCode {
    // Clap prints its own errors and leaves with 2.
    let arguments = Arguments::parse();
    let screen = Screen::of_stderr();
    log::start(&screen);
    // Only the first call in a process takes effect; a second one (in tests) is no failure.
    let _ = rayon::ThreadPoolBuilder::new().stack_size(STACK).build_global();
    let result = guard::call_and_locate(|| dispatch(arguments.command, screen))
        .unwrap_or_else(|message| Err(EngineError::Internal { doing: "working".into(), message }.into()));
    match result {
        Ok(code) => ExitCode::from(code),
        // A reader that has seen enough (`| head`) is no failure.
        Err(CliError::Output(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(error) => {
            show(&error);
            ExitCode::from(error.exit_code())
        }
    }
}

/// Does what was asked for; gives the exit code.
fn dispatch(command: Command, screen: Screen) -> Result<u8, CliError> {
    match command {
        Command::Run { files, out, resume, replace, json, phase, part, resources } => {
            let order =
                run::Order { claim: Claim { resume, replace }, json, resources: resources.resources() };
            let watch = Watch::new(signals::stop_flag().map_err(CliError::Signals)?, screen);
            let files = named(files)?;
            match (&files[..], phase.zip(part)) {
                ([file], None) => return shown(&run::run(file, out.as_deref(), order, &watch)?),
                (files, None) => return several::run_all(files, out.as_deref(), order, &watch),
                ([file], Some((phase, part))) => {
                    run::run_one_part(file, out.as_deref(), (phase.into(), part), order, &watch)
                }
                (_, Some(_)) => {
                    let message = "--phase does a part of one run: name one pipeline file".to_string();
                    Err(CliError::Usage(message))
                }
            }
        }
        Command::Finish { out, replace, json, resources } => {
            let claim = Claim { resume: false, replace };
            let order = run::Order { claim, json, resources: resources.resources() };
            let watch = Watch::new(signals::stop_flag().map_err(CliError::Signals)?, screen);
            return shown(&run::finish(&out, order, &watch)?);
        }
        Command::Cluster { file, parts, scheduler, out, replace, threads, memory } => {
            let resources = Resources {
                threads: threads.map_or(cluster::THREADS, usize::from),
                memory: memory.unwrap_or(DEFAULT_MEMORY),
            };
            let wanted = cluster::Wanted { parts, scheduler, replace, resources };
            print(&cluster::cluster(&file, out.as_deref(), &wanted)?)
        }
        Command::Check { file, json, resources } => print(&check::check(&file, json, resources.resources())?),
        Command::Inspect { clouds, json } => print(&inspect::inspect(&named(clouds)?, json)?),
        Command::New { survey, reference, out, replace } => {
            print(&new::new(&named(survey)?, &named(reference)?, &out, replace)?)
        }
        Command::Plan {
            file,
            points,
            open,
            low,
            canopy,
            slope_max,
            class,
            out,
            replace,
            json,
            resources,
        } => {
            let number = |given: Option<u16>| given.map(usize::from);
            let order = plan::Order {
                asked: Asked { covers: [open, low, canopy].map(number), total: number(points) },
                demands: Demands { slope_max, class: class.map(Length::micrometres) },
                out: out.as_deref(),
                replace,
                json,
                resources: resources.resources(),
            };
            let watch = Watch::new(signals::stop_flag().map_err(CliError::Signals)?, screen);
            print(&plan::plan(&file, order, &watch)?)
        }
        Command::Adjust { file, out, replace, json } => {
            print(&adjust::adjust(&file, out.as_deref(), replace, json)?)
        }
        Command::Diff { first, second, json } => print(&diff::diff(&first, &second, json)?),
        Command::Stages { name } => print(&stages::stages(name.as_deref()).map_err(CliError::Usage)?),
        Command::Completions { shell } => print(&manual::completions(shell)),
        Command::Manual { out } => print(&manual::write(&out)?),
        Command::Schema => print(&schema::schema_text()),
    }?;
    Ok(0)
}

/// Paths as they were given; patterns that lead to no file by that name are expanded, for shells that leave that to programs.
fn named(given: Vec<PathBuf>) -> Result<Vec<PathBuf>, CliError> {
    let mut paths = Vec::new();
    for path in given {
        match path.to_str() {
            Some(pattern) if pattern.contains(['*', '?']) && !path.exists() => {
                paths.extend(expanded(pattern).map_err(CliError::Usage)?);
            }
            _ => paths.push(path),
        }
    }
    Ok(paths)
}

/// Prints the result of a run; gives the exit code.
fn shown(done: &run::Done) -> Result<u8, CliError> {
    print(&done.text)?;
    show_implausible(done);
    Ok(done.exit_code())
}

/// Says on standard error that the figures of a run cannot be right.
fn show_implausible(done: &run::Done) {
    if let Some(text) = &done.implausible {
        eprintln!("error: {text} What was found is in {}", done.folder.display());
    }
}

/// Shows an error on standard error.
fn show(error: &CliError) {
    let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    eprintln!("{}", error.render(colour).trim_end());
}

fn print(text: &str) -> Result<(), CliError> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes()).and_then(|()| out.flush()).map_err(CliError::Output)
}

/// Numbers of sites: nobody measures more, and each is told from all others.
fn site_count() -> clap::builder::RangedI64ValueParser<u16> {
    clap::value_parser!(u16).range(0..=2000)
}

/// Reads a slope, rise over run.
fn parse_slope(text: &str) -> Result<f64, String> {
    let slope = text.trim().parse::<f64>().ok().filter(|slope| (0.01..=1.0).contains(slope));
    slope.ok_or_else(|| {
        format!(
            "`{text}` is not a slope: expected rise over run from 0.01 to 1, such as 0.176 for 10 degrees"
        )
    })
}

/// Reads a size in bytes: a number with K, M, G or T (powers of 1024), such as `512M` or `1.5G`.
fn parse_size(text: &str) -> Result<u64, String> {
    let wrong = || format!("`{text}` is not a size: expected a number with M or G, such as 512M or 4G");
    let trimmed = text.trim().trim_end_matches(['b', 'B']).trim_end_matches(['i', 'I']);
    let last = trimmed.chars().last().ok_or_else(wrong)?;
    let shift = match last.to_ascii_uppercase() {
        'K' => 10,
        'M' => 20,
        'G' => 30,
        'T' => 40,
        _ => return Err(wrong()),
    };
    let number: f64 = trimmed[..trimmed.len() - 1].trim().parse().map_err(|_| wrong())?;
    let bytes = number * f64::from(1u32 << (shift - 10)) * 1024.0;
    if bytes >= 1024.0 && bytes < u64::MAX as f64 { Ok(bytes as u64) } else { Err(wrong()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_read_and_nonsense_is_refused() {
        assert_eq!(parse_size("512M"), Ok(512 << 20));
        assert_eq!(parse_size("1.5 GiB"), Ok(3 << 29));
        for wrong in ["", "512", "M", "-1G", "NaNG", "1e30T", "half a G"] {
            assert!(parse_size(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn every_option_has_help() {
        use clap::CommandFactory;
        Arguments::command().debug_assert();
        for sub in Arguments::command().get_subcommands() {
            assert!(sub.get_about().is_some(), "{}", sub.get_name());
            for argument in sub.get_arguments() {
                assert!(argument.get_help().is_some(), "{} {}", sub.get_name(), argument.get_id());
            }
        }
    }
}
