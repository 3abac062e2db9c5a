//! Tests of the terrain model: planes, gaps, and planes fitted by a general array library.

use proptest::prelude::*;
use serde_json::Value;

use super::*;

const REACH: Micrometres = 3_000_000;

fn sums(cell: f64, points: &[(i64, i64, i64, u8)]) -> Sums {
    let margin = margin(REACH, cell);
    let mut sums =
        Sums::new(Extent::covering(cell, (-4_000_000, 4_000_000), (-4_000_000, 4_000_000), margin));
    points.iter().for_each(|&(x, y, z, r)| sums.add_ground(x, y, z, r));
    sums
}

fn learned(of: &[(u8, f64, f64)]) -> [Option<Learned>; 16] {
    let mut all = [None; 16];
    of.iter().for_each(|&(r, sd, bias)| all[usize::from(r)] = Some(Learned { sd, difference: bias }));
    all
}

proptest! {
    /// Positions are multiples of eight and slopes of an eighth, so that elevations on the plane are whole.
    #[test]
    fn a_plane_is_given_back_exactly_whatever_the_gaps(
        (p, q, c) in (-9i64..10, -9i64..10, -1_000_000_000i64..3_000_000_000),
        points in proptest::collection::vec((-500_000i64..500_000, -500_000i64..500_000, 1u8..4), 12..150),
        places in proptest::collection::vec((-300_000i64..300_000, -300_000i64..300_000), 20),
        cell in prop_oneof![Just(500_000.0), Just(457_200.914_4)],
        bias in -40i64..40,
    ) {
        let plane = |x: i64, y: i64| c + (p * x + q * y) / 8;
        let points = points.iter().map(|&(x, y, r)| (8 * x, 8 * y, plane(8 * x, 8 * y) + bias * 1000, r));
        let sums = sums(cell, &points.collect::<Vec<_>>());
        let of = |r: u8| (r, 20e3 * f64::from(r), bias as f64 * 1e3);
        let weighted = Weights::learned(1..=3, &learned(&[of(1), of(2), of(3)]));
        for (weights, bias) in [(Weights::plain(1..=3), bias * 1000), (weighted, 0)] {
            let terrain = Terrain::new(&sums, sums.extent(), &weights, REACH);
            let found: Vec<_> = places.iter().filter_map(|&(x, y)| {
                Some((terrain.at(8 * x, 8 * y).heights?, [plane(8 * x, 8 * y) + bias; SMOOTHING.len()]))
            }).collect();
            for (heights, expected) in &found {
                prop_assert_eq!(heights, expected);
            }
            prop_assert!(points_are_few(&sums) || found.len() >= 15, "only {} of 20 found", found.len());
        }
    }
}

proptest! {
    #[test]
    fn a_terrain_weighed_anew_is_what_it_is_when_made_so(
        points in proptest::collection::vec(
            (-4_000_000i64..4_000_000, -4_000_000i64..4_000_000, -90_000i64..90_000, 0u8..40), 60..900),
        places in proptest::collection::vec((-4_000_000i64..4_000_000, -4_000_000i64..4_000_000), 40),
        sds in proptest::option::of(proptest::collection::vec(1_000.0..90_000.0, 3)),
    ) {
        // Of late returns there are few, so that much stays as it was.
        let points = points.iter().map(|&(x, y, z, one)| (x, y, z, [2, 3].get(usize::from(one)).copied().unwrap_or(1)));
        let sums = sums(500_000.0, &points.collect::<Vec<_>>());
        let weights = |k: u8| match &sds {
            None => Weights::plain(1..=k),
            Some(sds) => Weights::learned(1..=k, &learned(&[(1, sds[0], 9.0), (2, sds[1], -7.0), (3, sds[2], 5.0)])),
        };
        let alone = |k: u8| Terrain::new(&sums, sums.extent(), &weights(k), REACH);
        let mut terrain = alone(1);
        for k in 2..=3 {
            let seen: Vec<Seen> = places.iter().map(|&(x, y)| terrain.at(x, y)).collect();
            terrain.weigh(&weights(k));
            let alone = alone(k);
            for (&(x, y), seen) in places.iter().zip(&seen) {
                let expected = alone.at(x, y);
                prop_assert_eq!(terrain.at(x, y), expected);
                prop_assert!(terrain.changes(x, y, seen) || *seen == expected);
            }
        }
    }
}

/// So few that many places may lie outside what is covered.
fn points_are_few(sums: &Sums) -> bool {
    (1..4).flat_map(|r| sums.of_return(r)).map(|sum| sum.n).sum::<u32>() < 60
}

#[test]
fn there_is_no_terrain_in_a_void_along_a_line_or_far_outside() {
    let plain = Weights::plain(1..=1);
    let field = |keep: &dyn Fn(i64, i64) -> bool| {
        let all = (-20..20).flat_map(|r| (-20..20).map(move |c| (c, r)));
        let points =
            all.filter(|&(c, r)| keep(c, r)).map(|(c, r)| (c * 200_000 + 1, r * 200_000 + 1, 5, 1u8));
        sums(500_000.0, &points.collect::<Vec<_>>())
    };
    let full = field(&|_, _| true);
    assert_eq!(
        Terrain::new(&full, full.extent(), &plain, REACH).at(0, 0).heights,
        Some([5; SMOOTHING.len()])
    );
    assert_eq!(
        Terrain::new(&full, full.extent(), &Weights::plain(2..=5), REACH).at(0, 0).heights,
        None,
        "of other returns"
    );
    let void = field(&|c, r| c * c + r * r > 18 * 18);
    assert_eq!(
        Terrain::new(&void, void.extent(), &plain, REACH).at(0, 0).heights,
        None,
        "wider than the reach"
    );
    assert!(
        Terrain::new(&void, void.extent(), &plain, 2 * REACH).at(0, 0).heights.is_some(),
        "narrower than the reach"
    );
    let line = field(&|_, r| r == 0);
    assert_eq!(Terrain::new(&line, line.extent(), &plain, REACH).at(0, 0).heights, None);
    let west = field(&|c, _| c < 0);
    let terrain = Terrain::new(&west, west.extent(), &plain, REACH);
    assert!(terrain.at(-200_000, 0).heights.is_some() && terrain.at(0, 0).heights.is_some());
    assert_eq!(terrain.at(1_500_000, 0).heights, None);
}

#[test]
fn a_return_that_nothing_is_known_of_is_left_out_of_the_weighted_terrain() {
    let near = (-8..8).flat_map(|i| (-8..8).map(move |j| (i * 250_000 + 9, j * 250_000 + 9)));
    let points: Vec<_> = near.flat_map(|(x, y)| [(x, y, 1000, 1), (x, y, 9000, 2)]).collect();
    let sums = sums(500_000.0, &points);
    let at = |weights: Weights| {
        Terrain::new(&sums, sums.extent(), &weights, REACH).at(0, 0).heights.map(|heights| heights[0])
    };
    assert_eq!(at(Weights::plain(1..=2)), Some(5000));
    assert_eq!(at(Weights::learned(1..=2, &learned(&[(1, 20e3, 300.0)]))), Some(700));
    // Weights 1 and 1/4: (700 + 9000/4) / (5/4).
    let both = learned(&[(1, 20e3, 300.0), (2, 40e3, 0.0)]);
    assert_eq!(at(Weights::learned(1..=2, &both)), Some(2360));
    assert_eq!(at(Weights::learned(1..=2, &[None; 16])), None);
}

/// `tests/oracle/terrain_values.py` fitted these with numpy.linalg.lstsq, by the written rule.
#[test]
fn planes_fitted_by_a_general_array_library_agree() {
    let all: Value = serde_json::from_str(include_str!("../../tests/oracle/terrain_values.json")).unwrap();
    let whole = |value: &Value| value.as_i64().unwrap();
    let (mut values, mut gaps) = (0, 0);
    for case in all["terrain"].as_array().unwrap() {
        let cell = case["cell"].as_f64().unwrap();
        let points = case["points"].as_array().unwrap().iter();
        let points: Vec<_> =
            points.map(|p| (whole(&p[0]), whole(&p[1]), whole(&p[2]), whole(&p[3]) as u8)).collect();
        let sums = sums(cell, &points);
        let of = case["learned"].as_array().unwrap().iter();
        let of: Vec<_> =
            of.map(|l| (whole(&l[0]) as u8, l[1].as_f64().unwrap(), l[2].as_f64().unwrap())).collect();
        let weights =
            if of.is_empty() { Weights::plain(1..=3) } else { Weights::learned(1..=3, &learned(&of)) };
        let terrain = Terrain::new(&sums, sums.extent(), &weights, REACH);
        for place in case["places"].as_array().unwrap() {
            let found = terrain.at(whole(&place["x"]), whole(&place["y"])).heights;
            let expected = place["heights"].as_array();
            assert_eq!(found.is_some(), expected.is_some(), "{place}");
            gaps += usize::from(expected.is_none());
            for (found, expected) in found.iter().flatten().zip(expected.into_iter().flatten()) {
                // Rounded to whole micrometres here, not there.
                assert!((*found as f64 - expected.as_f64().unwrap()).abs() <= 0.501, "{found} {expected}");
                values += 1;
            }
        }
    }
    assert!(values > 200 && gaps > 10, "{values} values, {gaps} gaps");
}
