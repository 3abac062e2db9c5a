//! The true site: its ground, and what stands on it. Lengths in metres from the site's south-west corner.
//!
//! One plot of 120 × 90 m is laid out by hand; a larger site repeats it, with other trees in each plot.

use std::f64::consts::{PI, TAU};

use crate::random::Random;

/// Size of the plot that a larger site repeats.
pub const PLOT: [f64; 2] = [120.0, 90.0];
/// The building: west, east, south and north wall, within the plot.
pub const BUILDING: [f64; 4] = [47.0, 59.0, 62.0, 71.0];
/// Height of its flat roof over the ground at its middle.
pub const ROOF: f64 = 5.0;
/// The two set-ups of the terrestrial scanner, within the plot.
pub const STATIONS: [[f64; 2]; 2] = [[38.0, 45.0], [68.0, 45.0]];
/// How far a set-up reaches.
pub const REACH: f64 = 26.0;

const DITCH: f64 = 84.0;
const BANK: f64 = 22.0;
/// The low vegetation: west, east, south and north, within the plot. It stands outside the scan: grass taken for
/// ground would hide the truth that the demo is there to recover.
const GRASS: [f64; 4] = [97.0, 117.0, 6.0, 40.0];

/// One tree: where it stands, the radius of its crown and of its stem, and its height.
#[derive(Clone, Copy)]
pub struct Tree {
    pub x: f64,
    pub y: f64,
    pub crown: f64,
    pub stem: f64,
    pub height: f64,
}

impl Tree {
    /// Distance in plan.
    pub fn distance(&self, x: f64, y: f64) -> f64 {
        libm::sqrt(self.distance_squared(x, y))
    }

    fn distance_squared(&self, x: f64, y: f64) -> f64 {
        (x - self.x) * (x - self.x) + (y - self.y) * (y - self.y)
    }
}

/// Elevation of the true ground.
pub fn ground(x: f64, y: f64) -> f64 {
    // The wavelengths are long beside the widest window of the filter, so that no hilltop is taken for a building.
    let rolling = 40.0
        + 0.9 * libm::sin(TAU * x / 83.0 + 0.4)
        + 0.7 * libm::sin(TAU * y / 67.0 + 1.1)
        + 0.15 * libm::sin(TAU * (x + 0.7 * y) / 37.0);
    let (u, v) = (x.rem_euclid(PLOT[0]), y.rem_euclid(PLOT[1]));
    let meander = 1.5 * libm::sin(TAU * v / PLOT[1]);
    rolling - 1.0 * hump(u - DITCH - meander, 1.4) + 0.7 * hump(u - BANK + meander, 3.0)
}

/// A smooth ridge of height 1 and the half width given.
fn hump(distance: f64, half_width: f64) -> f64 {
    if distance.abs() < half_width { 0.5 + 0.5 * libm::cos(PI * distance / half_width) } else { 0.0 }
}

/// One plot of the site, with its trees looked up by place.
pub struct Plot {
    corner: [f64; 2],
    /// The trees, none of which reaches over the edge of the plot.
    pub trees: Vec<Tree>,
    roof: f64,
}

/// What stands at a place.
pub enum Cover<'a> {
    Open,
    Grass,
    /// The roof, at this elevation.
    Roof(f64),
    Tree(&'a Tree),
}

impl Plot {
    /// The plot in this column and row.
    pub fn new(seed: u64, column: usize, row: usize) -> Self {
        let corner = [column as f64 * PLOT[0], row as f64 * PLOT[1]];
        let middle =
            [corner[0] + (BUILDING[0] + BUILDING[1]) / 2.0, corner[1] + (BUILDING[2] + BUILDING[3]) / 2.0];
        let mut random = Random::new(seed, [1, column as u64, row as u64]);
        let mut trees: Vec<Tree> = Vec::new();
        // A copse around the set-ups, then single trees over the rest of the plot.
        for (box_, tries) in [([28.0, 79.0, 22.0, 58.0], 600), ([6.0, 114.0, 6.0, 84.0], 40)] {
            for _ in 0..tries {
                let u = random.between(box_[0], box_[1]);
                let v = random.between(box_[2], box_[3]);
                let tree = Tree {
                    x: corner[0] + u,
                    y: corner[1] + v,
                    crown: random.between(3.0, 5.0),
                    stem: random.between(0.14, 0.24),
                    height: random.between(9.0, 15.0),
                };
                let away = STATIONS.iter().all(|s| libm::hypot(u - s[0], v - s[1]) > 2.5)
                    && (u - DITCH).abs() > 8.0
                    && !within(&BUILDING, 6.0, u, v)
                    && !within(&GRASS, 6.0, u, v);
                if away && trees.iter().all(|other| other.distance(tree.x, tree.y) > 6.0) {
                    trees.push(tree);
                }
            }
        }
        Plot { corner, trees, roof: ground(middle[0], middle[1]) + ROOF }
    }

    /// What stands at a place of this plot.
    pub fn cover(&self, x: f64, y: f64) -> Cover<'_> {
        let (u, v) = (x - self.corner[0], y - self.corner[1]);
        if within(&BUILDING, 0.0, u, v) {
            return Cover::Roof(self.roof);
        }
        if within(&GRASS, 0.0, u, v) {
            return Cover::Grass;
        }
        let nearest = self
            .trees
            .iter()
            .map(|tree| (tree, tree.distance_squared(x, y)))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match nearest {
            Some((tree, squared)) if squared < tree.crown * tree.crown => Cover::Tree(tree),
            _ => Cover::Open,
        }
    }

    /// The plot's south-west corner.
    pub fn corner(&self) -> [f64; 2] {
        self.corner
    }
}

fn within(walls: &[f64; 4], margin: f64, u: f64, v: f64) -> bool {
    u > walls[0] - margin && u < walls[1] + margin && v > walls[2] - margin && v < walls[3] + margin
}
