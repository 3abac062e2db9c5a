//! The command line: what it takes, what it prints, and its exit codes.

mod adjust;
pub(crate) mod arguments;
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

use clap::Parser;

use crate::cli::arguments::{Arguments, Command};
use crate::cloud::CloudError;
use crate::cloud::{STACK, guard};
use crate::engine::parts::finish::FinishError;
use crate::engine::plan::job::{DEFAULT_MEMORY, JobError, Resources};
use crate::engine::plan::sites::Demands;
use crate::engine::siting::site_plan::Asked;
use crate::engine::store::error::EngineError;
use crate::engine::store::run_folder::Claim;
use crate::engine::watch::Watch;
use crate::engine::watch::screen::Screen;
use crate::network::{LoadError, NetworkError};
use crate::pipeline::files::expanded;
use crate::pipeline::{PipelineError, schema};
use crate::units::Length;

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
