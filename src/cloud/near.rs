//! Neighbours in plan within a bounded radius: points sorted into square buckets about as wide as the radius.
//!
//! A tree over the points answers any question, but this program asks only one, hundreds of millions of times:
//! which points lie within a radius known beforehand. `bench/` measures the difference.

use crate::pipeline::units::Micrometres;

/// Points in plan, sorted into buckets for one search radius.
pub struct Near {
    radius: Micrometres,
    bucket: Width,
    origin: (Micrometres, Micrometres),
    columns: i64,
    rows: i64,
    /// Where the points of each bucket start in `points`; one entry more than there are buckets.
    starts: Vec<u32>,
    points: Vec<Entry>,
}

/// A point relative to the origin, and its index in the caller's list.
#[derive(Clone, Copy, Default)]
struct Entry {
    x: i32,
    y: i32,
    index: u32,
}

/// The width of a bucket, by which coordinates are divided through multiplying: exact below 2^31. Source: Granlund and
/// Montgomery 1994, Division by invariant integers using multiplication, theorem 4.2 (from memory).
#[derive(Clone, Copy)]
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

impl Near {
    /// Sorts points at `positions` (x, y in micrometres) for searches of at most `radius` micrometres.
    ///
    /// The points must lie within 2,147 m of each other on each axis, as those of one tile do.
    pub fn new(
        positions: impl Iterator<Item = (Micrometres, Micrometres)> + Clone,
        radius: Micrometres,
    ) -> Self {
        let mut count = 0usize;
        let (mut low, mut high) = ((i64::MAX, i64::MAX), (i64::MIN, i64::MIN));
        for (x, y) in positions.clone() {
            count += 1;
            low = (low.0.min(x), low.1.min(y));
            high = (high.0.max(x), high.1.max(y));
        }
        if count == 0 {
            (low, high) = ((0, 0), (0, 0));
        }
        let area = (high.0 - low.0 + 1) as f64 * (high.1 - low.1 + 1) as f64;
        let wide_enough = (area / (BUCKETS_PER_POINT * count.max(1) as f64)).sqrt().ceil() as i64;
        let bucket = radius.max(wide_enough).max(1);
        let (columns, rows) = ((high.0 - low.0) / bucket + 1, (high.1 - low.1) / bucket + 1);
        let mut near = Near {
            radius,
            bucket: Width::new(bucket as u64),
            origin: low,
            columns,
            rows,
            starts: vec![0; (columns * rows + 1) as usize],
            points: vec![Entry::default(); count],
        };
        for (x, y) in positions.clone() {
            let bucket = near.bucket_of(x, y);
            near.starts[bucket] += 1;
        }
        for i in 1..near.starts.len() {
            near.starts[i] += near.starts[i - 1];
        }
        // Backwards from its end, so that the first place left of each bucket is where it starts.
        for (index, (x, y)) in positions.enumerate() {
            let bucket = near.bucket_of(x, y);
            near.starts[bucket] -= 1;
            near.points[near.starts[bucket] as usize] =
                Entry { x: (x - low.0) as i32, y: (y - low.1) as i32, index: index as u32 };
        }
        near
    }

    fn bucket_of(&self, x: Micrometres, y: Micrometres) -> usize {
        let column = self.bucket.bucket_of(x - self.origin.0, self.columns);
        let row = self.bucket.bucket_of(y - self.origin.1, self.rows);
        (row * self.columns + column) as usize
    }

    /// Calls `f` with the index of, and the squared distance (µm²) to, every point within the radius of (x, y),
    /// the radius included.
    #[inline]
    pub fn for_each(&self, x: Micrometres, y: Micrometres, mut f: impl FnMut(usize, i64)) {
        let (x, y) = (x - self.origin.0, y - self.origin.1);
        // Beyond the first or the last bucket it is searched for nothing.
        let span = |at: i64, buckets: i64| {
            let bucket_of = |at: i64| self.bucket.bucket_of(at, buckets);
            bucket_of(at - self.radius)..=bucket_of(at + self.radius)
        };
        let limit = self.radius * self.radius;
        let columns = span(x, self.columns);
        for row in span(y, self.rows) {
            let start = self.starts[(row * self.columns + columns.start()) as usize] as usize;
            let end = self.starts[(row * self.columns + columns.end() + 1) as usize] as usize;
            for entry in &self.points[start..end] {
                let (dx, dy) = (i64::from(entry.x) - x, i64::from(entry.y) - y);
                let squared = dx * dx + dy * dy;
                if squared <= limit {
                    f(entry.index as usize, squared);
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
            let near = Near::new(points.iter().copied(), radius);
            let tree = RTree::bulk_load(
                points.iter().enumerate().map(|(i, &(x, y))| GeomWithData::new([x, y], i)).collect());
            for (x, y) in queries {
                let mut found = Vec::new();
                near.for_each(x, y, |i, squared| found.push((i, squared)));
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
