//! The phase that turns what the tiles gave back into results.

use std::thread;

use crate::engine::conclude::draw::{Sample, write_compared};
use crate::engine::conclude::files::{write_checkpoints, write_surveyed};
use crate::engine::conclude::summing_up::{cloud_counts, histogram};
use crate::engine::conclude::surveyed::Surveyed;
use crate::engine::conclude::terrain::{Account, TerrainCells};
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::Watch;
use crate::report::method::method;
use crate::results::summary::{Histogram, Summary};
use crate::stages::chain::Chain;
use crate::stages::compared::{ComparedInTiles, Comparisons};
use crate::stages::counts::Counts;
use crate::stages::list::draw_of;
use crate::stages::select::tallies;
use crate::tile::yields::Yields;
use crate::trust::figures::PointCounts;
use crate::trust::study::{self, Studied};

/// What a run found.
pub struct Conclusion {
    /// The contents of `summary.json`.
    pub summary: Summary,
    /// What the page's histograms show.
    pub histogram: Histogram,
}

/// Draws the conclusions from what all tiles gave back, and writes `checkpoints.csv` meanwhile.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn conclude(
    job: &Job,
    partitions: &Partitions,
    journals: &Journals,
    folder: &RunFolder,
    watch: &Watch,
) -> Result<Conclusion, EngineError> {
    let draw = draw_of(&job.pipeline.stages);
    let counts = Counts::conclude(journals)?;
    let [survey_tallies, reference_tallies] = tallies(journals)?;
    let sample = Sample::of(journals, draw.kept, &folder.spill().join("draw"))?;
    let in_draw = match draw.everything_counts {
        true => None,
        false => Some(write_compared(&sample, folder.spill().join("drawn-compared"))?),
    };
    let in_tiles = ComparedInTiles::new(in_draw.as_ref().unwrap_or(journals));
    let surveyed = job.list.as_ref().map(|list| Surveyed::of(list, journals, job)).transpose()?;
    let compared: &dyn Comparisons = match &surveyed {
        Some(surveyed) => &surveyed.comparisons,
        None => &in_tiles,
    };
    let pipeline = surveyed.as_ref().map_or(&job.pipeline, |surveyed| &surveyed.pipeline);

    let read = &partitions.survey.counts;
    let point_counts = PointCounts {
        points: read.by_return,
        ground: counts.survey.ground_by_return,
        strata: counts.strata.clone(),
        ground_by_kind: counts.ground_by_kind.clone(),
    };
    let studied = || -> Result<Studied, EngineError> {
        let figured = study::figures(compared, &point_counts, pipeline, job.units)?;
        let terrain = match job.chain.terrain_cell {
            Some(cell) => {
                let account = Account {
                    ground: counts.survey.ground_by_return,
                    dz: figured.by_return,
                    learning: &figured.learning,
                    block: figured.block,
                };
                let cells = TerrainCells::new(journals, job.tiling, cell.exact_micrometres());
                cells.account(&account, watch)?
            }
            None => Vec::new(),
        };
        Ok(study::conclude(figured, terrain, pipeline, job.units))
    };
    // The study leaves workers idle now and then: time to write the checkpoints, and for the system to give room back.
    let (studied, checkpoints) = thread::scope(|scope| {
        scope.spawn(|| partitions.empty());
        let rows = surveyed.as_ref().map(|surveyed| &surveyed.rows[..]);
        rayon::join(studied, || match rows {
            Some(rows) => write_surveyed(job, &folder.results(), rows),
            None => write_checkpoints(job, &folder.results(), &sample, draw.listed),
        })
    });
    checkpoints?;
    let studied = studied?;
    let histogram = histogram(&studied.returns, &studied.all, compared, job.units)?;
    let uncertainty = pipeline.reference.as_ref().and_then(|r| r.uncertainty);
    let summary = Summary {
        title: job.pipeline.title.clone(),
        units: job.units,
        points: read.by_return.iter().sum(),
        reference_uncertainty: uncertainty.map(|u| job.units.from_micrometres(u.micrometres() as f64)),
        returns: studied.returns,
        all: studied.all,
        trust: studied.trust,
        checkpoints: surveyed.map(|surveyed| surveyed.rows),
        stages: of_stages(&job.chain, journals)?,
        survey: cloud_counts(read, &survey_tallies, &counts.survey),
        reference: partitions
            .reference
            .as_ref()
            .map(|cloud| cloud_counts(&cloud.counts, &reference_tallies, &counts.reference)),
        method: method(&job.pipeline),
    };
    Ok(Conclusion { summary, histogram })
}

/// What the stages say of themselves.
fn of_stages(
    chain: &Chain,
    yields: &dyn Yields,
) -> Result<serde_json::Map<String, serde_json::Value>, EngineError> {
    let mut all = serde_json::Map::new();
    for stage in &chain.tiles {
        all.extend(stage.conclude(yields)?);
    }
    Ok(all)
}
