//! What came out of an adjustment, in numbers for people.

use std::collections::BTreeMap;

use nalgebra::Vector3;

use crate::control::{CheckedObservation, Suggestion, ValueId, critical_value};
use crate::registration::network::{Network, Of};
use crate::registration::sigma::SetupSums;
use crate::results::registration::{
    Agreement, ComponentRow, PointResiduals, Redundancy, Registration, SetupRow, SuggestedRow, VarianceTest,
    WithheldRow,
};
use crate::units::Unit;

/// The coordinates of a point.
const COMPONENTS: [&str; 3] = ["east", "north", "up"];

/// A target withheld, and how the poses of the others fit it: metres.
pub struct WithheldTarget {
    /// The target.
    pub target: usize,
    /// Its place in the registered scan minus the control.
    pub residual: [f64; 3],
    /// Standard deviations of that.
    pub sigma: [f64; 3],
}

impl Network {
    /// Every target of a withheld control point.
    pub fn withheld(&self) -> Vec<WithheldTarget> {
        let scale = self.variance_scale();
        let targets = self.observed.targets.iter().enumerate();
        let withheld = targets.filter(|(_, target)| self.observed.is_withheld(&target.name));
        let row = |(index, target): (usize, &crate::registration::Target)| {
            let control = self.observed.control_of(&target.name)?;
            let place = self.poses[target.setup].apply(&self.places[index]);
            let known = |axis: usize| (control.at[axis] - self.origin[axis] as f64) / 1e6;
            let sigma = |axis: usize| {
                let pose = self.solution.variance_of(&self.moves(target.setup, &place, axis)) * scale;
                let [own, other] = [target.sigma, control.sigma[axis]].map(|um| um / 1e6);
                (pose + own * own + other * other).sqrt()
            };
            Some(WithheldTarget {
                target: index,
                residual: [0, 1, 2].map(|axis| place[axis] - known(axis)),
                sigma: [0, 1, 2].map(sigma),
            })
        };
        withheld.filter_map(row).collect()
    }

    /// The observed value in words: `target C2 in S1, up`, `control C2, up`.
    fn words(&self, id: ValueId) -> String {
        let (name, setup, component) = self.value(id);
        match setup {
            Some(setup) => format!("target {name} in {setup}, {component}"),
            None => format!("control {name}, {component}"),
        }
    }

    /// Name, setup and component of an observed value.
    pub fn value(&self, id: ValueId) -> (&str, Option<&str>, &'static str) {
        match self.of[id.observation] {
            Of::Target(index) => {
                let target = &self.observed.targets[index];
                (&target.name, Some(&self.observed.setups[target.setup]), COMPONENTS[id.value])
            }
            Of::Control(index, axes) => {
                let axis = (0..3).filter(|axis| axes[*axis]).nth(id.value).unwrap_or_default();
                (&self.observed.control[index].name, None, COMPONENTS[axis])
            }
        }
    }

    /// The residuals of targets against the network without them, metres.
    fn left_out(&self) -> Vec<[f64; 3]> {
        let of = self.of.iter().zip(&self.solution.observations);
        let targets = of.filter(|(of, _)| matches!(of, Of::Target(_)));
        targets.filter_map(|(_, one)| one.left_out.as_ref()).map(|v| [-v[0], -v[1], -v[2]]).collect()
    }

    /// All of it, lengths in `units`. `sums` are those over the comparisons by setup; `noise` that of the scan, micrometres.
    pub fn summary(&self, sums: &BTreeMap<u16, SetupSums>, noise: f64, units: Unit) -> Registration {
        let length = |metres: f64| units.from_micrometres(metres * 1e6);
        let solution = &self.solution;
        let rows = |wanted: fn(&Of) -> bool| {
            let all = self.of.iter().zip(&solution.observations).filter(|(of, _)| wanted(of));
            all.map(|(of, one)| self.residuals(*of, one, units)).collect()
        };
        let withheld = self.withheld();
        let agreement = |residuals: &[[f64; 3]]| {
            let mean = |square: &dyn Fn(&[f64; 3]) -> f64| {
                let sum: f64 = residuals.iter().map(square).sum();
                (!residuals.is_empty()).then(|| length((sum / residuals.len() as f64).sqrt()))
            };
            Agreement {
                points: residuals.len(),
                horizontal: mean(&|[e, n, _]| e * e + n * n),
                vertical: mean(&|[_, _, u]| u * u),
            }
        };
        let of_withheld: Vec<[f64; 3]> = withheld.iter().map(|one| one.residual).collect();
        let observations: usize = solution.observations.iter().map(|one| one.values.len()).sum();
        Registration {
            model: self.observed.model.word(),
            setups: (0..self.poses.len()).map(|setup| self.setup(setup, sums, units)).collect(),
            residuals: rows(|of| matches!(of, Of::Target(_))),
            control: rows(|of| matches!(of, Of::Control(..))),
            redundancy: Redundancy {
                observations,
                unknowns: solution.unknowns.len(),
                degrees_of_freedom: solution.degrees_of_freedom,
            },
            variance_factor: solution.variance_factor(),
            variance_test: self.test.as_ref().map(VarianceTest::of),
            variance_scale: self.variance_scale(),
            critical_value: critical_value(solution.tested()),
            leave_one_out: agreement(&self.left_out()),
            withheld: withheld
                .iter()
                .map(|one| {
                    let target = &self.observed.targets[one.target];
                    WithheldRow {
                        setup: self.observed.setups[target.setup].clone(),
                        name: target.name.clone(),
                        residual: one.residual.map(length),
                        sigma: one.sigma.map(length),
                        standardised: [0, 1, 2].map(|axis| one.residual[axis] / one.sigma[axis]),
                    }
                })
                .collect(),
            withheld_agreement: agreement(&of_withheld),
            suggested: self.suggested.iter().map(|one| self.suggestion(one, units)).collect(),
            not_used: self.unused.clone(),
            noise: units.from_micrometres(noise),
            common: self
                .vertical(Network::merged(sums), noise)
                .map(|found| units.from_micrometres(found.common)),
        }
    }

    fn residuals(&self, of: Of, one: &CheckedObservation, units: Unit) -> PointResiduals {
        let length = |metres: f64| units.from_micrometres(metres * 1e6);
        // The adjustment counts a target from its adjusted place; people from where the scan should be.
        let (name, setup, axes, sign) = match of {
            Of::Target(index) => {
                let target = &self.observed.targets[index];
                (&target.name, Some(self.observed.setups[target.setup].clone()), [true; 3], -1.0)
            }
            Of::Control(index, axes) => (&self.observed.control[index].name, None, axes, 1.0),
        };
        let axes = (0..3).filter(|axis| axes[*axis]);
        let component = |(value, axis): (usize, usize)| {
            let checked = &one.values[value];
            ComponentRow {
                component: COMPONENTS[axis],
                residual: length(sign * checked.residual),
                sigma: length(checked.sigma),
                redundancy: checked.redundancy,
                standardised: checked.standardised.map(|w| sign * w),
                detectable: checked.detectable.map(length),
                left_out: one.left_out.as_ref().map(|all| length(sign * all[value])),
            }
        };
        PointResiduals {
            on_control: setup.is_none() || self.observed.known(name).is_some(),
            setup,
            name: name.clone(),
            components: axes.enumerate().map(component).collect(),
        }
    }

    fn setup(&self, setup: usize, sums: &BTreeMap<u16, SetupSums>, units: Unit) -> SetupRow {
        let length = |metres: f64| units.from_micrometres(metres * 1e6);
        let degrees = |radians: f64| radians.to_degrees();
        let pose = &self.poses[setup];
        let targets = self.of.iter().filter_map(|of| match of {
            Of::Target(index) => Some(*index),
            Of::Control(..) => None,
        });
        let targets: Vec<usize> =
            targets.filter(|&index| self.observed.targets[index].setup == setup).collect();
        let scale = self.variance_scale();
        let covariance = |a: usize, b: usize| self.solution.covariance[(a, b)] * scale;
        let first = self.unknown(setup);
        let turns = self.observed.model.unknowns() - 3;
        let at_zero = pose.apply(&Vector3::zeros());
        let absolute = |axis: usize| units.from_micrometres(self.origin[axis] as f64 + at_zero[axis] * 1e6);
        let own = sums.get(&(setup as u16 + 1));
        let middle =
            own.and_then(SetupSums::mean).map(|middle| [0, 1].map(|axis| middle[axis] + pose.to[axis]));
        let vertical = own.and_then(|sums| self.vertical([(setup as u16 + 1, sums)].into_iter(), 0.0));
        let up = Vector3::z();
        SetupRow {
            setup: self.observed.setups[setup].clone(),
            targets: targets.len(),
            heading: degrees(libm::atan2(pose.turn[(1, 0)], pose.turn[(0, 0)])),
            tilt: degrees(libm::atan2(
                libm::hypot(pose.turn[(0, 2)], pose.turn[(1, 2)]),
                (pose.turn * up).dot(&up),
            )),
            origin: [0, 1, 2].map(absolute),
            sigma_heading: degrees(covariance(first + turns - 1, first + turns - 1).sqrt()),
            sigma_tilt: (turns == 3).then(|| {
                let (a, b, ab) = (
                    covariance(first, first),
                    covariance(first + 1, first + 1),
                    covariance(first, first + 1),
                );
                let half = (a + b) / 2.0;
                degrees((half + libm::hypot((a - b) / 2.0, ab)).sqrt())
            }),
            sigma: [0, 1, 2]
                .map(|axis| length(covariance(first + turns + axis, first + turns + axis).sqrt())),
            compared: own.map_or(0, SetupSums::count),
            sigma_compared: vertical.map(|found| units.from_micrometres(found.total)),
            largest_gap: middle.map(|middle| {
                let places = targets.iter().map(|&index| pose.apply(&self.places[index]));
                largest_gap(middle, places.map(|at| [at.x, at.y]))
            }),
        }
    }

    fn suggestion(&self, one: &Suggestion, units: Unit) -> SuggestedRow {
        let (name, setup, component) = self.value(one.value);
        let sign = if setup.is_some() { -1.0 } else { 1.0 };
        let left_out = units.from_micrometres(sign * one.left_out * 1e6);
        let or_else: Vec<String> = one.or_else.iter().map(|id| self.words(*id)).collect();
        let written = crate::results::format::signed_length(left_out, units);
        let reason = format!(
            "{}: without it the rest of the network gives it a residual of {written}, |w| = {:.1} where a good value stays below {:.1}",
            self.words(one.value),
            one.standardised.abs(),
            one.critical
        );
        SuggestedRow {
            name: name.to_string(),
            setup: setup.map(str::to_string),
            component,
            standardised: sign * one.standardised,
            critical: one.critical,
            left_out,
            variance_factor: one.variance_factor,
            reason: one.with_more(reason, &or_else),
            or_else,
        }
    }
}

/// The largest angle, degrees, between neighbouring directions from `middle` to places.
pub fn largest_gap(middle: [f64; 2], places: impl Iterator<Item = [f64; 2]>) -> f64 {
    let direction = |at: [f64; 2]| libm::atan2(at[1] - middle[1], at[0] - middle[0]).to_degrees();
    let mut directions: Vec<f64> = places.map(direction).collect();
    directions.sort_by(f64::total_cmp);
    let gaps = directions.windows(2).map(|pair| pair[1] - pair[0]);
    let around =
        directions.first().zip(directions.last()).map_or(360.0, |(first, last)| 360.0 - (last - first));
    gaps.fold(around, f64::max)
}
