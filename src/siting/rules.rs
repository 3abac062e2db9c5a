//! What makes ground suit a checkpoint.

use crate::units::Micrometres;

/// Distance from breaks, objects and areas left out, at the least, micrometres. Source: ASPRS Positional Accuracy Standards, Edition 2,
/// clause 7.12 (3 m or more from vertical artefacts and abrupt changes of height).
pub const CLEAR: Micrometres = 3_000_000;

/// Steepest slope, rise over run: 10 degrees. Source: USGS Lidar Base Specification 2025, "Checkpoints".
pub const SLOPE_MAX: f64 = 0.176;

/// The ground around departs from a plane by less than this part of the RMSE_V that is required. Source: USGS Lidar Base
/// Specification 2025, "Checkpoints".
const DEPARTURE: f64 = 1.0 / 3.0;

/// Standard errors that noise may add to what a cell departs by. This program's own choice.
pub const NOISE: f64 = 2.0;

/// The RMSE_V required where nothing says otherwise, micrometres. Source: USGS Lidar Base Specification 2025, Table 4 (quality
/// levels 1 and 2).
pub const REQUIRED: Micrometres = 100_000;

/// Distance from control, and from points that have been surveyed, micrometres. Common practice, without a source.
pub const FROM_CONTROL: Micrometres = 10_000_000;

/// Share of the cells around that must hold ground: on open ground, and under vegetation. This program's own choice.
pub const GROUND_SHARE: [f64; 2] = [0.9, 0.5];

/// Points over a cell without ground from which it is taken for a roof, and the share of them that are the only returns of their
/// pulses. This program's own choice.
pub const ROOF: (u32, f64) = (3, 0.9);

/// Smallest cell in which ground is summed up, micrometres, and points that it should hold.
const LEAST_CELL: Micrometres = 1_000_000;
const CELL_POINTS: f64 = 4.0;

/// Cells are whole multiples of this, micrometres.
const CELL_STEP: Micrometres = 500_000;

/// Blocks over the site, about, and the smallest, micrometres: of all ground of a block that suits, one place is put up.
const BLOCKS: f64 = 40_000.0;
const LEAST_BLOCK: Micrometres = 4_000_000;

/// What is asked of the ground around a checkpoint.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// Edge of the cells in which ground is summed up; a site is the middle of one.
    pub cell: Micrometres,
    /// Radius of the ground around that is looked at.
    pub radius: Micrometres,
    /// Steepest slope, rise over run.
    pub slope_max: f64,
    /// RMSE_V that is required, micrometres.
    pub required: Micrometres,
    /// Edge of the blocks of each of which one place is put up.
    pub block: Micrometres,
    /// Breaks between the classes of slope, rise over run.
    pub slope_breaks: Vec<f64>,
    /// Seed by which places are drawn.
    pub seed: u64,
}

impl Rules {
    /// Rules for a survey of so many points a square metre, in boxes of so many square metres, as its headers state.
    pub fn new(
        per_m2: f64,
        area_m2: f64,
        slope_max: f64,
        required: Micrometres,
        slope_breaks: &[f64],
        seed: u64,
    ) -> Self {
        let stepped = |metres: f64, step: Micrometres| (metres * 1e6 / step as f64).ceil() as i64 * step;
        let cell = stepped((CELL_POINTS / per_m2.max(0.01)).sqrt(), CELL_STEP).max(LEAST_CELL);
        // A patch of five spacings of the points at the least, as the specification asks for, and more cells than a plane needs.
        let radius = CLEAR.max(cell * 5 / 2);
        let block = stepped((area_m2 / BLOCKS).sqrt(), 1_000_000).max(LEAST_BLOCK).max(2 * cell);
        Rules { cell, radius, slope_max, required, block, slope_breaks: slope_breaks.to_vec(), seed }
    }

    /// Columns and rows from a cell to those that some of its surroundings lie in, its own first.
    pub fn disc(&self) -> Vec<(i64, i64)> {
        let side = self.cells_around();
        let nearest = |off: i64| (off.abs() as f64 - 0.5).max(0.0) * self.cell as f64;
        let inside = |(c, r): &(i64, i64)| libm::hypot(nearest(*c), nearest(*r)) < self.radius as f64;
        let all = (-side..=side).flat_map(|row| (-side..=side).map(move |column| (column, row)));
        let mut disc: Vec<(i64, i64)> = all.filter(inside).collect();
        disc.sort_by_key(|(column, row)| (column * column + row * row, *row, *column));
        disc
    }

    /// Cells on every side of a cell that are looked at.
    fn cells_around(&self) -> i64 {
        // The nearest edge of the cell that lies k cells off is k − ½ cells away.
        (2 * self.radius + self.cell) / (2 * self.cell)
    }

    /// How far around a site points are looked at.
    pub fn reach(&self) -> Micrometres {
        (2 * self.cells_around() + 1) * self.cell / 2 + 1
    }

    /// How far the mean of a cell may lie from the plane through the ground around, beside noise, micrometres.
    pub fn departure(&self) -> f64 {
        self.required as f64 * DEPARTURE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_disc_holds_every_cell_that_lies_within_the_radius_and_no_other() {
        for (per_m2, cell, radius) in [(300.0, 1.0, 3.0), (1.0, 2.0, 5.0), (0.3, 4.0, 10.0)] {
            let rules = Rules::new(per_m2, 1e6, SLOPE_MAX, REQUIRED, &[0.1], 1);
            assert_eq!((rules.cell as f64 / 1e6, rules.radius as f64 / 1e6), (cell, radius), "{per_m2}");
            let disc = rules.disc();
            assert_eq!(disc[0], (0, 0));
            for column in -9i64..=9 {
                for row in -9i64..=9 {
                    let nearest = |off: i64| (off.abs() as f64 * cell - cell / 2.0).max(0.0);
                    let inside = nearest(column).hypot(nearest(row)) < radius;
                    assert_eq!(disc.contains(&(column, row)), inside, "{column} {row}");
                }
            }
            let widest = disc.iter().map(|(c, r)| c.abs().max(r.abs())).max().unwrap();
            assert!(rules.reach() as f64 > (widest as f64 + 0.5) * cell * 1e6);
        }
    }
}
