//! `match: triangulated`: the survey's elevation at surveyed points, by linear interpolation in a triangulation of its ground
//! points. Source: the accuracy standards (interpolation in a TIN of ground-classified points at each checkpoint).

use std::collections::BinaryHeap;

use serde::{Deserialize, Serialize};

use crate::areas::LeftOut;
use crate::cloud::bounds::Range;
use crate::cloud::buckets::BucketGrid;
use crate::cloud::point::{Fields, MAX_RETURN, Point};
use crate::raster::{EMPTY, Raster};
use crate::stages::cell_attributes::{CellAttributes, slope_at};
use crate::stages::gathered::hold_nearest;
use crate::stages::ground_limits::SurveyGround;
use crate::stages::left_out;
use crate::stages::stage::{Places, TileStage, Visitor};
use crate::terrain::facet::{Facet, NoFacet, Vertex, facet};
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::tile::strata::Strata;
use crate::tile::yields::{YieldError, Yields};
use crate::units::Micrometres;

/// Ground points of one return that are held for a surveyed point, the nearest ones: more than any facet that is not
/// hopelessly uneven needs, and it bounds the memory.
const HELD: usize = 256;

/// How far around a surveyed point the ground is looked at for a break: the standards ask for 3 m or more to the next.
const BREAK_RADIUS: Micrometres = 3_000_000;

/// The stage at work.
pub struct TriangulateTile {
    /// The surveyed points in plan, by their number: those of the list, then the control that the survey is fitted to.
    pub positions: Places,
    /// Longest edge of a facet, and largest radius of its circumscribed circle.
    pub longest: Micrometres,
    /// Steepest facet, rise over run; none: any.
    pub steepest: Option<f64>,
    /// Areas whose points are left out of comparisons.
    pub left_out: LeftOut,
}

/// What was found at one surveyed point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AtPoint {
    /// Its number in the list, from 0.
    pub number: u32,
    /// From the ground of all returns.
    pub all: Outcome,
    /// From the ground of each return alone.
    pub alone: Vec<(u8, Outcome)>,
    /// From the ground of returns 1 to k, for each k that has ground around the point.
    pub up_to: Vec<(u8, Outcome)>,
    /// The flight strip of the ground point nearest to it in plan.
    pub strip: Option<u16>,
    /// Cover and slope class of its cell.
    pub strata: Strata,
    /// Slope of the ground around it, rise over run.
    pub slope: Option<f64>,
    /// How far the ground within 3 m departs from a plane at most, micrometres.
    pub departure: Option<Micrometres>,
}

/// The survey's elevation at a surveyed point, or why there is none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Outcome {
    /// Elevation, micrometres.
    Elevation(Micrometres),
    /// None.
    Unusable(Unusable),
}

impl Outcome {
    /// The elevation, where there is one.
    pub fn elevation(self) -> Option<Micrometres> {
        match self {
            Outcome::Elevation(z) => Some(z),
            Outcome::Unusable(_) => None,
        }
    }
}

/// Why a surveyed point cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Unusable {
    /// There is no ground of the survey around it.
    NoGround,
    /// Ground does not lie on all sides of it.
    NotSurrounded,
    /// The facet is longer than allowed, micrometres.
    TooLong(f64),
    /// The facet is steeper than allowed, rise over run.
    TooSteep(f64),
    /// The ground points are too unevenly spaced to tell which facet it is.
    Uneven,
    /// It lies in an area that is left out: the number of the area, from 0.
    LeftOut(usize),
}

/// What was found at each surveyed point of a list; none where no tile of the survey holds the point.
pub type AtPoints = Vec<Option<AtPoint>>;

/// The section of what was found at surveyed points.
const SECTION: &str = "surveyed";

/// What was found at the surveyed points of a list of so many; none where no tile of the survey holds the point.
///
/// # Errors
/// Where the disk does not give it back.
pub fn conclude(yields: &dyn Yields, count: usize) -> Result<AtPoints, YieldError> {
    let mut found = vec![None; count];
    yields.for_each(SECTION, &mut |bytes| {
        for at in serde_json::from_slice::<Vec<AtPoint>>(bytes).ok()? {
            let number = at.number as usize;
            *found.get_mut(number)? = Some(at);
        }
        Some(())
    })?;
    Ok(found)
}

impl AtPoint {
    /// The same with something added to every elevation of the survey.
    pub fn raised(mut self, by: Micrometres) -> Self {
        let outcomes = self.alone.iter_mut().chain(&mut self.up_to).map(|(_, outcome)| outcome);
        for outcome in outcomes.chain([&mut self.all]) {
            if let Outcome::Elevation(z) = outcome {
                *z += by;
            }
        }
        self
    }

    /// The elevation in the triangulation of returns 1 to k; none where there is no facet.
    pub fn up_to(&self, k: u8) -> Option<Micrometres> {
        self.up_to.iter().rev().find(|(last, _)| *last <= k)?.1.elevation()
    }
}

impl TileStage for TriangulateTile {
    fn fields(&self) -> Fields {
        // Errors that a strip has of its own are shared by the points that lie in it.
        Fields { strip: true, ..Fields::default() }
    }

    fn halo(&self) -> Halo {
        // The circumscribed circle of a facet over a point reaches that far from it.
        Halo { survey: 2 * self.longest, reference: 0 }
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let (x, y) = tile.core;
        let within = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
        let own = (0..).zip(self.positions.iter()).filter(|(_, at)| within(at.0, x) && within(at.1, y));
        let around: Vec<Around> = own.map(|(number, at)| Around::new(number, *at)).collect();
        if around.is_empty() {
            return None;
        }
        let mut grid = BucketGrid::default();
        grid.start(around.len());
        (0..).zip(&around).for_each(|(place, one)| grid.add(one.at.0, one.at.1, place));
        grid.sort(2 * self.longest);
        Some(Box::new(Collector { grid, left_out: &self.left_out, around: Collected(around) }))
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(Collected(around)) = tile.shared.take() else { return };
        let ground = tile.shared.get::<SurveyGround>().and_then(SurveyGround::surface);
        let cells = tile.shared.get::<CellAttributes>();
        let found: Vec<AtPoint> = around.iter().map(|one| self.look(one, ground, cells)).collect();
        let bytes = serde_json::to_vec(&found).expect("plain data");
        tile.sections.of(SECTION).extend(bytes);
    }
}

impl TriangulateTile {
    fn look(&self, around: &Around, ground: Option<&Raster>, cells: Option<&CellAttributes>) -> AtPoint {
        let present: Vec<u8> =
            (1..=MAX_RETURN as u8).filter(|number| !around.of(*number).is_empty()).collect();
        let (x, y) = around.at;
        let here = Point { x, y, ..Point::default() };
        if let Some(area) = (0..2).filter_map(|cloud| self.left_out.first(cloud, &here)).min() {
            return AtPoint {
                number: around.number,
                all: Outcome::Unusable(Unusable::LeftOut(area)),
                alone: Vec::new(),
                up_to: Vec::new(),
                strip: None,
                strata: Strata::default(),
                slope: None,
                departure: None,
            };
        }
        // With no further return, what was found with the one before stands.
        let up_to: Vec<(u8, Outcome)> =
            present.iter().map(|&k| (k, self.elevation(around, |number| number <= k))).collect();
        let all = up_to.last().map_or(Outcome::Unusable(Unusable::NoGround), |(_, outcome)| *outcome);
        let alone = match present[..] {
            [] | [_] => up_to.clone(),
            [_, ref further @ ..] => {
                let of_one = |&k: &u8| (k, self.elevation(around, |number| number == k));
                std::iter::once(up_to[0]).chain(further.iter().map(of_one)).collect()
            }
        };
        AtPoint {
            number: around.number,
            all,
            alone,
            up_to,
            strip: around.nearest.map(|(_, strip)| strip),
            strata: cells.map_or_else(Strata::default, |cells| cells.at(x, y)),
            slope: ground.and_then(|ground| slope_at(ground, x, y)),
            departure: ground.and_then(|ground| departure(ground, x, y)),
        }
    }

    /// The elevation in the triangulation of the returns chosen.
    fn elevation(&self, around: &Around, chosen: impl Fn(u8) -> bool) -> Outcome {
        let mut vertices = Vec::new();
        // Two micrometres more, for what rounding takes.
        let mut known = (2 * self.longest + 2) as f64;
        for number in (1..=MAX_RETURN as u8).filter(|number| chosen(*number)) {
            let nearest = around.of(number);
            if nearest.len() == HELD
                && let Some(farthest) = nearest.peek()
            {
                known = known.min((farthest.squared as f64).sqrt());
            }
            vertices.extend(nearest.iter().copied());
        }
        if vertices.is_empty() {
            return Outcome::Unusable(Unusable::NoGround);
        }
        match (facet(&mut vertices, known, self.longest as f64), self.steepest) {
            (Ok(Facet { slope, .. }), Some(steepest)) if slope > steepest => {
                Outcome::Unusable(Unusable::TooSteep(slope))
            }
            (Ok(Facet { elevation, .. }), _) => Outcome::Elevation(elevation),
            (Err(NoFacet::NotSurrounded), _) => Outcome::Unusable(Unusable::NotSurrounded),
            (Err(NoFacet::TooLong(edge)), _) => Outcome::Unusable(Unusable::TooLong(edge)),
            (Err(NoFacet::Uneven), _) => Outcome::Unusable(Unusable::Uneven),
        }
    }
}

/// The ground points around a surveyed point: of each return the nearest, the farthest of them on top.
struct Around {
    number: u32,
    at: (Micrometres, Micrometres),
    by_return: Vec<BinaryHeap<Vertex>>,
    /// The nearest of all, and its strip.
    nearest: Option<(Vertex, u16)>,
}

impl Around {
    fn new(number: u32, at: (Micrometres, Micrometres)) -> Self {
        Around { number, at, by_return: vec![BinaryHeap::new(); MAX_RETURN], nearest: None }
    }

    fn of(&self, return_number: u8) -> &BinaryHeap<Vertex> {
        &self.by_return[usize::from(return_number) - 1]
    }

    fn add(&mut self, return_number: u8, strip: u16, vertex: Vertex) {
        let one = (vertex, strip);
        self.nearest = Some(self.nearest.map_or(one, |nearest| nearest.min(one)));
        hold_nearest(&mut self.by_return[usize::from(return_number) - 1], HELD, vertex);
    }
}

/// What the visitor hands over to the work on the whole tile, when slope and cover are known.
struct Collected(Vec<Around>);

/// Collects the ground around surveyed points.
struct Collector<'a> {
    grid: BucketGrid<u32>,
    left_out: &'a LeftOut,
    around: Collected,
}

impl Visitor for Collector<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud != Cloud::Survey {
            return;
        }
        let Collector { grid, left_out, around: Collected(around) } = self;
        for (point, status) in piece.points.iter().zip(&piece.statuses) {
            if *status != PointStatus::Ground {
                continue;
            }
            let Some(return_number) = point.valid_return() else { continue };
            grid.for_each(point.x, point.y, |place, offset| {
                // Few points lie near a surveyed one: polygons are tested for these alone.
                if left_out.first(left_out::place(cloud), point).is_none() {
                    let (x, y) = (-offset.x as i32, -offset.y as i32);
                    let vertex = Vertex { squared: offset.squared, x, y, z: point.z };
                    around[place as usize].add(return_number, point.strip, vertex);
                }
            });
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        tile.shared.put(self.around);
    }
}

/// How far the ground within [`BREAK_RADIUS`] departs from a least-squares plane at most; none with too few cells.
fn departure(ground: &Raster, x: Micrometres, y: Micrometres) -> Option<Micrometres> {
    let extent = &ground.extent;
    let centre = extent.index_of(x, y)?;
    let (column, row) = ((centre % extent.columns) as i64, (centre / extent.columns) as i64);
    let reach = (BREAK_RADIUS as f64 / extent.cell).floor() as i64;
    let mut cells = Vec::new();
    for dr in -reach..=reach {
        for dc in -reach..=reach {
            let (c, r) = (column + dc, row + dr);
            let inside = (0..extent.columns as i64).contains(&c) && (0..extent.rows as i64).contains(&r);
            if dr * dr + dc * dc > reach * reach || !inside {
                continue;
            }
            let z = ground.values[r as usize * extent.columns + c as usize];
            if z != EMPTY {
                cells.push((dc as f64, dr as f64, z));
            }
        }
    }
    let n = cells.len() as f64;
    let mean = |of: fn(&(f64, f64, f64)) -> f64| cells.iter().map(of).sum::<f64>() / n;
    let (mx, my, mz) = (mean(|c| c.0), mean(|c| c.1), mean(|c| c.2));
    let (mut xx, mut xy, mut yy, mut xz, mut yz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (x, y, z) in cells.iter().map(|c| (c.0 - mx, c.1 - my, c.2 - mz)) {
        (xx, xy, yy, xz, yz) = (xx + x * x, xy + x * y, yy + y * y, xz + x * z, yz + y * z);
    }
    let determinant = xx * yy - xy * xy;
    if cells.len() < 6 || determinant <= 0.0 {
        return None;
    }
    let (a, b) = ((xz * yy - yz * xy) / determinant, (yz * xx - xz * xy) / determinant);
    let off = |c: &(f64, f64, f64)| (c.2 - mz - a * (c.0 - mx) - b * (c.1 - my)).abs();
    Some(cells.iter().map(off).fold(0.0, f64::max).round() as Micrometres)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Extent;

    #[test]
    fn a_plane_departs_from_no_plane_and_a_step_by_what_it_is_high() {
        let extent = Extent::covering(5e5, (0, 20_000_000), (0, 20_000_000), 0);
        let mut ground = Raster::empty(extent);
        let columns = ground.extent.columns;
        for (i, z) in ground.values.iter_mut().enumerate() {
            *z = ((i % columns) * 100_000 + (i / columns) * 30_000) as f64;
        }
        assert_eq!(departure(&ground, 10_000_000, 10_000_000), Some(0));
        for (i, z) in ground.values.iter_mut().enumerate() {
            *z += if i % columns > 24 { 400_000.0 } else { 0.0 };
        }
        let step = departure(&ground, 10_000_000, 10_000_000).unwrap();
        assert!((100_000..400_000).contains(&step), "{step}");
        assert_eq!(departure(&ground, 3_000_000, 10_000_000), Some(0));
    }

    #[test]
    fn only_the_nearest_points_are_held() {
        let mut around = Around::new(0, (0, 0));
        for i in (1..=2 * HELD as i32).rev() {
            around.add(1, 7, Vertex::new(i, 0, 0));
        }
        assert_eq!((around.of(1).len(), around.of(1).peek().unwrap().x), (HELD, HELD as i32));
    }
}
