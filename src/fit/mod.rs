//! The vertical fit of the survey to control: a shift, or a tilted plane, that is added to its elevations.
//!
//! It is estimated by weighted least squares from control minus the survey's raw elevation at each point, and added to dz and terrain
//! when they are concluded, never to the points. [`VerticalFit`] is the adjustment, by that of [`crate::control`]; [`checks`] says
//! what came out in numbers for people. Inside, lengths are metres.

pub(crate) mod checks;
#[cfg(test)]
mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::control::{
    Covariance, Failure, GlobalTest, Observation, Row, Sigmas, Solution, Suggestion, ValueId, Withheld,
    adjust, global_test, suggest,
};
use crate::stats::distributions::{chi_squared_quantile, f_quantile};
use crate::units::Micrometres;

/// What is added to the survey's elevations.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Model {
    /// Nothing: the survey is compared with the control, and left as it is.
    None,
    /// One length.
    #[default]
    Shift,
    /// A length and a tilt towards east and north.
    Plane,
}

impl Model {
    /// Its name in the pipeline file.
    pub fn word(self) -> &'static str {
        match self {
            Model::None => "none",
            Model::Shift => "shift",
            Model::Plane => "plane",
        }
    }

    /// Unknowns, and points that are needed at least.
    pub fn unknowns(self) -> usize {
        match self {
            Model::None => 0,
            Model::Shift => 1,
            Model::Plane => 3,
        }
    }
}

/// A control point over which the survey has an elevation.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlPoint {
    /// Its name.
    pub name: String,
    /// Easting and northing, micrometres.
    pub at: [Micrometres; 2],
    /// Its elevation minus the survey's, micrometres.
    pub difference: Micrometres,
    /// Standard deviation of that, micrometres.
    pub sigma: f64,
    /// Whether it takes no part and is only compared with what the others give.
    pub withheld: bool,
}

/// Level of the tests of what was estimated, two-sided.
pub const LEVEL: f64 = 0.05;

/// Whether control asks for a tilt: a plane through the points used against a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TiltTest {
    /// By how much the plane lowers the weighted sum of squares; over its variance factor where that is too large.
    pub statistic: f64,
    /// From where on that is significant.
    pub limit: f64,
}

/// The survey fitted to control.
#[derive(Clone, Debug)]
pub struct VerticalFit {
    /// What is added.
    pub model: Model,
    /// The points that are used or withheld.
    pub points: Vec<ControlPoint>,
    /// The mean place of the points used, from which a tilt counts, micrometres.
    pub centre: [Micrometres; 2],
    /// The adjustment of what is added at the centre and of its rise towards east and north; nothing is unknown with `none`.
    pub solution: Solution,
    /// Points that look like blunders.
    pub suggested: Vec<Suggestion>,
    /// The test of the variance factor; none without redundancy.
    pub test: Option<GlobalTest>,
    /// The test of a tilt; none where there are too few points, or all in line.
    pub tilt: Option<TiltTest>,
}

/// Control minus survey at one point.
struct Difference {
    metres: f64,
    coefficients: Vec<(usize, f64)>,
    covariance: Covariance,
}

impl Observation for Difference {
    fn rows(&self, at: &[f64]) -> Vec<Row> {
        let computed: f64 = self.coefficients.iter().map(|(unknown, by)| at[*unknown] * by).sum();
        vec![Row { misclosure: self.metres - computed, coefficients: self.coefficients.clone() }]
    }

    fn covariance(&self) -> &Covariance {
        &self.covariance
    }
}

impl VerticalFit {
    /// Fits the survey to the points that are not withheld.
    ///
    /// # Errors
    /// Where they do not determine it, with what is missing.
    pub fn of(model: Model, points: Vec<ControlPoint>) -> Result<Self, String> {
        let used: Vec<&ControlPoint> = points.iter().filter(|point| !point.withheld).collect();
        let n = used.len();
        if n < model.unknowns().max(1) {
            return Err(format!("{n} of its points can be used, and {} are needed", model.unknowns().max(1)));
        }
        let mean = |axis: usize| {
            let sum: i128 = used.iter().map(|point| i128::from(point.at[axis])).sum();
            sum.div_euclid(n as i128) as Micrometres
        };
        let centre = [mean(0), mean(1)];
        let withheld: Withheld = (0..points.len())
            .filter(|&at| points[at].withheld)
            .map(|observation| ValueId { observation, value: 0 })
            .collect();
        let adjusted = |model: Model| {
            let observations = observations(model, &points, centre);
            adjust(&observations, &vec![0.0; model.unknowns()], &withheld)
        };
        let solution = adjusted(model).map_err(|why| match why {
            Failure::Defect(_) => {
                "its points lie in line, which leaves the tilt across the line open".to_string()
            }
            other => other.to_string(),
        })?;
        let observations = observations(model, &points, centre);
        // Without the largest the others may not determine the tilt: then nothing is suggested.
        let suggested = match model {
            // A survey that lies too high everywhere has no blunders for it.
            Model::None => Vec::new(),
            _ => suggest(&observations, &solution, &withheld).map_or(Vec::new(), |(found, _)| found),
        };
        let tilt = [Model::Shift, Model::Plane].map(|model| adjusted(model).ok());
        let tilt = match tilt {
            [Some(shift), Some(plane)] if plane.degrees_of_freedom > 0 => tilt_test(&shift, &plane),
            _ => None,
        };
        let test = global_test(&solution);
        Ok(VerticalFit { model, points, centre, solution, suggested, test, tilt })
    }

    /// What is added to the survey's elevation at a place, micrometres.
    #[inline]
    pub fn added(&self, x: Micrometres, y: Micrometres) -> Micrometres {
        let metres = match self.solution.unknowns[..] {
            [] => return 0,
            [shift] => shift,
            [shift, east, north, ..] => {
                let [dx, dy] = self.off_centre(x, y);
                shift + east * dx + north * dy
            }
            [_, _] => unreachable!("one unknown or three"),
        };
        (metres * 1e6).round() as Micrometres
    }

    /// How far a place lies from the centre, metres.
    fn off_centre(&self, x: Micrometres, y: Micrometres) -> [f64; 2] {
        [(x - self.centre[0]) as f64 / 1e6, (y - self.centre[1]) as f64 / 1e6]
    }

    /// Which sigmas hold: as stated, or enlarged where the residuals are larger than those let expect.
    pub fn sigmas(&self) -> Sigmas {
        Sigmas::careful(&self.solution)
    }

    /// By what the variances of the adjustment are multiplied for all that is said of them.
    pub fn variance_scale(&self) -> f64 {
        self.sigmas().factor(&self.solution).powi(2)
    }

    /// The points that were used.
    pub fn used(&self) -> impl Iterator<Item = &ControlPoint> {
        self.points.iter().filter(|point| !point.withheld)
    }
}

fn observations(model: Model, points: &[ControlPoint], centre: [Micrometres; 2]) -> Vec<Difference> {
    let of = |point: &ControlPoint| {
        let [dx, dy] = [0, 1].map(|axis| (point.at[axis] - centre[axis]) as f64 / 1e6);
        let mut coefficients = vec![(0, 1.0), (1, dx), (2, dy)];
        coefficients.truncate(model.unknowns());
        let covariance = Covariance::independent(&[point.sigma / 1e6]);
        Difference { metres: point.difference as f64 / 1e6, coefficients, covariance }
    };
    points.iter().map(of).collect()
}

fn tilt_test(shift: &Solution, plane: &Solution) -> Option<TiltTest> {
    let (gain, freedom) = (shift.square_sum - plane.square_sum, plane.degrees_of_freedom as f64);
    Some(match Sigmas::careful(plane) {
        Sigmas::APriori => TiltTest { statistic: gain, limit: chi_squared_quantile(1.0 - LEVEL, 2.0)? },
        Sigmas::Scaled => TiltTest {
            statistic: gain / plane.variance_factor()?,
            limit: 2.0 * f_quantile(1.0 - LEVEL, 2.0, freedom)?,
        },
    })
}
