//! The exact figures of every group, from passes over all comparisons.

use std::collections::BTreeMap;
use std::io;

use twox_hash::XxHash3_64;

use crate::cloud::point::MAX_RETURN;
use crate::results::summary::Statistics;
use crate::stages::compare::Compared;
use crate::stages::summarise::Summarise;
use crate::stats::moments::Moments;
use crate::stats::quantiles::{RankedGroup, Residual, Residuals, RobustStatistics, robust_statistics};
use crate::tile::strata::{Strata, StratumCounts};
use crate::trust::groups::{Group, Groups, Role, finest_by};
use crate::units::Unit;

/// All comparisons of a run, which can be read again and again, in any order.
pub trait Comparisons: Sync {
    /// How many there are.
    fn len(&self) -> u64;

    /// Whether there is none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Hands all over.
    ///
    /// # Errors
    /// Whatever reading them back fails with.
    fn for_each(&self, f: &mut dyn FnMut(&Compared)) -> io::Result<()>;
}

/// Survey points counted while they were read and worked on.
#[derive(Clone, Debug, Default)]
pub struct PointCounts {
    /// Read and not withheld, by return number; 0 holds those without a valid one.
    pub points: [u64; MAX_RETURN + 1],
    /// Ground, likewise.
    pub ground: [u64; MAX_RETURN + 1],
    /// Those selected, by the strata that `summarise` crosses.
    pub strata: BTreeMap<Strata, StratumCounts>,
}

/// So many comparisons, about, are looked at together where sums do not do; chosen by hash, so that the choice depends
/// on the data alone.
const EXCERPT: u64 = 250_000;

/// Groups that are ranked in one go: each takes about half a megabyte of counts.
const AT_A_TIME: usize = 32;

/// What the first pass brings.
pub struct FirstPass {
    /// The moments of dz by the finest strata.
    pub moments: BTreeMap<Strata, Moments>,
    /// An even choice of the comparisons, sorted: all, where they are few enough.
    pub excerpt: Vec<Compared>,
}

/// Reads all comparisons once.
///
/// # Errors
/// Whatever reading them back fails with.
pub fn first_pass(all: &dyn Comparisons, summarise: &Summarise) -> io::Result<FirstPass> {
    let by = finest_by(summarise);
    let up_to = match all.len() {
        n if n > EXCERPT => (EXCERPT as f64 / n as f64 * u64::MAX as f64) as u64,
        _ => u64::MAX,
    };
    let mut moments: BTreeMap<Strata, Moments> = BTreeMap::new();
    // A little more, since hashes are not quite even.
    let mut excerpt = Vec::with_capacity(all.len().min(EXCERPT + EXCERPT / 16) as usize);
    let mut last: Option<(Strata, Moments)> = None;
    all.for_each(&mut |one| {
        let strata = one.strata.only(&by);
        match &mut last {
            Some((key, sums)) if *key == strata => sums.add(one.dz),
            other => {
                let mut sums = Moments::default();
                sums.add(one.dz);
                if let Some((key, sums)) = other.replace((strata, sums)) {
                    moments.entry(key).or_default().merge(&sums);
                }
            }
        }
        if up_to == u64::MAX || hash(one) <= up_to {
            excerpt.push(*one);
        }
    })?;
    if let Some((key, sums)) = last {
        moments.entry(key).or_default().merge(&sums);
    }
    excerpt.sort_unstable();
    Ok(FirstPass { moments, excerpt })
}

/// A hash of a comparison that depends on nothing but where it is and what it shows.
fn hash(one: &Compared) -> u64 {
    let mut bytes = [0u8; 24];
    for (to, value) in bytes.as_chunks_mut::<8>().0.iter_mut().zip([one.x, one.y, one.dz]) {
        *to = value.to_le_bytes();
    }
    XxHash3_64::oneshot(&bytes)
}

/// Moments and order statistics of a group.
#[derive(Clone, Copy, Debug, Default)]
pub struct Figures {
    /// Moments of dz, micrometres.
    pub moments: Moments,
    /// Order statistics of dz, micrometres.
    pub robust: RobustStatistics,
}

/// The exact figures of every group, in their order.
///
/// # Errors
/// Whatever reading the comparisons back fails with.
pub fn exact_figures(
    all: &dyn Comparisons,
    groups: &Groups,
    moments: &BTreeMap<Strata, Moments>,
) -> io::Result<Vec<Figures>> {
    let finest: Vec<&Moments> = moments.values().collect();
    let mut found: Vec<Figures> = groups
        .all
        .iter()
        .map(|group| {
            let mut moments = Moments::default();
            group.members.iter().for_each(|&member| moments.merge(finest[usize::from(member)]));
            Figures { moments, ..Figures::default() }
        })
        .collect();
    // Groups of one kind do not overlap: each kind is ranked in passes of its own.
    let of = |wanted: fn(&Role) -> bool| -> Vec<usize> {
        let kind = groups.all.iter().enumerate().filter(|(_, group)| wanted(&group.role));
        kind.map(|(i, _)| i).collect()
    };
    let kinds = [
        of(|role| matches!(role, Role::All)),
        of(|role| matches!(role, Role::Return(_))),
        of(|role| matches!(role, Role::Cover(_))),
        of(|role| matches!(role, Role::Crossed)),
    ];
    for kind in &kinds {
        for ranked in kind.chunks(AT_A_TIME) {
            if let Some(known) = already_ranked(ranked, groups, &found) {
                ranked.iter().zip(known).for_each(|(&at, robust)| found[at].robust = robust);
                continue;
            }
            let wanted: Vec<(RankedGroup, Moments)> =
                (0..).zip(ranked).map(|(i, &at)| (RankedGroup::One(i), found[at].moments)).collect();
            let mut number = vec![None; groups.finest.len()];
            for (i, &at) in (0u8..).zip(ranked) {
                groups.all[at].members.iter().for_each(|&member| number[usize::from(member)] = Some(i));
            }
            let grouped =
                Grouped { all, group: |one: &Compared| number[usize::from(groups.finest_of(&one.strata)?)] };
            let robust = robust_statistics(&grouped, &wanted)?;
            ranked.iter().zip(robust).for_each(|(&at, robust)| found[at].robust = robust);
        }
    }
    Ok(found)
}

/// The order statistics of groups of which each is the same set as one that was ranked before.
fn already_ranked(ranked: &[usize], groups: &Groups, found: &[Figures]) -> Option<Vec<RobustStatistics>> {
    let same = |at: &usize| {
        let members = &groups.all[*at].members;
        let before = groups.all[..ranked[0]].iter().position(|other| other.members == *members)?;
        Some(found[before].robust)
    };
    ranked.iter().map(same).collect()
}

/// The comparisons, each with the number of its group.
struct Grouped<'a, G> {
    all: &'a dyn Comparisons,
    group: G,
}

impl<G: Fn(&Compared) -> Option<u8>> Residuals for Grouped<'_, G> {
    fn for_each_block(&self, f: &mut dyn FnMut(&[Residual])) -> io::Result<()> {
        const BLOCK: usize = 64 << 10;
        let mut block = Vec::with_capacity(BLOCK);
        self.all.for_each(&mut |one| {
            let Some(group) = (self.group)(one) else { return };
            block.push(Residual { group, dz: one.dz });
            if block.len() == BLOCK {
                f(&block);
                block.clear();
            }
        })?;
        if !block.is_empty() {
            f(&block);
        }
        Ok(())
    }
}

/// A group's figures in the unit of the report, with its counts.
pub fn statistics(group: &Group, figures: &Figures, counts: &PointCounts, units: Unit) -> Statistics {
    let (all_points, all_ground) = (counts.points.iter().sum(), counts.ground.iter().sum());
    let (points, ground): (u64, u64) = match group.role {
        Role::All => (all_points, all_ground),
        Role::Return(n) => (counts.points[usize::from(n)], counts.ground[usize::from(n)]),
        Role::Cover(cover) => of_strata(counts, |strata| strata.cover == Some(cover)),
        Role::Crossed => of_strata(counts, |strata| *strata == group.strata),
    };
    let share = |part: u64, whole: u64| (whole > 0).then(|| part as f64 / whole as f64);
    let length = |um: Option<f64>| um.map(|um| units.from_micrometres(um));
    let Figures { moments, robust } = figures;
    Statistics {
        points,
        share: share(points, all_points),
        ground,
        ground_share: share(ground, all_ground),
        compared: moments.n,
        bias: length(moments.mean()),
        sd: length(moments.sd()),
        rmse: length(moments.rmse()),
        min: length(moments.min().map(|v| v as f64)),
        max: length(moments.max().map(|v| v as f64)),
        median: length(robust.median),
        nmad: length(robust.nmad),
        abs_p95: length(robust.abs_p95),
        ..Statistics::default()
    }
}

fn of_strata(counts: &PointCounts, wanted: impl Fn(&Strata) -> bool) -> (u64, u64) {
    let counts = counts.strata.iter().filter(|(strata, _)| wanted(strata)).map(|(_, counts)| counts);
    counts.fold((0, 0), |(points, ground), counts| (points + counts.points, ground + counts.ground))
}
