//! What the tiles found at the surveyed points of a list.

use crate::cloud::point_list::PointList;
use crate::engine::plan::job::{Job, ListJob};
use crate::pipeline::Pipeline;
use crate::pipeline::uncertainty::{Parts, Uncertainty};
use crate::results::checkpoints::CheckpointRow;
use crate::stages::compared::ComparedInMemory;
use crate::stages::triangulated::{self, AtPoint};
use crate::stats::delivered::Delivered;
use crate::tile::yields::{YieldError, Yields};
use crate::trust::few_checkpoints::SitedPoints;
use crate::trust::surveyed;
use crate::units::Length;

/// A list of surveyed points, compared.
pub struct Surveyed<'a> {
    /// The comparisons.
    pub comparisons: ComparedInMemory,
    /// A row for each point.
    pub rows: Vec<CheckpointRow>,
    /// What was found at each point of the list.
    pub found: Vec<Option<AtPoint>>,
    points: &'a PointList,
    /// The sigma of the points that have none of their own, micrometres.
    stated_um: Option<f64>,
    /// The pipeline, with the root mean square of the points' sigmas as the uncertainty of the reference.
    pub pipeline: Pipeline,
}

impl<'a> Surveyed<'a> {
    /// What all tiles gave back, put together.
    ///
    /// # Errors
    /// Where the disk does not give it back.
    pub fn of(list: &'a ListJob, yields: &dyn Yields, job: &Job) -> Result<Self, YieldError> {
        let points = &list.points;
        let found = triangulated::conclude(yields, points.points.len())?;
        let mut pipeline = job.pipeline.clone();
        let stated = pipeline.reference.as_ref().and_then(|reference| reference.uncertainty);
        let stated_um = stated.map(|uncertainty| uncertainty.random_at_most_um());
        let has_own = points.points.iter().any(|point| point.sigma.is_some());
        if let Some(reference) = pipeline.reference.as_mut().filter(|_| has_own) {
            // What the points have of their own is random; what they share only the pipeline file can say.
            let common = stated.and_then(|uncertainty| match uncertainty {
                Uncertainty::Parts(parts) => parts.common,
                Uncertainty::One(_) | Uncertainty::Auto => None,
            });
            let random = surveyed::uncertainty(points, &found, stated_um).map(|um| Length::metres(um / 1e6));
            reference.uncertainty = random.map(|_| Uncertainty::Parts(Parts { common, random }));
        }
        Ok(Surveyed {
            comparisons: ComparedInMemory(surveyed::comparisons(points, &found)),
            rows: surveyed::rows(
                points,
                &found,
                stated_um,
                &job.pipeline.exclude,
                job.survey.units[0].0,
                job.units,
            ),
            found,
            points,
            stated_um,
            pipeline,
        })
    }

    /// The points used, as their intervals need them, with all ground that the survey delivered.
    pub fn sited(&self, delivered: &Delivered) -> SitedPoints {
        SitedPoints::new(self.points, &self.found, self.stated_um, delivered.clone())
    }
}
