//! Confidence intervals of every group's figures and the truncation correction; in the unit of the report.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use rayon::prelude::*;

use crate::results::confidence::Correlation;
use crate::results::pictures::ResidualMap;
use crate::results::statistics::Interval;
use crate::results::statistics::Statistics;
use crate::stages::auto::Auto;
use crate::stages::compared::Compared;
use crate::stages::compared::Comparisons;
use crate::stats::blocks::{BlockSums, default_size_um, finest_size_um};
use crate::stats::correlation::CorrelationModel;
use crate::stats::estimates::{Estimates, NoInterval, plain_se};
use crate::stats::kinds::Kind;
use crate::stats::placed::Placed;
use crate::stats::truncated::NoEstimate;
use crate::stats::variogram::correlation;
use crate::terrain::learning::Learning;
use crate::tile::strata::Strata;
use crate::trust::few_checkpoints::FewCheckpoints;
use crate::trust::figures::PointCounts;
use crate::trust::groups::{Group, Groups};
use crate::trust::residual_map::residual_map;
use crate::trust::truncation::{OfReturn, truncation_correction};
use crate::units::{Length, Micrometres, Unit};

/// What is found beside the intervals of the groups.
pub struct Intervals {
    /// The spatial correlation of the residuals.
    pub correlation: Correlation,
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
    /// Sums by place, from which the differences between returns are learned.
    pub learning: Learning,
    /// Sums of dz by block, of every finest group.
    pub sums: BlockSums,
    /// What makes the intervals much wider than blocks alone would.
    pub wider: Option<Wider>,
    /// How far error is shared as far as can be told, micrometres; nothing where it cannot.
    pub reach: Option<Micrometres>,
    /// Residuals by place.
    pub map: Option<ResidualMap>,
}

/// Intervals of all comparisons together that are much wider than those of independent blocks, and why.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wider {
    /// How many times as wide.
    pub times: f64,
    /// The error that blocks share, where the residuals show it.
    pub kind: Option<Kind>,
}

/// How much wider is worth a warning: with n_eff four times as small.
const MUCH_WIDER: f64 = 2.0;
/// The same where the residuals show no cause: what a sample does not exclude widens every interval.
const WIDER_WITHOUT_CAUSE: f64 = 5.0;

/// The spatial correlation of the residuals, and the residuals that it was estimated from.
pub struct SpatialCorrelation {
    placed: Vec<Placed>,
    model: CorrelationModel,
    /// Edge of the blocks, micrometres.
    block: Micrometres,
    /// Edge of those that sums are taken by, of which blocks are made.
    finest: Micrometres,
}

impl SpatialCorrelation {
    /// The correlation of the `excerpt`, and the size of blocks that follows from it unless that is given.
    pub fn of(excerpt: &[Compared], groups: &Groups, block: Auto<Length>, seed: u64) -> Self {
        let placed: Vec<Placed> = excerpt.iter().filter_map(|one| placed(one, groups)).collect();
        let model = correlation(&placed, seed);
        let block = match block {
            Auto::Fixed(length) => length.micrometres().max(1),
            Auto::Auto => default_size_um(&model, &placed),
        };
        let finest = finest_size_um(block, &placed);
        SpatialCorrelation { placed, model, block, finest }
    }

    /// How far the correlation reaches, micrometres; nothing where none is detected.
    pub fn range(&self) -> Option<Micrometres> {
        self.model.range_um
    }
}

/// Adds the confidence intervals to the figures in `rows`, which go with the groups, from the sums of blocks of all
/// comparisons; or, at the sited points of a list, from each of them. `no_limits` is why no comparison has a limit, where
/// that is so.
///
/// # Errors
/// Whatever reading the comparisons back fails with.
pub fn intervals(
    all: &dyn Comparisons,
    groups: &Groups,
    spatial: &SpatialCorrelation,
    units: Unit,
    counts: &PointCounts,
    no_limits: NoEstimate,
    rows: &mut [Statistics],
) -> io::Result<Intervals> {
    let (SpatialCorrelation { placed, model, block, finest }, sited) = (spatial, counts.sited.as_ref());
    let size = *block;
    let none = || (BlockSums::new(*finest, groups.finest.len()), Learning::default());
    let (sums, learning) = all.sum_up(
        none,
        |(sums, learning), block| {
            for one in block {
                learning.add(one.x, one.y, one.strata.return_number, one.dz);
                if let Some(group) = groups.finest_of(&one.strata) {
                    sums.add((one.x, one.y), group, one.strata.strip.unwrap_or(0), one.dz);
                }
            }
        },
        |(sums, learning), others| {
            sums.merge(&others.0);
            learning.merge(&others.1);
        },
    )?;
    let fine = sums.at_most(MOST_FINE);
    let sums = fine.coarsened((size / fine.size_um()).max(1));
    let joined = sums.size_um();
    let ground = rows.first().map_or(0, |all| all.ground);
    let map = residual_map(&fine, groups, &counts.delivered, units);
    let estimates = Estimates::new(fine, &counts.delivered, &alike(groups), ground);
    // Groups share their returns: all together has those of the rows by return.
    let by_return = |group: &Group| by_return(&group.members, groups);
    let sets: BTreeSet<Vec<u16>> = groups.all.iter().flat_map(by_return).collect();
    let of_return = |set: Vec<u16>| {
        let own: Vec<&Placed> = placed.iter().filter(|one| set.binary_search(&one.group).is_ok()).collect();
        let of_return = OfReturn::new(&own, joined)?;
        Some((set, of_return))
    };
    let of_returns: BTreeMap<Vec<u16>, OfReturn> = sets.into_par_iter().filter_map(of_return).collect();
    let no_limits = placed.iter().all(|one| one.limit.is_none()).then_some(no_limits);
    let length = |ends: Option<Interval>| ends.map(|ends| ends.map(|um| units.from_micrometres(um)));
    let few = sited.and_then(|sited| FewCheckpoints::new(sited, placed, groups));
    rows.par_iter_mut().zip(&groups.all).for_each(|(row, group)| {
        let estimate = match &few {
            Some(few) => few.of(&group.members),
            None => estimates.of(&group.members, row.ground),
        };
        let sigma = sited.and_then(|sited| sited.sigma(&group.members, placed));
        row.reference_sigma = sigma.map(|um| units.from_micrometres(um));
        let blocks = sums.together(&group.members);
        row.blocks = blocks.iter().filter(|block| block.n > 0).count() as u64;
        row.bias_ci95 = length(estimate.mean_ci95);
        row.sd_ci95 = length(estimate.sd_ci95);
        row.rmse_ci95 = length(estimate.rmse_ci95);
        row.n_effective = estimate.n_effective;
        row.interval_reason = estimate.reason.map(reason).filter(|_| row.compared > 0);
        // How much more the mean varies than blocks show.
        let plain = plain_se(&blocks);
        let inflation = estimate.mean_se.zip(plain).map(|(se, plain)| (se / plain) * (se / plain));
        let returns: Vec<&OfReturn> = by_return(group).iter().filter_map(|set| of_returns.get(set)).collect();
        let inflation = inflation.map(|times| times.clamp(1.0, MOST_INFLATION));
        row.truncation_corrected = truncation_correction(&returns, no_limits, inflation, units);
    });
    let all = groups.all.first().filter(|_| few.is_none());
    let wider = all.and_then(|all| wider(&estimates, &sums, &all.members, ground));
    // What either way of looking at it sees, up to half a doubling more: a range is hardly known better.
    let reach = estimates.reach_of_shared_error().map(|reach| reach.ceil() as Micrometres);
    let reach = reach.map(|reach| {
        reach.max((spatial.range().unwrap_or(0) as f64 * std::f64::consts::SQRT_2).ceil() as Micrometres)
    });
    Ok(Intervals {
        correlation: reported(model, &sums, units),
        block: joined,
        learning,
        sums,
        wider,
        reach,
        map,
    })
}

/// Those of the finest groups that are of one return, return by return.
fn by_return(members: &[u16], groups: &Groups) -> Vec<Vec<u16>> {
    let mut by_return: BTreeMap<u8, Vec<u16>> = BTreeMap::new();
    for &member in members {
        by_return.entry(groups.finest[usize::from(member)].return_number).or_default().push(member);
    }
    by_return.into_values().collect()
}

fn placed(one: &Compared, groups: &Groups) -> Option<Placed> {
    let group = groups.finest_of(&one.strata)?;
    Some(Placed { x: one.x, y: one.y, dz: one.dz, limit: one.limit(), group })
}

/// The correlation in the unit of the report.
fn reported(model: &CorrelationModel, sums: &BlockSums, units: Unit) -> Correlation {
    let length = |um: f64| units.from_micrometres(um);
    let some = !sums.is_empty();
    Correlation {
        block: some.then(|| length(sums.size_um() as f64)),
        blocks: sums.len() as u64,
        range: model.range_um.map(|range| length(range as f64)),
        nugget_share: some.then_some(model.nugget_share),
        variogram: model
            .lags
            .iter()
            .map(|lag| (length(lag.distance), length(length(lag.semivariance)), lag.pairs))
            .collect(),
    }
}
/// Fine blocks at the most: more are joined four by four.
const MOST_FINE: usize = 16_000;

/// What the variance of a truncated fit is multiplied with at the most.
const MOST_INFLATION: f64 = 100.0;

/// For each of the finest groups the number of the set whose residuals are taken about one mean: strips and bands of the scan
/// angle are not told apart, as their differences are among the errors that comparisons share.
fn alike(groups: &Groups) -> Vec<u16> {
    let set = |strata: &Strata| Strata { strip: None, scan_angle: None, ..*strata };
    let sets: BTreeSet<Strata> = groups.finest.iter().map(set).collect();
    let sets: Vec<Strata> = sets.into_iter().collect();
    groups.finest.iter().map(|strata| sets.binary_search(&set(strata)).map_or(0, |at| at as u16)).collect()
}

/// Why there is no interval, for people.
fn reason(reason: NoInterval) -> String {
    let why = match reason {
        NoInterval::FewPlaces => {
            "the comparisons lie in too few places to show how the error varies over the site".to_string()
        }
        NoInterval::UnseenStrips(seen, all) => format!(
            "the comparisons lie in {seen} of {all} flight strips, which does not show how much strips differ"
        ),
        NoInterval::NoSpread => "the residuals have no spread".to_string(),
    };
    format!("cannot be told from this sample: {why}")
}

fn wider(estimates: &Estimates, sums: &BlockSums, all: &[u16], ground: u64) -> Option<Wider> {
    let times = estimates.of(all, ground).mean_se? / plain_se(&sums.together(all))?;
    // What is shared over less than a block does not make blocks alike.
    let beyond = |kind: &Kind| !matches!(kind, Kind::Field(length) if *length <= sums.size_um() as f64);
    let kind = estimates.cause().filter(beyond);
    let much = if kind.is_some() { MUCH_WIDER } else { WIDER_WITHOUT_CAUSE };
    (times >= much).then_some(Wider { times, kind })
}
