//! A shift in plan of one surface against another, from how their difference follows the gradient of the ground.
//!
//! Where a survey lies too far east by e and too far north by n, dz = a − e ∂z/∂x − n ∂z/∂y. Least squares of that
//! (Rosenholm and Torlegård 1988) take everything for a shift that happens to follow the slopes: a tilt of the site, strips of
//! different level, an error that neighbours share. So means of small cells are taken, and only the *differences* of cells near
//! each other in one strip: what both share drops out, whatever it is; a tilt is fitted beside the shift. Differences that do
//! not fit count less (Huber 1964, from memory). How far "near" is follows from the ground alone: the shortest reach over
//! which its gradients differ enough.
//!
//! A gradient that is smoothed is too small, so that the shift comes out too large; one that is not has noise, which draws the
//! shift towards zero. So the smoothed one serves as instrument of the other (errors in variables: what dz is explained by is
//! right on average, what it is projected on has hardly any noise).
//!
//! Intervals come from leaving out blocks of the site one by one (jackknife), as long as the reach, twice as long, and bands
//! along either axis: the widest counts. Lengths are micrometres.

use std::collections::BTreeMap;

use crate::stats::distributions::{f_sf, t_quantile};
use crate::stats::shift_equations::{Difference, Normal, inverse};
use crate::tile::gradient::Gradient;

/// Edge of the smallest cells, micrometres; each rung doubles it.
const SMALLEST: i64 = 2_500_000;
/// Rungs of the ladder of cells.
const RUNGS: u32 = 8;
/// Cells that are compared with each other lie so many edges apart at the most.
const REACH: i64 = 4;
/// A rung with more cells is passed over: they would take long and say no more.
const MOST_CELLS: usize = 10_000;
/// SD of the gradients within reach, in the direction in which they differ least, that is enough at the first rung that has
/// it: the noise of a gradient then draws the shift towards zero by a few per cent at the most.
const STEEP_ENOUGH: f64 = 0.02;
/// Below it nothing can be told: 10 cm in plan would add a millimetre to dz.
pub const STEEP_AT_LEAST: f64 = 0.01;
/// Effective number of blocks below which there is no interval.
const FEWEST_BLOCKS: f64 = 6.0;
/// The same for joined blocks. Between both they give another variance alone: degrees of freedom stay those of single blocks.
const FEWEST_JOINED: f64 = 3.0;
/// A cell's mean varies by what neighbours share, and by its own noise over its number: about as much as the former with this many.
const ENOUGH_IN_CELL: f64 = 10.0;
/// From so many standard deviations on a difference counts less (95 % efficiency for normal errors).
const HUBER: f64 = 1.345;
/// How well the scale of gradients is known, one standard deviation, as a share of a shift: at the roughest of the sites tried the
/// shift came out a hundredth too large.
const SCALE: f64 = 0.015;
/// Steps of reweighting.
const STEPS: usize = 5;

/// A comparison as the fit needs it.
#[derive(Clone, Copy, Debug)]
pub struct Sloped {
    /// Easting and northing.
    pub at: [i64; 2],
    /// Survey minus reference elevation.
    pub dz: i64,
    /// Rise of the ground eastwards and northwards, smoothed.
    pub gradient: Gradient,
    /// The same, not smoothed.
    pub local: Gradient,
    /// Flight strip.
    pub strip: u16,
}

/// Whole sums of a cell.
#[derive(Clone, Copy, Debug, Default)]
struct CellSums {
    n: i64,
    at: [i64; 2],
    dz: i64,
    gradient: [i64; 2],
    local: [i64; 2],
}

impl CellSums {
    fn merge(&mut self, other: &CellSums) {
        self.n += other.n;
        self.dz += other.dz;
        for i in 0..2 {
            self.at[i] += other.at[i];
            self.gradient[i] += other.gradient[i];
            self.local[i] += other.local[i];
        }
    }
}

/// Strip, row and column.
type Key = (u16, i64, i64);

/// Means of a cell: place in metres, dz in micrometres, rise over run.
#[derive(Clone, Copy, Debug)]
struct Mean {
    n: f64,
    at: [f64; 2],
    dz: f64,
    gradient: [f64; 2],
    local: [f64; 2],
}

/// A shift in plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// How far the survey lies too far east and north.
    pub shift: [f64; 2],
    /// Covariance: the widest.
    pub covariance: [[f64; 2]; 2],
    /// Half the width of the 95 % intervals.
    pub half: [f64; 2],
    /// Probability of so large a shift by chance.
    pub probability: f64,
    /// Effective number of blocks.
    pub blocks: f64,
}

/// Why there is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoShift {
    /// The comparisons lie in too few places.
    FewPlaces,
    /// The slopes differ too little, or in one direction only, or as a tilt would have it.
    FewSlopes,
}

/// The shift of all strips together and of each by itself.
#[derive(Debug)]
pub struct Shifts {
    /// Of all.
    pub all: Result<Shift, NoShift>,
    /// Of each strip, with its number of comparisons.
    pub strips: BTreeMap<u16, (u64, Result<Shift, NoShift>)>,
    /// SD of the gradients over the reach, in the direction in which they differ least; 0 where there are no differences.
    pub steepness: f64,
}

/// The shift that comparisons show.
pub fn shifts(all: &[Sloped]) -> Shifts {
    let mut best: Option<(f64, Vec<(Key, Mean)>)> = None;
    let mut cells = sums(all);
    for rung in 0..RUNGS {
        if rung > 0 {
            cells = coarser(&cells);
        }
        if cells.len() > MOST_CELLS {
            continue;
        }
        let means = means(&cells);
        let differences = differences(&means);
        let (blocks, whole) = equations(&differences, |one| one.weight);
        if obstacle(&blocks, &whole) == Some(NoShift::FewPlaces) {
            continue;
        }
        let steepness = whole.steepness();
        if best.as_ref().is_none_or(|(steepest, _)| steepness > *steepest) {
            best = Some((steepness, means));
        }
        if steepness >= STEEP_ENOUGH {
            break;
        }
    }
    let Some((steepness, cells)) = best else {
        return Shifts { all: Err(NoShift::FewPlaces), strips: BTreeMap::new(), steepness: 0.0 };
    };
    let by_strip = cells.chunk_by(|(one, _), (other, _)| one.0 == other.0);
    let n = |own: &[(Key, Mean)]| own.iter().map(|(_, mean)| mean.n as u64).sum();
    let strips = by_strip.map(|own| (own[0].0.0, (n(own), shift(own)))).collect();
    Shifts { all: shift(&cells), strips, steepness }
}

/// Sums of the smallest cells.
fn sums(all: &[Sloped]) -> Vec<(Key, CellSums)> {
    // Counted from the corner of all, so that sums are whole and small.
    let least = |axis: usize| all.iter().map(|one| one.at[axis]).min().unwrap_or(0);
    let base = [least(0), least(1)];
    let mut cells: BTreeMap<Key, CellSums> = BTreeMap::new();
    for one in all {
        let key = (one.strip, one.at[1].div_euclid(SMALLEST), one.at[0].div_euclid(SMALLEST));
        let sums = CellSums {
            n: 1,
            at: [one.at[0] - base[0], one.at[1] - base[1]],
            dz: one.dz,
            gradient: [one.gradient.east, one.gradient.north].map(i64::from),
            local: [one.local.east, one.local.north].map(i64::from),
        };
        cells.entry(key).or_default().merge(&sums);
    }
    cells.into_iter().collect()
}

/// Sums of cells twice as wide.
fn coarser(cells: &[(Key, CellSums)]) -> Vec<(Key, CellSums)> {
    let mut all: BTreeMap<Key, CellSums> = BTreeMap::new();
    for ((strip, row, column), sums) in cells {
        all.entry((*strip, row.div_euclid(2), column.div_euclid(2))).or_default().merge(sums);
    }
    all.into_iter().collect()
}

/// Means of cells, in their order.
fn means(cells: &[(Key, CellSums)]) -> Vec<(Key, Mean)> {
    let mean = |sums: &CellSums| {
        let n = sums.n as f64;
        Mean {
            n,
            at: sums.at.map(|at| at as f64 / n / 1e6),
            dz: sums.dz as f64 / n,
            gradient: sums.gradient.map(|rise| rise as f64 * Gradient::STEP / n),
            local: sums.local.map(|rise| rise as f64 * Gradient::STEP / n),
        }
    };
    cells.iter().map(|(key, sums)| (*key, mean(sums))).collect()
}

/// The row and column of a block.
type Block = (i64, i64);

/// The differences of cells within reach in one strip, with the block of the first.
fn differences(cells: &[(Key, Mean)]) -> Vec<(Block, Difference)> {
    let mut all = Vec::new();
    for (i, (key, one)) in cells.iter().enumerate() {
        let (strip, row, column) = *key;
        let block = (row.div_euclid(REACH), column.div_euclid(REACH));
        for north in 0..=REACH {
            let first = if north == 0 { column + 1 } else { column - REACH };
            let start = i + cells[i..].partition_point(|(key, _)| *key < (strip, row + north, first));
            let within =
                cells[start..].iter().take_while(|(key, _)| *key <= (strip, row + north, column + REACH));
            for ((_, _, other_column), other) in within.map(|(key, mean)| (*key, mean)) {
                let east = other_column - column;
                if east * east + north * north > REACH * REACH {
                    continue;
                }
                let [east, north] = [0, 1].map(|i| other.at[i] - one.at[i]);
                let explained = |a: [f64; 2], b: [f64; 2]| [a[0] - b[0], a[1] - b[1], east, north];
                let difference = Difference {
                    by: explained(one.local, other.local),
                    on: explained(one.gradient, other.gradient),
                    dz: other.dz - one.dz,
                    weight: 1.0 / (1.0 / one.n + 1.0 / other.n + 2.0 / ENOUGH_IN_CELL),
                };
                all.push((block, difference));
            }
        }
    }
    all
}

/// How blocks as long as the reach are joined, beside one by one.
const JOINS: [fn(Block) -> Block; 3] = [
    |(row, column)| (row.div_euclid(2), column.div_euclid(2)),
    |(_, column)| (0, column),
    |(row, _)| (row, 0),
];

/// Blocks and their normal equations, joined.
fn joined(blocks: &BTreeMap<Block, Normal>, join: fn(Block) -> Block) -> Vec<Normal> {
    let mut all: BTreeMap<Block, Normal> = BTreeMap::new();
    for (block, own) in blocks {
        let of = all.entry(join(*block)).or_default();
        *of = of.plus(own, 1.0);
    }
    all.into_values().collect()
}

/// Effective number of blocks, by what each adds to the information on the shift.
fn effective(blocks: &[Normal], whole: &Normal) -> f64 {
    let Some(inverse) = inverse(&whole.on) else { return 0.0 };
    let share = |block: &Normal| -> f64 {
        (0..2).map(|i| (0..4).map(|j| inverse[i][j] * block.on[j][i]).sum::<f64>()).sum()
    };
    let (sum, squares) = blocks.iter().map(share).fold((0.0, 0.0), |(s, q), v| (s + v, q + v * v));
    if squares > 0.0 { sum * sum / squares } else { 0.0 }
}

/// Why a shift cannot be told from these blocks, if it cannot.
fn obstacle(blocks: &BTreeMap<Block, Normal>, whole: &Normal) -> Option<NoShift> {
    if (blocks.len() as f64) < FEWEST_BLOCKS {
        return Some(NoShift::FewPlaces);
    }
    // Where there are hardly any slopes, what little there is lies anywhere.
    if whole.steepness() < STEEP_AT_LEAST {
        return Some(NoShift::FewSlopes);
    }
    let blocks: Vec<Normal> = blocks.values().copied().collect();
    (effective(&blocks, whole) < FEWEST_BLOCKS).then_some(NoShift::FewPlaces)
}

/// The normal equations of each block, and of all, with these weights.
fn equations(
    differences: &[(Block, Difference)],
    weight: impl Fn(&Difference) -> f64,
) -> (BTreeMap<Block, Normal>, Normal) {
    let mut blocks: BTreeMap<Block, Normal> = BTreeMap::new();
    for (block, one) in differences {
        blocks.entry(*block).or_default().add(one, weight(one));
    }
    let whole = blocks.values().fold(Normal::default(), |sum, own| sum.plus(own, 1.0));
    (blocks, whole)
}

/// The shift of these cells.
fn shift(cells: &[(Key, Mean)]) -> Result<Shift, NoShift> {
    let differences = differences(cells);
    let (mut blocks, mut whole) = equations(&differences, |one| one.weight);
    if let Some(why) = obstacle(&blocks, &whole) {
        return Err(why);
    }
    for _ in 0..STEPS {
        let Some(found) = whole.solve() else { return Err(NoShift::FewSlopes) };
        let residual = |one: &Difference| {
            let fitted: f64 = one.by.iter().zip(found).map(|(by, found)| by * found).sum();
            (one.dz - fitted).abs() * one.weight.sqrt()
        };
        let mut sizes: Vec<f64> = differences.iter().map(|(_, one)| residual(one)).collect();
        let middle = sizes.len() / 2;
        let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
        let most = HUBER * 1.4826 * *median;
        (blocks, whole) = equations(&differences, |one| {
            let size = residual(one);
            if size > most { one.weight * most / size } else { one.weight }
        });
    }
    let found = whole.solve().ok_or(NoShift::FewSlopes)?;
    let shift = [found[0], found[1]];
    // Weights have changed since it was first asked.
    let singles: Vec<Normal> = blocks.values().copied().collect();
    let single = effective(&singles, &whole);
    if single < FEWEST_JOINED {
        return Err(NoShift::FewPlaces);
    }
    let mut out =
        Shift { shift, covariance: [[0.0; 2]; 2], half: [0.0; 2], probability: 0.0, blocks: single };
    let mut found_any = false;
    let joins = JOINS.map(|join| joined(&blocks, join));
    for blocks in [singles].into_iter().chain(joins) {
        let own = effective(&blocks, &whole);
        if own < FEWEST_JOINED {
            continue;
        }
        let Some(mut covariance) = jackknife(&blocks, &whole, shift) else { continue };
        for (i, row) in covariance.iter_mut().enumerate() {
            (0..2).for_each(|j| row[j] += SCALE * SCALE * shift[i] * shift[j]);
        }
        let df = if own < FEWEST_BLOCKS { single } else { own } - 1.0;
        let Some(t) = t_quantile(0.975, df) else { continue };
        found_any = true;
        let probability = probability(shift, covariance, df);
        for (axis, half) in out.half.iter_mut().enumerate() {
            *half = half.max(t * covariance[axis][axis].sqrt());
        }
        if probability >= out.probability {
            (out.probability, out.covariance) = (probability, covariance);
        }
    }
    if found_any { Ok(out) } else { Err(NoShift::FewPlaces) }
}

/// Covariance of the shift, by leaving out the blocks one by one.
fn jackknife(blocks: &[Normal], whole: &Normal, shift: [f64; 2]) -> Option<[[f64; 2]; 2]> {
    let mut sums = [[0.0; 2]; 2];
    for block in blocks {
        let without = whole.plus(block, -1.0).solve()?;
        let change = [without[0] - shift[0], without[1] - shift[1]];
        for i in 0..2 {
            (0..2).for_each(|j| sums[i][j] += change[i] * change[j]);
        }
    }
    let times = (blocks.len() as f64 - 1.0) / blocks.len() as f64;
    Some(sums.map(|row| row.map(|sum| sum * times)))
}

/// Probability of so large a shift by chance (Hotelling), of a covariance known from so many degrees of freedom.
pub fn probability([east, north]: [f64; 2], [[p, q], [_, r]]: [[f64; 2]; 2], df: f64) -> f64 {
    let determinant = p * r - q * q;
    if determinant.is_nan() || determinant <= 0.0 {
        return 1.0;
    }
    let square = (r * east * east - 2.0 * q * east * north + p * north * north) / determinant;
    f_sf(square * (df - 1.0) / (2.0 * df), 2.0, df - 1.0).unwrap_or(1.0)
}

#[cfg(test)]
#[path = "shift_tests.rs"]
mod tests;
