//! Sums of ground points by cell and strip, in whole numbers.

use crate::agreement::Strip;
use crate::raster::{Extent, Finder};
use crate::terrain::bytes::{put, put_wide, take, take_wide};
use crate::terrain::cells::corners;
use crate::units::Micrometres;

/// Positions in a cell are whole numbers of at most so many bits.
const POSITION_BITS: u32 = 15;

/// Number of points, and sums of their coordinates and products. Positions count from the corner of the cell in steps of
/// [`step`], elevations from zero in micrometres. Sums of positions × elevations may run over: they wrap around, and are right
/// again once [`Sum::about`] counts elevations from near the points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sum {
    /// Number of points.
    pub n: u64,
    /// Sum of eastward positions.
    pub x: i64,
    /// Sum of northward positions.
    pub y: i64,
    /// Sum of elevations.
    pub z: i64,
    /// Sums of products.
    pub xx: i64,
    /// East × north.
    pub xy: i64,
    /// North × north.
    pub yy: i64,
    /// East × elevation.
    pub xz: i64,
    /// North × elevation.
    pub yz: i64,
    /// Elevation squared.
    pub zz: i128,
}

impl Sum {
    #[inline]
    fn add(&mut self, x: i64, y: i64, z: i64) {
        self.n += 1;
        self.x += x;
        self.y += y;
        self.z = self.z.wrapping_add(z);
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        self.xz = self.xz.wrapping_add(x.wrapping_mul(z));
        self.yz = self.yz.wrapping_add(y.wrapping_mul(z));
        self.zz = self.zz.wrapping_add(i128::from(z) * i128::from(z));
    }

    /// Adds the sums of other points of the same cell.
    pub fn merge(&mut self, other: &Sum) {
        self.n = self.n.wrapping_add(other.n);
        self.x = self.x.wrapping_add(other.x);
        self.y = self.y.wrapping_add(other.y);
        self.z = self.z.wrapping_add(other.z);
        self.xx = self.xx.wrapping_add(other.xx);
        self.xy = self.xy.wrapping_add(other.xy);
        self.yy = self.yy.wrapping_add(other.yy);
        self.xz = self.xz.wrapping_add(other.xz);
        self.yz = self.yz.wrapping_add(other.yz);
        self.zz = self.zz.wrapping_add(other.zz);
    }

    /// The sums with elevations counted from `base`.
    pub fn about(&self, base: Micrometres) -> Sum {
        let (n, wide) = (self.n as i64, i128::from(base));
        Sum {
            z: self.z.wrapping_sub(n.wrapping_mul(base)),
            xz: self.xz.wrapping_sub(self.x.wrapping_mul(base)),
            yz: self.yz.wrapping_sub(self.y.wrapping_mul(base)),
            zz: self
                .zz
                .wrapping_sub(wide.wrapping_mul(i128::from(self.z)).wrapping_mul(2))
                .wrapping_add(wide.wrapping_mul(wide).wrapping_mul(i128::from(self.n))),
            ..*self
        }
    }
}

/// The step of positions in a cell of that edge, a power of two, micrometres.
pub fn step(cell: f64) -> i64 {
    1 << step_bits(cell)
}

fn step_bits(cell: f64) -> u32 {
    (cell.log2().ceil() as u32).saturating_sub(POSITION_BITS)
}

/// One strip in one cell, and where the next strip of that cell is.
struct Slot {
    sum: Sum,
    next: u32,
    strip: Strip,
}

/// Sums of one cloud by cell and strip over an extent.
pub struct StripCells {
    /// Where the cells lie.
    pub extent: Extent,
    finder: Finder,
    corners: [Vec<Micrometres>; 2],
    bits: u32,
    /// Of each cell its first slot; 0 is none.
    heads: Vec<u32>,
    slots: Vec<Slot>,
    /// Cell, strip and slot of the point before: the next one often has the same.
    last: (usize, Strip, usize),
}

impl StripCells {
    /// No points yet.
    pub fn new(extent: Extent) -> Self {
        StripCells {
            extent,
            finder: extent.finder(),
            corners: [
                corners(extent.first_column, extent.columns, extent.cell),
                corners(extent.first_row, extent.rows, extent.cell),
            ],
            bits: step_bits(extent.cell),
            heads: vec![0; extent.len()],
            slots: vec![Slot { sum: Sum::default(), next: 0, strip: 0 }],
            last: (usize::MAX, 0, 0),
        }
    }

    /// Adds a ground point; positions outside are passed over.
    #[inline]
    pub fn add(&mut self, x: Micrometres, y: Micrometres, z: Micrometres, strip: Strip) {
        let Some((column, row)) = self.finder.place_of(x, y) else { return };
        let cell = row * self.extent.columns + column;
        if (self.last.0, self.last.1) != (cell, strip) {
            self.last = (cell, strip, self.slot_of(cell, strip));
        }
        let (x, y) = ((x - self.corners[0][column]) >> self.bits, (y - self.corners[1][row]) >> self.bits);
        self.slots[self.last.2].sum.add(x, y, z);
    }

    fn slot_of(&mut self, cell: usize, strip: Strip) -> usize {
        let mut at = self.heads[cell] as usize;
        while at != 0 {
            if self.slots[at].strip == strip {
                return at;
            }
            at = self.slots[at].next as usize;
        }
        let new = self.slots.len();
        self.slots.push(Slot { sum: Sum::default(), next: self.heads[cell], strip });
        self.heads[cell] = new as u32;
        new
    }

    /// Calls `f` with each cell that has points, row by row from the south-west: its column and row counted from coordinate zero, and
    /// the sums of its strips in their order.
    pub fn for_each(&self, mut f: impl FnMut((i64, i64), &[(Strip, Sum)])) {
        let mut strips = Vec::new();
        for (i, head) in self.heads.iter().enumerate().filter(|(_, head)| **head != 0) {
            strips.clear();
            let mut at = *head as usize;
            while at != 0 {
                strips.push((self.slots[at].strip, self.slots[at].sum));
                at = self.slots[at].next as usize;
            }
            strips.sort_unstable_by_key(|(strip, _)| *strip);
            let (column, row) = ((i % self.extent.columns) as i64, (i / self.extent.columns) as i64);
            f((self.extent.first_column + column, self.extent.first_row + row), &strips);
        }
    }
}

/// Adds the sums of the strips of a cell as bytes.
pub fn put_strips(strips: &[(Strip, Sum)], to: &mut Vec<u8>) {
    put(strips.len() as u64, to);
    for (strip, sum) in strips {
        put((*strip).into(), to);
        put(sum.n, to);
        for number in [sum.x, sum.y, sum.z, sum.xx, sum.xy, sum.yy, sum.xz, sum.yz] {
            to.extend_from_slice(&number.to_le_bytes());
        }
        put_wide(sum.zz as u128, to);
    }
}

/// Takes the sums of the strips of a cell off the front and hands them over; nothing where there are none.
pub fn take_strips(from: &mut &[u8], mut f: impl FnMut(Strip, Sum)) -> Option<()> {
    for _ in 0..take(from)? {
        let strip = Strip::try_from(take(from)?).ok()?;
        let n = take(from)?;
        let mut numbers = [0; 8];
        for number in &mut numbers {
            let (bytes, rest) = from.split_first_chunk()?;
            (*number, *from) = (i64::from_le_bytes(*bytes), rest);
        }
        let [x, y, z, xx, xy, yy, xz, yz] = numbers;
        let zz = take_wide(from)? as i128;
        f(strip, Sum { n, x, y, z, xx, xy, yy, xz, yz, zz });
    }
    Some(())
}
