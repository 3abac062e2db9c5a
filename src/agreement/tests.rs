//! Strips of known offsets over known ground, from points to the strips named.

use proptest::prelude::*;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::Value;

use super::cell::{CellRule, SMOOTH_QUANTILE, SMOOTH_SHARE, judge};
use super::offsets::{Offsets, adjust, pairs, tolerance};
use super::sums::{StripCells, Sum, put_strips, take_strips};
use super::tally::Tally;
use crate::agreement::Strip;
use crate::raster::Extent;
use crate::stats::distributions::normal_quantile;
use crate::units::Micrometres;

const RULE: CellRule = CellRule { cell: 1e6, slope: 0.4 };

/// Strips that run north side by side, each 40 m wide and half over the next, and where asked for one across all of them.
#[derive(Clone)]
struct Site {
    seed: u64,
    /// How much too high each strip lies, metres.
    offsets: Vec<f64>,
    /// The last strip runs across the others.
    crossed: bool,
    /// Points a square metre and strip.
    density: f64,
    /// SD of a point, metres.
    noise: f64,
    /// Slopes eastwards and northwards.
    slope: [f64; 2],
    /// SD of what drifts along each strip, metres; it changes over some 30 m.
    drift: f64,
}

impl Default for Site {
    fn default() -> Self {
        let offsets = vec![0.0; 4];
        Site { seed: 1, offsets, crossed: false, density: 8.0, noise: 0.02, slope: [0.03, -0.02], drift: 0.0 }
    }
}

const LENGTH: f64 = 120.0;
const WIDTH: f64 = 40.0;

fn normal(random: &mut SmallRng) -> f64 {
    let (a, b): (f64, f64) = (random.random(), random.random());
    (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

impl Site {
    /// Points in micrometres, with the number of their strip, from 11 on.
    fn points(&self) -> Vec<(Micrometres, Micrometres, Micrometres, Strip)> {
        let mut random = SmallRng::seed_from_u64(self.seed);
        let mut points = Vec::new();
        for (i, offset) in self.offsets.iter().enumerate() {
            let across = self.crossed && i + 1 == self.offsets.len();
            let waves: Vec<[f64; 2]> = (0..6)
                .map(|_| {
                    [random.random::<f64>() * 0.2 + 0.03, random.random::<f64>() * std::f64::consts::TAU]
                })
                .collect();
            let east = i as f64 * WIDTH / 2.0;
            let wide = if across { (self.offsets.len() as f64) * WIDTH / 2.0 } else { WIDTH };
            let (corner, size) =
                if across { ([0.0, 40.0], [wide, WIDTH]) } else { ([east, 0.0], [wide, LENGTH]) };
            for _ in 0..(size[0] * size[1] * self.density) as usize {
                let [x, y] = [0, 1].map(|axis| corner[axis] + size[axis] * random.random::<f64>());
                let along = if across { x } else { y };
                let drift: f64 = waves.iter().map(|[k, phase]| (k * along + phase).sin()).sum();
                let ground =
                    300.0 + self.slope[0] * x + self.slope[1] * y + 0.4 * (x / 17.0).sin() * (y / 23.0).cos();
                let z = ground + offset + self.noise * normal(&mut random) + self.drift * drift / 3f64.sqrt();
                let um = |metres: f64| (metres * 1e6).round() as i64;
                points.push((um(500_000.0 + x), um(4_200_000.0 + y), um(z), 11 + i as Strip));
            }
        }
        points
    }

    fn tally(&self) -> Tally {
        let points = self.points();
        let range = |axis: fn(&(i64, i64, i64, Strip)) -> i64| {
            let all = points.iter().map(axis);
            (all.clone().min().unwrap(), all.max().unwrap() + 1)
        };
        let mut cells = StripCells::new(Extent::covering(RULE.cell, range(|p| p.0), range(|p| p.1), 0));
        points.iter().for_each(|&(x, y, z, strip)| cells.add(x, y, z, strip));
        let mut tally = Tally::default();
        cells.for_each(|place, strips| tally.add_cell(place, strips, &RULE));
        tally
    }

    /// As the report judges it.
    fn adjusted(&self) -> Offsets {
        let tally = self.tally();
        adjust(&pairs(&tally), tolerance(&tally.smoothness()).unwrap())
    }
}

fn named(adjusted: &Offsets) -> Vec<Strip> {
    adjusted.offsets.iter().filter(|offset| offset.off == Some(true)).map(|offset| offset.strip).collect()
}

#[test]
fn one_strip_of_four_lifted_by_three_centimetres_is_the_one_named() {
    let degrees = |degrees: f64| f64::tan(degrees.to_radians());
    for (case, (slope, density, noise)) in
        [(0.0, 20.0, 0.02), (5.0, 8.0, 0.02), (10.0, 30.0, 0.05), (15.0, 12.0, 0.03), (20.0, 20.0, 0.01)]
            .into_iter()
            .enumerate()
    {
        for lifted in 0..4 {
            for lift in [0.03, -0.03] {
                let mut site = Site { density, noise, ..Site::default() };
                site.seed = 10 * case as u64 + lifted as u64;
                // Down the slope and along it.
                site.slope = if lifted % 2 == 0 { [degrees(slope), 0.0] } else { [0.0, -degrees(slope)] };
                site.offsets[lifted] = lift;
                let adjusted = site.adjusted();
                assert_eq!(named(&adjusted), [11 + lifted as Strip], "{slope}°, {noise} m: {adjusted:?}");
                let found = &adjusted.offsets[lifted];
                let error = found.offset / 1e6 - lift;
                assert!(error.abs() < 0.002 && found.half_width < 4000.0, "{found:?}");
            }
        }
    }
}

#[test]
fn with_two_strips_the_one_at_fault_cannot_be_told() {
    let adjusted = Site { offsets: vec![0.0, 0.03], ..Site::default() }.adjusted();
    assert!(adjusted.offsets.iter().all(|offset| offset.off.is_none()), "{adjusted:?}");
    assert_eq!(adjusted.disagreeing.len(), 1);
    assert_eq!(adjusted.disagreeing[0].0, [11, 12]);
    assert!((adjusted.disagreeing[0].1 - 30_000.0).abs() < 2000.0, "{adjusted:?}");
    // Two against two are no better.
    let adjusted = Site { offsets: vec![0.0, 0.0, 0.03, 0.03], ..Site::default() }.adjusted();
    assert!(named(&adjusted).is_empty() && adjusted.disagreeing.len() == 1, "{adjusted:?}");
    // Two that agree do so.
    let adjusted = Site { offsets: vec![0.0, 0.002], ..Site::default() }.adjusted();
    assert!(adjusted.offsets.iter().all(|offset| offset.off == Some(false)), "{adjusted:?}");
    assert!(adjusted.disagreeing.is_empty());
}

#[test]
fn a_strip_across_the_others_ties_them_all_and_is_named_where_it_is_off() {
    for (off, drift) in [(4, 0.0), (0, 0.003), (2, 0.0)] {
        let mut site = Site { offsets: vec![0.0; 5], crossed: true, drift, ..Site::default() };
        site.offsets[off] = 0.03;
        assert_eq!(named(&site.adjusted()), [11 + off as Strip]);
    }
}

/// Share of sites without a strip that is off where one is named all the same: of 100 at each of four kinds, two with errors that drift along
/// the strips with an SD of 3 and 5 mm.
#[test]
fn where_no_strip_is_off_none_is_named() {
    let kinds = [(8.0, 0.02, 0.0), (5.0, 0.05, 0.0), (8.0, 0.02, 0.003), (6.0, 0.03, 0.005)];
    for (density, noise, drift) in kinds {
        let wrong: Vec<u64> = (0..100)
            .filter(|&seed| {
                let offsets = vec![0.0; 3 + seed as usize % 3];
                let site = Site { seed: 1000 + seed, density, noise, drift, offsets, ..Site::default() };
                let adjusted = site.adjusted();
                assert!(!adjusted.offsets.is_empty());
                !named(&adjusted).is_empty() || !adjusted.disagreeing.is_empty()
            })
            .collect();
        println!("density {density}, noise {noise}, drift {drift}: {} of 100", wrong.len());
        assert!(wrong.len() <= 5, "{density} {noise} {drift}: {wrong:?}");
    }
}

#[test]
fn the_quantile_of_the_smoothest_quarter_is_that_of_the_normal_distribution() {
    assert!((normal_quantile(SMOOTH_SHARE).unwrap() - SMOOTH_QUANTILE).abs() < 1e-12);
}

#[test]
fn smoothness_is_the_noise_and_the_rms_difference_what_noise_and_offset_make() {
    for (noise, density) in [(0.01, 40.0), (0.03, 12.0), (0.06, 20.0)] {
        let site = Site { noise, density, offsets: vec![0.0, 0.02], ..Site::default() };
        let tally = site.tally();
        for (strip, (cells, scatter)) in tally.smoothness() {
            assert!(cells > 1000 && (scatter / 1e6 / noise - 1.0).abs() < 0.03, "{strip} {noise}: {scatter}");
        }
        let pair = pairs(&tally)[0];
        assert!((pair.bias - 20_000.0).abs() < pair.half_width.unwrap().max(1000.0), "{pair:?}");
        // Noise of the means: σ √(2 / n), and what the slope adds.
        let expected = (noise * 1e6) * (2.0 / density).sqrt();
        assert!((pair.noise / expected - 1.0).abs() < 0.2, "{} {expected}", pair.noise);
        let both = libm::hypot(pair.bias, pair.noise);
        assert!((pair.rms / both - 1.0).abs() < 0.05, "{} {both}", pair.rms);
    }
}

/// Each cell against numpy's least squares on the whole design matrix (`tests/oracle/agreement_values.py`).
#[test]
fn differences_of_cells_are_those_of_numpy() {
    let all: Value = serde_json::from_str(include_str!("../../tests/oracle/agreement_values.json")).unwrap();
    let mut count = 0;
    for case in all["cells"].as_array().unwrap() {
        let number = |value: &Value| value.as_f64().unwrap();
        let rule = CellRule { cell: number(&case["cell"]), slope: 10.0 };
        let points: Vec<Vec<i64>> = serde_json::from_value(case["points"].clone()).unwrap();
        let range = |axis: usize| {
            let values = points.iter().map(|point| point[axis]);
            (values.clone().min().unwrap(), values.max().unwrap() + 1)
        };
        let mut cells = StripCells::new(Extent::covering(rule.cell, range(0), range(1), 0));
        points.iter().for_each(|point| cells.add(point[0], point[1], point[2], point[3] as Strip));
        let mut found = Vec::new();
        cells.for_each(|_, strips| judge(strips, &rule, |one| found.push(one), |_, _| {}));
        let expected = case["differences"].as_array().unwrap();
        assert_eq!(found.len(), expected.len(), "{case}");
        for (found, expected) in found.iter().zip(expected) {
            assert_eq!(serde_json::json!(found.strips), expected["strips"]);
            // Positions are rounded down to steps of some tens of micrometres.
            assert!((found.value as f64 - number(&expected["value"])).abs() < 30.0, "{found:?} {expected}");
            let sigma = (found.variance as f64).sqrt() / number(&expected["sigma"]);
            assert!((sigma - 1.0).abs() < 0.01, "{found:?} {expected}");
            count += 1;
        }
    }
    assert!(count > 30, "{count}");
}

#[test]
fn few_points_steep_and_rough_ground_and_points_on_a_line_tell_nothing() {
    let tell = |point: fn(i64, i64) -> (i64, i64, i64), count: i64| {
        let mut cells = StripCells::new(Extent::covering(1e6, (0, 1_000_000), (0, 1_000_000), 0));
        for strip in [1, 2] {
            for i in 0..count {
                let (x, y, z) = point(i * 7919 % 991 * 1000, i * 6101 % 983 * 1000);
                cells.add(x, y, z, strip);
            }
        }
        let mut differences = 0;
        cells.for_each(|_, strips| judge(strips, &RULE, |_| differences += 1, |_, _| {}));
        differences
    };
    assert_eq!(tell(|x, y| (x, y, x / 10 + y / 5), 20), 1);
    assert_eq!(tell(|x, y| (x, y, x / 10 + y / 5), 3), 0);
    assert_eq!(tell(|x, y| (x, y, x * 9 / 20), 20), 0);
    assert_eq!(tell(|x, y| (x, y, if (x / 1000 + y / 1000) % 2 == 0 { 0 } else { 400_000 }), 40), 0);
    assert_eq!(tell(|x, _| (x, x / 2, x / 10), 20), 0);
}

prop_compose! {
    fn point()(
        x in 0i64..3_000_000, y in 0i64..3_000_000, z in 299_900_000i64..300_100_000, strip in 1u16..4,
    ) -> (i64, i64, i64, Strip) {
        (x, y, z, strip)
    }
}

proptest! {
    #[test]
    fn points_in_any_order_and_cells_put_together_of_parts_tell_the_same(
        points in proptest::collection::vec(point(), 0..300), cut in 0usize..300, height in -200_000i64..200_000,
    ) {
        let points: Vec<_> = points.into_iter().map(|(x, y, z, strip)| (x, y, z + height * 1_000_000, strip)).collect();
        let extent = Extent::covering(1e6, (0, 3_000_000), (0, 3_000_000), 0);
        let of = |points: &[(i64, i64, i64, Strip)], backwards: bool| {
            let mut cells = StripCells::new(extent);
            let add = |&(x, y, z, strip): &(i64, i64, i64, Strip)| cells.add(x, y, z, strip);
            if backwards { points.iter().rev().for_each(add) } else { points.iter().for_each(add) }
            let mut all: std::collections::BTreeMap<(i64, i64), Vec<(Strip, Sum)>> = Default::default();
            cells.for_each(|place, strips| { all.insert(place, strips.to_vec()); });
            all
        };
        let whole = of(&points, false);
        prop_assert_eq!(&whole, &of(&points, true));
        let (one, other) = points.split_at(cut.min(points.len()));
        let mut parts = of(one, false);
        for (place, strips) in of(other, false) {
            let mut bytes = Vec::new();
            put_strips(&strips, &mut bytes);
            let into = parts.entry(place).or_default();
            let mut rest = bytes.as_slice();
            take_strips(&mut rest, |strip, sum| match into.iter_mut().find(|(known, _)| *known == strip) {
                Some((_, known)) => known.merge(&sum),
                None => into.push((strip, sum)),
            }).unwrap();
            prop_assert!(rest.is_empty());
            into.sort_by_key(|(strip, _)| *strip);
        }
        prop_assert_eq!(&whole, &parts);
        let (mut tally, mut halves) = (Tally::default(), [Tally::default(), Tally::default()]);
        for (i, (place, strips)) in whole.iter().enumerate() {
            tally.add_cell(*place, strips, &RULE);
            halves[i % 2].add_cell(*place, strips, &RULE);
        }
        let mut bytes = Vec::new();
        halves.iter().for_each(|half| half.encode(&mut bytes));
        let mut rest = bytes.as_slice();
        let mut again = Tally::take(&mut rest).unwrap();
        again.merge(&Tally::take(&mut rest).unwrap());
        prop_assert!(rest.is_empty());
        prop_assert_eq!(again, tally);
    }

    #[test]
    fn damaged_bytes_are_noticed_or_read_but_never_panic(
        seed in any::<u64>(), at in any::<proptest::sample::Index>(), flip in 1u8..=255, cut in any::<bool>(),
    ) {
        static TALLY: std::sync::OnceLock<Vec<u8>> = std::sync::OnceLock::new();
        let whole = TALLY.get_or_init(|| {
            let mut bytes = Vec::new();
            Site { density: 5.0, ..Site::default() }.tally().encode(&mut bytes);
            bytes
        });
        let mut bytes = whole.clone();
        let at = (at.index(bytes.len()) + seed as usize) % bytes.len();
        if cut { bytes.truncate(at) } else { bytes[at] ^= flip }
        if let Some(tally) = Tally::take(&mut &bytes[..]) {
            let mut twice = tally.clone();
            twice.merge(&tally);
            adjust(&pairs(&twice), 3000.0);
        }
    }
}

/// The table of `tests/README.md`: of a hundred sites a row, on how many the lifted strip is the only one named, another is named too or
/// instead, and how many disagree without a name.
#[test]
#[ignore = "makes a table of tests/README.md"]
fn how_often_strips_are_named() {
    println!("strips | noise, mm | SD of strips, mm | lifted, mm | it alone | others | disagree");
    for (strips, noise, own, lift) in [
        (4, 20.0, 0.0, 0.0),
        (4, 20.0, 2.0, 0.0),
        (4, 20.0, 5.0, 0.0),
        (8, 20.0, 2.0, 0.0),
        (8, 20.0, 5.0, 0.0),
        (4, 50.0, 5.0, 0.0),
        (4, 20.0, 0.0, 5.0),
        (4, 20.0, 0.0, 10.0),
        (4, 20.0, 2.0, 30.0),
        (4, 20.0, 5.0, 30.0),
        (4, 50.0, 0.0, 10.0),
        (4, 50.0, 0.0, 20.0),
        (4, 50.0, 5.0, 30.0),
        (4, 90.0, 0.0, 30.0),
        (3, 20.0, 2.0, 30.0),
        (8, 20.0, 2.0, 30.0),
    ] {
        let mut counts = [0; 3];
        for seed in 0..100u64 {
            let mut random = SmallRng::seed_from_u64(seed ^ 0x0ff5_e75e);
            let mut offsets: Vec<f64> = (0..strips).map(|_| own / 1e3 * normal(&mut random)).collect();
            let lifted = seed as usize % strips;
            offsets[lifted] += lift / 1e3;
            let site =
                Site { seed: 5000 + seed, offsets, density: 6.0, noise: noise / 1e3, ..Site::default() };
            let found = site.adjusted();
            let named = named(&found);
            let it_alone = lift > 0.0 && named == [11 + lifted as Strip];
            counts[0] += i32::from(it_alone);
            counts[1] += i32::from(!named.is_empty() && !it_alone);
            counts[2] += i32::from(!found.disagreeing.is_empty());
        }
        let [alone, others, disagree] = counts;
        println!("{strips} | {noise} | {own} | {lift} | {alone} | {others} | {disagree}");
    }
}
