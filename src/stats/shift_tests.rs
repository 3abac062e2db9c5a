//! Made comparisons of a known shift; the values of `tests/oracle/shift_values.py`.

use super::*;
use crate::stats::simulated::Normal;

/// A field of slopes known everywhere, each comparison with noise of its own in dz and in the gradient that is not smoothed.
fn made(
    seed: u64,
    shift: [f64; 2],
    steep: f64,
    strips: usize,
    extra: impl Fn(f64, f64, usize) -> f64,
) -> Vec<Sloped> {
    let mut normal = Normal::new(seed);
    let one = |_| {
        let [x, y] = [0, 1].map(|_| normal.uniform() * 100.0);
        let gradient = [
            steep * ((x / 7.0).cos() * (y / 9.0).cos() + (y / 5.0).sin()),
            steep * ((x / 6.0).sin() - (x / 7.0).sin() * (y / 9.0).sin()),
        ];
        let strip = normal.below(strips);
        let noise = 0.02 * normal.next() + extra(x, y, strip);
        let dz = noise - shift[0] * gradient[0] - shift[1] * gradient[1];
        let local = gradient.map(|rise| rise + 0.02 * normal.next());
        Sloped {
            at: [x, y].map(|v| (v * 1e6) as i64 + 3_000_000_000_000),
            dz: (dz * 1e6) as i64,
            gradient: Gradient::of(gradient),
            local: Gradient::of(local),
            strip: strip as u16,
        }
    };
    (0..8_000).map(one).collect()
}

fn is_near(found: &Shift, truth: [f64; 2]) -> bool {
    (0..2).all(|axis| (found.shift[axis] - truth[axis] * 1e6).abs() <= 1.5 * found.half[axis])
}

#[test]
fn a_shift_comes_back_whatever_levels_and_tilts_come_with_it() {
    for (seed, truth) in [(1, [0.05, -0.02]), (2, [0.0, 0.0]), (3, [-0.2, 0.1])] {
        let all = made(seed, truth, 0.1, 2, |x, _, strip| 0.0004 * x + 0.05 * strip as f64);
        let found = shifts(&all);
        let of_all = found.all.unwrap();
        assert!(is_near(&of_all, truth), "{of_all:?}");
        assert!(of_all.half.iter().all(|half| *half < 15_000.0), "{of_all:?}");
        assert_eq!(of_all.probability < 0.001, truth != [0.0, 0.0]);
        assert_eq!(found.strips.len(), 2);
        assert!(found.strips.values().all(|(_, own)| is_near(own.as_ref().unwrap(), truth)));
    }
}

#[test]
fn a_few_gross_errors_hardly_move_it() {
    let truth = [0.05, 0.0];
    let mut all = made(4, truth, 0.1, 1, |_, _, _| 0.0);
    // A stack of timber of 10 m × 5 m.
    let in_stack = |one: &Sloped| one.at[0] % 100_000_000 < 10_000_000 && one.at[1] % 100_000_000 < 5_000_000;
    all.iter_mut().filter(|one| in_stack(one)).for_each(|one| one.dz += 800_000);
    assert!(is_near(&shifts(&all).all.unwrap(), truth));
}

#[test]
fn the_order_does_not_matter() {
    let mut all = made(5, [0.03, 0.03], 0.1, 3, |_, _, _| 0.0);
    let one = format!("{:?}", shifts(&all));
    all.reverse();
    assert_eq!(format!("{:?}", shifts(&all)), one);
}

#[test]
fn where_it_cannot_be_told_it_says_why() {
    let none = |all: &[Sloped]| shifts(all).all.unwrap_err();
    assert_eq!(none(&[]), NoShift::FewPlaces);
    assert_eq!(none(&made(6, [0.1, 0.0], 0.1, 1, |_, _, _| 0.0)[..5]), NoShift::FewPlaces);
    assert_eq!(none(&made(7, [0.1, 0.0], 0.001, 1, |_, _, _| 0.0)), NoShift::FewSlopes);
    // A bowl: what a shift adds is a tilt.
    let mut bowl = made(8, [0.0, 0.0], 0.1, 1, |_, _, _| 0.0);
    for one in &mut bowl {
        let rises = [0, 1].map(|axis| ((one.at[axis] - 3_000_000_000_000) as f64 / 1e6 - 50.0) * 0.004);
        (one.gradient, one.local) = (Gradient::of(rises), Gradient::of(rises));
    }
    assert_eq!(none(&bowl), NoShift::FewSlopes);
    // A ridge: nothing is known of a shift along it.
    let mut ridge = made(9, [0.0, 0.0], 0.1, 1, |_, _, _| 0.0);
    ridge.iter_mut().for_each(|one| (one.gradient.north, one.local.north) = (0, 0));
    assert_eq!(none(&ridge), NoShift::FewSlopes);
}

#[test]
fn the_oracle_finds_the_same_shifts() {
    let cases: Vec<serde_json::Value> =
        serde_json::from_str(include_str!("../../tests/oracle/shift_values.json")).unwrap();
    assert_eq!(cases.len(), 3);
    for case in &cases {
        let whole = |name: &str, i: usize, axis: usize| case[name][i][axis].as_i64().unwrap();
        let rises = |name: &str, i: usize| Gradient {
            east: whole(name, i, 0) as i16,
            north: whole(name, i, 1) as i16,
        };
        let n = case["dz"].as_array().unwrap().len();
        let one = |i: usize| Sloped {
            at: [whole("at", i, 0), whole("at", i, 1)],
            dz: case["dz"][i].as_i64().unwrap(),
            gradient: rises("gradient", i),
            local: rises("local", i),
            strip: case["strip"][i].as_u64().unwrap() as u16,
        };
        let found = shifts(&(0..n).map(one).collect::<Vec<_>>());
        let near = |found: f64, expected: &serde_json::Value| {
            let expected = expected.as_f64().unwrap();
            assert!((found - expected).abs() <= 1e-7 * expected.abs().max(1e-6), "{found} {expected}");
        };
        near(found.steepness, &case["found"]["steepness"]);
        let same = |found: Shift, expected: &serde_json::Value| {
            for axis in 0..2 {
                near(found.shift[axis], &expected["shift"][axis]);
                near(found.half[axis], &expected["half"][axis]);
            }
            near(found.blocks, &expected["blocks"]);
            near(found.probability, &expected["probability"]);
        };
        same(found.all.unwrap(), &case["found"]["all"]);
        for (strip, (_, own)) in found.strips {
            same(own.unwrap(), &case["found"]["strips"][strip.to_string()]);
        }
    }
}
