//! The survey fitted to control: what the tiles found at the control points, and comparisons with the fit added.

use std::io;

use crate::cloud::files::file_name;
use crate::cloud::point_list::{PointList, SurveyedPoint};
use crate::engine::plan::fitting::{Fitting, apart};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::fit::checks::{Listed, RawSums};
use crate::fit::{ControlPoint, VerticalFit};
use crate::results::fit::Fit;
use crate::results::format::{and_list_of, signed_length};
use crate::stages::compared::{Compared, Comparisons};
use crate::stages::triangulated::AtPoint;
use crate::trust::plausible;
use crate::trust::surveyed::{FittedPoint, why_not_used};

/// Control points that a message names.
const NAMED: usize = 5;

/// The survey fitted to control.
pub struct Fitted<'a> {
    fitting: &'a Fitting,
    /// The fit.
    pub fit: VerticalFit,
    listed: Vec<Listed<'a>>,
}

impl<'a> Fitted<'a> {
    /// From what was found at the control points, in the order of their list.
    ///
    /// # Errors
    /// Where too few can be used, or the survey lies so far off that a unit or a vertical system is mistaken.
    pub fn of(job: &'a Job, found: &[Option<AtPoint>]) -> Result<Option<Self>, EngineError> {
        let Some(fitting) = &job.fitting else { return Ok(None) };
        let (mut listed, mut points) = (Vec::new(), Vec::new());
        for (point, at) in fitting.list.points.points.iter().zip(found) {
            let survey = match at.as_ref().and_then(|at| at.all.elevation()) {
                Some(z) => Ok(z),
                None => Err(why_not_used(at.as_ref(), &job.pipeline.exclude, job.units).1),
            };
            let (sigma, withheld) = (fitting.sigma(point), fitting.is_withheld(point));
            if let Ok(z) = survey {
                let (name, at, difference) = (point.name.clone(), [point.x, point.y], point.z - z);
                points.push(ControlPoint { name, at, difference, sigma, withheld });
            }
            let at = [point.x, point.y, point.z];
            listed.push(Listed { name: &point.name, at, survey, sigma: Some(sigma), withheld });
        }
        let file = file_name(&fitting.list.path);
        let fit = VerticalFit::of(fitting.fit.model, points).map_err(|why| {
            let unusable = listed.iter().filter_map(|one| Some((one.name, one.survey.as_ref().err()?)));
            let unusable: Vec<String> = unusable.map(|(name, why)| format!("{name} ({why})")).collect();
            let unusable = match unusable.is_empty() {
                true => String::new(),
                false => format!(". Not used: {}", and_list_of(&unusable, NAMED)),
            };
            EngineError::NotFitted {
                why: format!(
                    "{file}: {why}{unusable}. Check that the control lies in the survey's system and on its ground, and choose a simpler \
                     `model` where there is little of it"
                ),
            }
        })?;
        let mut at_used: Vec<f64> = fit.used().map(|point| -point.difference as f64).collect();
        at_used.sort_by(f64::total_cmp);
        let middle = at_used[at_used.len() / 2];
        if middle.abs() > plausible::LIMIT * 1e6 {
            return Err(EngineError::NotFitted {
                why: format!(
                    "the survey lies {} from the control of {file}: a unit of elevations or a vertical system (a geoid, say) is mistaken, and a \
                     fit would hide it. State `units` of the fit, or bring both into one system",
                    signed_length(job.units.from_micrometres(middle), job.units)
                ),
            });
        }
        Ok(Some(Fitted { fitting, fit, listed }))
    }

    /// Comparisons with the fit added.
    pub fn over<'c>(&'c self, raw: &'c dyn Comparisons) -> FittedComparisons<'c> {
        FittedComparisons { raw, fit: &self.fit }
    }

    /// What `summary.json` says of the fit; `raw` are the comparisons without it.
    ///
    /// # Errors
    /// Where the disk does not give the comparisons back.
    pub fn summary(&self, job: &Job, raw: &dyn Comparisons) -> io::Result<Fit> {
        let add = |sums: &mut RawSums, block: &[Compared]| {
            for one in block {
                sums.add(&self.fit, [one.x, one.y], one.strata.return_number, one.dz);
            }
        };
        let sums = raw.sum_up(RawSums::default, add, |sums, other| sums.merge(&other))?;
        let to = self.fitting.fit.to.file.display().to_string();
        Ok(self.fit.summary(to, &self.listed, &sums, job.survey.units[0].0, job.units))
    }

    /// Names of control points that the fit uses and that also register the scans: an error of such a point is in both.
    pub fn shared(&self, job: &Job) -> Vec<String> {
        let registering = job.registering.iter().flat_map(|one| {
            let observed = &one.network.observed;
            let seen = |name: &str| observed.targets.iter().any(|target| target.name == name);
            observed
                .control
                .iter()
                .filter(move |control| observed.known(&control.name).is_some() && seen(&control.name))
        });
        let registering: Vec<_> = registering.collect();
        let is_shared = |point: &&ControlPoint| {
            registering.iter().any(|control| {
                let off = |axis: usize| control.at[axis] - point.at[axis] as f64;
                control.name == point.name || libm::hypot(off(0), off(1)) < SAME_MARK
            })
        };
        self.fit.used().filter(is_shared).map(|point| point.name.clone()).collect()
    }

    /// What the fit does at each checkpoint of a list.
    pub fn at_checkpoints(&self, list: &PointList) -> Vec<FittedPoint> {
        let at = |point: &SurveyedPoint| {
            let all = self.fitting.used().map(|control| (control.name.clone(), apart(control, point)));
            let nearest = all.min_by(|a, b| a.1.total_cmp(&b.1));
            FittedPoint { added: self.fit.added(point.x, point.y), nearest }
        };
        list.points.iter().map(at).collect()
    }
}

/// Control of two lists that lies nearer in plan is one mark, micrometres.
const SAME_MARK: f64 = 50_000.0;

/// Comparisons with the fit added to the survey.
pub struct FittedComparisons<'a> {
    raw: &'a dyn Comparisons,
    fit: &'a VerticalFit,
}

impl Comparisons for FittedComparisons<'_> {
    fn len(&self) -> u64 {
        self.raw.len()
    }

    fn parts(&self) -> usize {
        self.raw.parts()
    }

    fn read_part(&self, part: usize, f: &mut dyn FnMut(&[Compared])) -> io::Result<()> {
        let mut fitted = Vec::new();
        self.raw.read_part(part, &mut |block| {
            let add = |one: &Compared| Compared { dz: one.dz + self.fit.added(one.x, one.y), ..*one };
            fitted.clear();
            fitted.extend(block.iter().map(add));
            f(&fitted);
        })
    }
}
