//! The command line: what it takes, what it prints, and its exit codes.

mod adjust;
pub(crate) mod arguments;
pub(crate) mod check;
mod cluster;
mod diff;
mod error;
pub mod inspect;
mod log;
mod manual;
mod new;
mod output;
mod plan;
pub(crate) mod run;
mod several;
mod signals;
pub(crate) mod stages;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;

use crate::cli::arguments::{Arguments, Command};
use crate::cli::error::CliError;
use crate::cli::output::{print, show, show_implausible};
use crate::cloud::address::{self, is_address, is_pattern};
use crate::cloud::{Location, STACK, Stores, guard};
use crate::engine::plan::job::{DEFAULT_MEMORY, Resources};
use crate::engine::plan::sites::Demands;
use crate::engine::siting::site_plan::Asked;
use crate::engine::store::error::EngineError;
use crate::engine::store::run_folder::Claim;
use crate::engine::watch::Watch;
use crate::engine::watch::screen::Screen;
use crate::pipeline::files::expanded;
use crate::pipeline::schema;
use crate::units::Length;

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
            let watch = Watch::new(signals::stop_flag().map_err(CliError::Signals)?, screen);
            print(&cluster::cluster(&file, out.as_deref(), &wanted, &watch)?)
        }
        Command::Check { file, json, resources } => print(&check::check(&file, json, resources.resources())?),
        Command::Inspect { clouds, json } => print(&inspect::inspect(&located(clouds)?, json)?),
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

/// The same of clouds, which may be at addresses.
fn located(given: Vec<PathBuf>) -> Result<Vec<Location>, CliError> {
    let stores = Stores::default();
    let mut clouds = Vec::new();
    for path in given {
        match path.to_str().filter(|text| is_address(text)) {
            Some(pattern) if is_pattern(pattern) => {
                let found = stores.matching(pattern).map_err(CliError::Usage)?;
                if found.is_empty() {
                    let message = format!(
                        "no object matches `{}`; check the pattern, or name the objects",
                        address::shown(pattern)
                    );
                    return Err(CliError::Usage(message));
                }
                clouds.extend(found.into_iter().map(Location::from));
            }
            Some(address) => clouds.push(stores.object(address).map_err(CliError::Usage)?.into()),
            None => clouds.extend(named(vec![path])?.into_iter().map(Location::from)),
        }
    }
    Ok(clouds)
}

/// Prints the result of a run; gives the exit code.
fn shown(done: &run::Done) -> Result<u8, CliError> {
    print(&done.text)?;
    show_implausible(done);
    Ok(done.exit_code())
}
