//! Registration against published and computed examples, and what cannot be registered.

use std::collections::BTreeMap;

use super::network::Network;
use super::*;
use crate::units::Unit;

fn um(metres: [f64; 3]) -> [f64; 3] {
    metres.map(|v| v * 1e6)
}

fn target(setup: usize, name: &str, at: [f64; 3]) -> Target {
    Target { setup, name: name.to_string(), at: um(at), sigma: 1000.0 }
}

fn held(name: &str, at: [f64; 3]) -> Control {
    Control { name: name.to_string(), at: um(at), sigma: [0.0; 3], covariance: 0.0 }
}

/// standards.md, example H.
fn example_h(model: Model) -> Observed {
    let src = [[10.0, 5.0, 1.5], [-20.0, 15.0, 0.8], [30.0, -25.0, 2.1], [-5.0, -40.0, 1.2]];
    let dst = [
        [2006.164, 5009.327, 101.502],
        [1975.177, 5002.995, 100.796],
        [2038.484, 4993.350, 102.103],
        [2015.665, 4962.857, 101.199],
    ];
    Observed {
        setups: vec!["S1".to_string()],
        model,
        targets: (0..4).map(|i| target(0, &format!("P{i}"), src[i])).collect(),
        control: (0..4).map(|i| held(&format!("P{i}"), dst[i])).collect(),
        withhold: Vec::new(),
    }
}

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} instead of {expected}");
}

#[test]
fn a_levelled_scanner_comes_out_as_published() {
    let network = Network::adjust(example_h(Model::Level)).unwrap();
    let found = network.summary(&BTreeMap::new(), 0.0, Unit::Metre);
    let setup = &found.setups[0];
    near(setup.heading, 29.994_407_572, 5e-10);
    near(setup.tilt, 0.0, 1e-12);
    for (found, expected) in setup.origin.iter().zip([2_000.000_673, 5_000.000_902, 100.0]) {
        near(*found, expected, 5e-7);
    }
    let expected = [
        [-0.002_163, 0.003_427, -0.002],
        [0.003_457, -0.001_295, 0.004],
        [-0.003_214, -0.003_489, -0.003],
        [0.001_920, 0.001_356, 0.001],
    ];
    for (row, expected) in found.residuals.iter().zip(expected) {
        for (component, expected) in row.components.iter().zip(expected) {
            near(component.residual, expected, 5e-7);
        }
    }
    // Sum of squares 0.000088084, f 8, s0 0.003318, with sigmas of a millimetre.
    assert_eq!(found.redundancy.degrees_of_freedom, 8);
    near(network.solution.square_sum * 1e-6, 0.000_088_084, 5e-10);
    near(found.variance_factor.unwrap().sqrt() * 1e-3, 0.003_318, 5e-7);
    for (point, expected) in [(0, [-0.003_174, 0.004_524, -0.002_667]), (2, [-0.004_187, -0.007_067, -0.004])]
    {
        for (component, expected) in found.residuals[point].components.iter().zip(expected) {
            near(component.left_out.unwrap(), expected, 5e-7);
        }
    }
}

#[test]
fn three_rotations_come_out_as_published() {
    let network = Network::adjust(example_h(Model::Full)).unwrap();
    let found = network.summary(&BTreeMap::new(), 0.0, Unit::Metre);
    let setup = &found.setups[0];
    near(setup.heading, 29.994_452_133, 5e-10);
    near(setup.tilt, 0.008_003_354, 5e-10);
    for (found, expected) in setup.origin.iter().zip([2_000.000_834, 5_000.000_995, 99.999_501]) {
        near(*found, expected, 5e-7);
    }
    near(network.solution.square_sum * 1e-6, 0.000_061_738, 5e-10);
    assert_eq!(found.redundancy.degrees_of_freedom, 6);
}

/// Places of an exact scan: turned back from the system.
fn exact(turn: &nalgebra::Matrix3<f64>, shift: [f64; 3], at: [f64; 3]) -> [f64; 3] {
    let away = nalgebra::Vector3::from(at) - nalgebra::Vector3::from(shift);
    (turn.transpose() * away).into()
}

#[test]
fn targets_without_error_give_the_pose_back_whatever_it_is() {
    let turns = [[0.1, 0.2, 3.0], [3.1, 0.0, 0.0], [0.0, 1.57, 0.3], [-2.0, 1.0, -2.5]];
    let places =
        [[2010.0, 5020.0, 101.0], [1980.0, 5004.0, 99.0], [2004.0, 4990.0, 103.0], [2020.0, 4985.0, 100.5]];
    for by in turns {
        let turn = nalgebra::Rotation3::new(nalgebra::Vector3::from(by)).into_inner();
        let mut observed = example_h(Model::Full);
        for (i, at) in places.iter().enumerate() {
            observed.targets[i].at = um(exact(&turn, [2000.0, 5000.0, 100.0], *at));
            observed.control[i].at = um(*at);
        }
        let network = Network::adjust(observed).unwrap();
        assert!((network.poses[0].turn - turn).norm() < 1e-11, "{by:?}");
        assert!(network.solution.square_sum < 1e-9, "{}", network.solution.square_sum);
    }
}

#[test]
fn setups_without_control_are_tied_by_the_targets_that_they_share() {
    // S2 sees no control at all; it shares T1 to T3 with S1.
    let control = [[2010.0, 5020.0, 101.0], [1980.0, 5004.0, 99.0], [2004.0, 4990.0, 103.0]];
    let ties = [[2030.0, 5000.0, 100.0], [2040.0, 5030.0, 102.0], [2050.0, 4995.0, 101.0]];
    let turn = |by: f64| super::approximate::heading(by);
    let mut observed = Observed { setups: vec!["S1".into(), "S2".into()], ..Observed::default() };
    for (i, at) in control.iter().enumerate() {
        observed.control.push(Control { sigma: [3000.0; 3], ..held(&format!("C{i}"), *at) });
        observed.targets.push(target(0, &format!("C{i}"), exact(&turn(1.0), [2000.0, 5000.0, 100.0], *at)));
    }
    for (i, at) in ties.iter().enumerate() {
        observed.targets.push(target(0, &format!("T{i}"), exact(&turn(1.0), [2000.0, 5000.0, 100.0], *at)));
        observed.targets.push(target(1, &format!("T{i}"), exact(&turn(-2.0), [2045.0, 5005.0, 99.0], *at)));
    }
    observed.targets.push(target(1, "lonely", [1.0, 2.0, 3.0]));
    for model in [Model::Level, Model::Full] {
        let network = Network::adjust(Observed { model, ..observed.clone() }).unwrap();
        let found = network.summary(&BTreeMap::new(), 0.0, Unit::Metre);
        for (origin, expected) in found.setups[1].origin.iter().zip([2045.0, 5005.0, 99.0]) {
            near(*origin, expected, 1e-8);
        }
        assert_eq!(found.not_used, ["lonely"]);
        // What S2 hangs from is S1: it is less certain.
        assert!(found.setups[1].sigma[2] > found.setups[0].sigma[2]);
        let sum: f64 = found
            .residuals
            .iter()
            .chain(&found.control)
            .flat_map(|row| &row.components)
            .map(|c| c.redundancy)
            .sum();
        near(sum, found.redundancy.degrees_of_freedom as f64, 1e-9);
    }
    // Without one of the three ties the full model of S2 hangs in the air.
    observed.targets.retain(|one| one.name != "T2");
    let error = Network::adjust(Observed { model: Model::Full, ..observed.clone() }).unwrap_err();
    assert!(error.message.contains("S2 (0 on control, 2 shared with other setups)"), "{}", error.message);
    assert!(error.help.contains("three targets that are not in line"), "{}", error.help);
    assert!(Network::adjust(Observed { model: Model::Level, ..observed }).is_ok());
}

#[test]
fn what_does_not_determine_a_pose_is_named() {
    let mut observed = example_h(Model::Level);
    observed.withhold = vec!["P1".into(), "P2".into(), "P3".into()];
    let error = Network::adjust(observed).unwrap_err();
    assert!(
        error.message.contains("S1 (1 on control, 0 shared with other setups, 3 withheld)"),
        "{}",
        error.message
    );
    // Two targets above each other leave the heading free, four in line the turn about the line.
    let mut above = example_h(Model::Level);
    for (i, (target, control)) in above.targets.iter_mut().zip(&mut above.control).enumerate() {
        target.at = um([3.0, 4.0, i as f64]);
        control.at = um([2003.0, 5004.0, 100.0 + i as f64]);
    }
    assert!(Network::adjust(above).is_err());
    let mut line = example_h(Model::Full);
    for (i, (target, control)) in line.targets.iter_mut().zip(&mut line.control).enumerate() {
        target.at = um([i as f64, 2.0 * i as f64, 0.5 * i as f64]);
        control.at = um([2000.0 + i as f64, 5000.0 + 2.0 * i as f64, 100.0 + 0.5 * i as f64]);
    }
    assert!(Network::adjust(line).is_err());
}

#[test]
fn a_withheld_point_takes_no_part_and_its_residual_is_that_of_the_others() {
    let mut observed = example_h(Model::Level);
    observed.withhold = vec!["P0".into()];
    let network = Network::adjust(observed).unwrap();
    let found = network.summary(&BTreeMap::new(), 0.0, Unit::Metre);
    assert_eq!((found.residuals.len(), found.withheld.len()), (3, 1));
    for (residual, expected) in found.withheld[0].residual.iter().zip([-0.003_174, 0.004_524, -0.002_667]) {
        near(*residual, expected, 5e-7);
    }
    assert_eq!(found.withheld_agreement.points, 1);
}

#[test]
fn the_angle_without_a_target_is_found() {
    let gap = |places: &[[f64; 2]]| checks::largest_gap([0.0, 0.0], places.iter().copied());
    near(gap(&[[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]]), 90.0, 1e-12);
    near(gap(&[[1.0, 0.0], [0.0, 1.0]]), 270.0, 1e-12);
    near(gap(&[[1.0, 1.0]]), 360.0, 1e-12);
}

/// `tests/oracle/registration_values.py`: the same networks by SciPy's least squares.
#[test]
fn three_setups_with_shared_targets_come_out_as_by_scipy() {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("../../tests/oracle/registration_values.json")).unwrap();
    for one in all.as_array().unwrap() {
        let numbers = |value: &serde_json::Value| -> Vec<f64> {
            value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
        };
        let place = |value: &serde_json::Value| -> [f64; 3] { um(numbers(value).try_into().unwrap()) };
        let setups: Vec<String> = ["S1", "S2", "S3"].map(String::from).to_vec();
        let number = |name: &serde_json::Value| setups.iter().position(|one| name == one.as_str()).unwrap();
        let text = |value: &serde_json::Value| value.as_str().unwrap().to_string();
        let targets = one["targets"].as_array().unwrap().iter().map(|row| Target {
            setup: number(&row["setup"]),
            name: text(&row["name"]),
            at: place(&row["at"]),
            sigma: row["sigma"].as_f64().unwrap() * 1e6,
        });
        let control = one["control"].as_array().unwrap().iter().map(|row| Control {
            name: text(&row["name"]),
            at: place(&row["at"]),
            sigma: [0, 0, 1].map(|i| row["sigma"][i].as_f64().unwrap() * 1e6),
            covariance: 0.0,
        });
        let observed = Observed {
            model: if one["model"] == "full" { Model::Full } else { Model::Level },
            targets: targets.collect(),
            control: control.collect(),
            setups: setups.clone(),
            withhold: Vec::new(),
        };
        let network = Network::adjust(observed).unwrap();
        assert_eq!(network.solution.degrees_of_freedom as u64, one["degrees_of_freedom"].as_u64().unwrap());
        let square_sum = one["square_sum"].as_f64().unwrap();
        near(network.solution.square_sum, square_sum, 2e-5 * square_sum);
        assert_eq!(network.variance_scale(), 1.0);
        let found = network.summary(&BTreeMap::new(), 0.0, Unit::Metre);
        for (setup, row) in one["setups"].as_array().unwrap().iter().enumerate() {
            for axis in 0..3 {
                near(found.setups[setup].origin[axis], row["origin"][axis].as_f64().unwrap(), 2e-6);
                for column in 0..3 {
                    let expected = row["turn"][axis][column].as_f64().unwrap();
                    near(network.poses[setup].turn[(axis, column)], expected, 2e-8);
                }
            }
        }
        let mut all_places: BTreeMap<u16, sigma::SetupSums> = BTreeMap::new();
        for (row, sigma) in one["places"].as_array().unwrap().iter().zip(numbers(&one["sigma"])) {
            let setup = number(&row["setup"]) as u16 + 1;
            let at = place(&row["at"]);
            let mut sums = sigma::SetupSums::default();
            let middle = network.middles()[usize::from(setup) - 1];
            sums.add(
                at[0].round() as Micrometres - middle[0],
                at[1].round() as Micrometres - middle[1],
                None,
            );
            let found = network.vertical([(setup, &sums)].into_iter(), 0.0).unwrap();
            near(found.total / 1e6, sigma, 1e-4 * sigma);
            all_places.entry(setup).or_default().merge(&sums);
        }
        let common = network.vertical(Network::merged(&all_places), 0.0).unwrap().common / 1e6;
        let expected = one["sigma_of_mean"].as_f64().unwrap();
        near(common, expected, 1e-4 * expected);
    }
}
