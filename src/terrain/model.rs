//! The terrain at any position: a weighted least-squares plane through the cells around it.
//!
//! Each cell is one observation: the weighted mean elevation of its ground points, at their own weighted centroid
//! (on a slope the mean belongs there, not to the middle of the cell). Its weight is the sum of its points' weights,
//! times (1 − d²/R²)² for its distance d from the position, so that near cells count more and none appears suddenly.
//! The window grows, 3, 5, 7, 9, 13, 17, 25, … cells wide with R half a window and half a cell, up to the reach, until
//! it holds enough cells, not in line and around the position. The kernel is Cleveland's bisquare; that local planes with
//! such a kernel suffer neither from uneven spacing nor at edges is Cleveland 1979, J. Am. Stat. Assoc. 74, 829–836
//! (both from memory).
//!
//! How much to smooth depends on the ground as well as on the points: a wider window has less noise and cuts off more
//! of the ground's own shape. So the model answers for several least windows at once ([`SMOOTHING`]), and the best is
//! chosen where the truth is known, but elsewhere than where it is tested. Least windows count cells, not points or
//! their weights: then every estimate may be smoothed as far as any other, and more points never stop it earlier.

use std::ops::RangeInclusive;

use crate::raster::Extent;
use crate::terrain::cells::{Sum, Sums};
use crate::terrain::differences::{LEAST_SD, Learned};
use crate::units::Micrometres;

/// Fewest cells that a plane is fitted through.
pub const FEWEST_CELLS: f64 = 6.0;

/// Least half windows, in cells without the one in the middle, ascending. This program's own choice.
pub const SMOOTHING: [usize; 4] = [1, 2, 3, 4];

/// Elevations of the terrain at a position, micrometres, one for each of [`SMOOTHING`].
pub type Heights = [Micrometres; SMOOTHING.len()];

/// Cells are in line where the variance of their centroids across is less than this part of that along.
const IN_LINE: f64 = 0.01;

/// Farthest that a position may lie from the centroid of the cells, in their own standard deviations in that direction,
/// squared: 2². A position on the straight edge of ground evenly covered lies at 1.45² (by integrating the kernel over
/// half a disc); farther out, the plane would be drawn out into the void.
const OUTSIDE: f64 = 4.0;

/// The returns among what is present in a cell, a bit each.
const RETURNS: u32 = 0xffff;

/// What a point of each return counts, and what is taken off its elevation first.
#[derive(Clone, Debug, PartialEq)]
pub struct Weights {
    /// By return number: weight, and what is taken off (micrometres). Points of weight 0 are left out.
    returns: [(f64, f64); 16],
}

impl Weights {
    /// Every point of these returns counts one.
    pub fn plain(returns: RangeInclusive<u8>) -> Self {
        Weights { returns: std::array::from_fn(|r| (f64::from(returns.contains(&(r as u8))), 0.0)) }
    }

    /// A point counts 1/SD² of its return, in units of the best of these returns, and its return's difference from the first return is taken
    /// off.
    /// Returns of which nothing was learned are left out.
    pub fn learned(returns: RangeInclusive<u8>, learned: &[Option<Learned>; 16]) -> Self {
        let sd = |r: u8| learned[usize::from(r)].map(|of| of.sd.max(LEAST_SD));
        let best = returns.clone().filter_map(sd).fold(f64::INFINITY, f64::min);
        Weights {
            returns: std::array::from_fn(|r| match (returns.contains(&(r as u8)), learned[r]) {
                (true, Some(of)) => ((best / of.sd.max(LEAST_SD)).powi(2), of.difference),
                _ => (0.0, 0.0),
            }),
        }
    }
}

impl Weights {
    /// Whether points of a return take part.
    pub fn uses(&self, return_number: u8) -> bool {
        self.returns[usize::from(return_number & 15)].0 > 0.0
    }
}

/// Terrain from the ground points of some returns, which can be weighed anew.
pub struct Terrain<'a> {
    sums: &'a Sums,
    /// The cells that there are observations of.
    extent: Extent,
    weights: Weights,
    /// The cells that have ground of any return, row by row from the south-west. Those of returns that do not count have weight 0.
    cells: Observations,
    /// By row, and in it by column and one more: the first of `cells` from there on.
    starts: Vec<u32>,
    /// By place in `cells`, and one more: how many before have other observations than when the cells were weighed before.
    changed: Vec<u32>,
    /// Half windows in cells, ascending.
    windows: Vec<usize>,
}

/// Cells as observations: weights, centroids from the south-west corner of all cells, and elevations, micrometres.
struct Observations {
    weight: Vec<f64>,
    x: Vec<f64>,
    y: Vec<f64>,
    z: Vec<f64>,
}

impl Observations {
    /// So many that are not made yet.
    fn of(count: usize) -> Self {
        let zeros = || vec![0.0; count];
        Observations { weight: zeros(), x: zeros(), y: zeros(), z: zeros() }
    }

    fn get(&self, at: u32) -> [f64; 4] {
        [&self.weight, &self.x, &self.y, &self.z].map(|of| of[at as usize])
    }

    fn set(&mut self, at: usize, observation: [f64; 4]) {
        let columns = [&mut self.weight, &mut self.x, &mut self.y, &mut self.z];
        columns.into_iter().zip(observation).for_each(|(column, value)| column[at] = value);
    }
}

/// A centroid to the nearest 2⁻¹⁶ µm. Then all differences of positions are exact up to 100 km, so that the corner
/// they are taken from cannot show.
fn exact(offset: f64) -> f64 {
    // Rounded by hand, half away from zero: the library's function is a slow call where processors differ.
    let steps = offset * 65536.0;
    let whole = steps as i64 as f64;
    let rest = steps - whole;
    (whole + f64::from(rest >= 0.5) - f64::from(rest <= -0.5)) / 65536.0
}

/// The half windows, in cells without the one in the middle: 1, 2, 3, 4, 6, 8, 12, 16, 24, … and the reach.
fn windows(reach: Micrometres, cell: f64) -> Vec<usize> {
    let last = ((reach as f64 / cell) as usize).max(1);
    let steps = [1].into_iter().chain((1..).flat_map(|k| [1 << k, 3 << (k - 1)]));
    steps.take_while(|&half| half < last).chain([last]).collect()
}

/// Cells on every side of a position that [`Terrain::at`] may use.
pub fn margin(reach: Micrometres, cell: f64) -> i64 {
    windows(reach, cell).last().map_or(0, |&half| half as i64)
}

/// Farthest from a position on either axis that a point may lie which [`Terrain::at`] uses: in the farthest corner of the
/// farthest cell.
pub fn farthest(reach: Micrometres, cell: f64) -> Micrometres {
    ((margin(reach, cell) + 1) as f64 * cell).ceil() as Micrometres
}

impl<'a> Terrain<'a> {
    /// Makes the observations of those cells of `sums` that are in `extent`, too. Places must lie [`margin`] cells inside,
    /// or the edge shows.
    pub fn new(sums: &'a Sums, extent: &Extent, weights: &Weights, reach: Micrometres) -> Self {
        let extent = sums.extent().within(extent);
        let (first_column, first_row) = sums.extent().offset_of(&extent);
        let mut starts = Vec::with_capacity(extent.rows * (extent.columns + 1));
        let mut count = 0;
        for row in first_row..first_row + extent.rows {
            starts.push(count);
            for present in &sums.present()[row * sums.extent().columns + first_column..][..extent.columns] {
                count += u32::from(present & RETURNS != 0);
                starts.push(count);
            }
        }
        let cells = Observations::of(count as usize);
        let changed = vec![0; count as usize + 1];
        let windows = windows(reach, extent.cell);
        let mut terrain = Terrain { sums, extent, weights: weights.clone(), cells, starts, changed, windows };
        terrain.observe(u32::MAX);
        terrain
    }

    /// Weighs the points otherwise. Cells without a point that this makes a difference to keep their observations.
    pub fn weigh(&mut self, weights: &Weights) {
        let differ = |r: &usize| weights.returns[*r] != self.weights.returns[*r];
        let others = (0..16).filter(differ).fold(0, |all, r| all | 1 << r);
        self.weights = weights.clone();
        self.observe(others);
    }

    /// Makes the observations of all cells that have a point of the returns in `others`, a bit each.
    fn observe(&mut self, others: u32) {
        let (sums, weights) = (self.sums, &self.weights.returns);
        let of_returns: [&[Sum]; 16] = std::array::from_fn(|r| sums.of_return(r as u8));
        let counted = (0..16).filter(|r| weights[*r].0 > 0.0).fold(0u32, |all, r| all | 1 << r);
        let (column_corners, row_corners) = sums.corners();
        let observation = |present: u32, cell: usize, column: usize, row: usize| {
            let (mut all, mut x, mut y, mut z) = (0.0, 0.0, 0.0, 0.0);
            // Against a whole number near all of them, so that a high site loses nothing to rounding.
            let lowest = &of_returns[present.trailing_zeros() as usize][cell];
            let base = lowest.z.div_euclid(lowest.n.into());
            let mut left = present & counted;
            while left != 0 {
                let r = left.trailing_zeros() as usize;
                left &= left - 1;
                let (sum, (weight, off)) = (&of_returns[r][cell], weights[r]);
                let n = f64::from(sum.n);
                all += weight * n;
                x += weight * sum.x as f64;
                y += weight * sum.y as f64;
                z += weight * (sum.z.wrapping_sub(base.wrapping_mul(sum.n.into())) as f64 - n * off);
            }
            let (west, south) =
                (column_corners[column] - column_corners[0], row_corners[row] - row_corners[0]);
            if all > 0.0 {
                [all, west as f64 + exact(x / all), south as f64 + exact(y / all), base as f64 + z / all]
            } else {
                [0.0, west as f64, south as f64, base as f64]
            }
        };
        let (first_column, first_row) = sums.extent().offset_of(&self.extent);
        let (mut at, mut changes) = (0, 0);
        for row in first_row..first_row + self.extent.rows {
            let first = row * sums.extent().columns;
            for column in first_column..first_column + self.extent.columns {
                let present = sums.present()[first + column] & RETURNS;
                if present == 0 {
                    continue;
                }
                self.changed[at] = changes;
                if present & others != 0 {
                    changes += 1;
                    self.cells.set(at, observation(present, first + column, column, row));
                }
                at += 1;
            }
        }
        self.changed[at] = changes;
    }

    /// Whether what was seen from a place has changed since the cells were weighed before.
    pub fn changes(&self, x: Micrometres, y: Micrometres, seen: &Seen) -> bool {
        let Extent { columns, rows, .. } = self.extent;
        let Some(middle) = self.extent.index_of(x, y) else { return false };
        let (column, row) = (middle % columns, middle / columns);
        let (west, east) = (column.saturating_sub(seen.half), (column + seen.half + 1).min(columns));
        (row.saturating_sub(seen.half)..(row + seen.half + 1).min(rows)).any(|row| {
            let starts = &self.starts[row * (columns + 1)..];
            self.changed[starts[west] as usize] < self.changed[starts[east] as usize]
        })
    }

    /// Elevations of the terrain: for each least window that of the smallest window from it on that will do, or of the
    /// largest of all; windows with too few cells, cells in line, or the position outside them, will not. Nothing where
    /// none is left: whether there is a value does not depend on the least window.
    pub fn at(&self, x: Micrometres, y: Micrometres) -> Seen {
        let extent = &self.extent;
        let Some(middle) = extent.index_of(x, y) else { return Seen::default() };
        let middle = (middle % extent.columns, middle / extent.columns);
        let (column_corners, row_corners) = self.sums.corners();
        let at = ((x - column_corners[0]) as f64, (y - row_corners[0]) as f64);
        let (mut heights, mut found, mut last, mut farthest) = (Heights::default(), 0, None, 0);
        for &half in &self.windows {
            farthest = half;
            let fit = self.gather(extent, middle, at, half);
            if fit.cells < FEWEST_CELLS {
                continue;
            }
            if let Some(height) = fit.height() {
                last = Some(height);
                while found < SMOOTHING.len() && half >= SMOOTHING[found] {
                    heights[found] = height;
                    found += 1;
                }
                if found == SMOOTHING.len() {
                    break;
                }
            }
        }
        let heights = last.map(|last| {
            heights[found..].fill(last);
            heights
        });
        Seen { heights, half: farthest }
    }

    /// The elevation for one least window, by its place in [`SMOOTHING`], as [`Terrain::at`] has it, with what it rests on; `sd` is
    /// that of a point that counts one, micrometres.
    pub fn weighed(&self, x: Micrometres, y: Micrometres, least: usize, sd: f64) -> Option<Weighed> {
        let extent = &self.extent;
        let middle = extent.index_of(x, y)?;
        let middle = (middle % extent.columns, middle / extent.columns);
        let (column_corners, row_corners) = self.sums.corners();
        let at = ((x - column_corners[0]) as f64, (y - row_corners[0]) as f64);
        let mut last = None;
        for &half in &self.windows {
            let fit = self.gather(extent, middle, at, half);
            if let Some(height) = fit.height().filter(|_| fit.cells >= FEWEST_CELLS) {
                last = Some((height, half, fit));
                if half >= SMOOTHING[least] {
                    break;
                }
            }
        }
        let (height, half, fit) = last?;
        let ([whole, east, north], [rise_east, rise_north]) = (fit.influence(), fit.slopes());
        let ((column, row), radius) = (middle, (half as f64 + 1.0) * extent.cell);
        let (mut spread, mut misfit, mut near, mut by_return) = (0.0, 0.0, 0.0, [0.0; 16]);
        let (first_column, first_row) = self.sums.extent().offset_of(extent);
        for r in row.saturating_sub(half)..(row + half + 1).min(extent.rows) {
            for c in column.saturating_sub(half)..(column + half + 1).min(extent.columns) {
                let start = r * (extent.columns + 1) + c;
                if self.starts[start] == self.starts[start + 1] {
                    continue;
                }
                let [weight, cell_x, cell_y, z] = self.cells.get(self.starts[start]);
                if weight == 0.0 {
                    continue;
                }
                let (x, y) = (cell_x - at.0, cell_y - at.1);
                let nearness = (1.0 - (x * x + y * y) / (radius * radius)).max(0.0).powi(2);
                spread += nearness * nearness * weight * (whole + east * x + north * y).powi(2);
                let off = z - height as f64 - rise_east * x - rise_north * y;
                misfit += nearness * (off * off - sd * sd / weight);
                near += nearness;
                let cell = (first_row + r) * self.sums.extent().columns + first_column + c;
                for (return_number, of_return) in by_return.iter_mut().enumerate() {
                    let own = self.weights.returns[return_number].0;
                    if own > 0.0 && self.sums.present()[cell] >> return_number & 1 == 1 {
                        let n = self.sums.of_return(return_number as u8)[cell].n;
                        *of_return += nearness * own * f64::from(n);
                    }
                }
            }
        }
        // Of equals the lowest.
        let most = (1..16).rev().max_by(|a: &usize, b| by_return[*a].total_cmp(&by_return[*b]))?;
        // What cells are off the plane beyond the noise of their points is the ground's own shape, which averaging does not lessen.
        let shape = (misfit / near).max(0.0);
        Some(Weighed { height, error: (spread * sd * sd + shape).sqrt(), decided_by: most as u8 })
    }

    /// The weighted sums over one window, cells row by row from the south-west, whatever the tile.
    fn gather(&self, extent: &Extent, (column, row): (usize, usize), at: (f64, f64), half: usize) -> Fit {
        let (west, east) = (column.saturating_sub(half), (column + half + 1).min(extent.columns));
        let radius = (half as f64 + 1.0) * extent.cell;
        let shrink = 1.0 / (radius * radius);
        let (mut lanes, mut base) = (Lanes::default(), None);
        for row in row.saturating_sub(half)..(row + half + 1).min(extent.rows) {
            let starts = &self.starts[row * (extent.columns + 1)..];
            let range = starts[west] as usize..starts[east] as usize;
            if range.is_empty() {
                continue;
            }
            let base = *base.get_or_insert(self.cells.z[range.start]);
            let (weights, last_weight) = self.cells.weight[range.clone()].as_chunks::<2>();
            let (xs, last_x) = self.cells.x[range.clone()].as_chunks::<2>();
            let (ys, last_y) = self.cells.y[range.clone()].as_chunks::<2>();
            let (zs, last_z) = self.cells.z[range].as_chunks::<2>();
            for (((weight, x), y), z) in weights.iter().zip(xs).zip(ys).zip(zs) {
                for lane in 0..2 {
                    let (x, y, z) = (x[lane] - at.0, y[lane] - at.1, z[lane] - base);
                    lanes.add(lane, weight[lane], x, y, z, shrink);
                }
            }
            if let ([weight], [x], [y], [z]) = (last_weight, last_x, last_y, last_z) {
                lanes.add(0, *weight, x - at.0, y - at.1, z - base, shrink);
            }
        }
        lanes.together(base.unwrap_or(0.0))
    }
}

/// The elevation at a place, and what it rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighed {
    /// Elevation, micrometres.
    pub height: Micrometres,
    /// Its standard error, as far as it comes from what cells do not share, micrometres: the noise of their points, and the ground's
    /// departure from the plane.
    pub error: f64,
    /// The return that counts most.
    pub decided_by: u8,
}

/// What was seen of the terrain from a place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// Its elevations, if there are any.
    pub heights: Option<Heights>,
    /// The largest half window that was looked at, in cells.
    half: usize,
}

/// Weighted sums in two lanes, so that two cells can be added at once.
#[derive(Default)]
struct Lanes {
    cells: [f64; 2],
    weight: [f64; 2],
    x: [f64; 2],
    y: [f64; 2],
    z: [f64; 2],
    xx: [f64; 2],
    xy: [f64; 2],
    yy: [f64; 2],
    xz: [f64; 2],
    yz: [f64; 2],
}

impl Lanes {
    #[inline(always)]
    fn add(&mut self, lane: usize, weight: f64, x: f64, y: f64, z: f64, shrink: f64) {
        let nearness = 1.0 - (x * x + y * y) * shrink;
        let nearness = if nearness > 0.0 { nearness } else { 0.0 };
        let weight = weight * (nearness * nearness);
        let (wx, wy) = (weight * x, weight * y);
        self.cells[lane] += if weight > 0.0 { 1.0 } else { 0.0 };
        self.weight[lane] += weight;
        self.x[lane] += wx;
        self.y[lane] += wy;
        self.z[lane] += weight * z;
        self.xx[lane] += wx * x;
        self.xy[lane] += wx * y;
        self.yy[lane] += wy * y;
        self.xz[lane] += wx * z;
        self.yz[lane] += wy * z;
    }

    fn together(&self, base: f64) -> Fit {
        let sum = |lanes: &[f64; 2]| lanes[0] + lanes[1];
        let [x, y, z] = [&self.x, &self.y, &self.z].map(sum);
        let [xx, xy, yy, xz, yz] = [&self.xx, &self.xy, &self.yy, &self.xz, &self.yz].map(sum);
        Fit { cells: sum(&self.cells), base, weight: sum(&self.weight), x, y, z, xx, xy, yy, xz, yz }
    }
}

/// Weighted sums about the position, elevations about `base`.
struct Fit {
    cells: f64,
    base: f64,
    weight: f64,
    x: f64,
    y: f64,
    z: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    xz: f64,
    yz: f64,
}

impl Fit {
    /// By what an observation's weight is multiplied for its part in the plane at the position: a number, and more for each
    /// micrometre east and north.
    fn influence(&self) -> [f64; 3] {
        let Fit { weight, x, y, xx, xy, yy, .. } = *self;
        let of = [xx * yy - xy * xy, xy * y - x * yy, x * xy - xx * y];
        let determinant = weight * of[0] + x * of[1] + y * of[2];
        of.map(|of| of / determinant)
    }

    /// Rise of the plane eastwards and northwards.
    fn slopes(&self) -> [f64; 2] {
        let (x, y, z) = (self.x / self.weight, self.y / self.weight, self.z / self.weight);
        let about = |products: f64, a: f64, b: f64| products / self.weight - a * b;
        let (xx, xy, yy) = (about(self.xx, x, x), about(self.xy, x, y), about(self.yy, y, y));
        let (xz, yz) = (about(self.xz, x, z), about(self.yz, y, z));
        let determinant = xx * yy - xy * xy;
        [(xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant]
    }

    /// The plane at the position; nothing where the cells are in line, or it lies too far outside them.
    fn height(&self) -> Option<Micrometres> {
        let (x, y, z) = (self.x / self.weight, self.y / self.weight, self.z / self.weight);
        let about = |products: f64, a: f64, b: f64| products / self.weight - a * b;
        let (xx, xy, yy) = (about(self.xx, x, x), about(self.xy, x, y), about(self.yy, y, y));
        let (xz, yz) = (about(self.xz, x, z), about(self.yz, y, z));
        let determinant = xx * yy - xy * xy;
        let half = (xx + yy) / 2.0;
        let root = (half * half - determinant).max(0.0).sqrt();
        // Written so that what is no number is refused too.
        let spread = half - root > IN_LINE * (half + root);
        let inside = (x * x * yy - 2.0 * x * y * xy + y * y * xx) <= OUTSIDE * determinant;
        if !(spread && inside) {
            return None;
        }
        let (a, b) = ((xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant);
        Some((self.base + (z - a * x - b * y)).round() as Micrometres)
    }
}

#[cfg(test)]
#[path = "model_tests.rs"]
mod tests;
