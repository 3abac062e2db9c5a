//! The fit against the worked example, and against known truth over many seeds.

use super::checks::{Listed, RawSums};
use super::*;
use crate::results::fit::Fit;
use crate::stats::simulated::Normal;
use crate::units::Unit;

/// Micrometres in a foot of the example: any would do.
const FOOT: f64 = 304_800.0;

/// Example G of the standards: X, Y, control minus lidar, sigma, feet.
const EXAMPLE_G: [[f64; 4]; 6] = [
    [0.0, 0.0, 0.031, 0.020],
    [100.0, 0.0, 0.052, 0.020],
    [100.0, 80.0, 0.058, 0.030],
    [0.0, 80.0, 0.020, 0.020],
    [50.0, 40.0, 0.047, 0.015],
    [20.0, 60.0, 0.150, 0.020],
];

fn example(withheld: &[usize]) -> Vec<ControlPoint> {
    let point = |(i, row): (usize, &[f64; 4])| ControlPoint {
        name: (i + 1).to_string(),
        at: [row[0], row[1]].map(|feet| (feet * FOOT).round() as Micrometres),
        difference: (row[2] * FOOT).round() as Micrometres,
        sigma: row[3] * FOOT,
        withheld: withheld.contains(&i),
    };
    EXAMPLE_G.iter().enumerate().map(point).collect()
}

fn summary(fit: &VerticalFit) -> Fit {
    let listed: Vec<Listed<'_>> = fit
        .points
        .iter()
        .map(|point| Listed {
            name: &point.name,
            at: [point.at[0], point.at[1], point.difference],
            survey: Ok(0),
            sigma: Some(point.sigma),
            withheld: point.withheld,
        })
        .collect();
    fit.summary("flight.csv".to_string(), &listed, &RawSums::default(), Unit::Foot, Unit::Foot)
}

/// To a micrometre in a foot, as differences are whole micrometres.
fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 8e-6, "{found} instead of {expected}");
}

#[test]
fn a_shift_comes_out_as_in_example_g() {
    let fit = VerticalFit::of(Model::Shift, example(&[])).unwrap();
    let found = summary(&fit);
    // The residuals are larger than the sigmas allow: the sigma is enlarged by s0.
    near(found.parameters[0].value, 0.058_232);
    near(found.parameters[0].sigma, 0.008_018 * 5.443_888f64.sqrt());
    near(found.variance_scale, found.variance_factor.unwrap());
    assert!((found.variance_factor.unwrap() - 5.443_888).abs() < 1e-3);
    let after = [0.027232, 0.006232, 0.000232, 0.038232, 0.011232, -0.091768];
    let left_out = [0.032447, 0.007426, 0.000250, 0.045553, 0.015725, -0.109340];
    let redundancy = [0.839286, 0.839286, 0.928571, 0.839286, 0.714286, 0.839286];
    for (i, point) in found.points.iter().enumerate() {
        near(point.before.unwrap(), -EXAMPLE_G[i][2]);
        near(point.after.unwrap(), after[i]);
        near(point.left_out.unwrap(), left_out[i]);
        near(point.redundancy.unwrap(), redundancy[i]);
    }
    near(found.points[5].detectable.unwrap(), 0.090_209);
    assert!((found.points[5].standardised.unwrap() + 5.008_477).abs() < 5e-4);
    let names: Vec<&str> = found.suggested.iter().map(|one| one.name.as_str()).collect();
    assert_eq!(names, ["6"]);
    // Survey minus control: the control of point 6 lies too high.
    near(found.suggested[0].left_out, -0.109_340);

    let fit = VerticalFit::of(Model::Shift, example(&[5])).unwrap();
    let found = summary(&fit);
    near(found.parameters[0].value, 0.040_660);
    near(found.parameters[0].sigma, 0.008_752);
    near(found.points[5].after.unwrap(), -0.109_340);
    assert_eq!((found.points[5].status, found.withheld.points, found.after.points), ("withheld", 1, 5));
    near(found.withheld.rms.unwrap(), 0.109_340);
    assert_eq!(found.variance_scale, 1.0);
    assert_eq!(fit.added(0, 0), (found.parameters[0].value * FOOT).round() as Micrometres);
}

#[test]
fn a_plane_comes_out_as_in_example_g() {
    let fit = VerticalFit::of(Model::Plane, example(&[5])).unwrap();
    let found = summary(&fit);
    assert_eq!(found.centre, [50.0, 40.0]);
    let expected = [0.041993, 0.000285, -0.000043];
    for ((one, expected), within) in found.parameters.iter().zip(expected).zip([2e-6, 6e-7, 6e-7]) {
        assert!((one.value - expected).abs() < within, "{one:?}");
    }
    let redundancy = [0.232082, 0.300341, 0.522184, 0.300341, 0.645051];
    found.points.iter().zip(redundancy).for_each(|(point, r)| near(point.redundancy.unwrap(), r));
    assert!((found.variance_factor.unwrap() - 0.155_171).abs() < 1e-4);
    // At a corner: 0.041993 − 50 · 0.000285 − 40 · −0.000043 feet.
    let corner = fit.added(0, 0) as f64 / FOOT;
    assert!((corner - (0.041993 - 50.0 * 0.000285 + 40.0 * 0.000043)).abs() < 5e-5, "{corner}");
    // v'Pv falls from 2.134598 to 2 · 0.155171, below the 5.991 of chi-square with 2 degrees of freedom.
    let tilt = found.tilt.unwrap();
    assert!((tilt.statistic - 1.824_256).abs() < 1e-3 && (tilt.limit - 5.991_465).abs() < 1e-5);
    assert!(!tilt.significant && found.parameters.iter().skip(1).all(|one| !one.significant));
}

#[test]
fn nothing_is_added_with_none_and_what_cannot_be_determined_is_named() {
    let fit = VerticalFit::of(Model::None, example(&[])).unwrap();
    let found = summary(&fit);
    assert_eq!((fit.added(5, 7), found.parameters.len(), found.suggested.len()), (0, 0, 0));
    assert_eq!((found.before, found.redundancy.degrees_of_freedom), (found.after, 6));
    let two = VerticalFit::of(Model::Plane, example(&[0, 1, 2, 3])).unwrap_err();
    assert!(two.contains("2 of its points") && two.contains("3 are needed"), "{two}");
    let mut in_line = example(&[]);
    in_line.iter_mut().for_each(|point| point.at[1] = 2 * point.at[0]);
    let line = VerticalFit::of(Model::Plane, in_line).unwrap_err();
    assert!(line.contains("in line"), "{line}");
}

/// A made flight: how many points, over which extent in metres, in which sigmas in metres, and what is wrong with it.
struct Made {
    model: Model,
    points: usize,
    extent: f64,
    sigma: [f64; 2],
    truth: [f64; 3],
    /// Blunders of 100 that must be named.
    named: usize,
}

const MADE: [Made; 5] = [
    Made {
        model: Model::Shift,
        points: 4,
        extent: 200.0,
        sigma: [0.01, 0.01],
        truth: [0.12, 0.0, 0.0],
        named: 95,
    },
    Made {
        model: Model::Shift,
        points: 12,
        extent: 3_000.0,
        sigma: [0.005, 0.03],
        truth: [-0.4, 0.0, 0.0],
        named: 95,
    },
    Made {
        model: Model::Plane,
        points: 6,
        extent: 150.0,
        sigma: [0.008, 0.02],
        truth: [0.05, 4e-4, -2e-4],
        named: 90,
    },
    Made {
        model: Model::Plane,
        points: 10,
        extent: 800.0,
        sigma: [0.01, 0.01],
        truth: [-0.02, -1e-4, 5e-5],
        named: 95,
    },
    Made {
        model: Model::Plane,
        points: 30,
        extent: 5_000.0,
        sigma: [0.02, 0.05],
        truth: [0.3, 2e-5, 1e-5],
        named: 95,
    },
];

impl Made {
    fn observe(&self, normal: &mut Normal) -> Vec<ControlPoint> {
        let point = |i: usize| {
            let at = [normal.uniform(), normal.uniform()].map(|share| share * self.extent);
            let sigma = self.sigma[0] + (self.sigma[1] - self.sigma[0]) * normal.uniform();
            let [shift, east, north] = self.truth;
            let metres = shift + east * at[0] + north * at[1] + sigma * normal.next();
            ControlPoint {
                name: format!("C{i}"),
                at: [at[0] + 650_000.0, at[1] + 5_400_000.0].map(|m| (m * 1e6) as Micrometres),
                difference: (metres * 1e6).round() as Micrometres,
                sigma: sigma * 1e6,
                withheld: false,
            }
        };
        (0..self.points).map(point).collect()
    }

    /// What should be added at the centre, and the rises.
    fn expected(&self, fit: &VerticalFit) -> [f64; 3] {
        let [shift, east, north] = self.truth;
        let at = [fit.centre[0] as f64 / 1e6 - 650_000.0, fit.centre[1] as f64 / 1e6 - 5_400_000.0];
        [shift + east * at[0] + north * at[1], east, north]
    }
}

#[test]
fn a_shift_and_a_tilt_come_back_within_three_of_their_own_sigmas() {
    for (at, made) in MADE.iter().enumerate() {
        let (mut outside, mut in_95, mut all) = (0, 0, 0);
        for seed in 0..1_000 {
            let fit = VerticalFit::of(made.model, made.observe(&mut Normal::new(seed))).unwrap();
            let scale = fit.variance_scale().sqrt();
            for unknown in 0..made.model.unknowns() {
                let error = (fit.solution.unknowns[unknown] - made.expected(&fit)[unknown]).abs();
                let sigma = fit.solution.sigma(unknown) * scale;
                assert!(error < 5.0 * sigma, "{at}: {error} with a sigma of {sigma}");
                outside += usize::from(error > 3.0 * sigma);
                in_95 += usize::from(error < 1.959_964 * sigma);
                all += 1;
            }
        }
        println!("{at}: {outside} of {all} beyond three sigmas, {in_95} within 1.96");
        // 2.7 in 1,000 of a normal distribution are outside.
        assert!((outside as f64) < 0.006 * all as f64, "{at}: {outside} of {all} beyond three sigmas");
        let share = in_95 as f64 / all as f64;
        assert!((0.93..=0.97).contains(&share), "{at}: {share} within 95 % intervals");
    }
}

#[test]
fn a_blunder_is_named_and_no_good_point_is_blamed() {
    // Of six points a plane leaves three degrees of freedom: points that balance each other are mistaken for each other now and then.
    for (at, made) in MADE.iter().enumerate() {
        let (mut named, mut blamed) = (0, 0);
        for seed in 0..100 {
            let mut normal = Normal::new(10_000 + seed);
            let mut points = made.observe(&mut normal);
            let good = VerticalFit::of(made.model, points.clone()).unwrap();
            blamed += usize::from(!good.suggested.is_empty());
            // Where nothing checks a point, no blunder in it can be found.
            let checked = |i: &usize| good.solution.observations[*i].values[0].redundancy > 0.2;
            let candidates: Vec<usize> = (0..points.len()).filter(checked).collect();
            let wrong = candidates[normal.below(candidates.len())];
            let redundancy = good.solution.observations[wrong].values[0].redundancy;
            let size = 6.0 * points[wrong].sigma / redundancy.sqrt();
            points[wrong].difference += (if seed % 2 == 0 { size } else { -size }) as Micrometres;
            let found = VerticalFit::of(made.model, points).unwrap();
            named += usize::from(found.suggested.first().is_some_and(|one| {
                one.value.observation == wrong || one.or_else.iter().any(|id| id.observation == wrong)
            }));
        }
        println!("{at}: {named} of 100 blunders named, good points blamed in {blamed} of 100");
        assert!(named >= made.named, "{at}: {named} of 100 blunders named");
        assert!(blamed <= 5, "{at}: in {blamed} of 100 good fits a good point was blamed");
    }
}

#[test]
fn the_sigma_of_what_is_added_is_that_of_the_places_one_by_one() {
    let made = &MADE[3];
    let fit = VerticalFit::of(made.model, made.observe(&mut Normal::new(4))).unwrap();
    let mut normal = Normal::new(5);
    let (mut sums, mut other) = (RawSums::default(), RawSums::default());
    let (mut squares, mut g) = (0.0, [0.0; 3]);
    const PLACES: usize = 50;
    for i in 0..PLACES {
        let at = [0, 1].map(|axis| fit.centre[axis] + (2e9 * normal.uniform() - 1e9) as Micrometres);
        let into = if i % 3 == 0 { &mut other } else { &mut sums };
        into.add(&fit, at, 1 + (i % 2) as u8, 7_000 * i as Micrometres);
        let [dx, dy] = [0, 1].map(|axis| (at[axis] - fit.centre[axis]) as f64 / 1e6);
        let moves = [(0, 1.0), (1, dx), (2, dy)];
        squares += fit.solution.variance_of(&moves);
        moves.iter().for_each(|(unknown, by)| g[*unknown] += by / PLACES as f64);
    }
    sums.merge(&other);
    let listed: Vec<Listed<'_>> = Vec::new();
    let found = fit.summary(String::new(), &listed, &sums, Unit::Metre, Unit::Metre);
    let added = found.added.unwrap();
    let scale = fit.variance_scale().sqrt();
    let rms = (squares / PLACES as f64).sqrt() * scale;
    assert!((added.sigma - rms).abs() < 1e-4 * rms, "{} {rms}", added.sigma);
    let moves: Vec<(usize, f64)> = g.into_iter().enumerate().collect();
    let mean = fit.solution.variance_of(&moves).sqrt() * scale;
    assert!((added.sigma_of_mean - mean).abs() < 1e-4 * mean, "{} {mean}", added.sigma_of_mean);
    assert_eq!(found.raw.returns.iter().map(|row| row.figures.compared).collect::<Vec<_>>(), [25, 25]);
    assert!((found.raw.all.bias.unwrap() - 0.007 * 24.5).abs() < 1e-12);
}
