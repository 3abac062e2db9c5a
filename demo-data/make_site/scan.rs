//! The reference: a terrestrial scan of the middle of a plot, from two set-ups, thinned with distance.

use std::f64::consts::TAU;
use std::path::Path;

use crate::Site;
use crate::output::{Cloud, Record};
use crate::random::Random;
use crate::terrain::{BUILDING, Cover, PLOT, Plot, REACH, ROOF, STATIONS, ground};

/// What the scan adds to the truth everywhere, metres.
pub const OFFSET: f64 = 0.006;
/// Standard deviation of its elevations, metres.
pub const SD: f64 = 0.004;

/// Ground points a square metre near a set-up; beyond `FULL` metres they thin out with the square of the distance.
const DENSEST: f64 = 700.0;
const FULL: f64 = 9.0;
const POINTS_PER_STEM: usize = 250;
const WALL_POINTS: usize = 2500;
/// Edge of the blocks that are made at a time, metres.
const BLOCK: f64 = 5.0;

/// Scans one plot and writes its file; gives the number of points.
pub fn scan(site: &Site, plot: usize, path: &Path) -> las::Result<u64> {
    let scan = Scan { site, plot: &site.plots[plot] };
    let mut cloud = Cloud::create(path, site.unit, 0)?;
    let mut records = Vec::new();
    let mut count = 0;
    let columns = (PLOT[0] / BLOCK) as u64;
    let rows = (PLOT[1] / BLOCK) as u64;
    for block in 0..columns * rows {
        records.clear();
        let mut random = Random::new(site.seed, [3, plot as u64, block]);
        let [x, y] = scan.plot.corner();
        let west = x + (block % columns) as f64 * BLOCK;
        let south = y + (block / columns) as f64 * BLOCK;
        scan.ground_block(west, south, &mut random, &mut records);
        if block == 0 {
            scan.uprights(&mut random, &mut records);
        }
        // Neighbours stand together in narrow rows, which makes the file smaller.
        records.sort_by_key(|record| (record.y.div_euclid(60), record.x, record.y, record.z));
        count += records.len() as u64;
        cloud.write(&records)?;
    }
    cloud.close()?;
    Ok(count)
}

struct Scan<'a> {
    site: &'a Site,
    plot: &'a Plot,
}

impl Scan<'_> {
    /// Ground points a square metre at a place; none out of reach.
    fn density(&self, x: f64, y: f64) -> f64 {
        let corner = self.plot.corner();
        let of = |station: &[f64; 2]| {
            let squared = (x - corner[0] - station[0]).powi(2) + (y - corner[1] - station[1]).powi(2);
            if squared > REACH * REACH { 0.0 } else { DENSEST * (FULL * FULL / squared).min(1.0) }
        };
        STATIONS.iter().map(of).sum::<f64>().min(DENSEST)
    }

    fn ground_block(&self, west: f64, south: f64, random: &mut Random, records: &mut Vec<Record>) {
        for _ in 0..(DENSEST * BLOCK * BLOCK) as usize {
            let (x, y) = (random.between(west, west + BLOCK), random.between(south, south + BLOCK));
            if random.unit() * DENSEST >= self.density(x, y) {
                continue;
            }
            let hidden = match self.plot.cover(x, y) {
                Cover::Roof(_) => true,
                Cover::Tree(tree) => tree.distance(x, y) < tree.stem,
                Cover::Open | Cover::Grass => false,
            };
            if !hidden {
                self.point(x, y, 0.0, random, records);
            }
        }
    }

    /// Stems, and the wall of the building that faces the set-ups.
    fn uprights(&self, random: &mut Random, records: &mut Vec<Record>) {
        for tree in &self.plot.trees {
            if self.density(tree.x, tree.y) > 0.0 {
                for _ in 0..POINTS_PER_STEM {
                    let round = TAU * random.unit();
                    let (x, y) =
                        (tree.x + tree.stem * libm::cos(round), tree.y + tree.stem * libm::sin(round));
                    self.point(x, y, random.between(0.02, 3.0), random, records);
                }
            }
        }
        let [x, y] = self.plot.corner();
        for _ in 0..WALL_POINTS {
            let along = x + random.between(BUILDING[0], BUILDING[1]);
            if self.density(along, y + BUILDING[2]) > 0.0 {
                self.point(along, y + BUILDING[2], random.between(0.02, ROOF - 0.5), random, records);
            }
        }
    }

    fn point(&self, x: f64, y: f64, above: f64, random: &mut Random, records: &mut Vec<Record>) {
        if x < 0.0 || x >= self.site.width || y < 0.0 || y >= self.site.height {
            return;
        }
        let unit = self.site.unit;
        let (stored_x, stored_y) = (unit.store(x), unit.store(y));
        let truth = ground(unit.restore(stored_x), unit.restore(stored_y));
        records.push(Record {
            x: stored_x,
            y: stored_y,
            z: unit.store(truth + above + OFFSET + SD * random.normal()),
            return_number: 1,
            number_of_returns: 1,
            ..Record::default()
        });
    }
}
