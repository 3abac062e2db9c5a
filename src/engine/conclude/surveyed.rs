//! What the tiles found at the surveyed points of a list.

use crate::cloud::point_list::PointList;
use crate::engine::conclude::fitted::Fitted;
use crate::engine::plan::job::Job;
use crate::engine::plan::list_job::ListJob;
use crate::pipeline::Pipeline;
use crate::pipeline::uncertainty::{Parts, Uncertainty};
use crate::results::checkpoints::CheckpointRow;
use crate::stages::compared::ComparedInMemory;
use crate::stages::triangulated::AtPoint;
use crate::stats::delivered::Delivered;
use crate::trust::few_checkpoints::SitedPoints;
use crate::trust::surveyed::{self, Listing};
use crate::units::Length;

/// A list of surveyed points, compared.
pub struct Surveyed<'a> {
    /// The comparisons.
    pub comparisons: ComparedInMemory,
    /// The same without the fit of the survey, where it is fitted.
    pub raw: Option<ComparedInMemory>,
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
    /// What was found at the points, with the fit of the survey added.
    pub fn of(
        list: &'a ListJob,
        found: Vec<Option<AtPoint>>,
        fitted: Option<&Fitted<'_>>,
        job: &Job,
    ) -> Self {
        let points = &list.points;
        let fitted = fitted.map(|fitted| fitted.at_checkpoints(points));
        let raw = fitted.is_some().then(|| ComparedInMemory(surveyed::comparisons(points, &found)));
        let found = match &fitted {
            Some(fitted) => {
                found.into_iter().zip(fitted).map(|(at, one)| Some(at?.raised(one.added))).collect()
            }
            None => found,
        };
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
        let listing = Listing {
            stated: stated_um,
            areas: &job.pipeline.exclude,
            fitted,
            horizontal: job.survey.units[0].0,
            units: job.units,
        };
        Surveyed {
            comparisons: ComparedInMemory(surveyed::comparisons(points, &found)),
            raw,
            rows: surveyed::rows(points, &found, &listing),
            found,
            points,
            stated_um,
            pipeline,
        }
    }

    /// The points used, as their intervals need them, with all ground that the survey delivered.
    pub fn sited(&self, delivered: &Delivered) -> SitedPoints {
        SitedPoints::new(self.points, &self.found, self.stated_um, delivered.clone())
    }
}
