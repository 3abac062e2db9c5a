//! The core against published values and against itself.

mod worked_examples;

use super::*;

/// A value that depends on the unknowns in a straight line.
pub(super) struct Linear {
    observed: Vec<f64>,
    coefficients: Vec<Vec<(usize, f64)>>,
    covariance: Covariance,
}

impl Linear {
    pub fn one(observed: f64, coefficients: &[(usize, f64)], sigma: f64) -> Self {
        Linear {
            observed: vec![observed],
            coefficients: vec![coefficients.to_vec()],
            covariance: Covariance::independent(&[sigma]),
        }
    }
}

impl Observation for Linear {
    fn rows(&self, at: &[f64]) -> Vec<Row> {
        let row = |(observed, coefficients): (&f64, &Vec<(usize, f64)>)| Row {
            misclosure: observed - coefficients.iter().map(|&(i, a)| a * at[i]).sum::<f64>(),
            coefficients: coefficients.clone(),
        };
        self.observed.iter().zip(&self.coefficients).map(row).collect()
    }

    fn covariance(&self) -> &Covariance {
        &self.covariance
    }
}

pub(super) fn near(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value} instead of {expected} (±{within})");
}

/// Correlated observations of two unknowns, with one that several others check.
fn correlated() -> Vec<Linear> {
    let pair = |first: f64, second: f64| Linear {
        observed: vec![first, second],
        coefficients: vec![vec![(0, 1.0)], vec![(1, 1.0)]],
        covariance: Covariance::full(&[&[4.0], &[1.5, 1.0]]).unwrap(),
    };
    vec![pair(10.0, 20.0), pair(11.0, 19.5), pair(9.0, 21.0), Linear::one(29.0, &[(0, 1.0), (1, 1.0)], 1.0)]
}

#[test]
fn correlated_observations_weigh_as_in_the_closed_form() {
    let solution = adjust(&correlated(), &[0.0, 0.0], &none_withheld()).unwrap();
    // numpy: x = inv(A' P A) A' P l with P the inverse of the block-diagonal covariance.
    for (value, expected) in solution.unknowns.iter().zip([9.416_666_666_666_664, 19.901_515_151_515_15]) {
        near(*value, expected, 1e-12);
    }
    near(solution.covariance[(0, 0)], 0.416_666_666_666_666_63, 1e-13);
    near(solution.covariance[(0, 1)], 0.083_333_333_333_333_33, 1e-13);
    let sum: f64 = solution.observations.iter().flat_map(|o| &o.values).map(|v| v.redundancy).sum();
    near(sum, solution.degrees_of_freedom as f64, 1e-12);
}

#[test]
fn what_a_value_would_be_without_it_is_what_an_adjustment_without_it_gives() {
    let observations = correlated();
    let whole = adjust(&observations, &[0.0, 0.0], &none_withheld()).unwrap();
    for (observation, one) in whole.observations.iter().enumerate() {
        for (value, checked) in one.values.iter().enumerate() {
            let withheld = Withheld::from([ValueId { observation, value }]);
            let without = adjust(&observations, &[0.0, 0.0], &withheld).unwrap();
            // A blunder in one of two correlated values: what it would be, given the other.
            if one.values.len() == 1 {
                let again = &without.observations[observation].values[value];
                near(checked.left_out.unwrap(), again.residual, 1e-12);
                near(again.standardised.unwrap(), checked.standardised.unwrap(), 1e-12);
            }
            let drop = whole.square_sum - without.square_sum;
            near(checked.standardised.unwrap().powi(2), drop, 1e-11);
        }
        let all = (0..one.values.len()).map(|value| ValueId { observation, value }).collect();
        let without = adjust(&observations, &[0.0, 0.0], &all).unwrap();
        for (left_out, again) in
            one.left_out.as_ref().unwrap().iter().zip(&without.observations[observation].values)
        {
            near(*left_out, again.residual, 1e-12);
        }
    }
}

#[test]
fn a_covariance_that_is_none_is_refused() {
    assert!(Covariance::full(&[&[1.0], &[1.1, 1.0]]).is_none());
    assert!(Covariance::full(&[&[1.0], &[1.0, 1.0]]).is_none());
    assert!(Covariance::full(&[&[0.0]]).is_none());
    assert!(Covariance::full(&[&[f64::NAN]]).is_none());
    // Millimetres and micrometres squared: units do not matter.
    assert!(Covariance::full(&[&[1e-12], &[0.0, 1.0]]).is_some());
}

#[test]
fn what_is_not_determined_is_found() {
    // Three heights by differences alone, and one unknown that nothing was observed of.
    let difference = |i: usize, j: usize| Linear::one(1.0, &[(i, -1.0), (j, 1.0)], 0.01);
    let observations = [difference(0, 1), difference(1, 2), difference(0, 2)];
    let Err(Failure::Defect(defect)) = adjust(&observations, &[0.0; 4], &none_withheld()) else { panic!() };
    assert_eq!(defect.free.len(), 2);
    let all_together = vec![1.0, 1.0, 1.0, 0.0];
    assert!(defect.holds(&all_together) && defect.holds(&[0.0, 0.0, 0.0, 1.0]));
    assert!(!defect.holds(&[1.0, 0.0, 0.0, 0.0]));
    assert_eq!(defect.beside(std::slice::from_ref(&all_together)).len(), 1);
    assert_eq!(defect.beside(&[all_together, vec![0.0, 0.0, 0.0, 1.0]]).len(), 0);
}

#[test]
fn values_of_nothing_unknown_have_a_residual_and_no_say() {
    let observations = [Linear::one(1.0, &[], 0.5), Linear::one(3.0, &[(0, 1.0)], 0.5)];
    let solution = adjust(&observations, &[0.0], &none_withheld()).unwrap();
    assert_eq!(solution.degrees_of_freedom, 1);
    let [known, alone] = &solution.observations[..] else { panic!() };
    assert_eq!((known.values[0].redundancy, known.values[0].standardised), (1.0, Some(-2.0)));
    // Nothing checks the only observation of an unknown.
    assert_eq!((alone.values[0].redundancy, alone.values[0].standardised), (0.0, None));
    // Without unknowns there is nothing to solve, but something to test.
    let none = adjust(&observations[..1], &[], &none_withheld()).unwrap();
    assert_eq!((none.square_sum, none.degrees_of_freedom), (4.0, 1));
}

#[test]
fn values_that_nothing_tells_apart_are_named_together() {
    // A loop of two lines over a point that nothing else touches: the second height is only on the way.
    let way = |observed: f64| {
        [
            Linear::one(observed, &[(0, 1.0)], 0.001),
            Linear::one(1.0, &[(0, -1.0), (1, 1.0)], 0.001),
            Linear::one(2.0, &[(1, 1.0)], 0.001),
            Linear::one(2.0, &[(1, 1.0)], 0.001),
            Linear::one(2.0, &[(1, 1.0)], 0.001),
        ]
    };
    let observations = way(1.05);
    let solution = adjust(&observations, &[0.0, 0.0], &none_withheld()).unwrap();
    let (suggestions, after) = suggest(&observations, &solution, &none_withheld()).unwrap();
    let [one] = &suggestions[..] else { panic!("{suggestions:?}") };
    assert_eq!(one.value, ValueId { observation: 0, value: 0 });
    assert_eq!(one.or_else, [ValueId { observation: 1, value: 0 }]);
    near(one.left_out, -0.05, 1e-12);
    near(after.square_sum, 0.0, 1e-9);
    let good = adjust(&way(1.001), &[0.0, 0.0], &none_withheld()).unwrap();
    assert_eq!(suggest(&way(1.001), &good, &none_withheld()).unwrap().0, []);
}
