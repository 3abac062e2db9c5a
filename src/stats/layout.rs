//! Where the residuals lie and where the survey delivered ground, as a few hundred cells: what an interval must bridge.

use std::collections::BTreeMap;

use crate::stats::blocks::BlockSums;
use crate::stats::delivered::{Delivered, Square};

/// Cells with residuals at the most: the likelihood costs the cube of their number.
const MOST_CELLS: usize = 160;
/// Share of the residuals from which on a strip counts as seen.
const SEEN: f64 = 0.01;
/// Cells without at the most.
const MOST_OTHERS: usize = 160;

/// A cell, lengths in micrometres.
#[derive(Clone, Debug)]
pub struct Cell {
    /// Where its middle is.
    pub at: [f64; 2],
    /// Its edge.
    pub edge: f64,
    /// Extent along x and y of an even spread of points as wide as that of its own.
    pub extent: [f64; 2],
    /// Shares of its points that belong to each strip.
    pub strips: Vec<(u16, f64)>,
}

/// The cells of a site: those with residuals first.
#[derive(Clone, Debug)]
pub struct Layout {
    /// All of them.
    pub cells: Vec<Cell>,
    /// How many have residuals.
    pub seen: usize,
    /// Edge of those, micrometres.
    pub edge: f64,
    /// The share of the delivered ground in each cell; all 0 where it is not known.
    pub ground: Vec<f64>,
    /// For each cell with residuals its area over the part of it that has any.
    pub sparse: Vec<f64>,
    /// The sums of those cells.
    pub sums: BlockSums,
    /// What the survey and the comparisons have of each strip, by strip.
    pub strips: BTreeMap<u16, StripShare>,
}

/// What the survey and the comparisons have of a strip.
#[derive(Clone, Copy, Debug, Default)]
pub struct StripShare {
    /// Its share of the delivered ground.
    pub ground: f64,
    /// Its share of the residuals.
    pub residuals: f64,
}

impl Layout {
    /// From sums by fine blocks and the delivered ground.
    pub fn new(fine: &BlockSums, delivered: &Delivered) -> Self {
        let sums = fine.clone().at_most(MOST_CELLS);
        let times = sums.size_um() / fine.size_um();
        let edge = sums.size_um() as f64;
        let places = sums.rows_and_columns();
        let mut cells: Vec<Cell> = Vec::new();
        let (mut middle, mut occupied) = (vec![[0.0; 3]; places.len()], vec![0.0f64; places.len()]);
        // Sums of squares about the middle of the cell, so that they keep their digits.
        let mut squares = vec![[0.0; 2]; places.len()];
        let middle_of = |(row, column): (i64, i64)| [column, row].map(|i| (i as f64 + 0.5) * edge);
        for ((row, column), groups) in fine.rows_and_columns().into_iter().zip(fine.by_group()) {
            let own = (row.div_euclid(times), column.div_euclid(times));
            let Ok(at) = places.binary_search(&own) else { continue };
            let n = groups.iter().map(|(_, sums)| sums.n as f64).sum::<f64>();
            let centre = [column, row].map(|i| (i as f64 + 0.5) * fine.size_um() as f64);
            let [x, y, all] = middle[at];
            middle[at] = [x + n * centre[0], y + n * centre[1], all + n];
            occupied[at] += 1.0;
            let about = middle_of(own);
            (0..2).for_each(|axis| squares[at][axis] += n * (centre[axis] - about[axis]).powi(2));
        }
        let mut strips: BTreeMap<u16, StripShare> = BTreeMap::new();
        let total: f64 = middle.iter().map(|[_, _, n]| n).sum();
        let within = (fine.size_um() as f64).powi(2) / 12.0;
        for (((&[x, y, n], own), &place), squares) in
            middle.iter().zip(sums.strips()).zip(&places).zip(&squares)
        {
            own.iter().for_each(|&(strip, n)| strips.entry(strip).or_default().residuals += n as f64 / total);
            let strips = own.iter().map(|&(strip, own)| (strip, own as f64 / n)).collect();
            let (at, about) = ([x / n, y / n], middle_of(place));
            // The variance of an even spread is a twelfth of the square of its extent.
            let extent = [0, 1].map(|axis| {
                let variance = squares[axis] / n - (at[axis] - about[axis]).powi(2) + within;
                (12.0 * variance).sqrt()
            });
            cells.push(Cell { at, edge, extent, strips });
        }
        let seen = cells.len();
        let mut ground = vec![0.0; seen];
        let others = share_out(delivered.squares(), &places, edge, &mut ground);
        let delivered_n = ground.iter().sum::<f64>() + others.iter().map(|(_, n)| n).sum::<f64>();
        for (cell, n) in others {
            cells.push(cell);
            ground.push(n);
        }
        ground.iter_mut().for_each(|n| *n /= delivered_n.max(1.0));
        for (strip, n) in delivered.by_strip() {
            strips.entry(strip).or_default().ground = n as f64 / delivered_n.max(1.0);
        }
        let whole = (times * times) as f64;
        let sparse = occupied.iter().map(|n| whole / n).collect();
        Layout { cells, seen, edge, ground, sparse, sums, strips }
    }

    /// Whether the delivered ground is known.
    pub fn knows_ground(&self) -> bool {
        self.ground.iter().sum::<f64>() > 0.0
    }

    /// From the first to the last of these cells east and north, micrometres.
    fn extent(&self, cells: &[Cell]) -> [f64; 2] {
        [0, 1].map(|axis| {
            let values = || cells.iter().map(|cell| cell.at[axis]);
            values().fold(f64::MIN, f64::max) - values().fold(f64::MAX, f64::min) + self.edge
        })
    }

    /// Whether a strip has residuals enough to count as seen.
    pub fn has_seen(&self, strip: u16) -> bool {
        self.strips.get(&strip).is_some_and(|share| share.residuals >= SEEN)
    }

    /// Longest distance across the site, micrometres.
    pub fn diagonal(&self) -> f64 {
        let [x, y] = self.extent(&self.cells);
        (x * x + y * y).sqrt()
    }

    /// The longer side of what the residuals span, micrometres.
    pub fn span(&self) -> f64 {
        let [x, y] = self.extent(&self.cells[..self.seen]);
        x.max(y)
    }

    /// In how many places apart from each other, by half a cell or more, the cells with residuals lie along a direction.
    pub fn places_along(&self, [east, north]: [f64; 2]) -> usize {
        let ends = |cell: &Cell| {
            let at = cell.at[0] * east + cell.at[1] * north;
            let half = 0.5 * (cell.extent[0] * east.abs() + cell.extent[1] * north.abs());
            (at - half, at + half)
        };
        let mut all: Vec<(f64, f64)> = self.cells[..self.seen].iter().map(ends).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (mut places, mut last) = (0, f64::NEG_INFINITY);
        for (from, to) in all {
            places += usize::from(from > last + 0.5 * self.edge);
            last = last.max(to);
        }
        places
    }

    /// How much two cells share of the strips that are wanted: the probability that a point of each is of the same one of these.
    pub fn shared_strips(&self, i: usize, j: usize, wanted: impl Fn(u16) -> bool) -> f64 {
        let (a, b) = (&self.cells[i].strips, &self.cells[j].strips);
        a.iter()
            .filter(|(strip, _)| wanted(*strip))
            .map(|(strip, p)| p * b.iter().find(|(other, _)| other == strip).map_or(0.0, |(_, q)| *q))
            .sum()
    }

    /// The direction in which strips are longest, as a unit vector east and north, where there is one.
    pub fn along_strips(&self) -> Option<[f64; 2]> {
        // Second moments of the ground about the middle of its strip.
        let mut of_strip: BTreeMap<u16, [f64; 6]> = BTreeMap::new();
        let origin = self.cells.first()?.at;
        for (cell, ground) in self.cells.iter().zip(&self.ground) {
            let (x, y) = ((cell.at[0] - origin[0]) / 1e6, (cell.at[1] - origin[1]) / 1e6);
            for (strip, share) in &cell.strips {
                let n = share * ground;
                let sums = of_strip.entry(*strip).or_default();
                for (sum, value) in sums.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
                    *sum += n * value;
                }
            }
        }
        if of_strip.len() < 2 {
            return None;
        }
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for [n, x, y, x2, xy2, y2] in of_strip.into_values().filter(|sums| sums[0] > 0.0) {
            xx += x2 - x * x / n;
            xy += xy2 - x * y / n;
            yy += y2 - y * y / n;
        }
        let (half, root) = ((xx - yy) / 2.0, ((xx - yy) * (xx - yy) / 4.0 + xy * xy).sqrt());
        let (long, short) = ((xx + yy) / 2.0 + root, (xx + yy) / 2.0 - root);
        // Twice as long as wide.
        if long.is_nan() || long < 4.0 * short {
            return None;
        }
        let (x, y) = if half >= 0.0 { (half + root, xy) } else { (xy, root - half) };
        let size = (x * x + y * y).sqrt();
        (size > 0.0).then(|| [x / size, y / size])
    }
}

/// Sums of middles weighted by n, and n; the same n by strip.
type Joined = ([f64; 3], BTreeMap<u16, f64>);

/// Shares the ground of squares out to the cells with residuals, by area, and joins what is left into cells of their own.
fn share_out(squares: Vec<Square>, places: &[(i64, i64)], edge: f64, ground: &mut [f64]) -> Vec<(Cell, f64)> {
    let wide = Delivered::EDGE;
    let mut left = Vec::new();
    for mut square in squares {
        let range = |from: f64| {
            let first = (from / edge).floor() as i64;
            first..=((from + wide) / edge).ceil() as i64 - 1
        };
        let overlap = |from: f64, i: i64| {
            ((from + wide).min((i + 1) as f64 * edge) - from.max(i as f64 * edge)).max(0.0) / wide
        };
        let mut rest = 1.0;
        for row in range(square.corner[1]) {
            for column in range(square.corner[0]) {
                if let Ok(at) = places.binary_search(&(row, column)) {
                    let share = overlap(square.corner[1], row) * overlap(square.corner[0], column);
                    ground[at] += share * square.n;
                    rest -= share;
                }
            }
        }
        if rest > 1e-6 {
            square.strips.iter_mut().for_each(|(_, n)| *n *= rest);
            square.n *= rest;
            left.push(square);
        }
    }
    join(&left, MOST_OTHERS)
}

/// Joins squares into so many cells at the most, each with its n.
pub fn join(squares: &[Square], most: usize) -> Vec<(Cell, f64)> {
    let wide = Delivered::EDGE;
    let mut times = 1.0;
    loop {
        let mut joined: BTreeMap<(i64, i64), Joined> = BTreeMap::new();
        for square in squares {
            let place = |at: f64| (at / wide / times).floor() as i64;
            let (sums, strips) =
                joined.entry((place(square.corner[1]), place(square.corner[0]))).or_default();
            let centre = square.corner.map(|at| at + wide / 2.0);
            *sums = [sums[0] + square.n * centre[0], sums[1] + square.n * centre[1], sums[2] + square.n];
            square.strips.iter().for_each(|(strip, n)| *strips.entry(*strip).or_default() += n);
        }
        if joined.len() <= most {
            let cell = |([x, y, n], strips): Joined| {
                let strips = strips.into_iter().map(|(strip, own)| (strip, own / n)).collect();
                let edge = wide * times;
                (Cell { at: [x / n, y / n], edge, extent: [edge; 2], strips }, n)
            };
            return joined.into_values().map(cell).collect();
        }
        times *= 2.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::placed::Placed;

    /// The cells of residuals a metre apart where `has` says, on 90 m × 90 m.
    fn layout(has: impl Fn(i64, i64) -> bool) -> Layout {
        let places = (0..90).flat_map(|x| (0..90).map(move |y| (x, y))).filter(|(x, y)| has(*x, *y));
        let at = |v: i64| v * 1_000_000 + 500_000;
        let one = |(x, y)| Placed { x: at(x), y: at(y), dz: 0, limit: None, group: 0 };
        let residuals: Vec<Placed> = places.map(one).collect();
        Layout::new(&BlockSums::of(&residuals, 1_000_000, 1), &Delivered::default())
    }

    #[test]
    fn places_along_a_direction_are_those_with_gaps_between_them() {
        // Nine plots of 10 m, 30 m apart.
        let plots = layout(|x, y| (10..20).contains(&(x % 30)) && (10..20).contains(&(y % 30)));
        let diagonal = std::f64::consts::FRAC_1_SQRT_2;
        assert_eq!(plots.places_along([1.0, 0.0]), 3);
        assert_eq!(plots.places_along([0.0, -1.0]), 3);
        // Corners, pairs, the diagonal, pairs, corners.
        assert_eq!(plots.places_along([diagonal, diagonal]), 5);
        // Slanted a little, rows are still apart; slanted more, each reaches into the next.
        let slanted = [0.1f64, 0.3].map(|angle| plots.places_along([angle.cos(), angle.sin()]));
        assert_eq!(slanted, [3, 1]);
        let block = layout(|x, y| (30..60).contains(&x) && (30..60).contains(&y));
        assert_eq!([[1.0, 0.0], [diagonal, -diagonal]].map(|along| block.places_along(along)), [1, 1]);
        // A row of three plots, seen from its end and from its side.
        let row = layout(|x, y| (10..20).contains(&(x % 30)) && y < 10);
        assert_eq!([[1.0, 0.0], [0.0, 1.0]].map(|along| row.places_along(along)), [3, 1]);
    }
}
