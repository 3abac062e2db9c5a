//! `echograde plan`: proposes sites for checkpoints and prints them.

use std::path::{Path, PathBuf};

use crate::cli::error::CliError;
use crate::engine::plan::job::{Job, Resources};
use crate::engine::plan::sites::Demands;
use crate::engine::siting::files::json;
use crate::engine::siting::propose::propose;
use crate::engine::siting::site_plan::{Asked, Basis};
use crate::engine::watch::Watch;
use crate::pipeline::load_for_plan;
use crate::pipeline::resolved::pipeline_sha256;
use crate::products::origin::Origin;
use crate::report::plan_text;
use crate::siting::outlook::Known;

/// How a plan is to be made.
#[derive(Clone, Copy, Debug)]
pub struct Order<'a> {
    /// How many sites.
    pub asked: Asked,
    /// What is asked of each.
    pub demands: Demands,
    /// The folder of the plan, where not beside the run folder.
    pub out: Option<&'a Path>,
    /// Replace an earlier plan in the same folder.
    pub replace: bool,
    /// Print JSON instead of text.
    pub json: bool,
    /// What may be used of the machine.
    pub resources: Resources,
}

/// Makes the plan of a pipeline file; gives the text for standard output.
///
/// # Errors
/// Whatever is wrong with the command line, the pipeline file, its survey or the disk.
pub fn plan(file: &Path, order: Order<'_>, watch: &Watch) -> Result<String, CliError> {
    check(order.asked)?;
    let loaded = load_for_plan(file)?;
    let run_folder = loaded.output_folder();
    let folder = order.out.map_or_else(|| beside(&run_folder), Path::to_path_buf);
    let refused = |why: &str| {
        CliError::Usage(format!(
            "the folder of the plan {} {why}; choose another with --out",
            folder.display()
        ))
    };
    if let Some(clash) = loaded.output_clash(&folder) {
        return Err(refused(&clash));
    }
    if folder.join("summary.json").exists() {
        return Err(refused("holds the results of a run"));
    }
    let known = Known::read(&run_folder).map_err(|why| {
        CliError::Usage(format!(
            "{why}; run the pipeline file again, or remove its run folder to plan without it"
        ))
    })?;
    let known = known.map(|known| (run_folder.display().to_string(), known));
    let origin = Origin::new(&loaded.pipeline.title, pipeline_sha256(&loaded.pipeline));
    let job = Job::prepare_sites(loaded, order.demands, order.resources)?;
    for note in &job.notes {
        watch.warn(note);
    }
    let plan = propose(&job, Basis { asked: order.asked, known, origin }, &folder, order.replace, watch)?;
    Ok(if order.json { json(&plan) } else { plan_text::text(&plan, &folder) })
}

/// Numbers that do not go together.
fn check(asked: Asked) -> Result<(), CliError> {
    let Some(total) = asked.total else { return Ok(()) };
    let given: usize = asked.covers.iter().flatten().sum();
    let all_given = asked.covers.iter().all(Option::is_some);
    if given > total || all_given && given != total {
        return Err(CliError::Usage(format!(
            "--points {total} is the number of all sites, but --open, --low and --canopy come to {given}; leave out one of them"
        )));
    }
    Ok(())
}

/// The folder of the plan beside a run folder.
fn beside(run_folder: &Path) -> PathBuf {
    let mut name = run_folder.file_name().unwrap_or_default().to_os_string();
    name.push("-plan");
    run_folder.with_file_name(name)
}
