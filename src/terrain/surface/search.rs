//! The search for the facet over a position among corners in buckets.

use robust::{Coord, incircle, orient2d};

use crate::terrain::surface::corners::{Corners, Place};

/// Where rounding could tell the wrong side of a direction, squared micrometres.
const MARGIN: f64 = 1e3;

fn coord(p: Place) -> Coord<f64> {
    Coord { x: p.0, y: p.1 }
}

/// Positive where `b` lies counter-clockwise of `a` as seen from the position.
pub fn turn(a: Place, b: Place) -> f64 {
    orient2d(Coord { x: 0.0, y: 0.0 }, coord(a), coord(b))
}

/// Centre and radius of the circle through three places.
pub fn circle(a: Place, b: Place, c: Place) -> (Place, f64) {
    let ((bx, by), (cx, cy)) = ((b.0 - a.0, b.1 - a.1), (c.0 - a.0, c.1 - a.1));
    let twice = 2.0 * (bx * cy - by * cx);
    let (bb, cc) = (bx * bx + by * by, cx * cx + cy * cy);
    let (ux, uy) = ((cy * bb - by * cc) / twice, (bx * cc - cx * bb) / twice);
    ((a.0 + ux, a.1 + uy), (ux * ux + uy * uy).sqrt())
}

/// The search for the facet over one position.
pub struct Search<'a> {
    corners: &'a Corners,
    at: Place,
    largest: f64,
    /// The corners of the rings up to [`NEAREST`], which every step looks at.
    nearest: Vec<(u32, Place)>,
}

/// The last ring of those whose corners are gathered once. With three corners to a bucket they hold most circles.
const NEAREST: i64 = 1;

/// The box around buckets: from west to east, from south to north, micrometres from the position.
type Area = [f64; 4];

/// Buckets of a ring that are looked at together.
const STRETCH: i64 = 4;

/// Stretches of a ring that wait at the most: its four sides, and a half for each time that one is halved.
const MOST_SIDES: usize = 48;

impl<'a> Search<'a> {
    /// The search at a place from the corner of all, for circles of a radius of at most `largest`.
    pub fn new(corners: &'a Corners, at: Place, largest: f64) -> Self {
        let mut search = Search { corners, at, largest, nearest: Vec::new() };
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
        let place = self.corners.all[corner as usize].place;
        (place.0 - self.at.0, place.1 - self.at.1)
    }

    /// The bucket of the position, which may lie outside of all.
    fn middle(&self) -> (i64, i64) {
        let along = |at: f64| (at / self.corners.size).floor() as i64;
        (along(self.at.0), along(self.at.1))
    }

    /// Distance within which all is seen once so many rings of buckets around that of the position are.
    fn seen(&self, ring: i64) -> f64 {
        let size = self.corners.size;
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
        let Corners { columns, rows, size, .. } = *self.corners;
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
                    let starts = &self.corners.starts;
                    for corner in starts[first + x[0] as usize]..starts[first + x[1] as usize + 1] {
                        visit(corner, self.place(corner));
                    }
                }
            }
        }
    }

    /// Any triangle over the position, counter-clockwise; none where there is no ground near it, or not on all sides.
    pub fn any(&self) -> Option<[u32; 3]> {
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
        if ring <= NEAREST {
            return self.nearest.iter().for_each(|&(corner, place)| visit(corner, place));
        }
        let (column, row) = self.middle();
        let Corners { columns, rows, size, .. } = *self.corners;
        let (west, east) = ((column - ring).max(0), (column + ring).min(columns - 1));
        for row in (row - ring).max(0)..=(row + ring).min(rows - 1) {
            let (south, north) = (row as f64 * size - self.at.1, (row + 1) as f64 * size - self.at.1);
            let away = (south - centre.1).max(centre.1 - north).max(0.0);
            let half = (radius * radius - away * away).sqrt();
            let (mut first, mut last) = (west, east);
            // A circle too flat for its centre has all of them.
            if radius.is_finite() {
                if away > radius {
                    continue;
                }
                first = first.max(((self.at.0 + centre.0 - half) / size).floor() as i64);
                last = last.min(((self.at.0 + centre.0 + half) / size).floor() as i64);
            }
            if first > last {
                continue;
            }
            let of_row = (row * columns) as usize;
            let starts = &self.corners.starts;
            for corner in starts[of_row + first as usize]..starts[of_row + last as usize + 1] {
                visit(corner, self.place(corner));
            }
        }
    }

    /// From a triangle over the position, counter-clockwise, to the one whose circle is empty as far as it matters.
    pub fn empty(&self, mut triangle: [u32; 3]) -> [u32; 3] {
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
                self.within(ring, centre, wide, &mut deepest);
                if inside.is_none() {
                    let mut exact = |corner: u32, place: Place| {
                        // A circle too flat for its centre is tested too.
                        let outside = power(place) < -slack;
                        if !outside
                            && inside.is_none()
                            && !triangle.contains(&corner)
                            && incircle(coord(a), coord(b), coord(c), coord(place)) > 0.0
                        {
                            inside = Some((corner, place));
                        }
                    };
                    self.within(ring, centre, wide, &mut exact);
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
