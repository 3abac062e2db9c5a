//! The scatter of ground points about the plane through them, around any cell: noise of the points and roughness of the ground
//! together. Sums are whole numbers, so that cells may be put together in any order.

use crate::raster::Extent;
use crate::terrain::cells::corners;
use crate::terrain::surface::ground::GroundPoint;

/// Fewest points about a plane: three degrees of freedom remain.
const FEWEST: i64 = 6;

/// Points lie in line where the variance across is less than this part of that along.
const IN_LINE: f64 = 0.01;

/// Sums of coordinates and of their products.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Sums {
    n: i64,
    x: i64,
    y: i64,
    z: i128,
    xx: i128,
    xy: i128,
    yy: i128,
    xz: i128,
    yz: i128,
    zz: i128,
}

impl Sums {
    /// Adds sums about a corner that lies so far east and north.
    fn merge(&mut self, other: &Sums, east: i64, north: i64) {
        let (n, east, north) = (i128::from(other.n), i128::from(east), i128::from(north));
        let (x, y) = (i128::from(other.x), i128::from(other.y));
        self.n += other.n;
        self.x += (x + n * east) as i64;
        self.y += (y + n * north) as i64;
        self.z += other.z;
        self.xx += other.xx + 2 * east * x + n * east * east;
        self.xy += other.xy + east * y + north * x + n * east * north;
        self.yy += other.yy + 2 * north * y + n * north * north;
        self.xz += other.xz + east * other.z;
        self.yz += other.yz + north * other.z;
        self.zz += other.zz;
    }

    /// The standard deviation of the points about the plane through them, micrometres.
    fn about_plane(&self) -> Option<f64> {
        if self.n < FEWEST {
            return None;
        }
        let n = i128::from(self.n);
        let about = |products: i128, a: i128, b: i128| (n * products - a * b) as f64 / (n * n) as f64;
        let (x, y) = (i128::from(self.x), i128::from(self.y));
        let (xx, xy, yy) = (about(self.xx, x, x), about(self.xy, x, y), about(self.yy, y, y));
        let (xz, yz, zz) =
            (about(self.xz, x, self.z), about(self.yz, y, self.z), about(self.zz, self.z, self.z));
        let determinant = xx * yy - xy * xy;
        let half = (xx + yy) / 2.0;
        let root = (half * half - determinant).max(0.0).sqrt();
        if half - root <= IN_LINE * (half + root) {
            return None;
        }
        let (a, b) = ((xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant);
        let rest = (zz - a * xz - b * yz).max(0.0) * self.n as f64;
        Some((rest / (self.n - 3) as f64).sqrt())
    }
}

/// Sums of the ground points by cell.
pub struct Scatter {
    extent: Extent,
    corners: [Vec<i64>; 2],
    sums: Vec<Sums>,
}

impl Scatter {
    /// Sums over the cells of an extent; points outside are passed over.
    pub fn new<'a>(extent: Extent, points: impl Iterator<Item = &'a GroundPoint>) -> Self {
        let corners = [
            corners(extent.first_column, extent.columns, extent.cell),
            corners(extent.first_row, extent.rows, extent.cell),
        ];
        let (mut sums, mut level) = (vec![Sums::default(); extent.len()], None);
        for point in points {
            let Some(place) = extent.index_of(point.x, point.y) else { continue };
            // Whatever elevations are counted from takes no part in the scatter: sums are exact.
            let z = i128::from(point.z - *level.get_or_insert(point.z));
            let x = point.x - corners[0][place % extent.columns];
            let y = point.y - corners[1][place / extent.columns];
            let (wide_x, wide_y) = (i128::from(x), i128::from(y));
            let of_cell = &mut sums[place];
            of_cell.n += 1;
            of_cell.x += x;
            of_cell.y += y;
            of_cell.z += z;
            of_cell.xx += wide_x * wide_x;
            of_cell.xy += wide_x * wide_y;
            of_cell.yy += wide_y * wide_y;
            of_cell.xz += wide_x * z;
            of_cell.yz += wide_y * z;
            of_cell.zz += z * z;
        }
        Scatter { extent, corners, sums }
    }

    /// The scatter about a plane within at least `least` cells on every side of a cell, and as many more, up to `most`, as it
    /// takes for enough points that do not lie in line, with how many that are. The extent must reach that far.
    pub fn around(&self, column: usize, row: usize, least: usize, most: usize) -> Option<(f64, usize)> {
        let mut all = Sums::default();
        (least..=most.max(least)).find_map(|half| {
            for r in row.saturating_sub(half)..(row + half + 1).min(self.extent.rows) {
                for c in column.saturating_sub(half)..(column + half + 1).min(self.extent.columns) {
                    // What lies farther in is there from the window before.
                    if half > least && r.abs_diff(row).max(c.abs_diff(column)) < half {
                        continue;
                    }
                    let sums = &self.sums[r * self.extent.columns + c];
                    if sums.n > 0 {
                        let east = self.corners[0][c] - self.corners[0][column];
                        all.merge(sums, east, self.corners[1][r] - self.corners[1][row]);
                    }
                }
            }
            Some((all.about_plane()?, half))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_on_a_plane_scatter_by_what_they_are_off_it_wherever_their_cells_begin() {
        let mut points = Vec::new();
        for i in 0..9i64 {
            for j in 0..9i64 {
                let (x, y) = (70_000 + i * 200_000, -900_000 + j * 200_000);
                // A slope of 30 % and 5 mm up and down in turns.
                let z = 950_000_000 + x * 3 / 10 + y / 10 + if (i + j) % 2 == 0 { 5_000 } else { -5_000 };
                points.push(GroundPoint { x, y, z, return_number: 1 });
            }
        }
        for cell in [500_000.0, 304_800.609_601_219_2, 1_700_000.0] {
            let extent = Extent::covering(cell, (0, 1_800_000), (-1_000_000, 900_000), 6);
            let scatter = Scatter::new(extent, points.iter());
            let middle = extent.index_of(800_000, -100_000).unwrap();
            let (column, row) = (middle % extent.columns, middle / extent.columns);
            let found = scatter.around(column, row, 6, 6).unwrap().0;
            // 81 points less three, and the mean of the 41 and 40.
            let expected = (25e6 * 81.0 * (1.0 - 1.0 / 81.0f64.powi(2)) / 78.0).sqrt();
            assert!((found / expected - 1.0).abs() < 1e-6, "{found} {expected}");
        }
        let extent = Extent::covering(500_000.0, (0, 1_800_000), (-1_000_000, 900_000), 1);
        let in_line: Vec<GroundPoint> = points.iter().filter(|p| p.x == 70_000).copied().collect();
        assert_eq!(Scatter::new(extent, in_line.iter()).around(1, 1, 5, 5), None);
    }
}
