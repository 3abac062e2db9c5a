//! Made networks: blunders are named, good points are not blamed, and poses come back within their own sigmas.

use nalgebra::{Rotation3, Vector3};

use super::network::{Network, Of};
use super::*;
use crate::stats::simulated::Normal;

/// A made site: control around a few setups, each of which sees most of it and some ties.
pub(super) struct Made {
    pub model: Model,
    pub setups: usize,
    pub control: usize,
    pub ties: usize,
    /// Standard deviations in metres: of targets, of control in plan and in elevation.
    pub sigma: [f64; 3],
    /// Extent of the site, metres.
    pub extent: f64,
}

/// The true pose of a setup.
pub(super) struct Truth {
    pub turn: Rotation3<f64>,
    pub at: Vector3<f64>,
}

const CORNER: [f64; 3] = [650_000.0, 5_400_000.0, 300.0];

impl Made {
    /// Observations with errors, and the true poses.
    pub fn observe(&self, normal: &mut Normal) -> (Observed, Vec<Truth>) {
        let mut uniform = {
            let mut other = Normal::new(normal.below(1 << 40) as u64);
            move || other.uniform()
        };
        let extent = self.extent;
        let truths: Vec<Truth> = (0..self.setups)
            .map(|_| {
                let heading =
                    Rotation3::from_axis_angle(&Vector3::z_axis(), std::f64::consts::TAU * uniform());
                let tilt = match self.model {
                    Model::Level => Rotation3::identity(),
                    Model::Full => Rotation3::new(Vector3::new(0.1 * uniform(), 0.1 * uniform(), 0.0)),
                };
                let at = Vector3::new(0.2 + 0.6 * uniform(), 0.2 + 0.6 * uniform(), 0.02) * extent;
                Truth { turn: tilt * heading, at: at + Vector3::from(CORNER) }
            })
            .collect();
        // Control in a ring, ties within.
        let count = self.control + self.ties;
        let places: Vec<Vector3<f64>> = (0..count)
            .map(|i| {
                let angle = std::f64::consts::TAU * (i as f64 + 0.5 * uniform()) / self.control as f64;
                let radius = if i < self.control { 0.45 } else { 0.25 } * (0.8 + 0.4 * uniform());
                let plan = [0.5 + radius * angle.cos(), 0.5 + radius * angle.sin(), 0.1 * uniform()];
                Vector3::from(plan) * extent + Vector3::from(CORNER)
            })
            .collect();
        let [of_target, plan, up] = self.sigma;
        let mut observed = Observed {
            setups: (0..self.setups).map(|i| format!("S{}", i + 1)).collect(),
            model: self.model,
            ..Observed::default()
        };
        for (i, place) in places.iter().enumerate() {
            let name = if i < self.control { format!("C{i}") } else { format!("T{i}") };
            if i < self.control {
                let at = [
                    place.x + plan * normal.next(),
                    place.y + plan * normal.next(),
                    place.z + up * normal.next(),
                ];
                observed.control.push(Control {
                    name: name.clone(),
                    at: at.map(|v| v * 1e6),
                    sigma: [plan * 1e6, plan * 1e6, up * 1e6],
                    covariance: 0.0,
                });
            }
            for (setup, truth) in truths.iter().enumerate() {
                let own = truth.turn.inverse() * (place - truth.at);
                let at = [0, 1, 2].map(|axis| (own[axis] + of_target * normal.next()) * 1e6);
                observed.targets.push(Target { setup, name: name.clone(), at, sigma: of_target * 1e6 });
            }
        }
        (observed, truths)
    }
}

fn networks() -> [Made; 3] {
    [
        Made {
            model: Model::Level,
            setups: 1,
            control: 6,
            ties: 0,
            sigma: [0.002, 0.005, 0.008],
            extent: 120.0,
        },
        Made {
            model: Model::Full,
            setups: 3,
            control: 5,
            ties: 3,
            sigma: [0.003, 0.004, 0.004],
            extent: 80.0,
        },
        Made {
            model: Model::Level,
            setups: 4,
            control: 7,
            ties: 4,
            sigma: [0.004, 0.010, 0.015],
            extent: 300.0,
        },
    ]
}

#[test]
fn a_blunder_is_named_and_no_good_point_is_blamed() {
    for made in networks() {
        let (mut named, mut blamed) = (0, 0);
        for seed in 0..100 {
            let mut normal = Normal::new(seed);
            let (mut observed, _) = made.observe(&mut normal);
            let good = Network::adjust(observed.clone()).unwrap();
            blamed += usize::from(!good.suggested.is_empty());
            // A blunder of 6 sigma over the square root of its redundancy, in any value of a target.
            let targets: Vec<usize> =
                (0..good.of.len()).filter(|&i| matches!(good.of[i], Of::Target(_))).collect();
            let at = targets[normal.below(targets.len())];
            let Of::Target(index) = good.of[at] else { unreachable!() };
            let value = normal.below(3);
            let checked = &good.solution.observations[at].values[value];
            let size = 6.0 * checked.sigma / checked.redundancy.sqrt();
            // Along an axis of the system, as residuals are.
            let mut blunder = Vector3::zeros();
            blunder[value] = size * if seed % 2 == 0 { 1e6 } else { -1e6 };
            let own = good.poses[observed.targets[index].setup].turn.transpose() * blunder;
            for axis in 0..3 {
                observed.targets[index].at[axis] += own[axis];
            }
            let name = observed.targets[index].name.clone();
            let found = Network::adjust(observed).unwrap();
            let is_named = found.suggested.first().is_some_and(|one| {
                let mut ids = std::iter::once(&one.value).chain(&one.or_else);
                ids.any(|id| found.value(*id).0 == name)
            });
            named += usize::from(is_named);
        }
        println!("{named} of 100 blunders named, good points blamed in {blamed} of 100");
        assert!(named >= 95, "{named} of 100 blunders named");
        assert!(blamed <= 5, "in {blamed} of 100 good networks a good point was blamed");
    }
}

#[test]
fn poses_come_back_within_three_of_their_own_sigmas() {
    let (mut outside, mut all) = (0, 0);
    for made in networks() {
        for seed in 0..400 {
            let (observed, truths) = made.observe(&mut Normal::new(1_000 + seed));
            let network = Network::adjust(observed).unwrap();
            for (setup, truth) in truths.iter().enumerate() {
                let pose = &network.poses[setup];
                let turns = made.model.unknowns() - 3;
                // The true place of the centre of the targets, and the turn that is missing.
                let origin = Vector3::from_fn(|axis, _| network.origin[axis] as f64 / 1e6);
                let shift = truth.turn * pose.from + truth.at - origin - pose.to;
                let missing =
                    Rotation3::from_matrix_unchecked(truth.turn.into_inner() * pose.turn.transpose())
                        .scaled_axis();
                let first = network.unknown(setup);
                let turns_missing: Vec<f64> =
                    if turns == 1 { vec![missing.z] } else { missing.iter().copied().collect() };
                for (i, error) in turns_missing.into_iter().chain(shift.iter().copied()).enumerate() {
                    let sigma = network.solution.sigma(first + i);
                    assert!(error.abs() < 5.0 * sigma, "unknown {i}: {error} with a sigma of {sigma}");
                    outside += usize::from(error.abs() > 3.0 * sigma);
                    all += 1;
                }
            }
        }
    }
    // 2.7 in 1,000 of a normal distribution; the unknowns of a network are correlated.
    let share = outside as f64 / all as f64;
    println!("{outside} of {all} beyond three sigmas");
    assert!((0.001..0.0045).contains(&share), "{outside} of {all} beyond three sigmas");
}
