//! What the tiles found at the surveyed points of a list.

use crate::engine::plan::job::{Job, ListJob};
use crate::pipeline::Pipeline;
use crate::results::checkpoints::CheckpointRow;
use crate::stages::compared::ComparedInMemory;
use crate::stages::triangulated;
use crate::tile::yields::{YieldError, Yields};
use crate::trust::surveyed;
use crate::units::Length;

/// A list of surveyed points, compared.
pub struct Surveyed {
    /// The comparisons.
    pub comparisons: ComparedInMemory,
    /// A row for each point.
    pub rows: Vec<CheckpointRow>,
    /// The pipeline, with the root mean square of the points' sigmas as the uncertainty of the reference.
    pub pipeline: Pipeline,
}

impl Surveyed {
    /// What all tiles gave back, put together.
    ///
    /// # Errors
    /// Where the disk does not give it back.
    pub fn of(list: &ListJob, yields: &dyn Yields, job: &Job) -> Result<Self, YieldError> {
        let points = &list.points;
        let found = triangulated::conclude(yields, points.points.len())?;
        let mut pipeline = job.pipeline.clone();
        let reference = pipeline.reference.as_mut();
        let stated =
            reference.as_ref().and_then(|reference| reference.uncertainty).map(|u| u.exact_micrometres());
        if let Some(reference) = reference {
            let together = surveyed::uncertainty(points, &found, stated);
            reference.uncertainty = together.map(|um| Length::metres(um / 1e6));
        }
        Ok(Surveyed {
            comparisons: ComparedInMemory(surveyed::comparisons(points, &found)),
            rows: surveyed::rows(points, &found, stated, job.survey.units[0].0, job.units),
            pipeline,
        })
    }
}
