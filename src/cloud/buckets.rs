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

/// How the ground is divided into buckets.
#[derive(Clone, Copy, Default)]
struct Buckets {
    radius: Micrometres,
    /// South-west corner of the first.
    corner: (Micrometres, Micrometres),
    width: Width,
    columns: i64,
    rows: i64,
}

impl Buckets {
    fn bucket_of(&self, x: Micrometres, y: Micrometres) -> usize {
        let column = self.width.bucket_of(x - self.corner.0, self.columns);
        let row = self.width.bucket_of(y - self.corner.1, self.rows);
        (row * self.columns + column) as usize
    }
}

/// The width of a bucket, by which coordinates are divided through multiplying: exact below 2^31. Source: Granlund and
/// Montgomery 1994, Division by invariant integers using multiplication, theorem 4.2 (citation not verified).
#[derive(Clone, Copy, Default)]
struct Width {
    inverse: u64,
    bits: u32,
}

impl Width {
    /// A width of 1 to 2^31 micrometres.
    fn new(micrometres: u64) -> Self {
        let bits = WITHIN_BITS + micrometres.next_power_of_two().ilog2();
        Width { inverse: (1 << bits) / micrometres + 1, bits }
    }

    /// The bucket that holds a coordinate; that of the first or the last where it is beyond them.
    #[inline]
    fn bucket_of(self, at: Micrometres, buckets: i64) -> i64 {
        let at = at.clamp(0, (1 << WITHIN_BITS) - 1) as u64;
        (((at * self.inverse) >> self.bits) as i64).min(buckets - 1)
    }
}

/// All points lie within 2 to the power of this of each other, micrometres.
const WITHIN_BITS: u32 = 31;

/// Buckets at the most, for each point: a radius small against the spacing of the points must not cost memory.
const BUCKETS_PER_POINT: f64 = 1.0;

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
        let bucket = radius.max(wide_enough).max(1);
        let (columns, rows) = ((east - west - 1) / bucket + 1, (north - south - 1) / bucket + 1);
        let corner = (west - base.0, south - base.1);
        *buckets = Buckets { radius, corner, width: Width::new(bucket as u64), columns, rows };
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
        let Buckets { radius, corner, width, columns, rows } = self.buckets;
        let (x, y) = (x - self.base.0, y - self.base.1);
        // Beyond the first or the last bucket it is searched for nothing.
        let span = |at: i64, buckets: i64| {
            width.bucket_of(at - radius, buckets)..=width.bucket_of(at + radius, buckets)
        };
        let limit = radius * radius;
        let across = span(x - corner.0, columns);
        for row in span(y - corner.1, rows) {
            let start = self.starts[(row * columns + across.start()) as usize] as usize;
            let end = self.starts[(row * columns + across.end() + 1) as usize] as usize;
            for entry in &self.sorted[start..end] {
                let (dx, dy) = (i64::from(entry.x) - x, i64::from(entry.y) - y);
                let squared = dx * dx + dy * dy;
                if squared <= limit {
                    f(entry.of, Offset { x: dx, y: dy, squared });
                }
            }
        }
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
        fn multiplying_finds_the_bucket_that_dividing_finds(
            width in prop_oneof![1i64..1 << 31, 1i64..2000, Just(1 << 31)],
            at in prop_oneof![-9i64..1 << 31, -9i64..9000],
            off in -2i64..3,
        ) {
            let buckets = ((1 << WITHIN_BITS) - 1) / width + 1;
            // About the edge of a bucket, too.
            for at in [at, at / width * width + off] {
                let expected = at.clamp(0, (1 << WITHIN_BITS) - 1) / width;
                prop_assert_eq!(Width::new(width as u64).bucket_of(at, buckets), expected);
            }
        }

        #[test]
        fn the_same_neighbours_as_a_tree_finds(
            points in proptest::collection::vec((-3000i64..3000, -3000i64..3000), 0..120),
            queries in proptest::collection::vec((-4000i64..4000, -4000i64..4000), 1..20),
            radius in 0i64..2500,
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
                prop_assert_eq!(found, expected);
            }
        }
    }
}
