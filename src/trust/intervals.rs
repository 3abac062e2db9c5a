//! How sure every group's figures are: intervals and comparisons by block bootstrap, tests, and the cut of the ground
//! filter undone; in the unit of the report.

use std::io;

use rayon::prelude::*;

use crate::results::confidence::{self, Interval, Test, VsFirst};
use crate::results::summary::Statistics;
use crate::stages::auto::Auto;
use crate::stages::compared::Compared;
use crate::stages::compared::Comparisons;
use crate::stats::blocks::{BlockSums, default_size_um};
use crate::stats::bootstrap::{Bootstrap, Verdict, bootstrap};
use crate::stats::correlation::Correlation;
use crate::stats::group_tests::{FTest, brown_forsythe, thin, welch};
use crate::stats::placed::Placed;
use crate::stats::variogram::correlation;
use crate::terrain::learning::Learning;
use crate::trust::groups::Groups;
use crate::trust::truncation::undone;
use crate::units::{Length, Micrometres, Unit};

/// What is found beside the intervals of the groups.
pub struct Intervals {
    /// How far places are alike.
    pub correlation: confidence::Correlation,
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
    /// Bias and spread of each return in each half of the site, the blocks taking turns.
    pub learning: Learning,
}

/// How far places are alike, and what that was told from.
pub struct Alike {
    placed: Vec<Placed>,
    correlation: Correlation,
    /// Edge of the blocks, micrometres.
    block: Micrometres,
}

impl Alike {
    /// The correlation of the `excerpt`, and the blocks that it asks for unless they are given.
    pub fn of(excerpt: &[Compared], groups: &Groups, block: Auto<Length>, seed: u64) -> Self {
        let placed: Vec<Placed> = excerpt.iter().filter_map(|one| place(one, groups)).collect();
        let correlation = correlation(&placed, seed);
        let block = match block {
            Auto::Fixed(length) => length.micrometres().max(1),
            Auto::Auto => default_size_um(&correlation, &placed),
        };
        Alike { placed, correlation, block }
    }
}

/// Works out how sure the figures in `rows` are, which go with the groups, and puts it beside them, from the sums of
/// blocks of all comparisons.
///
/// # Errors
/// Whatever reading the comparisons back fails with.
pub fn intervals(
    all: &dyn Comparisons,
    groups: &Groups,
    alike: &Alike,
    seed: u64,
    units: Unit,
    rows: &mut [Statistics],
) -> io::Result<Intervals> {
    let Alike { placed, correlation, block } = alike;
    let size = *block;
    let mut sums = BlockSums::new(size, groups.finest.len());
    let mut learning = Learning::new(size);
    all.for_each(&mut |one| {
        learning.add(one.x, one.y, one.strata.return_number, one.dz);
        if let Some(group) = groups.finest_of(&one.strata) {
            sums.add(one.x, one.y, group, one.dz);
        }
    })?;
    let sums = sums.few_enough();
    let joined = sums.size_um();
    let members: Vec<Vec<u16>> = groups.all.iter().map(|group| group.members.clone()).collect();
    let drawn = bootstrap(&sums, &members, correlation, seed);
    let independent = Independent { placed, members: &members, size: joined, seed };
    let length = |ends: Option<Interval>| ends.map(|ends| ends.map(|um| units.from_micrometres(um)));
    rows.par_iter_mut().zip(&groups.all).enumerate().for_each(|(i, (row, group))| {
        let estimate = drawn.estimate(i);
        row.bias_ci95 = length(estimate.mean_ci95);
        row.sd_ci95 = length(estimate.sd_ci95);
        row.rmse_ci95 = length(estimate.rmse_ci95);
        row.n_effective = estimate.n_effective;
        let first = groups.first_of(group);
        row.vs_first = first.and_then(|first| vs_first(&drawn, i, first, &independent, units));
        let member = |one: &&Placed| group.members.binary_search(&one.group).is_ok();
        let own: Vec<&Placed> = placed.iter().filter(member).collect();
        let return_of = |finest: u16| groups.finest[usize::from(finest)].return_number;
        row.truncation_corrected = undone(&own, return_of, joined, estimate.inflation.unwrap_or(1.0), units);
    });
    Ok(Intervals { correlation: told(correlation, &sums, units), block: size, learning })
}

fn place(one: &Compared, groups: &Groups) -> Option<Placed> {
    let group = groups.finest_of(&one.strata)?;
    Some(Placed { x: one.x, y: one.y, dz: one.dz, limit: one.limit(), group })
}

fn told(found: &Correlation, sums: &BlockSums, units: Unit) -> confidence::Correlation {
    let length = |um: f64| units.from_micrometres(um);
    let some = !sums.is_empty();
    confidence::Correlation {
        block: some.then(|| length(sums.size_um() as f64)),
        blocks: sums.len() as u64,
        range: found.range_um.map(|range| length(range as f64)),
        nugget_share: some.then_some(found.nugget_share),
        variogram: found
            .lags
            .iter()
            .map(|lag| (length(lag.distance), length(length(lag.semivariance)), lag.pairs))
            .collect(),
    }
}

/// What tests are made on: one comparison of a group in each block.
struct Independent<'a> {
    placed: &'a [Placed],
    members: &'a [Vec<u16>],
    size: Micrometres,
    seed: u64,
}

impl Independent<'_> {
    fn of(&self, group: usize) -> Vec<f64> {
        let own = |finest: u16| self.members[group].contains(&finest).then_some(0);
        thin(self.placed, self.size, self.seed, 1, own).pop().unwrap_or_default()
    }
}

fn vs_first(
    drawn: &Bootstrap,
    group: usize,
    first: usize,
    independent: &Independent<'_>,
    units: Unit,
) -> Option<VsFirst> {
    let versus = drawn.versus(group, first)?;
    let length = |um: f64| units.from_micrometres(um);
    let (ours, theirs) = (independent.of(group), independent.of(first));
    let test = |test: Option<FTest>| {
        test.map(|test| Test {
            statistic: test.f,
            df: [test.df1, test.df2],
            p: test.p,
            n: [theirs.len() as u64, ours.len() as u64],
        })
    };
    Some(VsFirst {
        bias: Some(length(versus.bias)),
        bias_ci95: versus.bias_ci95.map(|ends| ends.map(length)),
        sd_ratio: versus.sd_ratio,
        sd_ratio_ci95: versus.sd_ratio_ci95,
        rmse_ratio: versus.rmse_ratio,
        rmse_ratio_ci95: versus.rmse_ratio_ci95,
        verdict: match versus.verdict {
            Verdict::Worse => "worse",
            Verdict::Better => "better",
            Verdict::Undecided => "undecided",
        },
        welch: test(welch(&[&theirs, &ours])),
        brown_forsythe: test(brown_forsythe(&[&theirs, &ours])),
    })
}
