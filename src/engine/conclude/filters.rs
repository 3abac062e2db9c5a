//! The settings of the ground filter that a run compares, from what tiles gave back of each.

use serde_json::{Map, Value};

use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::terrain::TerrainCells;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::results::filters::{FilterReference, FilterReturn, FilterSetting, FiltersCompared};
use crate::results::slope_row::SlopeRow;
use crate::results::summary::CloudCounts;
use crate::stages::filters_found::{CELLS, FilterFound};
use crate::stages::ground::{Ground, OF_FILTER, OF_SURFACE};
use crate::stages::list::summarise_of;
use crate::stats::moments::Moments;
use crate::tile::points::{Cloud, GroundFrom};
use crate::tile::yields::Yields;
use crate::trust::filters::suggestion;
use crate::units::Unit;

/// What each setting keeps, cuts and costs; nothing where the run compares none. `reference` is the reference's own counts.
///
/// # Errors
/// Where the disk does not give back what tiles found.
pub fn filters(
    job: &Job,
    yields: &dyn Yields,
    reference: Option<&CloudCounts>,
) -> Result<Option<FiltersCompared>, EngineError> {
    let settings = &job.chain.filters;
    if settings.is_empty() {
        return Ok(None);
    }
    let mut found = Vec::new();
    for number in 0..settings.len() {
        found.push(FilterFound::conclude(number, yields)?);
    }
    // Returns that have ground under one setting have a row under each.
    let returns: Vec<usize> =
        (1..=MAX_RETURN).filter(|&number| found.iter().any(|one| one.ground[number] > 0)).collect();
    let breaks = summarise_of(&job.pipeline.stages).slope_breaks;
    let options = differing(settings);
    let cells = job.chain.terrain_cell.map(|cell| cell.exact_micrometres());
    let cells = cells.map(|cell| TerrainCells::new(yields, job.tiling, cell));
    let mut all = Vec::new();
    for (number, (one, options)) in found.iter().zip(options).enumerate() {
        let coverage = cells.as_ref().map(|cells| cells.covered(CELLS[number])).transpose()?.flatten();
        let filters_reference = number > 0 && settings[0].cloud.includes(Cloud::Reference);
        let of_reference = match filters_reference {
            true => reference.map(|_| (one.reference.0, one.reference.1.rows(&breaks))),
            false => own_reference(reference),
        };
        all.push(FilterSetting {
            options,
            returns: returns.iter().map(|&number| of_return(one, number, job.units)).collect(),
            all: of_all(one, job.units),
            coverage,
            reference: of_reference.map(|(ground, by_slope)| FilterReference {
                ground,
                share_refused: share_refused(&by_slope),
                by_slope,
            }),
        });
    }
    let alternatives = all.split_off(1);
    let own = all.swap_remove(0);
    let suggestion = suggestion(&own, &alternatives);
    Ok(Some(FiltersCompared { own, alternatives, suggestion }))
}

/// What the run's own filter makes of the reference, where it has one.
fn own_reference(reference: Option<&CloudCounts>) -> Option<(u64, Vec<SlopeRow>)> {
    let reference = reference.filter(|counts| counts.ground_from == Some(GroundFrom::Filter))?;
    Some((reference.ground, reference.by_slope.clone()))
}

fn share_refused(rows: &[SlopeRow]) -> Option<f64> {
    let refused: u64 = rows.iter().map(|row| row.slope_refused).sum();
    let all: u64 = refused + rows.iter().map(|row| row.ground).sum::<u64>();
    (all > 0).then(|| refused as f64 / all as f64)
}

/// Of each setting the options in which some of them differ.
fn differing(settings: &[Ground]) -> Vec<Map<String, Value>> {
    let written = settings.iter().map(|one| serde_json::to_value(one).expect("plain options"));
    let written: Vec<Value> = written.collect();
    let keys = OF_SURFACE.iter().take(1).chain(&OF_FILTER).chain(OF_SURFACE.iter().skip(1));
    let keys = keys.filter(|key| written.iter().any(|one| one[**key] != written[0][**key]));
    let keys: Vec<&str> = keys.copied().collect();
    let of = |one: &Value| keys.iter().map(|key| (key.to_string(), one[*key].clone())).collect();
    written.iter().map(of).collect()
}

fn of_return(found: &FilterFound, number: usize, units: Unit) -> FilterReturn {
    let (dz, near) = (&found.dz[number], found.near_limit[number]);
    row(Some(number as u8), found.ground[number], dz, near, units)
}

fn of_all(found: &FilterFound, units: Unit) -> FilterReturn {
    let mut dz = Moments::default();
    found.dz.iter().for_each(|one| dz.merge(one));
    row(None, found.ground.iter().sum(), &dz, found.near_limit.iter().sum(), units)
}

fn row(return_number: Option<u8>, ground: u64, dz: &Moments, near: u64, units: Unit) -> FilterReturn {
    let length = |um: f64| units.from_micrometres(um);
    FilterReturn {
        return_number,
        ground,
        compared: dz.n,
        bias: dz.mean().map(length),
        sd: dz.sd().map(length),
        rmse: dz.rmse().map(length),
        within_sd_of_limit: (dz.n > 0).then(|| near as f64 / dz.n as f64),
    }
}
