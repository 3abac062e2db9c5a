//! Each return beside the first, like for like: later returns lie where there is cover, so that all of a return beside all of
//! another would compare places.
//!
//! Both returns are looked at in the cells that hold both, a cell being one block of the site and, where they are told
//! apart, one cover and class of slope. Both get the same weight in each cell, n₁n₂/(n₁ + n₂), which tells a difference of means
//! best where the spreads are alike. So an error that all returns share at a place drops out, and so does all ground that
//! only one of them reached. Spread is that about the mean of its own kind of ground.
//!
//! No verdict rests on the level of the reference. That two returns lie at different levels is known without it; which of them
//! is nearer the ground is not, so that a bias is `different`, with its sign, and never worse or better.
//!
//! Intervals take blocks for independent, joined to larger squares and to bands of rows and columns; of these partitions
//! the one with the widest interval counts, as long as it has enough blocks: t with the effective number of blocks less one.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use crate::results::statistics::{Interval, Order, Statistics, Support, Test, VsFirst};
use crate::stages::compared::Compared;
use crate::stats::blocks::{BlockSums, DzSums};
use crate::stats::distributions::t_quantile;
use crate::stats::group_tests::{FTest, brown_forsythe, welch};
use crate::stats::placed::{Placed, block_of};
use crate::tile::strata::{Cover, Strata};
use crate::trust::compliance::Reference;
use crate::trust::groups::{Group, Groups};
use crate::units::Unit;

/// How many blocks are joined along each side for the partitions.
const JOINED: [i64; 5] = [1, 2, 3, 4, 6];

/// Effective blocks below which a partition into joined blocks is left out. Tried on made sites, no source.
const ENOUGH_EFFECTIVE_BLOCKS: f64 = 8.0;

/// Effective blocks below which there is no interval at all.
const FEWEST_EFFECTIVE_BLOCKS: f64 = 3.0;

/// Compares every group that has a first one with it, from the sums of `blocks` of all comparisons and an `excerpt` of them
/// for the tests.
pub fn compare(
    blocks: &BlockSums,
    excerpt: &[Compared],
    groups: &Groups,
    reference: &Reference,
    seed: u64,
    units: Unit,
    rows: &mut [Statistics],
) {
    let thinned = thinned(excerpt, groups, blocks.size_um(), seed);
    let sides = Sides { blocks, places: blocks.rows_and_columns(), groups, thinned, reference, units };
    rows.par_iter_mut().zip(&groups.all).for_each(|(row, group)| {
        let first = groups.first_of(group).map(|first| &groups.all[first]);
        row.vs_first = first.and_then(|first| sides.compare(group, first));
    });
}

/// A block, as (row, column).
type Place = (i64, i64);

/// A kind of ground: what two returns must share to be compared.
type Kind = (Option<Cover>, Option<u8>);

fn kind(strata: &Strata) -> Kind {
    (strata.cover, strata.slope)
}

/// The comparison of smallest seeded hash of each finest group in each block, with its hash.
type Thinned = Vec<BTreeMap<Place, (u64, i64)>>;

fn thinned(excerpt: &[Compared], groups: &Groups, size: i64, seed: u64) -> Thinned {
    let mut all: Thinned = vec![BTreeMap::new(); groups.finest.len()];
    for one in excerpt {
        let Some(group) = groups.finest_of(&one.strata) else { continue };
        let placed = Placed { x: one.x, y: one.y, dz: one.dz, limit: None, group };
        let ranked = (placed.hash(seed), one.dz);
        let place = all[usize::from(group)].entry(block_of(one.x, one.y, size)).or_insert(ranked);
        *place = ranked.min(*place);
    }
    all
}

/// What the comparisons of two groups are made of.
struct Sides<'a> {
    blocks: &'a BlockSums,
    places: Vec<Place>,
    groups: &'a Groups,
    thinned: Thinned,
    reference: &'a Reference,
    units: Unit,
}

/// One block and kind of ground in which both have comparisons: the weight of both, and mean and mean square of each.
struct Cell {
    place: Place,
    kind: usize,
    weight: f64,
    mean: [f64; 2],
    square: [f64; 2],
}

impl Sides<'_> {
    /// A group beside its first; nothing where either has no comparison.
    fn compare(&self, group: &Group, first: &Group) -> Option<VsFirst> {
        if group.members.is_empty() || first.members.is_empty() {
            return None;
        }
        let kinds = self.common_kinds(group, first);
        let (cells, n) = self.cells(&kinds);
        let blocks: BTreeSet<Place> = cells.iter().map(|cell| cell.place).collect();
        // What is compared here rests on blocks, of surveyed points too.
        let support = Support { comparisons: n[0].min(n[1]), blocks: blocks.len() as u64, surveyed: false };
        let mut found = VsFirst { n, ..VsFirst::default() };
        let names = format!("{} and {}", group.by, first.by);
        if cells.is_empty() {
            let shared = if kinds.is_empty() { self.kind_name() } else { "ground" };
            found.reason = Some(format!("{names} share no {shared}: cannot be compared"));
            return Some(found);
        }
        self.figures(&cells, &mut found);
        (found.welch, found.brown_forsythe) = self.tests(&kinds, &blocks);
        if !support.is_enough_for_a_verdict() {
            found.reason = Some(format!(
                "{names} have fewer than {} comparisons each, or fewer than {} blocks, on the same ground",
                Support::FEWEST_FOR_A_VERDICT,
                Support::FEWEST_BLOCKS
            ));
            found.verdict = Order::Undecided;
            found.bias_verdict = Order::Undecided;
            found.spread_verdict = Order::Undecided;
        }
        Some(found)
    }

    /// What kinds of ground are told apart by.
    fn kind_name(&self) -> &'static str {
        let has = |of: fn(&Strata) -> bool| self.groups.finest.iter().any(of);
        match (has(|strata| strata.cover.is_some()), has(|strata| strata.slope.is_some())) {
            (true, true) => "cover and class of slope",
            (true, false) => "cover",
            (false, true) => "class of slope",
            (false, false) => "ground",
        }
    }

    /// The finest groups of the first and of the other, by the kinds of ground that both have.
    fn common_kinds(&self, group: &Group, first: &Group) -> Vec<[Vec<u16>; 2]> {
        let mut kinds: BTreeMap<Kind, [Vec<u16>; 2]> = BTreeMap::new();
        for (side, members) in [&first.members, &group.members].into_iter().enumerate() {
            for &member in members {
                let of_kind = kinds.entry(kind(&self.groups.finest[usize::from(member)])).or_default();
                of_kind[side].push(member);
            }
        }
        kinds.into_values().filter(|[first, other]| !first.is_empty() && !other.is_empty()).collect()
    }

    /// The cells that hold both, and how many comparisons of each lie in them.
    fn cells(&self, kinds: &[[Vec<u16>; 2]]) -> (Vec<Cell>, [u64; 2]) {
        let (mut cells, mut n) = (Vec::new(), [0; 2]);
        for (kind, sides) in kinds.iter().enumerate() {
            let [first, other] = [0, 1].map(|side| self.blocks.together(&sides[side]));
            for ((&place, first), other) in self.places.iter().zip(&first).zip(&other) {
                if first.n == 0 || other.n == 0 {
                    continue;
                }
                n = [n[0] + first.n, n[1] + other.n];
                let [a, b] = [first.n as f64, other.n as f64];
                let sides: [&DzSums; 2] = [first, other];
                cells.push(Cell {
                    place,
                    kind,
                    weight: a * b / (a + b),
                    mean: sides.map(|sums| sums.sum as f64 / sums.n as f64),
                    square: sides.map(|sums| sums.squares as f64 / sums.n as f64),
                });
            }
        }
        (cells, n)
    }

    /// Differences, ratios, their intervals and what those say.
    fn figures(&self, cells: &[Cell], found: &mut VsFirst) {
        let um = self.units.micrometres();
        let offset = self.reference.offset() * um;
        let all: f64 = cells.iter().map(|cell| cell.weight).sum();
        let partitions = Partitions::new(cells);
        let mean_of = |value: &dyn Fn(&Cell) -> f64| {
            cells.iter().map(|cell| cell.weight * value(cell)).sum::<f64>() / all
        };
        let half = |error: &dyn Fn(&Cell) -> f64| partitions.half_width(error);
        let difference = |cell: &Cell| cell.mean[1] - cell.mean[0];
        let bias = mean_of(&difference);
        let bias_half = half(&|cell| difference(cell) - bias);
        let length = |um: f64| self.units.from_micrometres(um);
        found.bias = Some(length(bias));
        found.bias_ci95 = bias_half.map(|half| [bias - half, bias + half].map(length));
        // Which of the two is nearer the ground would rest on the level of the reference: that they differ does not.
        found.bias_verdict = match bias_half {
            Some(half) if bias.abs() > half => Order::Different,
            _ => Order::Undecided,
        };
        // Variance about the mean of each kind, and what a cell adds to its error.
        let kinds = cells.iter().map(|cell| cell.kind).max().map_or(0, |most| most + 1);
        let mut means = vec![[0.0; 3]; kinds];
        for cell in cells {
            let of_kind = &mut means[cell.kind];
            (0..2).for_each(|side| of_kind[side] += cell.weight * cell.mean[side]);
            of_kind[2] += cell.weight;
        }
        let about = |cell: &Cell, side: usize| {
            let mean = means[cell.kind][side] / means[cell.kind][2];
            cell.square[side] - 2.0 * mean * cell.mean[side] + mean * mean
        };
        let about_zero =
            |cell: &Cell, side: usize| cell.square[side] + 2.0 * offset * cell.mean[side] + offset * offset;
        let ratio = |square: &dyn Fn(&Cell, usize) -> f64| {
            let squares = [0, 1].map(|side| mean_of(&|cell| square(cell, side)));
            if squares.iter().any(|square| *square <= 0.0) {
                return (None, None);
            }
            let ratio = (squares[1] / squares[0]).sqrt();
            // Of the logarithm of the ratio.
            let error = |cell: &Cell| 0.5 * (square(cell, 1) / squares[1] - square(cell, 0) / squares[0]);
            let ends = half(&error).map(|half| [ratio * libm::exp(-half), ratio * libm::exp(half)]);
            (Some(ratio), ends)
        };
        (found.sd_ratio, found.sd_ratio_ci95) = ratio(&about);
        (found.rmse_ratio, found.rmse_ratio_ci95) = ratio(&about_zero);
        found.spread_verdict = order(found.sd_ratio_ci95);
        found.verdict = match found.spread_verdict {
            Order::Undecided => found.bias_verdict,
            spread => spread,
        };
    }

    /// Welch's and Brown and Forsythe's tests on one comparison of each in each common cell.
    fn tests(&self, kinds: &[[Vec<u16>; 2]], blocks: &BTreeSet<Place>) -> (Option<Test>, Option<Test>) {
        let mut values = [Vec::new(), Vec::new()];
        for sides in kinds {
            for place in blocks {
                let [first, other] = [0, 1].map(|side| {
                    let of_members =
                        sides[side].iter().filter_map(|&member| self.thinned[usize::from(member)].get(place));
                    of_members.min()
                });
                if let (Some((_, first)), Some((_, other))) = (first, other) {
                    values[0].push(*first as f64);
                    values[1].push(*other as f64);
                }
            }
        }
        let test = |test: Option<FTest>| {
            let n = [values[0].len() as u64, values[1].len() as u64];
            test.map(|test| Test { statistic: test.f, df: [test.df1, test.df2], p: test.p, n })
        };
        let [first, other] = &values;
        (test(welch(&[first, other])), test(brown_forsythe(&[first, other])))
    }
}

/// What the interval of a ratio says.
fn order(ratio_ci95: Option<Interval>) -> Order {
    match ratio_ci95 {
        Some([low, _]) if low > 1.0 => Order::Worse,
        Some([_, high]) if high < 1.0 => Order::Better,
        _ => Order::Undecided,
    }
}

/// Partitions of the cells, each as the number of its block for every cell.
struct Partitions<'a> {
    cells: &'a [Cell],
    all: f64,
    /// Block of every cell, number of blocks, effective number of blocks.
    partitions: Vec<(Vec<usize>, usize, f64)>,
}

impl<'a> Partitions<'a> {
    fn new(cells: &'a [Cell]) -> Self {
        let all: f64 = cells.iter().map(|cell| cell.weight).sum();
        let mut partitions = Vec::new();
        for times in JOINED {
            let joined = |(row, column): Place| (row.div_euclid(times), column.div_euclid(times));
            let shapes: [fn(Place) -> Place; 3] =
                [|place| place, |(row, _)| (row, 0), |(_, column)| (0, column)];
            for (shape, of) in shapes.into_iter().enumerate() {
                let mut numbers = BTreeMap::new();
                let mut weights = Vec::new();
                let mut number = |cell: &Cell| {
                    let next = numbers.len();
                    let number = *numbers.entry(of(joined(cell.place))).or_insert(next);
                    if number == weights.len() {
                        weights.push(0.0);
                    }
                    weights[number] += cell.weight;
                    number
                };
                let of_cells: Vec<usize> = cells.iter().map(&mut number).collect();
                let effective = all * all / weights.iter().map(|weight| weight * weight).sum::<f64>();
                let least =
                    if times == 1 && shape == 0 { FEWEST_EFFECTIVE_BLOCKS } else { ENOUGH_EFFECTIVE_BLOCKS };
                if effective >= least {
                    partitions.push((of_cells, weights.len(), effective));
                }
            }
        }
        Partitions { cells, all, partitions }
    }

    /// Half the width of the widest 95 % interval over all partitions, from what each cell adds to the error of the figure.
    /// Nothing where no partition has blocks enough.
    fn half_width(&self, error: &dyn Fn(&Cell) -> f64) -> Option<f64> {
        let errors: Vec<f64> = self.cells.iter().map(|cell| cell.weight * error(cell) / self.all).collect();
        let half = |(of_cells, blocks, effective): &(Vec<usize>, usize, f64)| {
            let mut by_block = vec![0.0; *blocks];
            errors.iter().zip(of_cells).for_each(|(error, block)| by_block[*block] += error);
            let squares: f64 = by_block.iter().map(|error| error * error).sum();
            let variance = squares * effective / (effective - 1.0);
            let half = t_quantile(0.975, effective - 1.0)? * variance.sqrt();
            (half > 0.0 && half.is_finite()).then_some(half)
        };
        self.partitions.iter().filter_map(half).max_by(f64::total_cmp)
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::stats::simulated::Normal;
    use crate::trust::test_site::{pipeline, study};

    /// Comparisons on 100 m × 100 m in rows of 20 m, open and wooded by turns. `make` gives return and dz in millimetres,
    /// or nothing, of a place that is open or not and a standard normal number.
    fn site(seed: u64, make: impl Fn(&mut Normal, bool, u8) -> Option<f64>) -> Vec<Compared> {
        let mut normal = Normal::new(seed);
        let mut all = Vec::new();
        for i in 0..12_000 {
            let [x, y] = [0, 1].map(|_| (normal.uniform() * 100e6) as i64);
            let (open, return_number) = (y / 20_000_000 % 2 == 0, 1 + (i % 2) as u8);
            let Some(dz) = make(&mut normal, open, return_number) else { continue };
            let cover = Some(if open { Cover::Open } else { Cover::Canopy });
            let strata = Strata { return_number, cover, ..Strata::default() };
            all.push(Compared {
                x,
                y,
                dz: (dz * 1_000.0) as i64,
                headroom: None,
                gradient: None,
                local_gradient: None,
                strata,
            });
        }
        all
    }

    fn second(all: Vec<Compared>, changes: Value) -> VsFirst {
        study(all, &pipeline(changes)).returns[1].statistics.vs_first.clone().unwrap()
    }

    fn verdicts(found: &VsFirst) -> [Order; 3] {
        [found.bias_verdict, found.spread_verdict, found.verdict]
    }

    #[test]
    fn returns_that_are_equal_at_a_place_are_not_told_apart_by_where_they_lie() {
        // Under canopy everything lies 30 mm lower and scatters thrice as much; one in thirty second returns is in the open.
        let all = site(1, |normal, open, number| {
            let there = !(open && number == 2) || normal.uniform() < 1.0 / 30.0;
            let (bias, sd) = if open { (0.0, 20.0) } else { (-30.0, 60.0) };
            there.then(|| bias + sd * normal.next())
        });
        let found = second(all, json!({}));
        assert_eq!(verdicts(&found), [Order::Undecided; 3], "{found:?}");
        let [ratio, bias] = [found.sd_ratio.unwrap(), found.bias.unwrap()];
        assert!((ratio - 1.0).abs() < 0.05 && bias.abs() < 0.005, "{found:?}");
        assert!(found.brown_forsythe.unwrap().p > 0.01 && found.welch.unwrap().p > 0.01);
        assert_eq!(found.reason, None);
    }

    #[test]
    fn a_return_that_is_worse_at_the_same_place_is_told_so() {
        let found = second(
            site(2, |normal, _, number| Some(if number == 1 { 20.0 } else { 24.0 } * normal.next())),
            json!({}),
        );
        assert_eq!(verdicts(&found), [Order::Undecided, Order::Worse, Order::Worse], "{found:?}");
        let [low, high] = found.sd_ratio_ci95.unwrap();
        assert!(low < 1.2 && 1.2 < high, "{found:?}");
        let found = second(
            site(3, |normal, _, number| Some(if number == 1 { 24.0 } else { 20.0 } * normal.next())),
            json!({}),
        );
        assert_eq!(verdicts(&found), [Order::Undecided, Order::Better, Order::Better], "{found:?}");
    }

    #[test]
    fn a_bias_alone_is_told_from_a_spread() {
        let of = |first: f64, second: f64| {
            move |normal: &mut Normal, _: bool, number: u8| {
                Some(if number == 1 { first } else { second } + 20.0 * normal.next())
            }
        };
        for (first, other) in [(0.0, 5.0), (-7.0, -1.0), (2.0, -3.0)] {
            let found = second(site(4, of(first, other)), json!({}));
            assert_eq!(verdicts(&found), [Order::Different, Order::Undecided, Order::Different], "{found:?}");
            assert_eq!(found.bias.unwrap() > 0.0, other > first, "{found:?}");
        }
    }

    #[test]
    fn the_level_of_the_reference_changes_no_verdict() {
        let mut offsets = Normal::new(77);
        for (seed, bias, sd) in [(11, 0.0, 20.0), (12, 5.0, 20.0), (13, -5.0, 24.0), (14, 3.0, 17.0)] {
            let all = site(seed, |normal, open, number| {
                let (more, times) = if open { (0.0, 1.0) } else { (-15.0, 2.0) };
                let own = if number == 1 { (0.0, 20.0) } else { (bias, sd) };
                Some(more + own.0 + times * own.1 * normal.next())
            });
            let expected = second(all.clone(), json!({}));
            // A reference that lies −50 to 377 mm too high; the ends, and between them.
            let between = (0..6).map(|_| -50_000 + (offsets.uniform() * 427_000.0) as i64);
            for high in [-50_000, 377_000].into_iter().chain(between) {
                let moved: Vec<Compared> =
                    all.iter().map(|one| Compared { dz: one.dz - high, ..*one }).collect();
                for stated in [json!("5 mm"), json!({"common": "2 mm", "random": "1 mm"})] {
                    let reference = json!({"files": ["reference.laz"], "uncertainty": stated});
                    let found = second(moved.clone(), json!({ "reference": reference }));
                    assert_eq!(verdicts(&found), verdicts(&expected), "{high}: {found:?}");
                    let near = |a: Option<f64>, b: Option<f64>| (a.unwrap() - b.unwrap()).abs() < 1e-9;
                    assert!(near(found.bias, expected.bias) && near(found.sd_ratio, expected.sd_ratio));
                }
            }
        }
    }

    #[test]
    fn what_shares_no_ground_or_too_little_is_not_compared() {
        let found = second(
            site(5, |normal, open, number| (open == (number == 1)).then(|| 20.0 * normal.next())),
            json!({}),
        );
        let reason = "return 2 and return 1 share no cover: cannot be compared";
        assert_eq!((found.reason.as_deref(), found.n, found.bias), (Some(reason), [0, 0], None));
        let mut all = site(6, |normal, _, number| Some(if number == 1 { 5.0 } else { 50.0 } * normal.next()));
        let mut seconds = 0;
        all.retain(|one| {
            seconds += usize::from(one.strata.return_number == 2);
            one.strata.return_number == 1 || seconds <= 29
        });
        let found = second(all, json!({}));
        assert_eq!((verdicts(&found), found.n[1]), ([Order::Undecided; 3], 29), "{found:?}");
        assert!(found.reason.unwrap().contains("fewer than 30 comparisons each"));
    }
}
