//! The control that the survey is fitted to, from the list that the pipeline file names.

use std::path::Path;

use crate::cloud::files::file_name;
use crate::cloud::point_list::{ListError, SurveyedPoint};
use crate::engine::plan::list_job::ListJob;
use crate::fit::Model;
use crate::pipeline::fit::Fit;
use crate::pipeline::{Loaded, Problem, Seg};
use crate::results::format::{and_list, distance};
use crate::units::{Micrometres, Unit};

/// A checkpoint nearer in plan to control than that is the same place, measured twice: the survey errs there by the same.
pub const SAME_PLACE: Micrometres = 1_000_000;

/// Problems with checkpoints that are listed one by one.
const LISTED: usize = 10;

/// Control that the survey is fitted to.
pub struct Fitting {
    /// The list.
    pub list: ListJob,
    /// What the pipeline file says of it.
    pub fit: Fit,
}

impl Fitting {
    /// The list of control, if the survey is fitted to one, in units of the `survey` unless the pipeline file says otherwise;
    /// what is wrong with it, and with `checkpoints` that are control too, is noted.
    ///
    /// # Errors
    /// A list that cannot be read.
    pub fn of(
        loaded: &Loaded,
        survey: (Unit, Unit),
        checkpoints: Option<&ListJob>,
        problems: &mut Vec<Problem>,
    ) -> Result<Option<Self>, ListError> {
        let Some((fit, path)) = loaded.pipeline.survey.fit.clone().zip(loaded.fit_list()) else {
            return Ok(None);
        };
        let list = ListJob::open(&path, "to", &fit.to, fit.units, survey)?;
        let fitting = Fitting { list, fit };
        let mut wrong = |key: &str, message: &str, help: &str| {
            let place: Vec<Seg> =
                ["survey", "fit", key].iter().map(|key| Seg::Key((*key).to_string())).collect();
            problems.push(loaded.problem_at(&place, message, "here", Some(help)));
        };
        fitting.check_points(&mut wrong);
        if let Some(list) = checkpoints {
            fitting.check_apart(list, &mut wrong);
        }
        Ok(Some(fitting))
    }

    /// What it is, in a sentence.
    pub fn note(&self) -> String {
        let (points, file) = (&self.list.points.points, file_name(&self.list.path));
        let withheld = points.iter().filter(|point| self.is_withheld(point)).count();
        let aside = if withheld > 0 { format!(", {withheld} withheld") } else { String::new() };
        let (n, model) = (points.len() - withheld, self.fit.model.word());
        match self.fit.model {
            Model::None => format!("compares the survey with {n} points of {file}{aside}; nothing is fitted"),
            _ => format!("fits a {model} of the survey to {n} points of {file}{aside}"),
        }
    }

    /// Whether a point takes no part.
    pub fn is_withheld(&self, point: &SurveyedPoint) -> bool {
        self.fit.withhold.contains(&point.name)
    }

    /// Standard deviation of the difference at a point, micrometres: of the control, and of the survey's noise.
    pub fn sigma(&self, point: &SurveyedPoint) -> f64 {
        libm::hypot(point.sigma.unwrap_or(0) as f64, self.fit.noise.exact_micrometres())
    }

    /// The points that are used if the survey has ground there; none with `model: none`.
    pub fn used(&self) -> impl Iterator<Item = &SurveyedPoint> {
        let is_used = self.fit.model.unknowns() > 0;
        self.list.points.points.iter().filter(move |point| is_used && !self.is_withheld(point))
    }

    fn check_points(&self, wrong: &mut impl FnMut(&str, &str, &str)) {
        let points = &self.list.points.points;
        let file = file_name(&self.list.path);
        let missing =
            self.fit.withhold.iter().filter(|name| !points.iter().any(|point| point.name == **name));
        let missing: Vec<String> = missing.cloned().collect();
        if !missing.is_empty() {
            let message = format!("{file} has no point {}, which `withhold` names", and_list(&missing));
            wrong("withhold", &message, "write their names as the list does");
        }
        if let Some(point) = points.iter().find(|point| self.sigma(point) <= 0.0) {
            let message = format!("{file} line {}: {} has no sigma above 0", point.line, point.name);
            let help = "give each point its standard deviation in a column `sigma`, or state `noise` of the fit, which all points have";
            wrong("to", &message, help);
        }
        let used = points.iter().filter(|point| !self.is_withheld(point)).count();
        let needed = self.fit.model.unknowns().max(1);
        if used < needed {
            let message =
                format!("{file} leaves {used} points to fit to, and the model needs {needed} at least");
            wrong("to", &message, "measure more control, withhold less, or choose a simpler `model`");
        }
    }

    /// Control that is used is no checkpoint, by name or by place.
    fn check_apart(&self, list: &ListJob, wrong: &mut impl FnMut(&str, &str, &str)) {
        let mut found = Vec::new();
        for control in self.used() {
            for point in &list.points.points {
                let apart = apart(control, point);
                let why = match (control.name == point.name, apart < SAME_PLACE as f64) {
                    (true, _) => String::new(),
                    (false, true) => format!(
                        ", {} away",
                        distance(list.horizontal.from_micrometres(apart), list.horizontal)
                    ),
                    (false, false) => continue,
                };
                found.push(format!(
                    "{} ({}){why} is control {} of the fit ({})",
                    point.name,
                    place(&list.path, point),
                    control.name,
                    place(&self.list.path, control)
                ));
            }
        }
        let more = found.len().saturating_sub(LISTED);
        found.truncate(LISTED);
        for one in &found {
            let message = format!("the checkpoint {one}: what was fitted to a point cannot be tested there");
            let help = "remove it from one of the two lists, or `withhold` it from the fit; different points need different names";
            wrong("to", &message, help);
        }
        if more > 0 {
            wrong(
                "to",
                &format!("{more} more checkpoints are control of the fit"),
                "keep the two lists apart",
            );
        }
    }
}

fn place(path: &Path, point: &SurveyedPoint) -> String {
    format!("{} line {}", file_name(path), point.line)
}

/// How far two points lie apart in plan, micrometres.
pub fn apart(a: &SurveyedPoint, b: &SurveyedPoint) -> f64 {
    libm::hypot((a.x - b.x) as f64, (a.y - b.y) as f64)
}
