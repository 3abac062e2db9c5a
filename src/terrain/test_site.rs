//! A made-up site for the tests: rolling ground, open in the west and wooded in the east, where early returns are
//! rare and late ones are noisy and too low.

use std::f64::consts::PI;

use crate::raster::Extent;
use crate::stats::moments::Moments;
use crate::terrain::by_returns::{Neighbourhood, Settings, TerrainByReturns, TerrainRow};
use crate::terrain::cells::CellSums;
use crate::terrain::coverage::Coverage;
use crate::terrain::differences::ByReturn;
use crate::terrain::learning::Learning;
use crate::terrain::voids::{Sweep, Voids};
use crate::tile::tiling::{TileKey, Tiling};

/// Edge of the site, micrometres.
pub const EDGE: i64 = 60_000_000;

/// SD and bias of returns 1 to 5, micrometres.
pub const RETURNS: [(f64, f64); 5] = [(20e3, 5e3), (30e3, 2e3), (45e3, -4e3), (60e3, -10e3), (90e3, -20e3)];

/// Ground points of returns 1 to 5 for each square metre in the open and under trees.
pub const OPEN: [f64; 5] = [10.0, 0.0, 0.0, 0.0, 0.0];
pub const WOODED: [f64; 5] = [0.1, 0.4, 1.0, 1.5, 1.5];

/// Ground points of the reference for each square metre, and their SD in micrometres.
const REFERENCE: (f64, f64) = (30.0, 5e3);

/// The splitmix64 generator: fixed by its definition.
pub struct Random(pub u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A whole number below `n`.
    pub fn below(&mut self, n: i64) -> i64 {
        (self.bits() % n as u64) as i64
    }

    /// Uniform between 0 and 1, neither included.
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * libm::log(self.uniform())).sqrt() * libm::cos(2.0 * PI * self.uniform())
    }
}

/// The true ground, micrometres.
pub fn rolling(x: i64, y: i64) -> f64 {
    let (x, y) = (x as f64 * 1e-6, y as f64 * 1e-6);
    1e6 * (900.0 + 1.5 * libm::sin(2.0 * PI * x / 47.0) * libm::cos(2.0 * PI * y / 61.0) + 0.15 * x
        - 0.08 * y)
}

/// Points of the survey that are not ground, for each square metre: nearly every cell of half a metre is seen.
const BUSHES: f64 = 30.0;

/// The return number of what is not ground here.
const BUSH: u8 = 16;

/// A point: x, y, z and the return number, 0 for the reference.
pub type Made = (i64, i64, i64, u8);

/// All points of survey and reference on `[0, EDGE)²`.
pub fn site(seed: u64) -> Vec<Made> {
    let mut random = Random(seed);
    let mut points = Vec::new();
    let mut scatter = |west: i64, east: i64, density: f64, (sd, bias): (f64, f64), return_number: u8| {
        let count = density * (east - west) as f64 * EDGE as f64 * 1e-12;
        for _ in 0..count as usize {
            let (x, y) = (west + random.below(east - west), random.below(EDGE));
            points.push((x, y, (rolling(x, y) + bias + sd * random.normal()).round() as i64, return_number));
        }
    };
    scatter(0, EDGE, REFERENCE.0, (REFERENCE.1, 0.0), 0);
    scatter(0, EDGE, BUSHES, (300e3, 2e6), BUSH);
    for (i, of_return) in RETURNS.into_iter().enumerate() {
        scatter(0, EDGE / 2, OPEN[i], of_return, i as u8 + 1);
        scatter(EDGE / 2, EDGE, WOODED[i], of_return, i as u8 + 1);
    }
    points
}

/// What all tiles together give.
pub struct Answer {
    pub by_returns: TerrainByReturns,
    pub rows: Vec<TerrainRow>,
    pub voids: Voids,
    pub learned: [ByReturn; 2],
}

/// Works a site off in tiles of `tile` micrometres, as an engine would; `backwards` turns the order of points and of
/// tiles round.
pub fn work_off(
    points: &[Made],
    truth: impl Fn(i64, i64) -> f64,
    settings: &Settings,
    cell: f64,
    tile: i64,
    backwards: bool,
) -> Answer {
    let gap = 4_000_000;
    let tiling = Tiling { edge: tile };
    let mut keys: Vec<TileKey> = tiling.touching((0, EDGE), (0, EDGE)).collect();
    let mut order: Vec<&Made> = points.iter().collect();
    if backwards {
        keys.reverse();
        order.reverse();
    }
    // What each tile gives, as bytes.
    let mut encoded = std::collections::BTreeMap::new();
    let mut learning = Learning::default();
    let (mut ground, mut dz) = ([0; 16], [Moments::default(); 16]);
    for &key in &keys {
        let core = tiling.ground(key, 0);
        let extent = Extent::covering(cell, core.0, core.1, 0);
        let mut cells = CellSums::new(extent, Some(extent));
        for &&(x, y, z, r) in order.iter().filter(|p| tiling.key_of(p.0, p.1) == key) {
            if r == 0 {
                cells.add_references([(x, y, z)]);
                continue;
            }
            if r == BUSH {
                cells.add_survey(x, y, z, 1, false);
                continue;
            }
            cells.add_survey(x, y, z, r, true);
            // Comparison is others' work: here with the truth itself.
            let error = z - truth(x, y).round() as i64;
            learning.add(x, y, r, error);
            dz[usize::from(r)].add(error);
            ground[usize::from(r)] += 1;
        }
        let (mut coverage, mut sums) = (Vec::new(), Vec::new());
        cells.encode_coverage(&mut coverage);
        cells.sums().unwrap().encode(&mut sums);
        encoded.insert(key, (coverage, sums));
    }
    let lesson = learning.conclude(Some(gap), 0);
    assert_eq!(lesson.dependent, None);
    let (learned, settings) = (lesson.for_folds, &Settings { folds: lesson.folds, ..settings.clone() });
    let mut sweep = Sweep::new(*settings.returns.end());
    encoded.values().for_each(|(coverage, _)| sweep.add(&Coverage::decode(coverage).unwrap().0));
    let voids = sweep.finish();
    let mut by_returns = TerrainByReturns::new(settings);
    for &key in &keys {
        let core = tiling.ground(key, 0);
        let mut near = Neighbourhood::new(&Extent::covering(cell, core.0, core.1, 0), core, settings.reach);
        let (x, y) = near.ground();
        for around in tiling.touching(x, y) {
            if let Some((_, sums)) = encoded.get(&around) {
                near.sums.merge_encoded(sums).unwrap();
            }
        }
        let mut part = TerrainByReturns::new(settings);
        part.add(&near, &learned, |_, _| 0);
        by_returns.merge(&part);
    }
    let rows = by_returns
        .rows(cell, &voids, &ground, &dz, None)
        .into_iter()
        .map(|row| row.in_unit(|um| um / 1000.0));
    Answer { rows: rows.collect(), by_returns, voids, learned }
}
