//! Coverage and accuracy by returns used: what the terrain from returns 1..k gains and loses with each k.
//!
//! The terrain of returns 1..k ([`super::model`]) is compared with the reference at every reference cell: a cell with
//! at least so many reference ground points, taken at their centroid, their mean elevation being the truth. The model
//! never sees the reference. Beside it stands the weighted estimate, for which each return's difference from the first and
//! its scatter are learned on one fold of the site and tested on the other, beyond a gap ([`super::learning`],
//! [`super::folds`]). How much the terrain is smoothed is learned too, for every k and both estimates: in each fold, the
//! least window is used that was best at the reference cells of the other beyond the gap, so that each is shown at its best
//! and none is tuned where it is tested. (Weights for that choice were learned in the fold it is used in: a choice of one in
//! four, no more.)
//!
//! What the terrain misses the reference by has a level and a spread. The level is that of the reference as much as of the
//! survey, so it decides nothing: windows are chosen by spread, and returns lose only what they differ by.
//!
//! Where reference cells lie close together, only some are tested: their errors come from the same points of the survey,
//! and each costs two models for every k. Of each [`SQUARE`] it is the one with the smallest hash of its column
//! and row, and it counts as often as there are reference cells in the square: a stratified sample, one a stratum, whose
//! mean square has no bias (Cochran 1977, Sampling Techniques, section 5.3; from memory).
//!
//! Fewer returns reach fewer cells, and those they miss are the hard ones, so that RMSE over what each k covers
//! flatters a small k. Hence three figures for each estimate: RMSE over the cells it covers, the number it does not
//! cover, and RMSE over the common cells, which every estimate covers: those of every k from the first return on of
//! which enough is known to be weighted in both folds.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use rayon::prelude::*;
use serde::Serialize;
use twox_hash::XxHash3_64;

use crate::cloud::bounds::{Bounds, Range};
use crate::raster::Extent;
use crate::stats::moments::{Moments, rmse_about};
use crate::stats::placed::block_of;
use crate::terrain::cells::Sums;
use crate::terrain::differences::ByReturn;
use crate::terrain::folds::Folds;
use crate::terrain::model::{Heights, SMOOTHING, Seen, Terrain, Weights, margin};
use crate::terrain::voids::Voids;
use crate::units::Micrometres;

/// Fewest reference ground points that make a reference cell, unless [`Settings`] say otherwise: the mean of four is
/// half as noisy as one.
pub const REFERENCE_POINTS: u32 = 4;

/// Edge of the squares of which one reference cell is tested, unless [`Settings`] say otherwise, micrometres. On a made
/// site with ditches, 57,000 reference cells of half a metre gave an RMSE whose standard error from this choice was 0.9 %.
/// This program's own choice.
pub const SQUARE: Micrometres = 1_000_000;

/// How the terrain is made and tested.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// The lowest and the highest return number that have ground; one k for each from the first to the last.
    pub returns: RangeInclusive<u8>,
    /// Fewest reference ground points of a reference cell.
    pub reference_points: u32,
    /// Farthest that the terrain model looks for points, micrometres.
    pub reach: Micrometres,
    /// Edge of the squares of which one reference cell is tested, micrometres; at most `reach`.
    pub square: Micrometres,
    /// The two folds, those of what was learned.
    pub folds: Folds,
}

/// Cells of a tile that may have reference, and those around them.
pub struct Neighbourhood {
    /// Their sums, from the tile and from all that [`Neighbourhood::ground`] touches: [`Sums::merge_encoded`] adds them.
    pub sums: Sums,
    core: (Range, Range),
}

impl Neighbourhood {
    /// Empty sums over the cells of `extent` and as many around as `reach` needs. A tile answers for the cells whose south-west
    /// corner lies in its core; those of them that have reference must be in `extent`.
    pub fn new(extent: &Extent, core: (Range, Range), reach: Micrometres) -> Self {
        Neighbourhood { sums: Sums::new(extent.widened(margin(reach, extent.cell))), core }
    }

    /// The ground whose tiles it must hear of: ranges of x and y, micrometres.
    pub fn ground(&self) -> (Range, Range) {
        self.sums.extent().ground()
    }

    /// The reference cells to be tested that the tile answers for.
    fn places(&self, settings: &Settings) -> Vec<Place> {
        let (column_corners, row_corners) = self.sums.corners();
        let within = |range: Range, at: Micrometres| range.0 <= at && at < range.1;
        // A square is no wider than the reach: where the tile answers for one of its cells, all of them are known here.
        let mut squares = BTreeMap::new();
        for (i, sum) in self.sums.of_reference().iter().enumerate() {
            if sum.n >= settings.reference_points.max(1) {
                let (column, row) = (i % column_corners.len(), i / column_corners.len());
                let corner = (column_corners[column], row_corners[row]);
                let cell = (self.hash(column, row), corner, sum);
                let square = squares.entry(block_of(corner.0, corner.1, settings.square));
                let (chosen, cells) = square.or_insert((cell, 0));
                *cells += 1;
                if (cell.0, cell.1) < (chosen.0, chosen.1) {
                    *chosen = cell;
                }
            }
        }
        let mut places = Vec::new();
        for ((_, (x, y), sum), cells) in squares.into_values() {
            if within(self.core.0, x) && within(self.core.1, y) {
                let mean = |total: i64| (2 * total + i64::from(sum.n)).div_euclid(2 * i64::from(sum.n));
                places.push(Place { x: x + mean(sum.x), y: y + mean(sum.y), z: mean(sum.z), cells });
            }
        }
        places
    }

    /// The hash of a cell by where it lies, whatever the tile.
    fn hash(&self, column: usize, row: usize) -> u64 {
        let Extent { first_column, first_row, .. } = *self.sums.extent();
        let mut bytes = [0; 16];
        bytes[..8].copy_from_slice(&(first_column + column as i64).to_le_bytes());
        bytes[8..].copy_from_slice(&(first_row + row as i64).to_le_bytes());
        XxHash3_64::oneshot(&bytes)
    }
}

/// The centroid of a reference cell, and its mean elevation.
struct Place {
    x: Micrometres,
    y: Micrometres,
    z: Micrometres,
    /// Number of reference cells that it stands for.
    cells: u64,
}

/// What one estimate missed the reference by: terrain minus reference.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Errors {
    /// At the cells it covers.
    pub covered: Moments,
    /// Number of cells it does not cover.
    pub uncovered: u64,
    /// At the common cells.
    pub common: Moments,
}

/// The same in one fold, for each least window of the terrain model.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct FoldErrors {
    covered: [Moments; SMOOTHING.len()],
    /// Those of them beyond the gap from the other fold.
    clear: [Moments; SMOOTHING.len()],
    uncovered: u64,
    common: [Moments; SMOOTHING.len()],
}

impl FoldErrors {
    fn add(&mut self, terrain: Option<Heights>, place: &Place, clear: bool, common: bool) {
        let Some(heights) = terrain else {
            self.uncovered += place.cells;
            return;
        };
        for (i, height) in heights.into_iter().enumerate() {
            let error = Moments::repeated(height - place.z, place.cells);
            self.covered[i].merge(&error);
            if clear {
                self.clear[i].merge(&error);
            }
            if common {
                self.common[i].merge(&error);
            }
        }
    }

    fn merge(&mut self, other: &FoldErrors) {
        self.uncovered += other.uncovered;
        self.covered.iter_mut().zip(&other.covered).for_each(|(a, b)| a.merge(b));
        self.clear.iter_mut().zip(&other.clear).for_each(|(a, b)| a.merge(b));
        self.common.iter_mut().zip(&other.common).for_each(|(a, b)| a.merge(b));
    }

    /// The least window, by its index in [`SMOOTHING`], whose spread was least beyond the gap; a middle one where none is
    /// known.
    fn best(&self) -> usize {
        let spread = |i: &usize| self.clear[*i].sd().unwrap_or(0.0);
        let found = (0..SMOOTHING.len()).min_by(|a, b| spread(a).total_cmp(&spread(b)));
        found.filter(|_| self.clear[0].n > 1).unwrap_or(SMOOTHING.len() / 2)
    }
}

/// The errors of one estimate in both folds.
type BothFolds = [FoldErrors; 2];

/// In each fold with the least window that was best in the other.
fn errors(folds: &BothFolds) -> Errors {
    let mut all = Errors::default();
    for (fold, other) in [(0, 1), (1, 0)] {
        let (fold, best) = (&folds[fold], folds[other].best());
        all.covered.merge(&fold.covered[best]);
        all.common.merge(&fold.common[best]);
        all.uncovered += fold.uncovered;
    }
    all
}

/// The errors of all estimates, from any number of tiles; parts merge in any order.
#[derive(Clone, Debug, PartialEq)]
pub struct TerrainByReturns {
    settings: Settings,
    /// By k: unweighted, and variance-weighted.
    found: Vec<[BothFolds; 2]>,
}

impl TerrainByReturns {
    /// No errors yet.
    pub fn new(settings: &Settings) -> Self {
        let found = vec![Default::default(); settings.returns.clone().count()];
        TerrainByReturns { settings: settings.clone(), found }
    }

    /// Tests the terrain at the reference cells of a tile. `learned` holds what may be used in each fold; `added` is what is added to
    /// the survey at a place.
    pub fn add(
        &mut self,
        near: &Neighbourhood,
        learned: &[ByReturn; 2],
        added: impl Fn(Micrometres, Micrometres) -> Micrometres,
    ) {
        let Settings { returns, reach, folds: division, .. } = self.settings.clone();
        let mut places = near.places(&self.settings);
        // Only the difference of the two is looked at.
        places.iter_mut().for_each(|place| place.z -= added(place.x, place.y));
        let mut bounds = Bounds::default();
        places.iter().for_each(|place| bounds.add((place.x, place.y)));
        let Some((x, y)) = bounds.ranges() else { return };
        let cell = near.sums.extent().cell;
        let extent = Extent::covering(cell, x, y, margin(reach, cell));
        let folds: Vec<usize> = places.iter().map(|place| division.of(place.x, place.y)).collect();
        let first = *returns.start();
        let of_fold = |fold: usize| places.iter().zip(&folds).filter(move |(_, own)| **own == fold);
        let plain = || self.heights(near, &extent, places.iter(), |k| Weights::plain(first..=k));
        let weighted = |fold: usize| {
            let weights = |k| Weights::learned(first..=k, &learned[fold]);
            self.heights(near, &extent, of_fold(fold).map(|(place, _)| place), weights)
        };
        let (plain, weighted) = rayon::join(plain, || rayon::join(|| weighted(0), || weighted(1)));
        let weighted: [Vec<_>; 2] = weighted.into();
        let known = |r: &u8| learned.iter().all(|fold| fold[usize::from(*r)].is_some());
        let first = returns.clone().find(known);
        let needed = |k: u8, weighted: bool| first.map_or(!weighted, |first| k >= first);
        let needed: Vec<bool> = returns.flat_map(|k| [needed(k, false), needed(k, true)]).collect();
        let mut places_of_fold = [0; 2];
        for (i, (place, fold)) in places.iter().zip(folds).enumerate() {
            let of_k = plain.iter().zip(&weighted[fold]);
            let terrains: Vec<_> =
                of_k.flat_map(|(plain, own)| [plain[i], own[places_of_fold[fold]]]).collect();
            places_of_fold[fold] += 1;
            let common = terrains.iter().zip(&needed).all(|(terrain, needed)| terrain.is_some() || !needed);
            let clear = division.is_clear(place.x, place.y);
            for (into, terrain) in self.found.iter_mut().flatten().zip(terrains) {
                into[fold].add(terrain, place, clear, common);
            }
        }
    }

    /// The terrain of one estimate at places: by k, then by place.
    fn heights<'a>(
        &self,
        near: &Neighbourhood,
        extent: &Extent,
        places: impl Iterator<Item = &'a Place>,
        weights: impl Fn(u8) -> Weights,
    ) -> Vec<Vec<Option<Heights>>> {
        let mut seen: Vec<(&Place, Seen)> = places.map(|place| (place, Seen::default())).collect();
        if seen.is_empty() {
            return Vec::new();
        }
        let first = *self.settings.returns.start();
        let mut terrain = Terrain::new(&near.sums, extent, &weights(first), self.settings.reach);
        let of_k = |k| {
            if k > first {
                terrain.weigh(&weights(k));
            }
            // Late returns are rare on open ground: most places there see no more than they did without.
            seen.par_iter_mut()
                .filter(|(place, seen)| k == first || terrain.changes(place.x, place.y, seen))
                .for_each(|(place, seen)| *seen = terrain.at(place.x, place.y));
            seen.iter().map(|(_, seen)| seen.heights).collect()
        };
        self.settings.returns.clone().map(of_k).collect()
    }

    /// Adds the errors found elsewhere with the same settings.
    pub fn merge(&mut self, other: &TerrainByReturns) {
        let theirs = other.found.iter().flatten().flatten();
        self.found.iter_mut().flatten().flatten().zip(theirs).for_each(|(a, b)| a.merge(b));
    }

    /// By k: the errors of the unweighted and of the variance-weighted terrain.
    pub fn errors(&self) -> impl Iterator<Item = (u8, [Errors; 2])> {
        let errors = self.found.iter().map(|[plain, weighted]| [errors(plain), errors(weighted)]);
        self.settings.returns.clone().zip(errors)
    }

    /// The least window, by its place in [`SMOOTHING`], whose weighted terrain from all returns had the least spread on the whole site;
    /// a middle one where none is known.
    pub fn best_weighted(&self) -> usize {
        let Some([_, [one, other]]) = self.found.last() else { return SMOOTHING.len() / 2 };
        let mut whole = FoldErrors { clear: one.covered, ..FoldErrors::default() };
        whole.clear.iter_mut().zip(&other.covered).for_each(|(a, b)| a.merge(b));
        whole.best()
    }

    /// The table, one row for each k, lengths in micrometres. `points` are the dz of the ground points and `ground`
    /// their numbers, both by return number. `offset` is how far the reference is known to lie too high: it is taken out of
    /// all figures.
    pub fn rows(
        &self,
        cell: f64,
        voids: &Voids,
        ground: &[u64; 16],
        points: &[Moments; 16],
        offset: Option<f64>,
    ) -> Vec<TerrainRow> {
        let square_metres = |cells: u64| cells as f64 * (cell * cell * 1e-12);
        let seen = voids.footprint > 0;
        let row = |(k, [plain, weighted]): (u8, [Errors; 2])| {
            let up_to = usize::from(*self.settings.returns.start())..=usize::from(k);
            let mut dz = Moments::default();
            points[up_to.clone()].iter().for_each(|of_return| dz.merge(of_return));
            let ground = ground[up_to].iter().sum::<u64>() as f64;
            TerrainRow {
                returns_up_to: k,
                ground_per_m2: seen.then(|| ground / square_metres(voids.footprint)),
                coverage: seen.then(|| voids.filled[usize::from(k)] as f64 / voids.footprint as f64),
                largest_void_m2: seen.then(|| square_metres(voids.largest[usize::from(k)])),
                rmse_points: Missed::by(&dz, offset).rmse,
                terrain: TerrainFigures::new(&plain, offset),
                weighted: Some(TerrainFigures::new(&weighted, offset)),
                offset_removed: offset.map(|_| true),
            }
        };
        self.errors().map(row).collect()
    }
}

/// Coverage and accuracy of the terrain from returns 1..k.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TerrainRow {
    /// k.
    pub returns_up_to: u8,
    /// Ground points of returns 1..k for each square metre of the cells that the survey saw.
    pub ground_per_m2: Option<f64>,
    /// Share of these cells that have such a point.
    pub coverage: Option<f64>,
    /// Area of the largest connected void, square metres.
    pub largest_void_m2: Option<f64>,
    /// RMSE of the points against the reference; none where that is a list of surveyed points.
    pub rmse_points: Option<f64>,
    /// The unweighted terrain.
    #[serde(flatten)]
    pub terrain: TerrainFigures,
    /// The variance-weighted terrain: each return weighted by its own variance, its difference from the first removed; none
    /// where the reference is a list of surveyed points.
    pub weighted: Option<TerrainFigures>,
    /// That the known offset of the reference has been taken out of all these figures, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_removed: Option<bool>,
}

/// One terrain estimate against the reference cells.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct TerrainFigures {
    /// RMSE over the cells it covers: level and spread together.
    pub rmse_terrain: Option<f64>,
    /// Mean of terrain minus reference over these cells: the level of survey and reference against each other.
    pub level_terrain: Option<f64>,
    /// Standard deviation of terrain minus reference over these cells: the spread.
    pub sd_terrain: Option<f64>,
    /// Number of reference cells it covers; of a list of surveyed points, the points over which it has a facet.
    pub terrain_cells: u64,
    /// Number of reference cells it does not cover.
    pub uncovered_cells: u64,
    /// RMSE over the common cells, which every estimate covers.
    pub rmse_terrain_common: Option<f64>,
    /// The mean over these.
    pub level_terrain_common: Option<f64>,
    /// The standard deviation over these.
    pub sd_terrain_common: Option<f64>,
    /// Number of the common cells that it covers: all of them, but for a k below the first return that can be weighted.
    pub common_cells: u64,
}

/// Level, spread, and both together.
#[derive(Clone, Copy)]
struct Missed {
    level: Option<f64>,
    sd: Option<f64>,
    rmse: Option<f64>,
}

impl Missed {
    /// What was missed had the reference not been `offset` too high.
    fn by(moments: &Moments, offset: Option<f64>) -> Self {
        let sd = moments.sd();
        let Some(offset) = offset else { return Missed { level: moments.mean(), sd, rmse: moments.rmse() } };
        let level = moments.mean().map(|level| level + offset);
        Missed { level, sd, rmse: level.map(|level| rmse_about(level, sd, moments.n)) }
    }
}

impl TerrainFigures {
    /// What the errors come to had the reference not been `offset` too high, micrometres.
    pub fn new(errors: &Errors, offset: Option<f64>) -> Self {
        let [covered, common] = [&errors.covered, &errors.common].map(|moments| Missed::by(moments, offset));
        TerrainFigures {
            rmse_terrain: covered.rmse,
            level_terrain: covered.level,
            sd_terrain: covered.sd,
            terrain_cells: errors.covered.n,
            uncovered_cells: errors.uncovered,
            rmse_terrain_common: common.rmse,
            level_terrain_common: common.level,
            sd_terrain_common: common.sd,
            common_cells: errors.common.n,
        }
    }

    fn in_unit(&mut self, convert: impl Fn(f64) -> f64) {
        let covered = [&mut self.rmse_terrain, &mut self.level_terrain, &mut self.sd_terrain];
        let common =
            [&mut self.rmse_terrain_common, &mut self.level_terrain_common, &mut self.sd_terrain_common];
        for length in covered.into_iter().chain(common) {
            *length = length.map(&convert);
        }
    }
}

impl TerrainRow {
    /// The row with its lengths converted from micrometres; areas stay square metres.
    pub fn in_unit(mut self, convert: impl Fn(f64) -> f64) -> Self {
        self.rmse_points = self.rmse_points.map(&convert);
        self.terrain.in_unit(&convert);
        if let Some(weighted) = &mut self.weighted {
            weighted.in_unit(&convert);
        }
        self
    }
}

#[cfg(test)]
#[path = "by_returns_tests.rs"]
mod tests;
