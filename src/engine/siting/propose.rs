//! A plan from start to end: partition, work, draw. Its phases are those of a run, with the search for sites in place of the
//! comparisons; nothing of it is kept when it is interrupted.

use std::path::Path;

use crate::engine::conclude::files::{Cost, write_manifest};
use crate::engine::partition::phase::read_clouds;
use crate::engine::plan::inputs::{check_unchanged, inputs_of};
use crate::engine::plan::job::Job;
use crate::engine::run::logged;
use crate::engine::siting::files::write_plan;
use crate::engine::siting::site_plan::{Basis, site_plan};
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::{Claim, RunFolder};
use crate::engine::watch::Watch;
use crate::engine::watch::clock::Clock;
use crate::engine::work::phase::{in_pool, work};
use crate::products::staging::Products;
use crate::results::site_plan::SitePlan;
use crate::stages::sites;

/// Proposes sites and leaves the plan in the folder `out`.
///
/// # Errors
/// Whatever stops it; the folder is then as it was before.
pub fn propose(
    job: &Job,
    basis: Basis,
    out: &Path,
    replace: bool,
    watch: &Watch,
) -> Result<SitePlan, EngineError> {
    let folder = RunFolder::claim(out, Claim { resume: false, replace })?;
    let started = format!("plan of {}, version {}", job.pipeline_path.display(), env!("CARGO_PKG_VERSION"));
    let result = logged(&folder, &started, watch, |watch| {
        in_pool(job.resources.threads, "planning", || phases(job, basis, &folder, watch))
    });
    result.and_then(|plan| folder.finish().map(|()| plan))
}

fn phases(job: &Job, basis: Basis, folder: &RunFolder, watch: &Watch) -> Result<SitePlan, EngineError> {
    let mut clock = Clock::start(watch);
    let search = job.sites.as_ref().ok_or_else(|| EngineError::Internal {
        doing: "planning".into(),
        message: "the job looks for no sites".into(),
    })?;
    let mut inputs = inputs_of(job);
    let partitions = read_clouds(job, &mut inputs, folder, &mut clock)?;
    let journals = Journals::open(&[folder.journal()])?;
    work(job, &partitions, &journals, folder, &mut clock)?;
    let found = sites::conclude(&journals, &search.rules)?;
    let plan = site_plan(job, search, &found, partitions.survey.counts.bounds, &basis);
    check_unchanged(&inputs)?;
    clock.step("draw sites")?;
    let products = Products::new(folder.results(), basis.origin);
    write_plan(job, &plan, &products)?;
    clock.step("write the plan")?;
    let cost = Cost { tiles: partitions.keys().len(), taken_over: 0, resumed: false, parts: None, clock };
    write_manifest(
        job,
        inputs,
        products,
        &partitions,
        partitions.survey.counts.read,
        cost,
        &folder.results(),
    )?;
    Ok(plan)
}
