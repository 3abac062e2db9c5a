//! What the command line takes: its commands and options, as clap reads them, and what their values mean.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::cli::cluster::Scheduler;
use crate::engine::plan::job::{DEFAULT_MEMORY, Resources};
use crate::engine::store::phase::{MOST_PARTS, PartOf, Phase};
use crate::siting::rules::SLOPE_MAX;
use crate::units::Length;

/// How well the ground of an airborne lidar survey agrees with a better measurement, return by return.
#[derive(Parser)]
#[command(version, max_term_width = 100)]
pub struct Arguments {
    /// What is to be done.
    #[command(subcommand)]
    pub command: Command,
}

/// A command with its arguments.
#[derive(Subcommand)]
pub enum Command {
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
        scheduler: Scheduler,
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
pub enum PhaseArgument {
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

/// What a run may use, as it is asked for.
#[derive(Args, Clone, Copy)]
pub struct ResourcesArguments {
    /// Worker threads; by default one per processor.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    /// Memory limit, such as 512M or 4G.
    #[arg(long, value_name = "SIZE", value_parser = parse_size)]
    memory: Option<u64>,
}

impl ResourcesArguments {
    /// What a run may use.
    pub fn resources(self) -> Resources {
        let processors = std::thread::available_parallelism().map_or(1, usize::from);
        Resources {
            threads: self.threads.map_or(processors, usize::from),
            memory: self.memory.unwrap_or(DEFAULT_MEMORY),
        }
    }
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
