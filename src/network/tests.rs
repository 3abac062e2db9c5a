//! Made networks of many shapes, with errors as stated and with blunders: what a surveyor relies on, counted.

use std::f64::consts::PI;

use libm::{atan2, hypot};

use super::adjusted::adjust;
use super::file::NetworkFile;
use super::inputs::Name;
use super::load::Loaded;
use super::results::Adjustment;
use super::rows::{LevelRow, Measured, Origin, PositionRow, SightRow};
use crate::control::Verdict;
use crate::network::file::FixedPoint;
use crate::stats::simulated::Normal;

fn between(random: &mut Normal, low: f64, high: f64) -> f64 {
    low + (high - low) * random.uniform()
}

/// The kinds of networks.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    Levels,
    Positions,
    TotalStation,
    Together,
}

const KINDS: [Kind; 4] = [Kind::Levels, Kind::Positions, Kind::TotalStation, Kind::Together];

const DIRECTION: f64 = 3.0 / 206_264.806;
const DISTANCE: f64 = 0.002;

/// A network with its true coordinates.
struct Made {
    loaded: Loaded,
    truth: Vec<[f64; 3]>,
}

fn origin(line: usize) -> Origin {
    Origin { file: "made".to_string(), line, why: None }
}

/// `count` points over `size` metres, the first two of them known.
fn make(kind: Kind, count: usize, size: f64, random: &mut Normal) -> Made {
    let truth: Vec<[f64; 3]> = (0..count)
        .map(|index| {
            // Apart from each other: one in each sector of a ring, at changing distances.
            let turn = 2.0 * PI * index as f64 / count as f64 + between(random, -0.1, 0.1);
            let far = size * between(random, 0.3, 0.5);
            [5e5 + far * turn.sin(), 4e6 + far * turn.cos(), 100.0 + between(random, 0.0, 0.1 * size)]
        })
        .collect();
    let name = |index: usize| format!("P{index:02}");
    let known = |index: usize| FixedPoint {
        name: Name(name(index)),
        easting: Some(truth[index][0]),
        northing: Some(truth[index][1]),
        elevation: Some(truth[index][2]),
        sigma: None,
    };
    let mut loaded = Loaded {
        file: NetworkFile { fixed: vec![known(0), known(1)], ..NetworkFile::default() },
        folder: std::path::PathBuf::new(),
        levels: Vec::new(),
        positions: Vec::new(),
        sights: Vec::new(),
        notes: Vec::new(),
    };
    if kind == Kind::Positions || kind == Kind::Together {
        loaded.file.fixed.clear();
        for index in (0..count).flat_map(|index| [index; 3]) {
            let sigmas = [0.006, 0.006, 0.012];
            let values = [0, 1, 2].map(|axis| Some(truth[index][axis] + sigmas[axis] * random.next()));
            let mut covariance = [[0.0; 3]; 3];
            (0..3).for_each(|axis| covariance[axis][axis] = sigmas[axis] * sigmas[axis]);
            let line = loaded.positions.len();
            loaded.positions.push(PositionRow {
                name: name(index),
                values,
                covariance,
                withheld: [false; 3],
                origin: origin(line),
            });
        }
    }
    if kind == Kind::Levels || kind == Kind::Together {
        // Each point is joined to the next two and the one across.
        for from in 0..count {
            for to in [from + 1, from + 2, from + count / 2].map(|to| to % count) {
                let sigma = between(random, 0.0005, 0.0015);
                let dh = truth[to][2] - truth[from][2] + sigma * random.next();
                let line = loaded.levels.len();
                loaded.levels.push(LevelRow {
                    from: name(from),
                    to: name(to),
                    dh,
                    sigma,
                    withheld: false,
                    origin: origin(line),
                });
            }
        }
    }
    if kind == Kind::TotalStation || kind == Kind::Together {
        for from in 0..count {
            let orientation = between(random, 0.0, 2.0 * PI);
            for to in [1, 2, count / 2, count - 1].map(|ahead| (from + ahead) % count) {
                let [east, north, up] = [0, 1, 2].map(|axis| truth[to][axis] - truth[from][axis]);
                let ground = hypot(east, north);
                let bend = (1.0 - 0.13) / 6_371_000.0;
                let zenith =
                    atan2(ground * (1.0 + 0.5 * up / 6_371_000.0), up - 0.5 * bend * ground * ground);
                let measured = |value, sigma, random: &mut Normal| {
                    Some(Measured { value: value + sigma * random.next(), sigma, withheld: false })
                };
                let line = loaded.sights.len();
                loaded.sights.push(SightRow {
                    station: name(from),
                    set: String::new(),
                    target: name(to),
                    direction: measured(atan2(east, north) - orientation, DIRECTION, random),
                    zenith: measured(zenith, DIRECTION, random),
                    distance: measured(hypot(ground, up), DISTANCE, random),
                    station_height: 0.0,
                    target_height: 0.0,
                    height_sigma: 0.0,
                    origin: origin(line),
                });
            }
        }
    }
    Made { loaded, truth }
}

/// Adds a blunder to the value of a row of results.
fn spoil(loaded: &mut Loaded, kind: &str, line: usize, by: f64) {
    let add = |measured: &mut Option<Measured>| measured.as_mut().unwrap().value += by;
    match kind {
        "level" => loaded.levels[line].dh += by,
        "direction" => add(&mut loaded.sights[line].direction),
        "zenith" => add(&mut loaded.sights[line].zenith),
        "distance" => add(&mut loaded.sights[line].distance),
        axis => {
            let axis = super::rows::AXES.iter().position(|one| *one == axis).unwrap();
            *loaded.positions[line].values[axis].as_mut().unwrap() += by;
        }
    }
}

/// Whether the blunder is named, and whether a good value is blamed.
fn judged(found: &Adjustment, kind: &str, line: usize) -> (bool, bool) {
    let is_it = |&index: &usize| {
        found.observations[index].kind == kind && found.observations[index].line == Some(line)
    };
    let names = |one: &super::results::SuggestedRow| is_it(&one.observation) || one.or_else.iter().any(is_it);
    (found.suggested.iter().any(names), !found.suggested.iter().all(names))
}

#[test]
fn a_blunder_is_named_and_good_values_are_not_blamed() {
    // Of six sigmas over the root of its redundancy, in a value of which a tenth or more shows; 100 networks of each kind, of 6
    // to 14 points over 50 m to 3 km.
    for kind in KINDS {
        let (mut named, mut blamed) = (0, 0);
        for seed in 0..100 {
            let mut random = Normal::new(1000 * (kind as u64 + 1) + seed);
            let (count, size) = (6 + random.below(9), between(&mut random, 50.0, 3000.0));
            let mut made = make(kind, count, size, &mut random);
            let good = adjust(&made.loaded).unwrap();
            let rows: Vec<_> = good.observations.iter().filter(|row| row.redundancy > 0.1).collect();
            let row = rows[random.below(rows.len())];
            let small = if row.unit == "arcsec" { 1.0 / 206_264.806_247 } else { 1.0 };
            let sign = if between(&mut random, 0.0, 1.0) < 0.5 { -1.0 } else { 1.0 };
            spoil(
                &mut made.loaded,
                row.kind,
                row.line.unwrap(),
                sign * 6.0 * row.sigma * small / row.redundancy.sqrt(),
            );
            let (is_named, is_blamed) = judged(&adjust(&made.loaded).unwrap(), row.kind, row.line.unwrap());
            named += usize::from(is_named);
            blamed += usize::from(is_blamed);
        }
        println!("{kind:?}: named {named}, good values blamed {blamed} of 100");
        assert!(named >= 95 && blamed <= 5, "{kind:?}: named {named}, blamed {blamed}");
    }
}

#[test]
fn good_networks_pass_and_their_ellipses_hold_the_truth() {
    // 1,000 networks of each kind with positions in plan: one point of each is looked at.
    for kind in [Kind::Positions, Kind::TotalStation, Kind::Together] {
        let (mut inside, mut passed, mut suspected, mut heights) = (0, 0, 0, 0);
        for seed in 0..1000 {
            let mut random = Normal::new(77_000 * (kind as u64 + 1) + seed);
            let (count, size) = (5 + random.below(4), between(&mut random, 50.0, 2000.0));
            let made = make(kind, count, size, &mut random);
            let found = adjust(&made.loaded).unwrap();
            let index = 2 + random.below(count - 2);
            let (point, truth) = (&found.points[index], made.truth[index]);
            let ellipse = point.ellipse.unwrap();
            let [east, north] = [point.easting.unwrap() - truth[0], point.northing.unwrap() - truth[1]];
            let (sine, cosine) = ellipse.azimuth.to_radians().sin_cos();
            let (along, across) = (east * sine + north * cosine, east * cosine - north * sine);
            inside +=
                usize::from(hypot(along / ellipse.semi_major_95, across / ellipse.semi_minor_95) <= 1.0);
            heights +=
                usize::from((point.elevation.unwrap() - truth[2]).abs() <= 1.96 * point.sigma_v.unwrap());
            passed += usize::from(found.global_test.unwrap().verdict == Verdict::Passed);
            suspected += usize::from(!found.suggested.is_empty());
        }
        println!(
            "{kind:?}: {inside} ellipses and {heights} intervals of height hold the truth, {passed} pass, {suspected} with a suspect, of 1,000"
        );
        assert!((930..=970).contains(&inside), "{kind:?}: {inside}");
        assert!((930..=970).contains(&heights), "{kind:?}: {heights}");
        assert!((930..=970).contains(&passed) && suspected <= 25, "{kind:?}: {passed} {suspected}");
    }
}
