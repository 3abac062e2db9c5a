//! Intervals at the checkpoints of a list of surveyed points: few, far apart, each with a sigma of its own.

use crate::cloud::point_list::PointList;
use crate::stages::triangulated::AtPoint;
use crate::stats::delivered::Delivered;
use crate::stats::estimates::Estimate;
use crate::stats::few::{Few, FewPoint};
use crate::stats::placed::Placed;
use crate::trust::groups::Groups;
use crate::trust::surveyed::used;
use crate::units::Micrometres;

/// A surveyed point that is used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sited {
    /// Easting and northing.
    pub at: (Micrometres, Micrometres),
    /// The flight strip of the survey's ground nearest to it.
    pub strip: Option<u16>,
    /// Standard deviation of its elevation that it does not share with the others, micrometres, where it is known.
    pub sigma: Option<f64>,
}

/// The surveyed points that are used, and the ground that they stand for.
#[derive(Clone, Debug, Default)]
pub struct SitedPoints {
    /// Sorted by place.
    points: Vec<Sited>,
    delivered: Delivered,
}

impl SitedPoints {
    /// The points of a list that are used; `stated` is the sigma of those without one of their own.
    pub fn new(
        list: &PointList,
        found: &[Option<AtPoint>],
        stated: Option<f64>,
        delivered: Delivered,
    ) -> Self {
        let points = used(list, found).map(|(point, at, _)| Sited {
            at: (point.x, point.y),
            strip: at.strip,
            sigma: point.sigma_or(stated),
        });
        let mut points: Vec<Sited> = points.collect();
        points.sort_by_key(|point| (point.at, point.strip));
        SitedPoints { points, delivered }
    }

    fn index(&self, at: (Micrometres, Micrometres)) -> Option<usize> {
        self.points.binary_search_by_key(&at, |point| point.at).ok()
    }

    /// Sum of the squares of the sigmas of comparisons, micrometres; none where one is not known.
    fn squares(&self, places: impl Iterator<Item = (Micrometres, Micrometres)>) -> Option<f64> {
        places.map(|at| self.points[self.index(at)?].sigma.map(|sigma| sigma * sigma)).sum()
    }

    /// Root mean square of the sigmas of a group's comparisons, micrometres; none where one is not known.
    pub fn sigma(&self, members: &[u16], all: &[Placed]) -> Option<f64> {
        let own: Vec<&Placed> = of_group(members, all).collect();
        let squares = self.squares(own.iter().map(|one| (one.x, one.y))).filter(|_| !own.is_empty())?;
        Some((squares / own.len() as f64).sqrt())
    }
}

fn of_group<'a>(members: &'a [u16], all: &'a [Placed]) -> impl Iterator<Item = &'a Placed> {
    all.iter().filter(|one| members.binary_search(&one.group).is_ok())
}

/// What the points of a list share, weighed from the comparisons with the ground of all returns.
pub struct FewCheckpoints<'a> {
    sited: &'a SitedPoints,
    all: &'a [Placed],
    /// For each point its number among those weighed.
    numbers: Vec<Option<usize>>,
    few: Few,
}

impl<'a> FewCheckpoints<'a> {
    /// From all comparisons; nothing where there are too few, or so many that the intervals of clouds serve.
    pub fn new(sited: &'a SitedPoints, all: &'a [Placed], groups: &Groups) -> Option<Self> {
        let (mut numbers, mut points) = (vec![None; sited.points.len()], Vec::new());
        for one in all {
            let strata = groups.finest[usize::from(one.group)];
            let Some(index) = sited.index((one.x, one.y)).filter(|_| strata.return_number == 0) else {
                continue;
            };
            numbers[index] = Some(points.len());
            points.push(FewPoint {
                at: (one.x, one.y),
                strip: sited.points[index].strip,
                dz: one.dz,
                set: strata.cover.map_or(0, |cover| cover as u16),
            });
        }
        let few = Few::new(&points, &sited.delivered)?;
        Some(FewCheckpoints { sited, all, numbers, few })
    }

    /// The intervals of a group.
    pub fn of(&self, members: &[u16]) -> Estimate {
        let number = |one: &Placed| Some((self.numbers[self.sited.index((one.x, one.y))?]?, one.dz));
        let own: Vec<(usize, i64)> = of_group(members, self.all).filter_map(number).collect();
        let squares = self.sited.squares(of_group(members, self.all).map(|one| (one.x, one.y)));
        self.few.of(&own, squares.unwrap_or(0.0).sqrt() / (own.len() as f64).max(1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::point_list::SurveyedPoint;
    use crate::stages::triangulated::{Outcome, Unusable};
    use crate::tile::strata::Strata;

    #[test]
    fn each_group_has_the_sigmas_of_its_own_points() {
        let point = |name: &str, x, sigma| SurveyedPoint { name: name.into(), x, y: 0, z: 0, sigma, line: 0 };
        let list = PointList {
            points: vec![
                point("A", 30, Some(3_000)),
                point("B", 20, Some(4_000)),
                point("C", 10, None),
                point("D", 0, Some(9_000)),
                point("E", 40, Some(9_000)),
            ],
            ..PointList::default()
        };
        let at = |number, strip| AtPoint {
            number,
            all: Outcome::Elevation(0),
            alone: Vec::new(),
            up_to: Vec::new(),
            strip: Some(strip),
            strata: Strata::default(),
            slope: None,
            departure: None,
        };
        // With an elevation of a return alone a point is not used.
        let too_steep = AtPoint {
            all: Outcome::Unusable(Unusable::TooSteep(0.5)),
            alone: vec![(1, Outcome::Elevation(0))],
            ..at(4, 9)
        };
        let found = [Some(at(0, 7)), Some(at(1, 8)), Some(at(2, 9)), None, Some(too_steep)];
        let place = |x, group| Placed { x, y: 0, dz: 0, limit: None, group };
        let all = [place(10, 1), place(20, 0), place(30, 0)];
        let of = |stated| SitedPoints::new(&list, &found, stated, Delivered::default());
        let sited = of(Some(12_000.0));
        assert_eq!(sited.points.iter().map(|one| one.strip).collect::<Vec<_>>(), [Some(9), Some(8), Some(7)]);
        let near = |found: Option<f64>, expected: f64| assert!((found.unwrap() - expected).abs() < 1e-6);
        near(sited.sigma(&[0], &all), 12.5e6f64.sqrt());
        near(sited.sigma(&[0, 1], &all), (169e6f64 / 3.0).sqrt());
        // Of a point without sigma nothing is known where none is stated; a group without points has none.
        assert_eq!((of(None).sigma(&[0, 1], &all), sited.sigma(&[2], &all)), (None, None));
    }
}
