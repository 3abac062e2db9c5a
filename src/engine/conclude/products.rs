//! What the run hands over beside its results: each stage that has products makes them here, once the results are known.

use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::conclusion::Conclusion;
use crate::engine::conclude::terrain_model::{Plan, make_terrain};
use crate::engine::conclude::voids::VoidRuns;
use crate::engine::export::Found;
use crate::engine::export::cloud::write_cloud;
use crate::engine::export::comparisons::write_comparisons;
#[cfg(feature = "geopackage")]
use crate::engine::export::points::write_points;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::Watch;
use crate::pipeline::resolved::pipeline_sha256;
use crate::products::origin::Origin;
use crate::products::staging::Products;
use crate::results::format::{and_list, length, thousands};
use crate::results::terrain_model::{TerrainModel, supported};
use crate::stages::auto::Auto;
use crate::stages::list::{Stage, export_of};
use crate::stages::terrain::{TerrainMethod, TerrainStage};
use crate::terrain::differences::LEAST_SD;
use crate::terrain::model::Weights;
use crate::terrain::surface::patch::{Estimate, Rule};

/// Makes the products of all stages, into the folder where the results wait, and says in the summary what they are; an
/// interrupted run makes them anew.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn make_products(
    job: &Job,
    partitions: &Partitions,
    journals: &Journals,
    folder: &RunFolder,
    conclusion: &mut Conclusion,
    watch: &Watch,
) -> Result<Products, EngineError> {
    let origin = Origin::new(&job.pipeline.title, pipeline_sha256(&job.pipeline));
    let products = Products::new(folder.results(), origin);
    let wants_voids = cfg!(feature = "geopackage")
        && export_of(&job.pipeline.stages).is_some_and(|export| export.checkpoints);
    let mut voids = None;
    if let Some(options) = job.pipeline.stages.iter().find_map(Stage::as_terrain) {
        let bounds = partitions.survey.counts.bounds.ranges();
        let choice = choice(options, conclusion);
        let offset = job.pipeline.reference.as_ref().and_then(|reference| reference.offset.as_ref());
        let fill = options.fill.micrometres();
        if bounds.is_none() || choice.is_none() {
            let note = "no terrain model is written: there is no ground of the returns that `terrain` asks for; write `returns: auto`, or \
                        `method: triangulation`";
            watch.warn(note);
            products.note(note.to_string());
        }
        if let Some((ground, choice)) = bounds.zip(choice) {
            let names: Vec<String> = choice.returns.iter().map(u8::to_string).collect();
            let mut items = vec![
                ("ECHOGRADE_METHOD".to_string(), options.method.name().to_string()),
                ("ECHOGRADE_RETURNS".to_string(), names.join(" ")),
                ("ECHOGRADE_RETURNS_REASON".to_string(), choice.reason.clone()),
                ("ECHOGRADE_FILL".to_string(), options.fill.to_string()),
            ];
            let removed = offset.map(|offset| offset.value.to_string());
            items.extend(
                removed.map(|removed| ("ECHOGRADE_OFFSET_REMOVED_FROM_REFERENCE".to_string(), removed)),
            );
            if let Some(fit) = &conclusion.fit {
                let added = format!("{} to control", fit.model.word());
                items.push(("ECHOGRADE_FIT_ADDED".to_string(), added));
            }
            let cell = options.cell.exact_micrometres();
            if wants_voids {
                voids = Some(VoidRuns::create(&folder.spill().join("voids"), cell)?);
            }
            let plan = Plan {
                job,
                yields: journals,
                ground,
                rule: Rule { estimate: choice.estimate, fill },
                cell,
                returns: with_ground(&conclusion.ground),
                fit: conclusion.fit.as_ref(),
                offset: offset.map_or(0.0, |offset| offset.value.exact_micrometres()),
                items,
                voids: voids.as_ref(),
            };
            let (files, counted) = make_terrain(&plan, folder, &products, watch)?;
            conclusion.summary.terrain_model = Some(TerrainModel {
                method: options.method.name(),
                returns: choice.returns,
                reason: choice.reason,
                cell: job.units.from_micrometres(options.cell.exact_micrometres()),
                fill: job.units.from_micrometres(options.fill.exact_micrometres()),
                cells: counted.cells,
                filled: counted.filled,
                open: counted.open,
                compared: counted.compared,
                files,
            });
        }
    }
    let fit = conclusion.fit.as_ref();
    let found =
        Found { partitions, yields: journals, summary: &conclusion.summary, fit, voids: voids.as_ref() };
    export(job, &found, folder, &products, watch)?;
    Ok(products)
}

/// Makes what the stage `export` asks for.
fn export(
    job: &Job,
    found: &Found<'_>,
    folder: &RunFolder,
    products: &Products,
    watch: &Watch,
) -> Result<(), EngineError> {
    let Some(export) = export_of(&job.pipeline.stages) else { return Ok(()) };
    if export.cloud {
        write_cloud(job, export, found, products, watch)?;
    }
    if export.comparisons {
        write_comparisons(job, found, &folder.spill(), products, watch)?;
    }
    if export.checkpoints || export.comparisons {
        #[cfg(feature = "geopackage")]
        write_points(job, export, found, &folder.results(), products)?;
        #[cfg(not(feature = "geopackage"))]
        {
            let note = "points.gpkg is not written: this program was built without GeoPackage; build it with the feature `geopackage`";
            watch.warn(note);
            products.note(note.to_string());
        }
    }
    Ok(())
}

/// The returns that have ground.
fn with_ground(ground: &[u64; MAX_RETURN + 1]) -> Vec<u8> {
    (1..=MAX_RETURN as u8).filter(|r| ground[usize::from(*r)] > 0).collect()
}

/// The returns of a terrain model, why these, and how elevations come from them.
struct Choice {
    returns: Vec<u8>,
    reason: String,
    estimate: Estimate,
}

/// The choice that the options make, or the account of returns used supports; none where no return has ground.
fn choice(options: &TerrainStage, conclusion: &Conclusion) -> Option<Choice> {
    let there = with_ground(&conclusion.ground);
    let asked = |returns: &[u8]| match &options.returns {
        Auto::Fixed(chosen) => returns.iter().copied().filter(|r| chosen.contains(r)).collect(),
        Auto::Auto => returns.to_vec(),
    };
    let of_file = "as the pipeline file asks for".to_string();
    let (returns, reason): (Vec<u8>, String) = match (options.method, &options.returns) {
        (TerrainMethod::Weighted, chosen) => {
            let learned = conclusion.learned.as_ref();
            let known = |r: &u8| learned.is_some_and(|learned| learned.overall[usize::from(*r)].is_some());
            let known: Vec<u8> = there.into_iter().filter(known).collect();
            let reason = match chosen {
                Auto::Fixed(_) => of_file,
                Auto::Auto => "all returns of which enough is known to be weighted".to_string(),
            };
            (asked(&known), reason)
        }
        (TerrainMethod::Triangulation, Auto::Fixed(_)) => (asked(&there), of_file),
        (TerrainMethod::Triangulation, Auto::Auto) => supported_choice(there, conclusion),
    };
    if returns.is_empty() {
        return None;
    }
    let estimate = match (options.method, &conclusion.learned) {
        (TerrainMethod::Weighted, Some(learned)) => {
            let of = |r: u8| learned.overall[usize::from(r)].filter(|_| returns.contains(&r));
            let used = std::array::from_fn(|r| of(r as u8));
            let sd = returns.iter().filter_map(|r| of(*r)).map(|of| of.sd).fold(f64::INFINITY, f64::min);
            let weights = Box::new(Weights::learned(returns[0]..=*returns.last()?, &used));
            Estimate::Weighted { weights, sd: sd.max(LEAST_SD), least: learned.best_weighted }
        }
        _ => Estimate::Facets(returns.iter().fold(0, |all, r| all | 1 << r)),
    };
    Some(Choice { returns, reason, estimate })
}

/// What the account of returns used supports.
fn supported_choice(there: Vec<u8>, conclusion: &Conclusion) -> (Vec<u8>, String) {
    let summary = &conclusion.summary;
    let rows = &summary.trust.terrain_by_returns;
    let names: Vec<String> = there.iter().map(u8::to_string).collect();
    match supported(rows, summary.checkpoints.is_some()) {
        Some((row, sd)) if rows.len() > 1 => {
            let k = row.returns_up_to;
            let reason = format!(
                "of the terrains from returns 1 to k, that of k = {k} has the lowest SD against the reference: {}, n = {}",
                length(sd, summary.units),
                thousands(row.terrain.common_cells)
            );
            (there.into_iter().filter(|r| *r <= k).collect(), reason)
        }
        Some(_) => (there, "the only return that has ground".to_string()),
        None => {
            let why = match summary.all.compared {
                0 => "nothing is compared",
                _ => "too few places are common to all choices",
            };
            let reason =
                format!("all that have ground ({}): {why}, and no choice is supported", and_list(&names));
            (there, reason)
        }
    }
}
