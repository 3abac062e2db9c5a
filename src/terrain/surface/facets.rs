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

use crate::terrain::surface::corners::{Corner, Corners, Place};
use crate::terrain::surface::ground::GroundPoint;
use crate::terrain::surface::search::{Search, circle, turn};
use crate::units::Micrometres;

/// Ground points by where they lie.
pub struct Facets(Corners);

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

impl Facets {
    /// Sorts points, which must lie within a hundred kilometres of each other.
    pub fn new(points: Vec<GroundPoint>) -> Self {
        Facets(Corners::new(points))
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
        let at = ((x - self.0.origin.0) as f64, (y - self.0.origin.1) as f64);
        if let Some(near) = near {
            let [a, b, c] = near.corners.map(|corner| (corner.place.0 - at.0, corner.place.1 - at.1));
            let turns = [turn(a, b), turn(b, c), turn(c, a)];
            if turns.iter().all(|t| *t > 0.0) || turns.iter().all(|t| *t < 0.0) {
                return Some(self.made(near.corners, at)).filter(|facet| facet.radius <= largest);
            }
        }
        let search = Search::new(&self.0, at, largest);
        let triangle = search.any()?;
        let triangle = search.empty(triangle);
        Some(self.made(triangle.map(|place| self.0.all[place as usize]), at))
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
