//! The sigma of elevations and of their mean, against simulation and against sums one by one.

use std::collections::BTreeMap;

use nalgebra::Vector3;
use proptest::prelude::*;

use super::blunder_tests::Made;
use super::network::Network;
use super::sigma::SetupSums;
use super::*;
use crate::stats::simulated::Normal;
use crate::tile::gradient::Gradient;
use crate::units::Micrometres;

const SIGMA: [f64; 3] = [0.003, 0.006, 0.010];

fn made(model: Model) -> Made {
    Made { model, setups: 2, control: 5, ties: 2, sigma: SIGMA, extent: 100.0 }
}

/// Places on the ground as each setup sees them: true places, metres.
fn ground(normal: &mut Normal) -> Vec<(usize, Vector3<f64>)> {
    let mut uniform = || normal.uniform();
    let place = |i: usize| {
        let at = Vector3::new(100.0 * uniform(), 100.0 * uniform(), 3.0 * uniform());
        (usize::from(i.is_multiple_of(3)), at + Vector3::new(650_000.0, 5_400_000.0, 300.0))
    };
    (0..40).map(place).collect()
}

#[test]
fn intervals_of_elevations_hold_the_truth_as_often_as_they_say() {
    for model in [Model::Level, Model::Full] {
        let (mut held, mut all, mut mean_held, mut in_ellipse) = (0, 0, 0, 0);
        const DRAWS: u64 = 1_000;
        for draw in 0..DRAWS {
            let mut normal = Normal::new(draw);
            let (observed, truths) = made(model).observe(&mut normal);
            let network = Network::adjust(observed).unwrap();
            let origin = Vector3::from_fn(|axis, _| network.origin[axis] as f64 / 1e6);
            let (mut sum, mut sums) = (0.0, BTreeMap::<u16, SetupSums>::new());
            // The middle of the targets of a setup in plan, against its 95 % ellipse.
            let (pose, truth) = (&network.poses[0], &truths[0]);
            let off = (truth.turn * pose.from + truth.at - origin - pose.to).xy();
            let first = network.unknown(0) + model.unknowns() - 3;
            let plan = network.solution.covariance.view((first, first), (2, 2)) * network.variance_scale();
            let inverse = plan.try_inverse().unwrap();
            in_ellipse += usize::from(off.dot(&(inverse * off)) < 5.991_465);
            let places = ground(&mut normal);
            for (setup, place) in &places {
                let own = truths[*setup].turn.inverse() * (place - truths[*setup].at);
                let found = network.poses[*setup].apply(&own) + origin;
                // On a slope, where a shift in plan moves the elevation too.
                let gradient = Gradient::of([0, 1].map(|_| 0.8 * normal.uniform() - 0.4));
                let rise = [gradient.east, gradient.north].map(|steps| f64::from(steps) * Gradient::STEP);
                let off = found - place;
                let error = off.z - rise[0] * off.x - rise[1] * off.y;
                sum += error;
                let middle = network.middles()[*setup];
                let from = |axis: usize| (place[axis] * 1e6) as Micrometres - middle[axis];
                let mut one = SetupSums::default();
                one.add(from(0), from(1), Some(gradient));
                let number = *setup as u16 + 1;
                let sigma = network.vertical([(number, &one)].into_iter(), 0.0).unwrap().total / 1e6;
                // The sums of one place say what its derivatives say.
                let mut at = place - origin;
                at.z = network.poses[*setup].to.z;
                let along = |(axis, by): (usize, f64)| {
                    network.moves(*setup, &at, axis).into_iter().map(move |(unknown, g)| (unknown, by * g))
                };
                let moves: Vec<_> =
                    [(2, 1.0), (0, -rise[0]), (1, -rise[1])].into_iter().flat_map(along).collect();
                let direct = (network.solution.variance_of(&moves) * network.variance_scale()).sqrt();
                assert!((sigma - direct).abs() < 1e-4 * direct, "{sigma} {direct}");
                held += usize::from(error.abs() < 1.959_964 * sigma);
                all += 1;
                sums.entry(number).or_default().merge(&one);
            }
            let common = network.vertical(Network::merged(&sums), 3_000.0).unwrap().common / 1e6;
            mean_held += usize::from((sum / places.len() as f64).abs() < 1.959_964 * common);
        }
        let share = held as f64 / all as f64;
        assert!((0.93..=0.97).contains(&share), "{model:?}: {share} of {all} elevations");
        println!("{model:?}: {share} of {all} elevations held");
        let ellipse = in_ellipse as f64 / DRAWS as f64;
        println!("{model:?}: {ellipse} of {DRAWS} ellipses hold the place");
        assert!((0.93..=0.97).contains(&ellipse), "{model:?}: {ellipse} of the ellipses");
        let share = mean_held as f64 / DRAWS as f64;
        println!("{model:?}: {share} of {DRAWS} means held");
        assert!((0.93..=0.97).contains(&share), "{model:?}: {share} of the means");
    }
}

#[test]
fn shared_control_leaves_the_mean_less_certain_than_independent_setups_would() {
    // Held control: the setups are independent. Uncertain control that both see: their errors are alike.
    let of = |sigma: [f64; 3]| {
        let made = Made { model: Model::Level, setups: 2, control: 5, ties: 0, sigma, extent: 100.0 };
        let network = Network::adjust(made.observe(&mut Normal::new(5)).0).unwrap();
        let mut sums = BTreeMap::new();
        for setup in [1u16, 2] {
            let mut one = SetupSums::default();
            one.add(3_000_000, -4_000_000, None);
            sums.insert(setup, one);
        }
        let found = network.vertical(Network::merged(&sums), 0.0).unwrap();
        let scale = network.variance_scale().sqrt();
        (found.common / scale, found.total / scale)
    };
    let (common, total) = of([0.004, 0.0, 0.0]);
    // Five targets each, two setups: 4 mm / sqrt(10).
    assert!((common - 4_000.0 / 10f64.sqrt()).abs() < 1.0, "{common}");
    assert!((total - 4_000.0 / 5f64.sqrt()).abs() < 1.0, "{total}");
    let (common, _) = of([0.0001, 0.010, 0.010]);
    assert!((common - 10_000.0 / 5f64.sqrt()).abs() < 10.0, "{common}");
}

proptest! {
    #[test]
    fn sums_merge_in_any_order_and_come_back_from_bytes(
        places in proptest::collection::vec((-(1i64 << 40)..1 << 40, -(1i64 << 40)..1 << 40, -32_767i16..=32_767), 1..50), cut in 0usize..50,
    ) {
        let of = |places: &[(i64, i64, i16)]| {
            let mut sums = SetupSums::default();
            let gradient = |east: i16| (east != 0).then_some(Gradient { east, north: east / 2 });
            places.iter().for_each(|&(x, y, east)| sums.add(x, y, gradient(east)));
            sums
        };
        let cut = cut.min(places.len());
        let mut merged = of(&places[cut..]);
        merged.merge(&of(&places[..cut]));
        prop_assert_eq!(merged, of(&places));
        let mut bytes = Vec::new();
        merged.encode(&mut bytes);
        prop_assert_eq!(SetupSums::decode(bytes[..].try_into().unwrap()), merged);
    }
}
