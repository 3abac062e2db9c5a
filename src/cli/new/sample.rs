//! What a sample of a cloud's points shows: how dense it is, how steep and how built up the ground.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::cloud::point::{Fields, MAX_RETURN};
use crate::cloud::{Block, CloudError, Source};
use crate::raster::fill::fill_nearest;
use crate::raster::grid::{EMPTY, Extent, Raster};
use crate::raster::lowest::low_cells;
use crate::raster::morphology::{Scratch, open};
use crate::units::{Micrometres, Unit};

/// Edge of the cells that points are counted in, and of the surface that shows roofs and slopes: one metre.
const CELL: Micrometres = 1_000_000;
/// Cells of the surface at the most: where the sample lies wider apart, no roofs are looked for.
const MOST_CELLS: usize = 16_000_000;
/// Drop of the surface from one window to the next that a roof makes at least, micrometres: a hill comes down little by little.
const ROOF: f64 = 2.2e6;
/// How far a stray return lies below its surroundings at least, micrometres.
const STRAY: f64 = 1e6;
/// How much a roof varies within three by three cells at the most: a pitch of some 35 degrees.
const SMOOTH: f64 = 1.6e6;
/// Widest window that roofs are looked for with, in cells.
const WIDEST: usize = 61;

/// What a sample shows. Lengths in metres.
#[derive(Clone, Debug, Default)]
pub struct Sample {
    /// Points looked at.
    pub points: u64,
    /// Last returns a square metre, over the occupied cells, within one file.
    pub last_returns: f64,
    /// Points of all kinds a square metre, likewise.
    pub density: f64,
    /// Highest return number.
    pub highest_return: u8,
    /// Share of the points of class 2.
    pub classified: f64,
    /// Steepness of the ground that nineteen of twenty cells do not exceed, rise over run.
    pub steep: Option<f64>,
    /// Width of the widest roof seen.
    pub roof: Option<f64>,
}

/// Counts of a source.
#[derive(Default)]
struct Counts {
    points: u64,
    last: u64,
    ground: u64,
    /// Points by valid return number.
    by_return: [u64; MAX_RETURN + 1],
    /// Lowest elevation and number of points by cell, (row, column).
    cells: BTreeMap<(i64, i64), (Micrometres, u32)>,
}

impl Sample {
    /// From at most `most` points of the sources: a run of blocks in the middle of each, all of it where that is enough.
    ///
    /// # Errors
    /// When a block cannot be decoded.
    pub fn of(sources: &[Source], most: u64) -> Result<Self, CloudError> {
        let all: u64 = sources.iter().map(Source::points).sum();
        let share = (most as f64 / all.max(1) as f64).min(1.0);
        let counts: Vec<Counts> =
            sources.par_iter().map(|source| counts(source, share)).collect::<Result<_, _>>()?;
        let mut sample = Sample::default();
        let (mut last, mut ground, mut occupied) = (0, 0, 0);
        let mut by_return = [0; MAX_RETURN + 1];
        let mut surface: BTreeMap<(i64, i64), Micrometres> = BTreeMap::new();
        for one in counts {
            sample.points += one.points;
            (last, ground, occupied) = (last + one.last, ground + one.ground, occupied + one.cells.len());
            by_return.iter_mut().zip(one.by_return).for_each(|(all, own)| *all += own);
            for (place, (z, _)) in one.cells {
                surface.entry(place).and_modify(|low| *low = (*low).min(z)).or_insert(z);
            }
        }
        // A return of one point in ten thousand is no sample of anything.
        let seen = |number: &usize| by_return[*number] * 10_000 > sample.points;
        sample.highest_return = (1..=MAX_RETURN).rev().find(seen).unwrap_or(1) as u8;
        let area = occupied.max(1) as f64 * (CELL as f64 / 1e6).powi(2);
        sample.density = sample.points as f64 / area;
        sample.last_returns = last as f64 / area;
        sample.classified = ground as f64 / sample.points.max(1) as f64;
        if let Some(raster) = raster(&surface) {
            (sample.steep, sample.roof) = shape(raster);
        }
        Ok(sample)
    }
}

/// The blocks that make up `share` of a source, from its middle.
fn middle(blocks: &[Block], share: f64) -> &[Block] {
    let many =
        ((blocks.len() as f64 * share).ceil() as usize).clamp(usize::from(!blocks.is_empty()), blocks.len());
    let first = (blocks.len() - many) / 2;
    &blocks[first..first + many]
}

fn counts(source: &Source, share: f64) -> Result<Counts, CloudError> {
    let units = [source.crs().horizontal_unit.unit(), source.crs().vertical_unit.unit()];
    let [horizontal, vertical] = units.map(|unit| unit.unwrap_or(Unit::Metre));
    let mut decoder = source.decoder(Fields::default(), horizontal, vertical)?;
    let mut counts = Counts::default();
    for block in middle(source.blocks(), share) {
        decoder.for_each(block, |decoded| {
            let point = &decoded.point;
            if decoded.withheld || !decoded.in_range || point.is_noise() {
                return;
            }
            counts.points += 1;
            counts.last += u64::from(point.return_number >= point.number_of_returns);
            counts.ground += u64::from(point.is_ground_class());
            counts.by_return[usize::from(point.valid_return().unwrap_or(0))] += 1;
            let place = (point.y.div_euclid(CELL), point.x.div_euclid(CELL));
            let cell = counts.cells.entry(place).or_insert((point.z, 0));
            *cell = (cell.0.min(point.z), cell.1 + 1);
        })?;
    }
    // A cell with a point or two lies at an edge: it would make the cloud look thinner than it is.
    let usual = counts.points as f64 / counts.cells.len().max(1) as f64;
    counts.cells.retain(|_, (_, n)| f64::from(*n) >= 0.2 * usual);
    Ok(counts)
}

fn raster(surface: &BTreeMap<(i64, i64), Micrometres>) -> Option<Raster> {
    let (mut rows, mut columns) = ((i64::MAX, i64::MIN), (i64::MAX, i64::MIN));
    for &(row, column) in surface.keys() {
        rows = (rows.0.min(row), rows.1.max(row + 1));
        columns = (columns.0.min(column), columns.1.max(column + 1));
    }
    let cells = rows.1.checked_sub(rows.0)?.checked_mul(columns.1.checked_sub(columns.0)?)?;
    if surface.is_empty() || cells > MOST_CELLS as i64 {
        return None;
    }
    let ends = |(first, end): (i64, i64)| (first * CELL, end * CELL);
    let mut raster = Raster::empty(Extent::covering(CELL as f64, ends(columns), ends(rows), 0));
    for (&(row, column), &z) in surface {
        raster.lower(column * CELL + CELL / 2, row * CELL + CELL / 2, z);
    }
    // A stray return far below would pull the surface of all that lies within a window down.
    for low in low_cells(&raster, STRAY) {
        raster.values[low.index] = EMPTY;
    }
    fill_nearest(&mut raster, 3.0);
    Some(raster)
}

/// Steepness of the ground, and width of the widest roof, of a surface of lowest elevations.
fn shape(lowest: Raster) -> (Option<f64>, Option<f64>) {
    let (columns, rows) = (lowest.extent.columns, lowest.extent.rows);
    let around = |i: usize| -> Option<[f64; 9]> {
        let (column, row) = (i % columns, i / columns);
        if column == 0 || row == 0 || column + 1 == columns || row + 1 == rows {
            return None;
        }
        let at = |k: usize| lowest.values[(row + k / 3 - 1) * columns + column + k % 3 - 1];
        let values: [f64; 9] = std::array::from_fn(at);
        values.iter().all(|v| *v != EMPTY).then_some(values)
    };
    let spread = |values: &[f64; 9]| {
        values.iter().copied().fold(f64::MIN, f64::max) - values.iter().copied().fold(f64::MAX, f64::min)
    };
    let smooth: Vec<bool> =
        (0..lowest.values.len()).map(|i| around(i).is_some_and(|values| spread(&values) < SMOOTH)).collect();
    // The window that takes a cell's surface down by the height of a roof tells how wide what stands there is.
    let mut scratch = Scratch::default();
    let mut opened = lowest.clone();
    let mut widths: BTreeMap<usize, usize> = BTreeMap::new();
    let mut taken = vec![false; lowest.values.len()];
    for window in (3..=WIDEST).step_by(2) {
        let mut wider = opened.clone();
        open(&mut wider, window, &mut scratch);
        for (i, taken) in taken.iter_mut().enumerate() {
            if !*taken && smooth[i] && opened.values[i] - wider.values[i] > ROOF {
                *taken = true;
                *widths.entry(window).or_default() += 1;
            }
        }
        opened = wider;
    }
    // A roof as wide has about the square of its width of cells, less its rim; half of that, so that one counts.
    let roof = widths
        .iter()
        .rev()
        .find(|(window, cells)| **cells as f64 > 0.4 * ((**window - 2) as f64).powi(2).max(16.0));
    let roof = roof.map(|(window, _)| (*window as f64 - 1.0) * CELL as f64 / 1e6);
    let mut steep: Vec<f64> = (0..opened.values.len())
        .filter_map(|i| {
            let (column, row) = (i % columns, i / columns);
            if column < 2 || row < 2 || column + 2 >= columns || row + 2 >= rows || taken[i] {
                return None;
            }
            let along = |step: usize| lowest.values[i + 2 * step] - lowest.values[i - 2 * step];
            let (x, y) = (along(1) / (4.0 * CELL as f64), along(columns) / (4.0 * CELL as f64));
            (x.is_finite() && y.is_finite() && smooth[i]).then(|| (x * x + y * y).sqrt())
        })
        .collect();
    steep.sort_by(f64::total_cmp);
    let at = (steep.len() as f64 * 0.95) as usize;
    (steep.get(at.min(steep.len().saturating_sub(1))).copied(), roof)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A slope of 20 %, over which a hill rises by 8 m, with a house 12 m by 20 m.
    #[test]
    fn slopes_and_roofs_are_measured() {
        let mut surface = BTreeMap::new();
        for row in 0..120i64 {
            for column in 0..150i64 {
                let far = ((row - 90) * (row - 90) + (column - 110) * (column - 110)) as f64;
                let hill = (8e6 * (-far / 400.0).exp()) as i64;
                let ground = column * 200_000 + hill;
                let house = (40..52).contains(&row) && (60..80).contains(&column);
                surface.insert((row, column), if house { 70 * 200_000 + 6_000_000 } else { ground });
            }
        }
        let (steep, roof) = shape(raster(&surface).unwrap());
        surface.insert((20, 30), -20_000_000);
        assert_eq!(shape(raster(&surface).unwrap()).1, roof);
        assert!((0.2..0.5).contains(&steep.unwrap()), "{steep:?}");
        assert!((roof.unwrap() - 12.0).abs() <= 2.0, "{roof:?}");
        let flat = (0..3_600i64).map(|i| ((i / 60, i % 60), 5_000_000)).collect();
        let (steep, roof) = shape(raster(&flat).unwrap());
        assert_eq!((steep, roof), (Some(0.0), None));
        assert!(raster(&BTreeMap::new()).is_none());
    }
}
