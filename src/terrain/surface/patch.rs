//! The cells of one part of the terrain model, from the points around it.

use crate::cloud::point::MAX_RETURN;
use crate::raster::Extent;
use crate::terrain::by_returns::REFERENCE_POINTS;
use crate::terrain::cells::Sums;
use crate::terrain::coverage::{Coverage, OUTSIDE};
use crate::terrain::model::{Terrain, Weights, farthest, margin};
use crate::terrain::surface::facets::{FacetOver, Facets};
use crate::terrain::surface::ground::GroundPoint;
use crate::terrain::surface::scatter::Scatter;
use crate::units::Micrometres;

/// How elevations come from ground points.
#[derive(Clone, Debug, PartialEq)]
pub enum Estimate {
    /// Linear in the facets of the triangulation of these returns, a bit each.
    Facets(u32),
    /// A plane through the cells around, each return weighted by its variance and brought to the level of the first.
    Weighted {
        /// The weights.
        weights: Box<Weights>,
        /// Standard deviation of a point that counts one, micrometres.
        sd: f64,
        /// The least window, by its place in [`SMOOTHING`](crate::terrain::model::SMOOTHING).
        least: usize,
    },
}

impl Estimate {
    /// Whether points of a return take part.
    pub fn uses(&self, return_number: u8) -> bool {
        match self {
            Estimate::Facets(returns) => returns >> return_number & 1 == 1,
            Estimate::Weighted { weights, .. } => weights.uses(return_number),
        }
    }
}

/// How the terrain model is made.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// How elevations come from ground points.
    pub estimate: Estimate,
    /// How far a cell may lie from the ground that it is interpolated from: the largest radius of the circumscribed circle of a
    /// facet, or of the window of a plane, micrometres.
    pub fill: Micrometres,
}

impl Rule {
    /// Farthest from a cell that a point may lie which matters to it.
    pub fn reach(&self, cell: f64) -> Micrometres {
        let window = ((self.most_cells(cell) + 2) as f64 * cell).ceil() as Micrometres;
        window.max(match self.estimate {
            Estimate::Facets(_) => 2 * self.fill + 4,
            Estimate::Weighted { .. } => farthest(self.fill, cell),
        })
    }

    /// Cells on every side within which scatter is looked for.
    fn most_cells(&self, cell: f64) -> usize {
        (self.fill as f64 / cell).ceil() as usize + 1
    }
}

/// A cell of the terrain model.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ModelCell {
    /// Elevation at the middle of the cell, micrometres.
    pub z: Option<Micrometres>,
    /// Its standard error, as far as it comes from what neighbouring points do not share, micrometres.
    pub error: Option<f64>,
    /// The return that counts most in the elevation.
    pub decided_by: Option<u8>,
    /// Whether there is ground in the cell.
    pub void: Option<Void>,
    /// Terrain minus reference, where the cell has reference, at the centroid of its points, micrometres.
    pub dz: Option<Micrometres>,
}

/// What is in a cell that the survey saw, or that has an elevation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Void {
    /// Ground of the returns used, and an elevation.
    Ground,
    /// None, and an elevation from the ground around.
    Filled,
    /// No elevation.
    Open,
}

/// A part of the terrain model, row by row from the south-west.
pub struct Patch {
    /// The cells.
    pub extent: Extent,
    /// Of each what is known.
    pub cells: Vec<ModelCell>,
    /// Of each the ground points by return number.
    pub counts: Vec<[u32; MAX_RETURN + 1]>,
    /// Of each whether no point farther off could change it.
    pub settled: Vec<bool>,
}

/// Edge of the squares that are made again where a cell of them is not settled, in cells.
const SQUARE: usize = 64;

/// What a part is made from.
pub struct Around<'a> {
    /// All ground points so near.
    pub points: Vec<GroundPoint>,
    /// How near, micrometres: at [`Rule::reach`] everything is settled, and often before.
    pub margin: Micrometres,
    /// What the survey saw of its cells, and maybe of more.
    pub seen: &'a Coverage,
    /// Sums of the reference's ground over its cells, and maybe more.
    pub reference: Option<&'a Sums>,
    /// Surveyed points in it: position and elevation, micrometres.
    pub surveyed: &'a [(Micrometres, Micrometres, Micrometres)],
}

impl Patch {
    /// Makes the cells of an extent.
    pub fn new(extent: Extent, rule: &Rule, around: Around<'_>) -> Self {
        let Around { mut points, margin: known, seen, reference, surveyed } = around;
        let mut counts = vec![[0; MAX_RETURN + 1]; extent.len()];
        for point in &points {
            if let Some(place) = extent.index_of(point.x, point.y) {
                counts[place][usize::from(point.return_number)] += 1;
            }
        }
        points.retain(|point| rule.estimate.uses(point.return_number));
        let mut cells = vec![ModelCell::default(); extent.len()];
        let mut settled = vec![known >= rule.reach(extent.cell); extent.len()];
        match &rule.estimate {
            Estimate::Facets(_) => {
                let from = FromFacets { extent, rule, known, reference, surveyed };
                from.make(points, &mut cells, &mut settled);
            }
            Estimate::Weighted { weights, sd, least } => {
                let mut sums = Sums::new(extent.widened(margin(rule.fill, extent.cell)));
                points.iter().for_each(|p| sums.add_ground(p.x, p.y, p.z, p.return_number));
                let terrain = Terrain::new(&sums, sums.extent(), weights, rule.fill);
                for (place, cell) in cells.iter_mut().enumerate() {
                    let (x, y) = extent.middle(place);
                    let Some(found) = terrain.weighed(x, y, *least, *sd) else { continue };
                    (cell.z, cell.error) = (Some(found.height), Some(found.error));
                    cell.decided_by = Some(found.decided_by);
                }
                let at = |_, x, y| Some(terrain.at(x, y).heights?[*least]);
                add_dz(&extent, &mut cells, reference, surveyed, at);
            }
        }
        for (place, cell) in cells.iter_mut().enumerate() {
            let ground = (1..=MAX_RETURN).any(|r| counts[place][r] > 0 && rule.estimate.uses(r as u8));
            let is_seen = seen.extent.index_from(&extent, place).is_some_and(|at| seen.states[at] != OUTSIDE);
            cell.void = match cell.z {
                Some(_) if ground => Some(Void::Ground),
                Some(_) => Some(Void::Filled),
                None => is_seen.then_some(Void::Open),
            };
        }
        Patch { extent, cells, counts, settled }
    }

    /// Squares of it that have cells which points farther off could change.
    pub fn unsettled(&self) -> Vec<Extent> {
        let columns = self.extent.columns;
        let mut squares = Vec::new();
        for north in (0..self.extent.rows).step_by(SQUARE) {
            for east in (0..columns).step_by(SQUARE) {
                let square = Extent {
                    first_column: self.extent.first_column + east as i64,
                    first_row: self.extent.first_row + north as i64,
                    columns: SQUARE.min(columns - east),
                    rows: SQUARE.min(self.extent.rows - north),
                    ..self.extent
                };
                let row = |row: usize| {
                    let first = (north + row) * columns + east;
                    &self.settled[first..first + square.columns]
                };
                if (0..square.rows).any(|at| row(at).contains(&false)) {
                    squares.push(square);
                }
            }
        }
        squares
    }

    /// Takes over what was made again of a part of it.
    pub fn replace(&mut self, part: &Patch) {
        let (east, north) = self.extent.offset_of(&part.extent);
        for row in 0..part.extent.rows {
            let from = row * part.extent.columns..(row + 1) * part.extent.columns;
            let to = (north + row) * self.extent.columns + east;
            self.cells[to..to + from.len()].copy_from_slice(&part.cells[from.clone()]);
            self.settled[to..to + from.len()].copy_from_slice(&part.settled[from]);
        }
    }
}

/// What cells are made from facets of.
struct FromFacets<'a> {
    extent: Extent,
    rule: &'a Rule,
    known: Micrometres,
    reference: Option<&'a Sums>,
    surveyed: &'a [(Micrometres, Micrometres, Micrometres)],
}

impl FromFacets<'_> {
    /// A facet is one of all points where its circle lies where all are known.
    fn is_settled(&self, x: Micrometres, y: Micrometres, facet: &FacetOver) -> bool {
        let ground = self.extent.ground();
        let within = |at: Micrometres, centre: f64, range: (Micrometres, Micrometres)| {
            let (centre, reach) = (at as f64 + centre, facet.radius + 2.0);
            centre - reach >= (range.0 - self.known) as f64 && centre + reach <= (range.1 + self.known) as f64
        };
        within(x, facet.centre.0, ground.0) && within(y, facet.centre.1, ground.1)
    }

    /// Makes the cells; where not all is settled anyway, says of which no point farther off could change anything.
    fn make(&self, points: Vec<GroundPoint>, cells: &mut [ModelCell], settled: &mut [bool]) {
        let &FromFacets { extent, rule, known, .. } = self;
        let (most, largest) = (rule.most_cells(extent.cell), rule.fill as f64);
        let scatter = Scatter::new(extent.widened(most as i64), points.iter());
        let facets = Facets::new(points);
        let mut near: Option<FacetOver> = None;
        for (place, cell) in cells.iter_mut().enumerate() {
            let (x, y) = extent.middle(place);
            let Some(found) = facets.over(x, y, largest, near.as_ref()) else { continue };
            near = Some(found);
            let least = ((found.radius / extent.cell).ceil() as usize).max(1);
            let (column, row) = (place % extent.columns + most, place / extent.columns + most);
            let shares = found.shares.iter().zip(&found.corners);
            let squares: f64 = shares.map(|(share, corner)| share * share / f64::from(corner.points)).sum();
            let first = (0..3).max_by(|a, b| found.shares[*a].total_cmp(&found.shares[*b]));
            let scatter = scatter.around(column, row, least, most);
            let window = scatter.map(|(_, half)| (half + 1) as f64 * extent.cell);
            settled[place] |=
                self.is_settled(x, y, &found) && window.is_some_and(|window| window <= known as f64);
            cell.z = Some(found.z);
            cell.error = scatter.map(|(scatter, _)| scatter * squares.sqrt());
            cell.decided_by = first.map(|first| found.corners[first].return_number);
        }
        let all_known = known >= rule.reach(extent.cell);
        let mut near: Option<FacetOver> = None;
        let at = |place: usize, x, y| {
            let found = facets.over(x, y, largest, near.as_ref());
            near = found.or(near);
            settled[place] &= all_known || found.is_some_and(|found| self.is_settled(x, y, &found));
            found.map(|facet| facet.z)
        };
        add_dz(&extent, cells, self.reference, self.surveyed, at);
    }
}

/// Adds terrain minus reference, where there is reference: cells with enough of its ground, at their centroid, as the account of
/// returns used has them; and surveyed points.
fn add_dz(
    extent: &Extent,
    cells: &mut [ModelCell],
    reference: Option<&Sums>,
    surveyed: &[(Micrometres, Micrometres, Micrometres)],
    mut terrain: impl FnMut(usize, Micrometres, Micrometres) -> Option<Micrometres>,
) {
    if let Some(reference) = reference.filter(|reference| !reference.of_reference().is_empty()) {
        let (columns, rows) = reference.corners();
        for (place, cell) in cells.iter_mut().enumerate() {
            let Some(at) = reference.extent().index_from(extent, place) else { continue };
            let sum = &reference.of_reference()[at];
            if sum.n < REFERENCE_POINTS {
                continue;
            }
            let mean = |total: i64| (2 * total + i64::from(sum.n)).div_euclid(2 * i64::from(sum.n));
            let (west, south) = (columns[at % columns.len()], rows[at / columns.len()]);
            cell.dz = terrain(place, west + mean(sum.x), south + mean(sum.y)).map(|z| z - mean(sum.z));
        }
    }
    for &(x, y, z) in surveyed {
        if let Some(place) = extent.index_of(x, y) {
            cells[place].dz = terrain(place, x, y).map(|terrain| terrain - z);
        }
    }
}

#[cfg(test)]
#[path = "patch_tests.rs"]
mod tests;
