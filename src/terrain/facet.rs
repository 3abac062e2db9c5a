//! The elevation of a surface at one position: linear interpolation in the Delaunay triangulation of the points around it.
//!
//! Only the facet over the position is asked for, so only points near it are triangulated: a facet is one of the
//! triangulation of *all* points as soon as its circumscribed circle lies where all points are known. Positions of points
//! are moved by less than a micrometre, by a hash of themselves: where four of them lie on one circle, as on a lattice,
//! either diagonal would do, and which one is taken must not depend on the points farther off.

use spade::{DelaunayTriangulation, HasPosition, Point2, PositionInTriangulation, Triangulation};
use twox_hash::XxHash3_64;

use crate::units::Micrometres;

/// A point of the surface, in plan relative to the position asked for, micrometres.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Vertex {
    /// Square of the distance in plan: vertices are sorted by it.
    pub squared: i64,
    /// Eastwards.
    pub x: i32,
    /// Northwards.
    pub y: i32,
    /// Elevation.
    pub z: Micrometres,
}

impl Vertex {
    /// A point so far east and north of the position, for tests.
    #[cfg(test)]
    pub fn new(x: i32, y: i32, z: Micrometres) -> Self {
        Vertex { squared: i64::from(x).pow(2) + i64::from(y).pow(2), x, y, z }
    }
}

/// The facet over a position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Facet {
    /// Elevation there.
    pub elevation: Micrometres,
    /// Steepest slope of the facet, rise over run.
    pub slope: f64,
    /// Longest edge in plan, micrometres.
    pub longest_edge: f64,
    /// Radius of the circumscribed circle, micrometres.
    pub circumradius: f64,
}

/// Why there is no facet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NoFacet {
    /// The points do not surround the position.
    NotSurrounded,
    /// The facet is longer than allowed: its longest edge, or the diameter of its circumscribed circle halved, micrometres.
    TooLong(f64),
    /// The points are so uneven that those held do not tell.
    Uneven,
}

/// Vertices triangulated at first; four times as many each time they do not tell.
const FIRST: usize = 24;

/// The facet over the position. `vertices` are all points within `known` micrometres of it (that distance left out),
/// in any order; `longest` is the longest edge allowed and the largest circumradius, and where `known` reaches twice as far
/// nothing more can be told from more points.
///
/// # Errors
/// Why there is none.
pub fn facet(vertices: &mut Vec<Vertex>, known: f64, longest: f64) -> Result<Facet, NoFacet> {
    vertices.sort_unstable();
    merge_stacked(vertices);
    let mut count = FIRST;
    loop {
        let all = count >= vertices.len();
        let taken = &vertices[..count.min(vertices.len())];
        let known = if all { known } else { (taken[count - 1].squared as f64).sqrt() };
        let found = over(taken);
        if let Some(triangle) = &found
            && triangle.reach() <= known
        {
            let edge = triangle.longest_edge().max(triangle.circumradius);
            return if edge <= longest { Ok(triangle.facet()) } else { Err(NoFacet::TooLong(edge)) };
        }
        if all {
            return Err(match found {
                _ if known < 2.0 * longest => NoFacet::Uneven,
                Some(triangle) => NoFacet::TooLong(triangle.longest_edge().max(triangle.circumradius)),
                None => NoFacet::NotSurrounded,
            });
        }
        count *= 4;
    }
}

/// Makes one vertex of those at the same place: its elevation is their mean.
fn merge_stacked(vertices: &mut Vec<Vertex>) {
    let mut merged: Vec<Vertex> = Vec::with_capacity(vertices.len());
    let mut rest = &vertices[..];
    while let Some(first) = rest.first() {
        let same = rest.iter().take_while(|one| (one.x, one.y) == (first.x, first.y)).count();
        let sum: i128 = rest[..same].iter().map(|one| i128::from(one.z)).sum();
        merged.push(Vertex { z: sum.div_euclid(same as i128) as Micrometres, ..*first });
        rest = &rest[same..];
    }
    *vertices = merged;
}

struct Placed {
    place: Point2<f64>,
    z: Micrometres,
}

impl HasPosition for Placed {
    type Scalar = f64;

    fn position(&self) -> Point2<f64> {
        self.place
    }
}

impl Placed {
    fn of(vertex: &Vertex) -> Self {
        let mut bytes = [0; 8];
        bytes[..4].copy_from_slice(&vertex.x.to_le_bytes());
        bytes[4..].copy_from_slice(&vertex.y.to_le_bytes());
        let hash = XxHash3_64::oneshot(&bytes);
        let part = |bits: u64| (bits & 0xffff) as f64 / 65536.0 - 0.5;
        let place = Point2::new(f64::from(vertex.x) + part(hash), f64::from(vertex.y) + part(hash >> 16));
        Placed { place, z: vertex.z }
    }
}

/// The triangle over the position; its corners by place, so that sums come out the same.
struct Triangle {
    corners: [(f64, f64, Micrometres); 3],
    circumradius: f64,
    centre: (f64, f64),
}

fn over(vertices: &[Vertex]) -> Option<Triangle> {
    let placed = vertices.iter().map(Placed::of).collect();
    let triangulation = DelaunayTriangulation::<Placed>::bulk_load(placed).ok()?;
    let face = match triangulation.locate(Point2::new(0.0, 0.0)) {
        PositionInTriangulation::OnFace(face) => triangulation.face(face),
        PositionInTriangulation::OnEdge(edge) => {
            let edge = triangulation.directed_edge(edge);
            edge.face().as_inner().or_else(|| edge.rev().face().as_inner())?
        }
        PositionInTriangulation::OnVertex(vertex) => {
            triangulation.vertex(vertex).out_edges().find_map(|edge| edge.face().as_inner())?
        }
        PositionInTriangulation::OutsideOfConvexHull(_) | PositionInTriangulation::NoTriangulation => {
            return None;
        }
    };
    let mut corners =
        face.vertices().map(|vertex| (vertex.position().x, vertex.position().y, vertex.data().z));
    corners.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    Triangle::new(corners)
}

impl Triangle {
    fn new(corners: [(f64, f64, Micrometres); 3]) -> Option<Self> {
        let [a, b, c] = corners;
        let ((bx, by), (cx, cy)) = ((b.0 - a.0, b.1 - a.1), (c.0 - a.0, c.1 - a.1));
        let twice_area = bx * cy - by * cx;
        let (bb, cc) = (bx * bx + by * by, cx * cx + cy * cy);
        let (ux, uy) = ((cy * bb - by * cc) / (2.0 * twice_area), (bx * cc - cx * bb) / (2.0 * twice_area));
        let circumradius = (ux * ux + uy * uy).sqrt();
        circumradius.is_finite().then_some(Triangle { corners, circumradius, centre: (a.0 + ux, a.1 + uy) })
    }

    /// How far from the position the circumscribed circle reaches; a micrometre more for the moved corners.
    fn reach(&self) -> f64 {
        (self.centre.0.powi(2) + self.centre.1.powi(2)).sqrt() + self.circumradius + 1.0
    }

    fn longest_edge(&self) -> f64 {
        let [a, b, c] = self.corners;
        [(a, b), (b, c), (c, a)]
            .map(|(p, q)| ((p.0 - q.0).powi(2) + (p.1 - q.1).powi(2)).sqrt())
            .into_iter()
            .fold(0.0, f64::max)
    }

    fn facet(&self) -> Facet {
        let [a, b, c] = self.corners;
        let ((bx, by, bz), (cx, cy, cz)) =
            ((b.0 - a.0, b.1 - a.1, (b.2 - a.2) as f64), (c.0 - a.0, c.1 - a.1, (c.2 - a.2) as f64));
        let twice_area = bx * cy - by * cx;
        let (east, north) = ((bz * cy - cz * by) / twice_area, (cz * bx - bz * cx) / twice_area);
        Facet {
            elevation: a.2 + (-(east * a.0) - north * a.1).round() as Micrometres,
            slope: (east * east + north * north).sqrt(),
            longest_edge: self.longest_edge(),
            circumradius: self.circumradius,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const METRE: f64 = 1e6;

    fn vertices(points: &[(f64, f64, f64)], at: (f64, f64)) -> Vec<Vertex> {
        let um = |m: f64| (m * METRE).round();
        let vertex = |&(x, y, z): &(f64, f64, f64)| {
            Vertex::new(um(x - at.0) as i32, um(y - at.1) as i32, um(z) as i64)
        };
        points.iter().map(vertex).collect()
    }

    #[test]
    fn the_facet_of_the_standards_example() {
        // shared table 1.5: A(0,0,10.0), B(3,0,10.3), C(0,4,10.8) is z = 10 + 0.1 x + 0.2 y; slope 0.223607.
        let corners = [(0.0, 0.0, 10.0), (3.0, 0.0, 10.3), (0.0, 4.0, 10.8)];
        let found = facet(&mut vertices(&corners, (1.0, 1.0)), 20.0 * METRE, 10.0 * METRE).unwrap();
        assert_eq!(found.elevation, 10_300_000);
        assert!((found.slope - 0.223_607).abs() < 1e-6 && (found.longest_edge - 5.0 * METRE).abs() < 2.0);
        let short = facet(&mut vertices(&corners, (1.0, 1.0)), 9.0 * METRE, 4.5 * METRE);
        assert!(matches!(short, Err(NoFacet::TooLong(edge)) if (edge - 5.0 * METRE).abs() < 2.0));
        let outside = facet(&mut vertices(&corners, (3.0, 3.0)), 20.0 * METRE, 10.0 * METRE);
        assert_eq!(outside, Err(NoFacet::NotSurrounded));
    }

    #[test]
    fn points_at_one_place_count_with_their_mean() {
        let corners = [(-1.0, -1.0, 4.0), (1.0, -1.0, 4.0), (0.0, 2.0, 3.0), (0.0, 2.0, 5.0)];
        assert_eq!(
            facet(&mut vertices(&corners, (0.0, 0.0)), 20.0 * METRE, 9.0 * METRE).unwrap().elevation,
            4_000_000
        );
    }

    #[test]
    fn a_position_on_a_point_has_its_elevation() {
        let lattice: Vec<_> = (-3..4)
            .flat_map(|i| (-3..4).map(move |j| (f64::from(i), f64::from(j), f64::from(i * j))))
            .collect();
        let found = facet(&mut vertices(&lattice, (2.0, 1.0)), 2.0 * METRE, METRE * 2.0).unwrap();
        assert!((found.elevation - 2_000_000).abs() <= 3, "{found:?}");
    }

    proptest! {
        /// What is farther off than the circumscribed circle does not matter, on a lattice neither.
        #[test]
        fn points_farther_off_do_not_matter(
            heights in proptest::collection::vec(-500i64..500, 441), x in -400i32..400, y in -400i32..400,
        ) {
            let lattice = |side: i32| -> Vec<Vertex> {
                (-10..11).flat_map(|i: i32| (-10..11).map(move |j: i32| (i, j))).zip(&heights)
                    .filter(|((i, j), _)| i.abs() <= side && j.abs() <= side)
                    .map(|((i, j), z)| Vertex::new(i * 1000 - x, j * 1000 - y, *z * 1000)).collect()
            };
            let near = facet(&mut lattice(4), 3_000.0, 1_500.0);
            prop_assert!(near.is_ok());
            prop_assert_eq!(near, facet(&mut lattice(10), 9_000.0, 1_500.0));
        }
    }
}
