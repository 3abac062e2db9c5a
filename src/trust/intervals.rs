//! How sure every group's figures are: intervals and comparisons by block bootstrap, tests, and the cut of the ground
//! filter undone; in the unit of the report.

use std::io;

use super::figures::Comparisons;
use super::groups::Groups;
use super::undone::undone;
use crate::pipeline::units::{Length, Micrometres, Unit};
use crate::report::summary::Statistics;
use crate::report::trust::{self, Interval, Test, Uncut, VsFirst};
use crate::stages::auto::Auto;
use crate::stages::compare::Compared;
use crate::stats::blocks::{BlockSums, default_size_um};
use crate::stats::bootstrap::{Bootstrap, Verdict, bootstrap};
use crate::stats::correlation::Correlation;
use crate::stats::group_tests::{FTest, brown_forsythe, thin, welch};
use crate::stats::placed::Placed;
use crate::stats::variogram::correlation;
use crate::terrain::learning::Learning;

/// What is found about every group.
pub struct Intervals {
    /// In the order of the groups.
    pub by_group: Vec<OfGroup>,
    /// How far places are alike.
    pub correlation: trust::Correlation,
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
    /// Bias and spread of each return in each half of the site, the blocks taking turns.
    pub learning: Learning,
}

/// How sure a group's figures are.
#[derive(Default)]
pub struct OfGroup {
    mean: Option<Interval>,
    sd: Option<Interval>,
    rmse: Option<Interval>,
    n_effective: Option<f64>,
    vs_first: Option<VsFirst>,
    uncut: Option<Uncut>,
}

impl OfGroup {
    /// Puts what was found beside the figures.
    pub fn put_into(self, row: &mut Statistics) {
        row.mean_ci95 = self.mean;
        row.sd_ci95 = self.sd;
        row.rmse_ci95 = self.rmse;
        row.n_effective = self.n_effective;
        row.vs_first = self.vs_first;
        row.uncut = self.uncut;
    }
}

/// Works out intervals: the correlation from the `excerpt`, the sums of blocks from all comparisons.
///
/// # Errors
/// Whatever reading the comparisons back fails with.
pub fn intervals(
    all: &dyn Comparisons,
    groups: &Groups,
    excerpt: &[Compared],
    block: Auto<Length>,
    seed: u64,
    units: Unit,
) -> io::Result<Intervals> {
    let placed: Vec<Placed> = excerpt.iter().filter_map(|one| place(one, groups)).collect();
    let found = correlation(&placed, seed);
    let size = match block {
        Auto::Fixed(length) => length.micrometres().max(1),
        Auto::Auto => default_size_um(&found, &placed),
    };
    let mut sums = BlockSums::new(size, groups.finest.len());
    let mut learning = Learning::new(size);
    all.for_each(&mut |one| {
        learning.add(one.x, one.y, one.strata.return_number, one.dz);
        if let Some(group) = groups.finest_of(&one.strata) {
            sums.add(one.x, one.y, group as u16, one.dz);
        }
    })?;
    let sums = sums.few_enough();
    let joined = sums.size_um();
    let members: Vec<Vec<u16>> =
        groups.all.iter().map(|group| group.members.iter().map(|&member| member as u16).collect()).collect();
    let drawn = bootstrap(&sums, &members, &found, seed);
    let independent = Independent { placed: &placed, members: &members, size: joined, seed };
    let by_group = groups
        .all
        .iter()
        .enumerate()
        .map(|(i, group)| {
            let estimate = drawn.estimate(i);
            let length = |ends: Option<Interval>| ends.map(|ends| ends.map(|um| units.from_micrometres(um)));
            OfGroup {
                mean: length(estimate.mean_ci95),
                sd: length(estimate.sd_ci95),
                rmse: length(estimate.rmse_ci95),
                n_effective: estimate.n_effective,
                vs_first: groups
                    .first_of(group)
                    .and_then(|first| vs_first(&drawn, i, first, &independent, units)),
                uncut: {
                    let member = |one: &&Placed| members[i].binary_search(&one.group).is_ok();
                    let own: Vec<Placed> = placed.iter().filter(member).copied().collect();
                    let return_of = |finest: u16| groups.finest[usize::from(finest)].return_number;
                    undone(&own, return_of, joined, estimate.inflation.unwrap_or(1.0), units)
                },
            }
        })
        .collect();
    Ok(Intervals { by_group, correlation: told(&found, &sums, units), block: size, learning })
}

fn place(one: &Compared, groups: &Groups) -> Option<Placed> {
    let group = groups.finest_of(&one.strata)? as u16;
    Some(Placed { x: one.x, y: one.y, dz: one.dz, limit: one.limit(), group })
}

fn told(found: &Correlation, sums: &BlockSums, units: Unit) -> trust::Correlation {
    let length = |um: f64| units.from_micrometres(um);
    let some = !sums.is_empty();
    trust::Correlation {
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
