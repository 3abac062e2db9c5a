//! Neighbours in plan within a bounded radius: points sorted into square buckets about as wide as the radius.
//!
//! A tree over the points answers any question, but this program asks only one, hundreds of millions of times:
//! which points lie within a radius known beforehand. `bench/` measures the difference.

use crate::cloud::bounds::Bounds;
use crate::cloud::reuse::empty_for;
use crate::units::Micrometres;

/// Points in plan, each with something of the caller's, sorted into buckets for one search radius. They are added, sorted,
/// and then searched; the memory is used again for others.
#[derive(Default)]
pub struct BucketGrid<T> {
    /// As they were added.
    added: Vec<Entry<T>>,
    /// The first of them, from which their positions are counted.
    base: (Micrometres, Micrometres),
    bounds: Bounds,
    buckets: Buckets,
    /// Where the points of each bucket start in `sorted`; one entry more than there are buckets.
    starts: Vec<u32>,
    sorted: Vec<Entry<T>>,
}

/// A point relative to the first, with what goes with it.
#[derive(Clone, Copy, Default)]
struct Entry<T> {
    x: i32,
    y: i32,
    of: T,
}

/// From a position to a point near it, micrometres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Offset {
    /// Eastwards.
    pub x: Micrometres,
    /// Northwards.
    pub y: Micrometres,
    /// The distance, squared.
    pub squared: i64,
}

/// How the ground is divided into buckets: squares of a power of two of micrometres, so that finding one takes a shift.
#[derive(Clone, Copy, Default)]
struct Buckets {
    radius: Micrometres,
    /// South-west corner of the first.
    corner: (Micrometres, Micrometres),
    /// Their edge is 2 to the power of this.
    edge_bits: u32,
    columns: i64,
    rows: i64,
}

impl Buckets {
    /// The bucket of one of the points.
    fn bucket_of(&self, x: Micrometres, y: Micrometres) -> usize {
        let (column, row) = ((x - self.corner.0) >> self.edge_bits, (y - self.corner.1) >> self.edge_bits);
        (row * self.columns + column) as usize
    }

    /// The first and the last of so many columns (rows) that have ground within the radius of coordinates from the first to
    /// the second, counted from the corner. None where the last comes before the first.
    #[inline(always)]
    fn span(&self, (low, high): (Micrometres, Micrometres), count: i64) -> (i64, i64) {
        let bucket = |at: Micrometres| at >> self.edge_bits;
        (bucket(low - self.radius).max(0), bucket(high + self.radius).min(count - 1))
    }
}

/// The power of two nearest to a width of at least one micrometre, by the exponent.
fn nearest_power(width: Micrometres) -> u32 {
    // Squares that are half as large or twice as large are equally near.
    (width as f64).log2().round() as u32
}

/// Buckets for each point, at the most twice as many: a radius small against the spacing of the points must not cost memory.
const BUCKETS_PER_POINT: f64 = 1.0;

/// Buckets at least so many radii wide hold points so sparse that most boxes have none beside them.
const BESIDE: i64 = 3;

impl<T: Copy + Default> BucketGrid<T> {
    /// Forgets all points and makes room for so many, and no more; room that is never written to takes no memory. The points
    /// must be sorted before the next search.
    pub fn start(&mut self, count: usize) {
        empty_for(&mut self.added, count);
        self.bounds = Bounds::default();
        if self.added.capacity() < self.sorted.len() {
            // The memory was given back: that of the others goes, too.
            (self.sorted, self.starts) = (Vec::new(), Vec::new());
        }
    }

    /// Adds a point. All must lie within 2,147 m of each other on each axis, as those of one tile do.
    #[inline]
    pub fn add(&mut self, x: Micrometres, y: Micrometres, of: T) {
        if self.added.is_empty() {
            self.base = (x, y);
        }
        self.bounds.add((x, y));
        self.added.push(Entry { x: (x - self.base.0) as i32, y: (y - self.base.1) as i32, of });
    }

    /// Sorts the points for searches of at most `radius` micrometres.
    pub fn sort(&mut self, radius: Micrometres) {
        let BucketGrid { added, base, bounds, buckets, starts, sorted } = self;
        let ((west, east), (south, north)) =
            bounds.ranges().unwrap_or(((base.0, base.0 + 1), (base.1, base.1 + 1)));
        let area = (east - west) as f64 * (north - south) as f64;
        let wide_enough = (area / (BUCKETS_PER_POINT * added.len().max(1) as f64)).sqrt().ceil() as i64;
        let edge_bits = nearest_power(radius.max(wide_enough).max(1));
        let (columns, rows) = (((east - west - 1) >> edge_bits) + 1, ((north - south - 1) >> edge_bits) + 1);
        let corner = (west - base.0, south - base.1);
        *buckets = Buckets { radius, corner, edge_bits, columns, rows };
        let buckets = *buckets;
        let bucket_of = |entry: &Entry<T>| buckets.bucket_of(entry.x.into(), entry.y.into());
        let buckets_and_end = (columns * rows + 1) as usize;
        empty_for(starts, buckets_and_end);
        starts.resize(buckets_and_end, 0);
        added.iter().for_each(|entry| starts[bucket_of(entry)] += 1);
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        // What stands there from before is written over.
        sorted.reserve_exact(added.len().saturating_sub(sorted.len()));
        sorted.resize(added.len(), Entry::default());
        // Backwards from its end, so that the first place left of each bucket is where it starts.
        for entry in added {
            let start = &mut starts[bucket_of(entry)];
            *start -= 1;
            sorted[*start as usize] = *entry;
        }
    }

    /// Calls `f` with every point within the radius of (x, y), the radius included, and how far off it is. The points must
    /// have been sorted.
    #[inline]
    pub fn for_each(&self, x: Micrometres, y: Micrometres, mut f: impl FnMut(T, Offset)) {
        let buckets = &self.buckets;
        let (x, y) = (x - self.base.0, y - self.base.1);
        let limit = buckets.radius * buckets.radius;
        for row in self.rows_around((x, x), (y, y)) {
            for entry in row {
                let (dx, dy) = (i64::from(entry.x) - x, i64::from(entry.y) - y);
                let squared = dx * dx + dy * dy;
                if squared <= limit {
                    f(entry.of, Offset { x: dx, y: dy, squared });
                }
            }
        }
    }

    /// Whether a point may lie within the radius of positions in a box: none does where this is false. The points must have
    /// been sorted.
    pub fn may_be_near(&self, x: (Micrometres, Micrometres), y: (Micrometres, Micrometres)) -> bool {
        let radius = self.buckets.radius;
        let relative = |(low, high): (Micrometres, Micrometres), base| (low - base, high - base);
        let (x, y) = (relative(x, self.base.0), relative(y, self.base.1));
        let beside = |at: i32, (low, high): (Micrometres, Micrometres)| {
            (low - radius..=high + radius).contains(&i64::from(at))
        };
        self.rows_around(x, y).flatten().any(|entry| beside(entry.x, x) && beside(entry.y, y))
    }

    /// How wide a box of positions may be so that [`BucketGrid::may_be_near`] mostly says no, where points are sparse: half as wide
    /// as points lie apart. Nothing where the radius reaches most of them anyway.
    pub fn box_width(&self) -> Option<Micrometres> {
        let edge = 1 << self.buckets.edge_bits;
        (edge > BESIDE * self.buckets.radius).then_some(edge / 2)
    }

    /// The entries of the buckets within the radius of a box, row by row; its sides count from the first point.
    #[inline(always)]
    fn rows_around(
        &self,
        x: (Micrometres, Micrometres),
        y: (Micrometres, Micrometres),
    ) -> impl Iterator<Item = &[Entry<T>]> {
        let Buckets { corner, columns, rows, .. } = self.buckets;
        let from = |(low, high): (Micrometres, Micrometres), corner| (low - corner, high - corner);
        let (west, east) = self.buckets.span(from(x, corner.0), columns);
        let (south, north) = self.buckets.span(from(y, corner.1), rows);
        let north = if east < west { south - 1 } else { north };
        (south..=north).map(move |row| {
            let start = self.starts[(row * columns + west) as usize] as usize;
            let end = self.starts[(row * columns + east + 1) as usize] as usize;
            &self.sorted[start..end]
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstar::RTree;
    use rstar::primitives::GeomWithData;

    use super::*;

    proptest! {
        #[test]
        fn the_same_neighbours_as_a_tree_finds(
            points in proptest::collection::vec((-3000i64..3000, -3000i64..3000), 0..120),
            queries in proptest::collection::vec((-4000i64..4000, -4000i64..4000), 1..20),
            radius in 0i64..2500, reach in (0i64..900, 0i64..900),
        ) {
            let mut near = BucketGrid::default();
            // What was there before is forgotten.
            near.add(1 << 50, 1 << 50, 7);
            near.sort(1);
            near.start(points.len());
            points.iter().enumerate().for_each(|(i, &(x, y))| near.add(x, y, i));
            near.sort(radius);
            let tree = RTree::bulk_load(
                points.iter().enumerate().map(|(i, &(x, y))| GeomWithData::new([x, y], i)).collect());
            for (x, y) in queries {
                let mut found = Vec::new();
                near.for_each(x, y, |i, offset| {
                    assert_eq!((x + offset.x, y + offset.y), points[i]);
                    found.push((i, offset.squared));
                });
                found.sort_unstable();
                let mut expected: Vec<(usize, i64)> = tree
                    .locate_within_distance([x, y], radius * radius)
                    .map(|p| (p.data, (p.geom()[0] - x).pow(2) + (p.geom()[1] - y).pow(2)))
                    .collect();
                expected.sort_unstable();
                prop_assert_eq!(&found, &expected);
                // Of a box around the position that reaches to the north-east.
                let near = near.may_be_near((x, x + reach.0), (y, y + reach.1));
                prop_assert!(near || found.is_empty());
                let beside = |at: i64, low: i64, reach: i64| low - radius <= at && at <= low + reach + radius;
                let any = points.iter().any(|&(px, py)| beside(px, x, reach.0) && beside(py, y, reach.1));
                prop_assert_eq!(near, any);
            }
        }
    }
}
