//! What came out of a fit, in numbers for people.

use crate::cloud::point::MAX_RETURN;
use crate::control::{CheckedValue, Suggestion, critical_value};
use crate::fit::{ControlPoint, LEVEL, VerticalFit};
use crate::results::fit::{
    Added, Fit, FitPoint, Fits, Parameter, Raw, RawFigures, RawReturn, SuggestedPoint, Tilt,
};
use crate::results::format::signed_length;
use crate::results::registration::{Redundancy, VarianceTest};
use crate::stats::distributions::{normal_quantile, t_quantile};
use crate::stats::moments::Moments;
use crate::units::{Micrometres, Unit};

/// Sums over the comparisons as they are without the fit, and of what it adds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RawSums {
    /// Of dz without the fit, by return; of the triangulation of all returns at surveyed points, which is no return, at 0.
    pub dz: [Moments; MAX_RETURN + 1],
    added: Moments,
    /// Of 1, x, y, x², xy and y² from the centre of the fit, millimetres.
    places: [i128; 6],
}

impl RawSums {
    /// Adds a comparison without the fit.
    #[inline]
    pub fn add(&mut self, fit: &VerticalFit, [x, y]: [Micrometres; 2], return_number: u8, dz: Micrometres) {
        self.dz[usize::from(return_number)].add(dz);
        self.added.add(fit.added(x, y));
        let [x, y] = [x - fit.centre[0], y - fit.centre[1]].map(|um| i128::from(um.div_euclid(1_000)));
        for (sum, term) in self.places.iter_mut().zip([1, x, y, x * x, x * y, y * y]) {
            *sum += term;
        }
    }

    /// Adds other sums.
    pub fn merge(&mut self, other: &RawSums) {
        self.dz.iter_mut().zip(&other.dz).for_each(|(own, other)| own.merge(other));
        self.added.merge(&other.added);
        self.places.iter_mut().zip(other.places).for_each(|(own, other)| *own += other);
    }

    fn raw(&self, units: Unit) -> Raw {
        let figures = |dz: &Moments| {
            let length = |um: f64| units.from_micrometres(um);
            RawFigures {
                compared: dz.n,
                bias: dz.mean().map(length),
                sd: dz.sd().map(length),
                rmse: dz.rmse().map(length),
            }
        };
        let of_list = self.dz[0].n > 0;
        let mut all = Moments::default();
        self.dz.iter().for_each(|dz| all.merge(dz));
        let returns = self.dz.iter().enumerate().skip(1).filter(|(_, dz)| dz.n > 0);
        let returns = returns
            .map(|(number, dz)| RawReturn { return_number: number as u8, figures: figures(dz) })
            .collect();
        Raw { returns, all: figures(if of_list { &self.dz[0] } else { &all }) }
    }

    /// What was added, with its standard deviations.
    fn added(&self, fit: &VerticalFit, units: Unit) -> Option<Added> {
        let [n, x, y, xx, xy, yy] = self.places.map(|sum| sum as f64);
        let length = |um: f64| units.from_micrometres(um);
        // Means of the coefficients of the unknowns, and of their products.
        let means = [1.0, x / n * 1e-3, y / n * 1e-3];
        let products =
            [means, [means[1], xx / n * 1e-6, xy / n * 1e-6], [means[2], xy / n * 1e-6, yy / n * 1e-6]];
        let scale = fit.variance_scale();
        let sum = |of: &dyn Fn(usize, usize) -> f64| {
            let (mut sum, unknowns) = (0.0, fit.model.unknowns());
            for i in 0..unknowns {
                for j in 0..unknowns {
                    sum += of(i, j) * fit.solution.covariance[(i, j)];
                }
            }
            length((sum * scale).max(0.0).sqrt() * 1e6)
        };
        Some(Added {
            mean: length(self.added.mean()?),
            min: length(self.added.min()? as f64),
            max: length(self.added.max()? as f64),
            sigma_of_mean: sum(&|i, j| means[i] * means[j]),
            sigma: sum(&|i, j| products[i][j]),
        })
    }
}

/// A point of the list of control as it was measured; why it cannot be used, where that is so.
pub struct Listed<'a> {
    /// Its name.
    pub name: &'a str,
    /// Easting, northing and elevation, micrometres.
    pub at: [Micrometres; 3],
    /// The survey's elevation there.
    pub survey: Result<Micrometres, String>,
    /// Standard deviation of the difference, micrometres.
    pub sigma: Option<f64>,
    /// Whether it is withheld.
    pub withheld: bool,
}

impl VerticalFit {
    /// All of it, lengths in `units`, eastings and northings in `horizontal`. `listed` are all points, those that are used or
    /// withheld in the order of the fit.
    pub fn summary(
        &self,
        to: String,
        listed: &[Listed<'_>],
        sums: &RawSums,
        horizontal: Unit,
        units: Unit,
    ) -> Fit {
        let solution = &self.solution;
        let checked = |at: usize| &solution.observations[at].values[0];
        let withheld = |at: &usize| self.points[*at].withheld;
        let (aside, used): (Vec<usize>, Vec<usize>) = (0..self.points.len()).partition(withheld);
        let fits = |which: &[usize], of: &dyn Fn(usize) -> Option<f64>| {
            fits(which.iter().filter_map(|&at| of(at)), units)
        };
        let before = |at: usize| Some(self.points[at].difference as f64 / -1e6);
        Fit {
            model: self.model.word(),
            to,
            parameters: self.parameters(units),
            centre: self.centre.map(|um| horizontal.from_micrometres(um as f64)),
            covariance: self.covariance(units),
            redundancy: Redundancy {
                observations: used.len(),
                unknowns: solution.unknowns.len(),
                degrees_of_freedom: solution.degrees_of_freedom,
            },
            variance_factor: solution.variance_factor(),
            variance_test: self.test.as_ref().map(VarianceTest::of),
            variance_scale: self.variance_scale(),
            critical_value: critical_value(solution.tested()),
            tilt: self.tilt.map(|test| Tilt {
                statistic: test.statistic,
                limit: test.limit,
                significant: test.statistic > test.limit,
            }),
            before: fits(&used, &before),
            after: fits(&used, &|at| Some(checked(at).residual)),
            leave_one_out: fits(&used, &|at| checked(at).left_out),
            withheld: fits(&aside, &|at| Some(checked(at).residual)),
            points: {
                let mut next = 0..self.points.len();
                let mut row = |one: &Listed<'_>| {
                    let at = if one.survey.is_ok() { next.next() } else { None };
                    let point = at.map(|at| (&self.points[at], checked(at)));
                    point_row(one, point, horizontal, units)
                };
                listed.iter().map(&mut row).collect()
            },
            suggested: self.suggested.iter().map(|one| self.suggestion(one, units)).collect(),
            added: sums.added(self, units),
            raw: sums.raw(units),
        }
    }

    fn parameters(&self, units: Unit) -> Vec<Parameter> {
        let scale = self.variance_scale();
        let freedom = self.solution.degrees_of_freedom as f64;
        let limit = if scale == 1.0 {
            normal_quantile(1.0 - LEVEL / 2.0)
        } else {
            t_quantile(1.0 - LEVEL / 2.0, freedom)
        };
        let limit = limit.unwrap_or(f64::INFINITY);
        let of = |(at, name): (usize, &'static str)| {
            let (value, sigma) = (*self.solution.unknowns.get(at)?, self.solution.sigma(at) * scale.sqrt());
            let in_units = |value: f64| if at == 0 { units.from_micrometres(value * 1e6) } else { value };
            let standardised = value / sigma;
            Some(Parameter {
                name,
                value: in_units(value),
                sigma: in_units(sigma),
                standardised,
                significant: standardised.abs() > limit,
            })
        };
        ["shift", "slope_east", "slope_north"].into_iter().enumerate().filter_map(of).collect()
    }

    fn covariance(&self, units: Unit) -> Vec<Vec<f64>> {
        let scale = |at: usize| if at == 0 { units.from_micrometres(1e6) } else { 1.0 };
        let unknowns = self.model.unknowns();
        let row = |i: usize| {
            let of =
                |j: usize| self.solution.covariance[(i, j)] * self.variance_scale() * scale(i) * scale(j);
            (0..unknowns).map(of).collect()
        };
        (0..unknowns).map(row).collect()
    }

    fn suggestion(&self, one: &Suggestion, units: Unit) -> SuggestedPoint {
        let name = |at: usize| self.points[at].name.clone();
        let left_out = units.from_micrometres(one.left_out * 1e6);
        let or_else: Vec<String> = one.or_else.iter().map(|id| name(id.observation)).collect();
        let own = name(one.value.observation);
        let reason = format!(
            "{own}: a fit without it leaves it {} (survey minus control), |w| = {:.1} where a good point stays below {:.1}",
            signed_length(left_out, units),
            one.standardised.abs(),
            one.critical
        );
        SuggestedPoint {
            name: own,
            standardised: one.standardised,
            critical: one.critical,
            left_out,
            variance_factor: one.variance_factor,
            reason: one.with_more(reason, &or_else),
            or_else,
        }
    }
}

fn fits(metres: impl Iterator<Item = f64>, units: Unit) -> Fits {
    let all: Vec<f64> = metres.collect();
    let n = all.len() as f64;
    let length = |metres: f64| (!all.is_empty()).then(|| units.from_micrometres(metres * 1e6));
    Fits {
        points: all.len(),
        mean: length(all.iter().sum::<f64>() / n),
        rms: length((all.iter().map(|v| v * v).sum::<f64>() / n).sqrt()),
    }
}

fn point_row(
    one: &Listed<'_>,
    point: Option<(&ControlPoint, &CheckedValue)>,
    horizontal: Unit,
    units: Unit,
) -> FitPoint {
    let length = |um: f64| units.from_micrometres(um);
    let metres = |value: f64| length(value * 1e6);
    let checked = point.map(|(_, checked)| checked);
    let used = checked.filter(|checked| !checked.withheld);
    FitPoint {
        name: one.name.to_string(),
        easting: horizontal.from_micrometres(one.at[0] as f64),
        northing: horizontal.from_micrometres(one.at[1] as f64),
        elevation: length(one.at[2] as f64),
        survey_elevation: one.survey.as_ref().ok().map(|z| length(*z as f64)),
        sigma: one.sigma.map(length),
        status: match (checked, one.withheld) {
            (None, _) => "not_used",
            (Some(_), true) => "withheld",
            (Some(_), false) => "used",
        },
        reason: one.survey.as_ref().err().cloned(),
        before: point.map(|(point, _)| length(-(point.difference as f64))),
        after: checked.map(|checked| metres(checked.residual)),
        left_out: used.and_then(|checked| checked.left_out).map(metres),
        redundancy: used.map(|checked| checked.redundancy),
        standardised: checked.and_then(|checked| checked.standardised),
        detectable: used.and_then(|checked| checked.detectable).map(metres),
    }
}
