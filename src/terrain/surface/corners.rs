//! The corners that facets may have: ground points in buckets by where they lie.

use twox_hash::XxHash3_64;

use crate::terrain::surface::ground::GroundPoint;
use crate::units::Micrometres;

/// Corners that a bucket holds on average.
const BUCKET: f64 = 3.0;

/// A place from the south-west corner of all, or from the position that is asked for, micrometres.
pub type Place = (f64, f64);

/// A corner that a facet may have: the points at one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    /// Place from the south-west corner of all, moved a little, micrometres.
    pub place: Place,
    /// Mean elevation, micrometres.
    pub z: Micrometres,
    /// Number of points.
    pub points: u32,
    /// The lowest of their return numbers.
    pub return_number: u8,
}

/// Corners by the bucket they lie in.
pub struct Corners {
    /// Bucket by bucket, row by row from the south-west.
    pub all: Vec<Corner>,
    /// By bucket, and one more: the first of its corners.
    pub starts: Vec<u32>,
    /// The south-west corner of all.
    pub origin: (Micrometres, Micrometres),
    /// Edge of a bucket, micrometres.
    pub size: f64,
    /// Buckets from west to east.
    pub columns: i64,
    /// Buckets from south to north.
    pub rows: i64,
}

impl Corners {
    /// Sorts points, which must lie within a hundred kilometres of each other.
    pub fn new(points: Vec<GroundPoint>) -> Self {
        let range = |of: fn(&GroundPoint) -> i64| {
            let all = points.iter().map(of);
            all.clone().min().unwrap_or(0)..all.max().map_or(1, |last| last + 1)
        };
        let (x, y) = (range(|p| p.x), range(|p| p.y));
        let (width, height) = ((x.end - x.start) as f64, (y.end - y.start) as f64);
        let of_points = (width * height * BUCKET / points.len().max(1) as f64).sqrt();
        let size = of_points.max(1e3).max(width.max(height) / 16e3);
        let side = |length: f64| (length / size) as i64 + 1;
        let (columns, rows) = (side(width), side(height));
        let bucket = |p: &GroundPoint| {
            let along = |at: i64| (at as f64 / size) as i64;
            (along(p.y - y.start) * columns + along(p.x - x.start)) as usize
        };
        let mut sorted = in_buckets(&points, (columns * rows) as usize, bucket);
        drop(points);
        let mut made = Corners {
            all: Vec::with_capacity(sorted.len()),
            starts: Vec::with_capacity((columns * rows) as usize + 1),
            origin: (x.start, y.start),
            size,
            columns,
            rows,
        };
        for of_bucket in sorted.chunk_by_mut(|a, b| bucket(a) == bucket(b)) {
            of_bucket.sort_unstable();
            made.starts.resize(bucket(&of_bucket[0]) + 1, made.all.len() as u32);
            for stacked in of_bucket.chunk_by(|a, b| (a.x, a.y) == (b.x, b.y)) {
                made.all.push(made.corner(stacked));
            }
        }
        made.starts.resize((columns * rows) as usize + 1, made.all.len() as u32);
        made
    }

    /// The corner that points at one place make.
    fn corner(&self, stacked: &[GroundPoint]) -> Corner {
        let GroundPoint { x, y, .. } = stacked[0];
        let mut bytes = [0; 16];
        bytes[..8].copy_from_slice(&x.to_le_bytes());
        bytes[8..].copy_from_slice(&y.to_le_bytes());
        let hash = XxHash3_64::oneshot(&bytes);
        let part = |bits: u64| (bits & 0xffff) as f64 / 65536.0 - 0.5;
        let sum: i128 = stacked.iter().map(|one| i128::from(one.z)).sum();
        Corner {
            place: ((x - self.origin.0) as f64 + part(hash), (y - self.origin.1) as f64 + part(hash >> 16)),
            z: sum.div_euclid(stacked.len() as i128) as Micrometres,
            points: stacked.len() as u32,
            return_number: stacked.iter().map(|one| one.return_number).min().unwrap_or(0),
        }
    }
}

/// Points bucket by bucket, of so many.
fn in_buckets(
    points: &[GroundPoint],
    count: usize,
    bucket: impl Fn(&GroundPoint) -> usize,
) -> Vec<GroundPoint> {
    let mut next = vec![0u32; count + 1];
    points.iter().for_each(|point| next[bucket(point) + 1] += 1);
    for i in 0..count {
        next[i + 1] += next[i];
    }
    let mut sorted = points.to_vec();
    for point in points {
        let place = &mut next[bucket(point)];
        sorted[*place as usize] = *point;
        *place += 1;
    }
    sorted
}
