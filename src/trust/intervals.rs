//! Confidence intervals of every group's figures by spatial block bootstrap, and the truncation correction; in the unit of
//! the report.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use rayon::prelude::*;

use crate::results::confidence::Correlation;
use crate::results::statistics::Interval;
use crate::results::statistics::Statistics;
use crate::stages::auto::Auto;
use crate::stages::compared::Compared;
use crate::stages::compared::Comparisons;
use crate::stats::blocks::{BlockSums, default_size_um};
use crate::stats::bootstrap::bootstrap;
use crate::stats::correlation::CorrelationModel;
use crate::stats::placed::Placed;
use crate::stats::variogram::correlation;
use crate::terrain::learning::Learning;
use crate::trust::groups::{Group, Groups};
use crate::trust::truncation::{OfReturn, truncation_correction};
use crate::units::{Length, Micrometres, Unit};

/// What is found beside the intervals of the groups.
pub struct Intervals {
    /// The spatial correlation of the residuals.
    pub correlation: Correlation,
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
    /// Bias and SD of each return in each half of the site, the blocks taking turns.
    pub learning: Learning,
    /// Sums of dz by block, of every finest group.
    pub sums: BlockSums,
}

/// The spatial correlation of the residuals, and the residuals that it was estimated from.
pub struct SpatialCorrelation {
    placed: Vec<Placed>,
    model: CorrelationModel,
    /// Edge of the blocks, micrometres.
    block: Micrometres,
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
        SpatialCorrelation { placed, model, block }
    }
}

/// Adds the confidence intervals to the figures in `rows`, which go with the groups, from the sums of blocks of all
/// comparisons.
///
/// # Errors
/// Whatever reading the comparisons back fails with.
pub fn intervals(
    all: &dyn Comparisons,
    groups: &Groups,
    spatial: &SpatialCorrelation,
    seed: u64,
    units: Unit,
    rows: &mut [Statistics],
) -> io::Result<Intervals> {
    let SpatialCorrelation { placed, model, block } = spatial;
    let size = *block;
    let none = || (BlockSums::new(size, groups.finest.len()), Learning::new(size));
    let (sums, learning) = all.sum_up(
        none,
        |(sums, learning), block| {
            for one in block {
                learning.add(one.x, one.y, one.strata.return_number, one.dz);
                if let Some(group) = groups.finest_of(&one.strata) {
                    sums.add(one.x, one.y, group, one.dz);
                }
            }
        },
        |(sums, learning), others| {
            sums.merge(&others.0);
            learning.merge(&others.1);
        },
    )?;
    let sums = sums.few_enough();
    let joined = sums.size_um();
    let members: Vec<Vec<u16>> = groups.all.iter().map(|group| group.members.clone()).collect();
    let drawn = bootstrap(&sums, &members, model, seed);
    // Groups share their returns: all together has those of the rows by return.
    let by_return = |group: &Group| by_return(&group.members, groups);
    let sets: BTreeSet<Vec<u16>> = groups.all.iter().flat_map(by_return).collect();
    let of_return = |set: Vec<u16>| {
        let own: Vec<&Placed> = placed.iter().filter(|one| set.contains(&one.group)).collect();
        let of_return = OfReturn::new(&own, joined)?;
        Some((set, of_return))
    };
    let of_returns: BTreeMap<Vec<u16>, OfReturn> = sets.into_par_iter().filter_map(of_return).collect();
    let length = |ends: Option<Interval>| ends.map(|ends| ends.map(|um| units.from_micrometres(um)));
    rows.par_iter_mut().zip(&groups.all).enumerate().for_each(|(i, (row, group))| {
        let estimate = drawn.estimate(i);
        row.blocks = estimate.blocks as u64;
        row.bias_ci95 = length(estimate.mean_ci95);
        row.sd_ci95 = length(estimate.sd_ci95);
        row.rmse_ci95 = length(estimate.rmse_ci95);
        row.n_effective = estimate.n_effective;
        let returns: Vec<&OfReturn> = by_return(group).iter().filter_map(|set| of_returns.get(set)).collect();
        row.truncation_corrected = truncation_correction(&returns, estimate.inflation.unwrap_or(1.0), units);
    });
    Ok(Intervals { correlation: reported(model, &sums, units), block: size, learning, sums })
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
