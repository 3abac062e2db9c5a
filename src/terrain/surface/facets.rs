//! The facet of the Delaunay triangulation over any of many positions, found without making the triangulation.
//!
//! A facet is the triangle of three points over a position whose circumscribed circle holds no other point. From any triangle
//! over the position one comes to it by taking in a point that lies in the circle, again and again: on the paraboloid over the
//! plane that is the simplex method, and each step goes down. Only points near the position are looked at, which at
//! common densities is far less work than triangulating all of them.
//!
//! As in [`facet`](crate::terrain::facet) positions are moved by less than a micrometre, by a hash of themselves, so that no four lie on one
//! circle; tests of side and circle are exact. So the facet does not depend on where the search begins, on the points farther
//! off, or on tiles. Source of the tests: Shewchuk 1997, Adaptive precision floating-point arithmetic and fast robust geometric
//! predicates (from memory, citation not verified).

use robust::{Coord, incircle, orient2d};
use twox_hash::XxHash3_64;

use crate::terrain::surface::ground::GroundPoint;
use crate::units::Micrometres;

/// A corner that a facet may have: the points at one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    /// Place from the south-west corner of all, moved a little, micrometres.
    place: (f64, f64),
    /// Mean elevation, micrometres.
    pub z: Micrometres,
    /// Number of points.
    pub points: u32,
    /// The lowest of their return numbers.
    pub return_number: u8,
}

/// Ground points by where they lie.
pub struct Facets {
    corners: Vec<Corner>,
    /// By bucket, and one more: the first of its corners.
    starts: Vec<u32>,
    origin: (Micrometres, Micrometres),
    size: f64,
    columns: i64,
    rows: i64,
}

/// The facet over a position, with the corners from west to east.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FacetOver {
    /// Elevation there, micrometres.
    pub z: Micrometres,
    /// What each corner counts; together one.
    pub shares: [f64; 3],
    /// The corners.
    pub corners: [Corner; 3],
    /// Radius of the circumscribed circle, micrometres.
    pub radius: f64,
    /// Its centre, from the position.
    pub centre: (f64, f64),
}

/// Where rounding could tell the wrong side of a direction, squared micrometres.
const MARGIN: f64 = 1e3;

/// Corners that a bucket holds on average.
const BUCKET: f64 = 3.0;

type Place = (f64, f64);

fn coord(p: Place) -> Coord<f64> {
    Coord { x: p.0, y: p.1 }
}

/// Positive where `b` lies counter-clockwise of `a` as seen from the position.
fn turn(a: Place, b: Place) -> f64 {
    orient2d(Coord { x: 0.0, y: 0.0 }, coord(a), coord(b))
}

impl Facets {
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
        let mut facets = Facets {
            corners: Vec::with_capacity(sorted.len()),
            starts: Vec::with_capacity((columns * rows) as usize + 1),
            origin: (x.start, y.start),
            size,
            columns,
            rows,
        };
        for of_bucket in sorted.chunk_by_mut(|a, b| bucket(a) == bucket(b)) {
            of_bucket.sort_unstable();
            facets.starts.resize(bucket(&of_bucket[0]) + 1, facets.corners.len() as u32);
            for stacked in of_bucket.chunk_by(|a, b| (a.x, a.y) == (b.x, b.y)) {
                facets.corners.push(facets.corner(stacked));
            }
        }
        facets.starts.resize((columns * rows) as usize + 1, facets.corners.len() as u32);
        facets
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

    /// The facet over a position, if the radius of its circumscribed circle is at most `largest` micrometres. All points within
    /// twice that of the position must be there. `near` is a facet found before, which may be over this position too.
    pub fn over(
        &self,
        x: Micrometres,
        y: Micrometres,
        largest: f64,
        near: Option<&FacetOver>,
    ) -> Option<FacetOver> {
        let at = ((x - self.origin.0) as f64, (y - self.origin.1) as f64);
        if let Some(near) = near {
            let [a, b, c] = near.corners.map(|corner| (corner.place.0 - at.0, corner.place.1 - at.1));
            let turns = [turn(a, b), turn(b, c), turn(c, a)];
            if turns.iter().all(|t| *t > 0.0) || turns.iter().all(|t| *t < 0.0) {
                return Some(self.made(near.corners, at)).filter(|facet| facet.radius <= largest);
            }
        }
        let search = Search::new(self, at, largest);
        let triangle = search.any()?;
        let triangle = search.empty(triangle);
        Some(self.made(triangle.map(|place| self.corners[place as usize]), at))
            .filter(|facet| facet.radius <= largest)
    }

    fn made(&self, mut corners: [Corner; 3], at: Place) -> FacetOver {
        corners.sort_by(|a, b| a.place.0.total_cmp(&b.place.0).then(a.place.1.total_cmp(&b.place.1)));
        let [a, b, c] = corners.map(|corner| (corner.place.0 - at.0, corner.place.1 - at.1));
        let cross = |p: Place, q: Place| p.0 * q.1 - p.1 * q.0;
        let (ab, ac) = ((b.0 - a.0, b.1 - a.1), (c.0 - a.0, c.1 - a.1));
        let twice = cross(ab, ac);
        let shares = [cross(b, c) / twice, cross(c, a) / twice, cross(a, b) / twice];
        let (bz, cz) = ((corners[1].z - corners[0].z) as f64, (corners[2].z - corners[0].z) as f64);
        let z = corners[0].z + (shares[1] * bz + shares[2] * cz).round() as Micrometres;
        let (centre, radius) = circle(a, b, c);
        FacetOver { z, shares, corners, radius, centre }
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

/// Centre and radius of the circle through three places.
fn circle(a: Place, b: Place, c: Place) -> (Place, f64) {
    let ((bx, by), (cx, cy)) = ((b.0 - a.0, b.1 - a.1), (c.0 - a.0, c.1 - a.1));
    let twice = 2.0 * (bx * cy - by * cx);
    let (bb, cc) = (bx * bx + by * by, cx * cx + cy * cy);
    let (ux, uy) = ((cy * bb - by * cc) / twice, (bx * cc - cx * bb) / twice);
    ((a.0 + ux, a.1 + uy), (ux * ux + uy * uy).sqrt())
}

/// The search for the facet over one position.
struct Search<'a> {
    facets: &'a Facets,
    at: Place,
    largest: f64,
    /// The corners of the rings up to [`NEAREST`], which every step looks at.
    nearest: Vec<(u32, Place)>,
}

/// The last ring of those whose corners are gathered once. With [`BUCKET`] corners each they hold most circles.
const NEAREST: i64 = 1;

/// The box around buckets: from west to east, from south to north, micrometres from the position.
type Area = [f64; 4];

/// Buckets of a ring that are looked at together.
const STRETCH: i64 = 4;

/// Stretches of a ring that wait at the most: its four sides, and a half for each time that one is halved.
const MOST_SIDES: usize = 48;

impl<'a> Search<'a> {
    fn new(facets: &'a Facets, at: Place, largest: f64) -> Self {
        let mut search = Search { facets, at, largest, nearest: Vec::new() };
        let mut nearest: Vec<(u32, Place)> = Vec::with_capacity(64);
        for ring in 0..=NEAREST {
            search.ring(ring, |_| false, |corner, place| nearest.push((corner, place)));
        }
        let square = |place: Place| place.0 * place.0 + place.1 * place.1;
        let order = |a: &usize, b: &usize| square(nearest[*a].1).total_cmp(&square(nearest[*b].1));
        // A triangle that begins near is soon the one.
        if let Some(first) = (0..nearest.len()).min_by(order) {
            nearest.swap(0, first);
        }
        search.nearest = nearest;
        search
    }

    /// Goes over the corners of all rings up to [`NEAREST`] where it is that, otherwise over those of a ring as [`ring`](Search::ring) does.
    fn look(&self, ring: i64, skip: impl Fn(&Area) -> bool, mut visit: impl FnMut(u32, Place)) {
        if ring > NEAREST {
            return self.ring(ring, skip, visit);
        }
        self.nearest.iter().for_each(|&(corner, place)| visit(corner, place));
    }

    fn place(&self, corner: u32) -> Place {
        let place = self.facets.corners[corner as usize].place;
        (place.0 - self.at.0, place.1 - self.at.1)
    }

    /// The bucket of the position, which may lie outside of all.
    fn middle(&self) -> (i64, i64) {
        let along = |at: f64| (at / self.facets.size).floor() as i64;
        (along(self.at.0), along(self.at.1))
    }

    /// Distance within which all is seen once so many rings of buckets around that of the position are.
    fn seen(&self, ring: i64) -> f64 {
        let size = self.facets.size;
        let inside = |at: f64| {
            let part = at - (at / size).floor() * size;
            part.min(size - part)
        };
        ring as f64 * size + inside(self.at.0).min(inside(self.at.1))
    }

    /// Goes over the corners of the buckets of a ring, but for stretches of it that `skip` passes over by their box.
    fn ring(&self, ring: i64, skip: impl Fn(&Area) -> bool, mut visit: impl FnMut(u32, Place)) {
        let (column, row) = self.middle();
        let (west, east, south, north) = (column - ring, column + ring, row - ring, row + ring);
        let mut sides = [([west, east], [south, south]); MOST_SIDES];
        let mut count = 1;
        if ring > 0 {
            sides[1] = ([west, east], [north, north]);
            sides[2] = ([west, west], [south + 1, north - 1]);
            sides[3] = ([east, east], [south + 1, north - 1]);
            count = 4;
        }
        let Facets { columns, rows, size, .. } = *self.facets;
        while count > 0 {
            count -= 1;
            let (x, y) = sides[count];
            let (x, y) = ([x[0].max(0), x[1].min(columns - 1)], [y[0].max(0), y[1].min(rows - 1)]);
            let edge = |bucket: i64, at: f64| bucket as f64 * size - at;
            let corners = [
                edge(x[0], self.at.0),
                edge(x[1] + 1, self.at.0),
                edge(y[0], self.at.1),
                edge(y[1] + 1, self.at.1),
            ];
            if x[0] > x[1] || y[0] > y[1] || skip(&corners) {
                continue;
            }
            // Long stretches in halves, since part of each can mostly be passed over.
            let halves = |range: [i64; 2]| {
                let middle = (range[0] + range[1]) / 2;
                [[range[0], middle], [middle + 1, range[1]]]
            };
            if x[1] - x[0] >= STRETCH {
                sides[count..count + 2].copy_from_slice(&halves(x).map(|x| (x, y)));
                count += 2;
            } else if y[1] - y[0] >= STRETCH {
                sides[count..count + 2].copy_from_slice(&halves(y).map(|y| (x, y)));
                count += 2;
            } else {
                for row in y[0]..=y[1] {
                    let first = (row * columns) as usize;
                    let starts = &self.facets.starts;
                    for corner in starts[first + x[0] as usize]..starts[first + x[1] as usize + 1] {
                        visit(corner, self.place(corner));
                    }
                }
            }
        }
    }

    /// Any triangle over the position, counter-clockwise; none where there is no ground near it, or not on all sides.
    fn any(&self) -> Option<[u32; 3]> {
        let reach = 2.0 * self.largest + 2.0;
        let mut first: Option<(u32, Place)> = None;
        let (mut left, mut right) = (first, first);
        for ring in NEAREST.. {
            let cone = first.map(|first| [right.unwrap_or(first).1, left.unwrap_or(first).1]);
            // What lies between the two, as seen from the position, brings nothing new.
            let between = |area: &Area| {
                let [west, east, south, north] = *area;
                cone.is_some_and(|[right, left]| {
                    [(west, south), (west, north), (east, south), (east, north)].iter().all(|at| {
                        let cross = |p: Place, q: Place| p.0 * q.1 - p.1 * q.0;
                        cross(right, *at) > MARGIN && cross(*at, left) > MARGIN
                    })
                })
            };
            self.look(ring, between, |corner, place| {
                let Some((_, from)) = first else {
                    first = Some((corner, place));
                    return;
                };
                let side = turn(from, place);
                let (best, turned) = if side > 0.0 { (&mut left, 1.0) } else { (&mut right, -1.0) };
                if side != 0.0 && best.is_none_or(|(_, best)| turned * turn(best, place) > 0.0) {
                    *best = Some((corner, place));
                }
            });
            if let (Some((first, _)), Some((l, left)), Some((r, right))) = (first, left, right)
                && turn(left, right) > 0.0
            {
                return Some([first, l, r]);
            }
            let seen = self.seen(ring);
            if seen > reach || first.is_none() && seen > self.largest + 1.0 {
                return None;
            }
        }
        None
    }

    /// Goes over the corners of the buckets up to a ring that lie within a radius of a centre, and over some beyond it.
    fn within(&self, ring: i64, centre: Place, radius: f64, mut visit: impl FnMut(u32, Place)) {
        let (column, row) = self.middle();
        let Facets { columns, rows, size, .. } = *self.facets;
        let (west, east) = ((column - ring).max(0), (column + ring).min(columns - 1));
        for row in (row - ring).max(0)..=(row + ring).min(rows - 1) {
            let (south, north) = (row as f64 * size - self.at.1, (row + 1) as f64 * size - self.at.1);
            let away = (south - centre.1).max(centre.1 - north).max(0.0);
            let half = (radius * radius - away * away).sqrt();
            let (mut first, mut last) = (west, east);
            // A circle too flat for its centre has all of them.
            if radius.is_finite() {
                if !(away <= radius) {
                    continue;
                }
                first = first.max(((self.at.0 + centre.0 - half) / size).floor() as i64);
                last = last.min(((self.at.0 + centre.0 + half) / size).floor() as i64);
            }
            if first > last {
                continue;
            }
            let of_row = (row * columns) as usize;
            let starts = &self.facets.starts;
            for corner in starts[of_row + first as usize]..starts[of_row + last as usize + 1] {
                visit(corner, self.place(corner));
            }
        }
    }

    /// From a triangle over the position, counter-clockwise, to the one whose circle is empty as far as it matters.
    fn empty(&self, mut triangle: [u32; 3]) -> [u32; 3] {
        let reach = 2.0 * self.largest + 2.0;
        loop {
            let places = triangle.map(|corner| self.place(corner));
            let [a, b, c] = places;
            let (centre, radius) = circle(a, b, c);
            let (square, slack) = (radius * radius, 1e-6 * radius * radius + 1.0);
            // Corners are moved a little out of their buckets.
            let wide = (square + slack).sqrt() + 1.0;
            let power = |place: Place| {
                let (dx, dy) = (place.0 - centre.0, place.1 - centre.1);
                square - (dx * dx + dy * dy)
            };
            let farthest = ((centre.0 * centre.0 + centre.1 * centre.1).sqrt() + radius + 2.0).min(reach);
            // Farther and farther, since the near ones are soon looked at and mostly tell.
            let mut ring = NEAREST;
            let inside = loop {
                // What lies in the circle beyond any rounding needs no exact test.
                let (mut inside, mut depth) = (None, slack);
                let mut deepest = |corner, place| {
                    let power = power(place);
                    if power > depth {
                        (inside, depth) = (Some((corner, place)), power);
                    }
                };
                match ring {
                    NEAREST => {
                        self.nearest.iter().copied().for_each(|(corner, place)| deepest(corner, place))
                    }
                    _ => self.within(ring, centre, wide, &mut deepest),
                }
                if inside.is_none() {
                    // Written so that a circle too flat for its centre is tested too.
                    let mut exact = |corner: u32, place: Place| {
                        if !(power(place) < -slack)
                            && inside.is_none()
                            && !triangle.contains(&corner)
                            && incircle(coord(a), coord(b), coord(c), coord(place)) > 0.0
                        {
                            inside = Some((corner, place));
                        }
                    };
                    match ring {
                        NEAREST => {
                            self.nearest.iter().copied().for_each(|(corner, place)| exact(corner, place))
                        }
                        _ => self.within(ring, centre, wide, &mut exact),
                    }
                }
                if inside.is_some() || self.seen(ring) > farthest {
                    break inside;
                }
                ring *= 2;
            };
            let Some((corner, place)) = inside else { return triangle };
            let next =
                (0..3).find(|&i| turn(places[(i + 1) % 3], place) > 0.0 && turn(place, places[i]) > 0.0);
            // In general position there is one.
            let Some(i) = next else { return triangle };
            triangle = [triangle[i], triangle[(i + 1) % 3], corner];
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::terrain::facet::{Vertex, facet};

    const CORNER: (i64, i64) = (501_000_000_000, -4_202_000_000_000);

    /// The elevation over a position, and that of the triangulation of all points.
    fn both(
        points: &[GroundPoint],
        x: i64,
        y: i64,
        largest: f64,
        near: &mut Option<FacetOver>,
    ) -> [Option<i64>; 2] {
        let found = Facets::new(points.to_vec()).over(x, y, largest, near.as_ref());
        *near = found.or(*near);
        let mut vertices: Vec<Vertex> =
            points.iter().map(|p| Vertex::new((p.x - x) as i32, (p.y - y) as i32, p.z)).collect();
        // Edges are at most twice the radius, which is what counts here.
        let other = facet(&mut vertices, f64::INFINITY, f64::INFINITY).ok();
        let other = other.filter(|other| other.circumradius <= largest);
        [found.map(|facet| facet.z), other.map(|facet| facet.elevation)]
    }

    fn point(x: i64, y: i64, z: i64) -> GroundPoint {
        GroundPoint { x: CORNER.0 + x, y: CORNER.1 + y, z, return_number: 1 }
    }

    proptest! {
        #[test]
        fn it_is_the_facet_of_the_triangulation_of_all_points(
            places in proptest::collection::vec((0i64..4000, 0i64..4000, 0i64..900), 3..150),
            looks in proptest::collection::vec((-500i64..4500, -500i64..4500), 12),
            step in prop_oneof![Just(1), Just(250)],
            largest in prop_oneof![Just(1e9), Just(6e5), Just(2e5)],
        ) {
            // With a step of 250 mm points lie on a lattice and on top of each other.
            let near_lattice = |at: i64| at / step * step * 1000;
            let points: Vec<_> =
                places.iter().map(|&(x, y, z)| point(near_lattice(x), near_lattice(y), z * 1000)).collect();
            let mut near = None;
            for (x, y) in looks {
                let [found, expected] =
                    both(&points, CORNER.0 + x * 1000 + 137, CORNER.1 + y * 1000 + 251, largest, &mut near);
                prop_assert_eq!(found.is_some(), expected.is_some());
                if let (Some(found), Some(expected)) = (found, expected) {
                    // The hash that moves points is of other coordinates there: on a lattice the other diagonal may do.
                    prop_assert!(step > 1 || (found - expected).abs() <= 900, "{} {}", found, expected);
                }
            }
        }

        #[test]
        fn points_farther_off_than_twice_the_radius_do_not_matter(
            heights in proptest::collection::vec(0i64..500, 41 * 41), x in -400i64..400, y in -400i64..400,
        ) {
            let lattice = |side: i64| -> Vec<GroundPoint> {
                let all = (-20..21).flat_map(|i: i64| (-20..21).map(move |j: i64| (i, j))).zip(&heights);
                all.filter(|((i, j), _)| i.abs() <= side && j.abs() <= side)
                    .map(|((i, j), z)| point(i * 250_000, j * 250_000, z * 1000))
                    .collect()
            };
            let over = |side| {
                let facets = Facets::new(lattice(side));
                let found = facets.over(CORNER.0 + x * 1000, CORNER.1 + y * 1000, 3e5, None);
                found.map(|facet| (facet.z, facet.shares, facet.radius, facet.corners.map(|corner| corner.z)))
            };
            prop_assert!(over(5).is_some());
            prop_assert_eq!(over(5), over(20));
        }
    }

    #[test]
    fn shares_are_those_of_the_corners_and_stacked_points_count_together() {
        let points = [
            point(0, 0, 10_000_000),
            point(3_000_000, 0, 10_300_000),
            point(0, 4_000_000, 10_700_000),
            point(0, 4_000_000, 10_900_000),
        ];
        let facets = Facets::new(points.to_vec());
        let found = facets.over(CORNER.0 + 1_000_000, CORNER.1 + 1_000_000, 1e9, None).unwrap();
        // The standards' example, as in `facet.rs`: z = 10 + 0.1 x + 0.2 y; circumradius half of the hypotenuse of 5 m.
        assert_eq!(found.z, 10_300_000);
        assert!((found.radius - 2.5e6).abs() < 1.0);
        let of_stacked = found.corners.iter().position(|corner| corner.points == 2).unwrap();
        assert!(
            (found.shares[of_stacked] - 0.25).abs() < 1e-6
                && (found.shares.iter().sum::<f64>() - 1.0).abs() < 1e-9
        );
        assert!(facets.over(CORNER.0 + 3_000_000, CORNER.1 + 3_000_000, 1e9, None).is_none());
        assert!(facets.over(CORNER.0 + 1_000_000, CORNER.1 + 1_000_000, 2.4e6, None).is_none());
    }
}
