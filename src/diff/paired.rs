//! dz of two runs at the same places: the mean of the differences, and its 95 % interval.
//!
//! What both runs share at a place (the ground, the reference, the pattern of the flight) drops out of the difference. What is left may
//! still be correlated from place to place, so that the interval is made as those of the runs are: over 300 places by the
//! kinds of shared error that they do not exclude ([`Estimates`]), otherwise by those of few points ([`Few`]).

use serde::Serialize;

use crate::diff::contents::Figures;
use crate::diff::places::{Matched, Pair, Place, matched};
use crate::diff::run_folder::RunFolder;
use crate::stats::blocks::{BlockSums, default_size_um, finest_size_um};
use crate::stats::delivered::Delivered;
use crate::stats::estimates::{Estimate, Estimates};
use crate::stats::few::{Few, FewPoint};
use crate::stats::moments::Moments;
use crate::stats::placed::Placed;
use crate::stats::variogram::correlation;
use crate::units::Unit;

/// Fewest common places of which anything is said.
const FEWEST: usize = 3;
/// Most for which each place is weighed by itself.
const FEW: usize = 300;
/// Blocks at the most.
const MOST_BLOCKS: usize = 16_000;
/// Differences up to this come from the rounding of the tables, micrometres: five decimals of a foot twice.
const ROUNDING: i64 = 7;

/// The comparison at common places. Lengths in the unit of the first run.
#[derive(Debug, Serialize)]
pub struct Paired {
    /// Places that both list: same position in plan, same return.
    pub places: usize,
    /// Those of them where dz is not the same.
    pub changed: usize,
    /// Whether a list is a draw from the comparisons of its run, so that a place may be missing by chance.
    pub drawn: bool,
    /// Places that one run alone lists.
    pub only: [Only; 2],
    /// All common places together; nothing with fewer than three.
    pub all: Option<PairedRow>,
    /// By return.
    pub returns: Vec<PairedRow>,
    /// Where there are no common places: the biases of both runs, as if each came from a sample of its own.
    pub unpaired: Vec<Unpaired>,
    /// Whether the boxes around the places of both overlap.
    pub boxes_overlap: bool,
}

/// Places of one run alone.
#[derive(Debug, Serialize)]
pub struct Only {
    /// How many.
    pub places: u64,
    /// Mean of dz there.
    pub bias: Option<f64>,
}

/// Differences of dz at common places: second minus first.
#[derive(Debug, Serialize)]
pub struct PairedRow {
    /// The return; nothing of all together, and of surveyed points.
    #[serde(rename = "return")]
    pub return_number: Option<u8>,
    /// Places.
    pub n: u64,
    /// Bias at these places in the first run, and in the second.
    pub biases: [f64; 2],
    /// Mean of the differences.
    pub difference: f64,
    /// 95 % interval of that, for all ground that the surveys share.
    pub ci95: Option<[f64; 2]>,
    /// Sample standard deviation of the differences.
    pub sd: Option<f64>,
    /// Effective number of places.
    pub n_effective: Option<f64>,
    /// What the interval says.
    pub finding: Finding,
}

/// What the differences at the same places say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// No difference but rounding.
    Same,
    /// Every place differs by the same length.
    Constant,
    /// The interval leaves 0 out.
    Real,
    /// The interval holds 0.
    Chance,
    /// There is no interval.
    Unknown,
}

/// The biases of two runs beside each other.
#[derive(Debug, Serialize)]
pub struct Unpaired {
    /// The return; nothing of all together.
    #[serde(rename = "return")]
    pub return_number: Option<u8>,
    /// Comparisons of both.
    pub n: [u64; 2],
    /// Second bias minus first.
    pub difference: f64,
    /// 95 % interval, as if the samples were independent; nothing where a run has none.
    pub ci95: Option<[f64; 2]>,
}

/// Compares two runs at the places that both list.
pub fn paired(first: &RunFolder, second: &RunFolder) -> Paired {
    let unit = first.summary.units;
    let length = |um: f64| unit.from_micrometres(um);
    let Matched { pairs, only } = matched(&first.places, &second.places);
    let only = only.map(|places| {
        let mut sums = Moments::default();
        places.iter().for_each(|place| sums.add(place.dz));
        Only { places: sums.n, bias: sums.mean().map(length) }
    });
    let (all, returns) = rows(&pairs, unit);
    Paired {
        places: pairs.len(),
        changed: pairs.iter().filter(|pair| pair.difference.abs() > ROUNDING).count(),
        drawn: [first, second].into_iter().any(is_drawn),
        unpaired: if all.is_none() { unpaired(first, second) } else { Vec::new() },
        boxes_overlap: overlap(&first.places, &second.places),
        only,
        all,
        returns,
    }
}

/// Whether some return has comparisons that its list leaves out.
fn is_drawn(run: &RunFolder) -> bool {
    let listed = |number: u8| run.places.iter().filter(|place| place.return_number == number).count();
    run.summary.returns.iter().any(|row| {
        let listed = listed(row.number) as u64;
        listed > 0 && listed < row.figures.compared
    })
}

fn overlap(first: &[Place], second: &[Place]) -> bool {
    let boxed = |places: &[Place]| {
        let ends = |of: fn(&Place) -> i64| Some((places.iter().map(of).min()?, places.iter().map(of).max()?));
        Some([ends(|place| place.at.0)?, ends(|place| place.at.1)?])
    };
    let Some((one, other)) = boxed(first).zip(boxed(second)) else { return false };
    one.iter().zip(&other).all(|(one, other)| one.0 <= other.1 && other.0 <= one.1)
}

/// All pairs together, and return by return.
fn rows(pairs: &[Pair], unit: Unit) -> (Option<PairedRow>, Vec<PairedRow>) {
    if pairs.len() < FEWEST {
        return (None, Vec::new());
    }
    let numbers = numbers(pairs.iter().map(|pair| &pair.place));
    let samples = Samples::new(pairs, &numbers);
    let all: Vec<u16> = (0..numbers.len() as u16).collect();
    let row = |number: Option<u8>, members: &[u16]| {
        let own = pairs.iter().filter(|pair| number.is_none_or(|number| pair.place.return_number == number));
        row(number, &own.collect::<Vec<_>>(), samples.estimate(members), unit)
    };
    let by_return = numbers.iter().zip(&all).filter(|(number, _)| **number > 0);
    let returns = by_return.map(|(number, group)| row(Some(*number), &[*group])).collect();
    (Some(row(None, &all)), returns)
}

fn row(return_number: Option<u8>, pairs: &[&Pair], estimate: Option<Estimate>, unit: Unit) -> PairedRow {
    let length = |um: f64| unit.from_micrometres(um);
    let (mut first, mut differences) = (Moments::default(), Moments::default());
    for pair in pairs {
        first.add(pair.place.dz);
        differences.add(pair.difference);
    }
    let (before, difference) = (first.mean().unwrap_or(0.0), differences.mean().unwrap_or(0.0));
    let (least, most) = (differences.min().unwrap_or_default(), differences.max().unwrap_or_default());
    let ends = estimate.and_then(|estimate| estimate.mean_ci95);
    let finding = match ends {
        _ if least >= -ROUNDING && most <= ROUNDING => Finding::Same,
        _ if most - least <= 2 * ROUNDING => Finding::Constant,
        Some([low, high]) if low > 0.0 || high < 0.0 => Finding::Real,
        Some(_) => Finding::Chance,
        None => Finding::Unknown,
    };
    let known = !matches!(finding, Finding::Same | Finding::Constant);
    PairedRow {
        return_number,
        n: differences.n,
        biases: [before, before + difference].map(length),
        difference: length(difference),
        ci95: ends.filter(|_| known).map(|ends| ends.map(length)),
        sd: differences.sd().map(length),
        n_effective: estimate.and_then(|estimate| estimate.n_effective).filter(|_| known),
        finding,
    }
}

/// The differences, made ready for intervals of groups of returns.
enum Samples {
    Few(Option<Few>, Vec<FewPoint>),
    Many(Box<Estimates>),
}

impl Samples {
    /// Of pairs, each in the group of its return.
    fn new(pairs: &[Pair], numbers: &[u8]) -> Self {
        let group = |pair: &Pair| numbers.binary_search(&pair.place.return_number).unwrap_or(0) as u16;
        // The survey's ground beyond these places is not in the run folder: the figures are those of such ground.
        let delivered = Delivered::default();
        if pairs.len() <= FEW {
            let point = |pair: &Pair| FewPoint {
                at: pair.place.at,
                strip: pair.place.strip,
                dz: pair.difference,
                set: group(pair),
            };
            let points: Vec<FewPoint> = pairs.iter().map(point).collect();
            return Samples::Few(Few::new(&points, &delivered), points);
        }
        let placed = |pair: &Pair| {
            let (x, y) = pair.place.at;
            Placed { x, y, dz: pair.difference, limit: None, group: group(pair) }
        };
        let mut placed: Vec<Placed> = pairs.iter().map(placed).collect();
        placed.sort_unstable();
        let block = default_size_um(&correlation(&placed, 0), &placed);
        let mut sums = BlockSums::new(finest_size_um(block, &placed), numbers.len());
        for pair in pairs {
            sums.add(pair.place.at, group(pair), pair.place.strip.unwrap_or(0), pair.difference);
        }
        let alike: Vec<u16> = (0..numbers.len() as u16).collect();
        let all = pairs.len() as u64;
        Samples::Many(Box::new(Estimates::new(sums.at_most(MOST_BLOCKS), &delivered, &alike, all)))
    }

    fn estimate(&self, members: &[u16]) -> Option<Estimate> {
        match self {
            Samples::Few(few, points) => {
                let own = points.iter().enumerate().filter(|(_, point)| members.contains(&point.set));
                let own: Vec<(usize, i64)> = own.map(|(i, point)| (i, point.dz)).collect();
                few.as_ref().map(|few| few.of(&own, 0.0))
            }
            Samples::Many(estimates) => Some(estimates.of(members, u64::MAX)),
        }
    }
}

/// The biases beside each other, all together and by return, as if the samples were independent. The intervals of the runs are those
/// of the ground that each delivered; here they are made again from the places listed, for ground that neither has seen.
fn unpaired(first: &RunFolder, second: &RunFolder) -> Vec<Unpaired> {
    let units = [first, second].map(|run| run.summary.units);
    let [of_first, of_second] = [first, second].map(|run| OwnIntervals::of(&run.places));
    let row = |return_number: Option<u8>, one: &Figures, other: &Figures| {
        let other = other.clone().in_unit(units[1], units[0]);
        let difference = other.bias? - one.bias?;
        let half = || Some(of_first.half(return_number)?.hypot(of_second.half(return_number)?));
        let half = half().map(|um| units[0].from_micrometres(um));
        let ci95 = half.map(|half| [difference - half, difference + half]);
        Some(Unpaired { return_number, n: [one.compared, other.compared], difference, ci95 })
    };
    let [one, other] = [&first.summary, &second.summary];
    let returns = one.returns.iter().filter_map(|of_return| {
        let same = other.returns.iter().find(|same| same.number == of_return.number)?;
        row(Some(of_return.number), &of_return.figures, &same.figures)
    });
    row(None, &one.all, &other.all).into_iter().chain(returns).collect()
}

/// Intervals of the bias at the places of one run.
struct OwnIntervals {
    numbers: Vec<u8>,
    samples: Option<Samples>,
}

impl OwnIntervals {
    fn of(places: &[Place]) -> Self {
        let numbers = numbers(places.iter());
        let values: Vec<Pair> = places.iter().map(|&place| Pair { place, difference: place.dz }).collect();
        let samples = (places.len() >= FEWEST).then(|| Samples::new(&values, &numbers));
        OwnIntervals { numbers, samples }
    }

    /// Half the width of the interval of a return, or of all, micrometres.
    fn half(&self, return_number: Option<u8>) -> Option<f64> {
        let members: Vec<u16> = match return_number {
            None => (0..self.numbers.len() as u16).collect(),
            Some(number) => vec![self.numbers.binary_search(&number).ok()? as u16],
        };
        let [low, high] = self.samples.as_ref()?.estimate(&members)?.mean_ci95?;
        Some((high - low) / 2.0)
    }
}

/// The return numbers that occur, ascending.
fn numbers<'a>(places: impl Iterator<Item = &'a Place>) -> Vec<u8> {
    let mut numbers: Vec<u8> = places.map(|place| place.return_number).collect();
    numbers.sort_unstable();
    numbers.dedup();
    numbers
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulated::{Field, Normal, Site};

    const TRIALS: u64 = 100;

    /// How often the interval of a shift of 4 mm held it, and how often it was found to be real: all together.
    fn trials(site: &Site) -> (u64, u64) {
        let (mut held, mut real) = (0, 0);
        for trial in 0..TRIALS {
            let residuals = site.residuals(&mut Normal::new(trial));
            let pair = |one: &Placed| {
                let place =
                    Place { at: (one.x, one.y), return_number: one.group as u8 + 1, dz: 0, strip: Some(1) };
                Pair { place, difference: one.dz }
            };
            let pairs: Vec<Pair> = residuals.iter().map(pair).collect();
            let (all, returns) = rows(&pairs, Unit::Metre);
            let [low, high] = all.as_ref().unwrap().ci95.unwrap();
            held += u64::from(low <= SHIFT && SHIFT <= high);
            real += u64::from(all.unwrap().finding == Finding::Real);
            assert_eq!(returns.len(), 3);
        }
        (held, real)
    }

    const SHIFT: f64 = 0.004;

    fn site(field: Field, field_sd: f64, noise: f64, residuals: usize) -> Site {
        Site { side: 100, field, field_sd, returns: [(4_000.0, noise); 3], residuals }
    }

    #[test]
    fn intervals_hold_the_shift_where_differences_are_correlated_and_where_not() {
        // With 95 % of 100 at least 89 hold in 99 of 100 times (binomial). 60 to 1,500 places on a hectare, noise of 10 to
        // 30 mm, error shared over 4 to 10 m of up to 15 mm.
        for (field, field_sd, noise, n) in [
            (Field::Exponential(1.0), 0.0, 10_000.0, 800),
            (Field::Exponential(4.0), 8_000.0, 20_000.0, 1_500),
            (Field::MovingAverage(10), 15_000.0, 10_000.0, 600),
            (Field::Exponential(1.0), 0.0, 30_000.0, 60),
            (Field::Exponential(4.0), 8_000.0, 10_000.0, 150),
        ] {
            let (held, real) = trials(&site(field, field_sd, noise, n));
            println!("{field:?} {field_sd} {noise} {n}: held {held}, real {real}");
            assert!(held >= 89, "{field:?} {field_sd} {noise} {n}: {held} of {TRIALS}");
        }
        // Well above its standard error of 0.4 mm it is found every time.
        assert_eq!(trials(&site(Field::Exponential(1.0), 0.0, 10_000.0, 800)).1, TRIALS);
    }

    #[test]
    fn what_is_the_same_or_shifted_as_a_whole_needs_no_interval() {
        let pairs = |difference: &dyn Fn(i64) -> i64, n: i64| -> Vec<Pair> {
            let place = |i: i64| Place { at: (i * 1_000_000, 0), return_number: 1, dz: i, strip: None };
            (0..n).map(|i| Pair { place: place(i), difference: difference(i) }).collect()
        };
        let finding = |pairs: &[Pair]| rows(pairs, Unit::Metre).0.map(|row| (row.finding, row.ci95));
        assert_eq!(finding(&pairs(&|_| 0, 2)), None);
        for n in [3, 400] {
            assert_eq!(finding(&pairs(&|i| i % 3, n)), Some((Finding::Same, None)));
            assert_eq!(finding(&pairs(&|i| 5_000 + i % 3, n)), Some((Finding::Constant, None)));
        }
        let few = finding(&pairs(&|i| 1_000 * (i % 5), 30)).unwrap();
        assert_eq!(few.0, Finding::Real);
    }
}
