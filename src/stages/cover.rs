//! Cover of the cells of a tile, from the heights of first returns over the ground.
//!
//! A cell's ground is a plane: its slope is that of the ground filter's opened surface around it, its level that of the ground
//! points in the 3 × 3 cells around it. Over the lowest point of a cell alone, open ground on a steep slope would stand as high
//! as a shrub.

use crate::raster::{EMPTY, Extent, Raster};
use crate::terrain::cells::corner;
use crate::tile::points::{PointSet, PointStatus};
use crate::tile::strata::Cover;
use crate::units::{Length, Micrometres};

/// Cells on every side of a cell whose ground points give its level.
pub const LEVEL_CELLS: i64 = 1;

/// How open ground, low vegetation and canopy are told apart: options of `summarise`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoverRule {
    /// First returns within this distance in plan count.
    pub radius: Length,
    /// A first return higher than this over the ground is in the canopy.
    pub canopy_height: Length,
    /// Ground is under canopy where at least this share of them is in the canopy.
    pub canopy_share: f64,
    /// A first return higher than this, but not in the canopy, is in low vegetation.
    pub low_height: Length,
    /// Ground that is not under canopy is under low vegetation where at least this share of them is in low vegetation.
    pub low_share: f64,
}

impl CoverRule {
    /// Cells within the radius on every side.
    fn margin(&self, cell: f64) -> i64 {
        (self.radius.exact_micrometres() / cell).floor() as i64
    }

    /// The cells that must be known to tell the cover of those of `extent`.
    pub fn around(&self, extent: &Extent) -> Extent {
        extent.widened(self.margin(extent.cell))
    }

    fn cover(&self, [all, low, high]: [u32; 3]) -> Option<Cover> {
        let is_share = |part: u32, share: f64| f64::from(part) / f64::from(all) >= share;
        match all {
            0 => None,
            _ if is_share(high, self.canopy_share) => Some(Cover::Canopy),
            _ if is_share(low, self.low_share) => Some(Cover::Low),
            _ => Some(Cover::Open),
        }
    }
}

/// The cover of each cell of `extent`, from the first returns in those cells whose centres lie within the radius; nothing
/// where there is none. `gradients` are those of the cells in [`CoverRule::around`] it.
pub fn covers(
    rule: &CoverRule,
    extent: &Extent,
    ground: &Raster,
    gradients: &[[f64; 2]],
    survey: &PointSet,
) -> Vec<Option<Cover>> {
    let around = rule.around(extent);
    let counts = heights(rule, &around, &Planes::new(&around, ground, gradients, survey), survey);
    let margin = rule.margin(extent.cell);
    let reach = rule.radius.exact_micrometres() / extent.cell;
    let inside = |(column, row): &(i64, i64)| ((column * column + row * row) as f64) <= reach * reach;
    let disc = (-margin..=margin).flat_map(|row| (-margin..=margin).map(move |column| (column, row)));
    let disc: Vec<i64> =
        disc.filter(inside).map(|(column, row)| row * around.columns as i64 + column).collect();
    let cover = |i: usize| {
        let (column, row) = ((i % extent.columns) as i64 + margin, (i / extent.columns) as i64 + margin);
        let middle = row * around.columns as i64 + column;
        let sum = disc.iter().fold([0u32; 4], |sum, offset| {
            let other = counts[(middle + offset) as usize];
            [0, 1, 2, 3].map(|k| sum[k] + other[k])
        });
        rule.cover([sum[0], sum[1], sum[2]])
    };
    (0..extent.len()).map(cover).collect()
}

/// By cell: first returns, those in low vegetation, those in the canopy (and a place that fills sixteen bytes).
fn heights(rule: &CoverRule, around: &Extent, planes: &Planes, survey: &PointSet) -> Vec<[u32; 4]> {
    let (low, high) = (rule.low_height.exact_micrometres(), rule.canopy_height.exact_micrometres());
    let finder = around.finder();
    let mut counts = vec![[0u32; 4]; around.len()];
    for (point, status) in survey.points.iter().zip(&survey.statuses) {
        if point.valid_return() != Some(1) || *status == PointStatus::Noise {
            continue;
        }
        let Some((column, row)) = finder.place_of(point.x, point.y) else { continue };
        let height = point.z as f64 - planes.at(column, row, point.x, point.y);
        let counts = &mut counts[row * around.columns + column];
        counts[0] += 1;
        counts[1] += u32::from(height > low && height <= high);
        counts[2] += u32::from(height > high);
    }
    counts
}

/// The ground of each cell as a plane.
struct Planes {
    columns: usize,
    /// By cell: elevation at its south-west corner, and slopes eastwards and northwards.
    planes: Vec<[f64; 3]>,
    corners: [Vec<Micrometres>; 2],
}

impl Planes {
    fn new(around: &Extent, ground: &Raster, gradients: &[[f64; 2]], survey: &PointSet) -> Self {
        let wide = around.widened(LEVEL_CELLS);
        let corners = |first: i64, count: usize| -> Vec<Micrometres> {
            (first..).take(count).map(|at| corner(at, wide.cell)).collect()
        };
        let (x, y) = (corners(wide.first_column, wide.columns), corners(wide.first_row, wide.rows));
        let mut sums = vec![Sum::default(); wide.len()];
        let finder = wide.finder();
        for i in survey.ground() {
            let point = &survey.points[i];
            if let Some((column, row)) = finder.place_of(point.x, point.y) {
                let (x, y) = (point.x - x[column], point.y - y[row]);
                sums[row * wide.columns + column].add(&Sum { n: 1, x, y, z: point.z }, 0, 0);
            }
        }
        let mut planes = Vec::with_capacity(around.len());
        let mut band = vec![Sum::default(); wide.columns];
        for row in 1..=around.rows {
            band.fill(Sum::default());
            for other in row - 1..=row + 1 {
                let shift = y[other] - y[row];
                let row = &sums[other * wide.columns..][..wide.columns];
                band.iter_mut().zip(row).for_each(|(band, sum)| band.add(sum, 0, shift));
            }
            for column in 1..=around.columns {
                let mut sum = Sum::default();
                for other in column - 1..=column + 1 {
                    sum.add(&band[other], x[other] - x[column], 0);
                }
                // Rises within a cell.
                let rise = gradients[planes.len()].map(|rise| if rise.is_nan() { 0.0 } else { rise });
                let [east, north] = rise.map(|rise| rise / wide.cell);
                let level = match sum.n {
                    0 => {
                        let place = ground.extent.index_from(&wide, row * wide.columns + column);
                        let lowest = place.map_or(EMPTY, |i| ground.values[i]);
                        // The lowest of a cell lies at its lowest corner.
                        lowest - rise[0].min(0.0) - rise[1].min(0.0)
                    }
                    n => (sum.z as f64 - east * sum.x as f64 - north * sum.y as f64) / n as f64,
                };
                planes.push([level, east, north]);
            }
        }
        Planes { columns: around.columns, planes, corners: [x, y].map(|all| all[1..all.len() - 1].to_vec()) }
    }

    /// The elevation of the ground at a position in a cell.
    fn at(&self, column: usize, row: usize, x: Micrometres, y: Micrometres) -> f64 {
        let [level, east, north] = self.planes[row * self.columns + column];
        let [columns, rows] = &self.corners;
        level + east * (x - columns[column]) as f64 + north * (y - rows[row]) as f64
    }
}

/// Number of ground points and sums of their coordinates, x and y from the corner of a cell: whole numbers, so that tiles
/// cannot be seen.
#[derive(Clone, Copy, Default)]
struct Sum {
    n: i64,
    x: i64,
    y: i64,
    z: i64,
}

impl Sum {
    /// Adds the points of a cell whose corner lies that far off.
    fn add(&mut self, other: &Sum, x: Micrometres, y: Micrometres) {
        self.n += other.n;
        self.x += other.x + other.n * x;
        self.y += other.y + other.n * y;
        self.z += other.z;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::point::Point;
    use crate::stages::cell_attributes::gradients;

    fn rule() -> CoverRule {
        CoverRule {
            radius: Length::metres(1.0),
            canopy_height: Length::metres(2.0),
            canopy_share: 0.3,
            low_height: Length::metres(0.3),
            low_share: 0.02,
        }
    }

    /// 30 m × 30 m of ground rising eastwards by `slope`: a first return every 0.25 m, raised by what is given for a
    /// position, and where that is more than nothing a second return on the ground. Gives the covers by column at 15 m.
    fn covers_along(slope: f64, raised: impl Fn(i64, i64) -> i64) -> Vec<Option<Cover>> {
        let all = Extent::covering(5e5, (0, 30_000_000), (0, 30_000_000), 0);
        let mut ground = Raster::empty(all);
        let mut survey = PointSet::default();
        for i in 0..120 * 120 {
            let (x, y) = ((i % 120) * 250_000 + 100_000, (i / 120) * 250_000 + 100_000);
            let z = 100_000_000 + (slope * x as f64) as i64;
            ground.lower(x, y, z);
            let up = raised(x, y);
            let mut add = |z, return_number, status| {
                survey.points.push(Point {
                    x,
                    y,
                    z,
                    return_number,
                    number_of_returns: 2,
                    ..Point::default()
                });
                survey.statuses.push(status);
            };
            add(z + up, 1, if up > 300_000 { PointStatus::AboveGround } else { PointStatus::Ground });
            add(z, 2, PointStatus::Ground);
        }
        let inner = Extent { first_column: 8, columns: 44, first_row: 30, rows: 1, ..all };
        let slopes = gradients(&ground, &rule().around(&inner));
        covers(&rule(), &inner, &ground, &slopes, &survey)
    }

    #[test]
    fn cover_is_told_from_the_share_of_high_first_returns_around() {
        use Cover::{Canopy, Low, Open};
        // In the east trees of 6 m; at the edge 4 and 9 of the 13 cells of the disc lie beyond it.
        let trees = covers_along(0.0, |x, _| if x < 15_000_000 { 0 } else { 6_000_000 });
        let cover = |all: &[Option<Cover>], column: usize| all[column - 8].unwrap();
        assert_eq!(
            [10, 27, 28, 29, 30, 45].map(|at| cover(&trees, at)),
            [Open, Open, Open, Canopy, Canopy, Canopy]
        );
        // Shrubs of 1 m: one of thirteen cells is enough.
        let shrubs = covers_along(0.0, |x, _| if x < 15_000_000 { 0 } else { 1_000_000 });
        assert_eq!([10, 27, 28, 29, 30, 45].map(|at| cover(&shrubs, at)), [Open, Open, Low, Low, Low, Low]);
        // Trees over shrubs are canopy; what stands no higher than the low height cannot be told from the ground.
        let both = covers_along(0.0, |x, _| if x % 1_000_000 < 500_000 { 6_000_000 } else { 1_000_000 });
        assert_eq!(cover(&both, 30), Canopy);
        let grass = covers_along(0.0, |_, _| 290_000);
        assert!(grass.iter().all(|cover| *cover == Some(Open)));
    }

    #[test]
    fn heights_are_over_the_slope_and_not_over_the_lowest_point_of_a_cell() {
        // On 45° the ground rises by 0.5 m within a cell.
        assert!(covers_along(1.0, |_, _| 0).iter().all(|cover| *cover == Some(Cover::Open)));
        let shrubs =
            covers_along(-1.0, |x, y| if x / 250_000 % 4 == 0 && y / 250_000 % 4 == 0 { 400_000 } else { 0 });
        assert!(shrubs.iter().all(|cover| *cover == Some(Cover::Low)), "{shrubs:?}");
    }
}
