//! The exact figures of every group, from passes over all comparisons.
//!
//! The first pass also takes an excerpt, for what must be considered together: variogram, likelihood and trend over a hundred
//! million comparisons would say no more than over a quarter of a million. Which are taken depends on their hash alone, and
//! they are sorted, so that sums of floating-point numbers come out the same.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use twox_hash::XxHash3_64;

use crate::cloud::point::MAX_RETURN;
use crate::results::statistics::Statistics;
use crate::stages::compared::{Compared, Comparisons};
use crate::stages::summarise::Summarise;
use crate::stats::delivered::Delivered;
use crate::stats::moments::Moments;
use crate::stats::quantiles::{Counter, Residuals, RobustStatistics, robust_statistics};
use crate::tile::kinds::{KINDS, PointsByKind};
use crate::tile::strata::{Cover, Strata, StratumCounts};
use crate::trust::few_checkpoints::SitedPoints;
use crate::trust::groups::{Group, Groups, Role, finest_by};
use crate::trust::represented::share;
use crate::trust::shift_sums::{ShiftSums, SlopeSums};
use crate::units::Unit;

/// Survey points counted while they were read and worked on.
#[derive(Clone, Debug, Default)]
pub struct PointCounts {
    /// Read and not withheld, by return number; 0 holds those without a valid one.
    pub points: [u64; MAX_RETURN + 1],
    /// Ground, likewise.
    pub ground: [u64; MAX_RETURN + 1],
    /// Those selected, by the strata that `summarise` crosses.
    pub strata: BTreeMap<Strata, StratumCounts>,
    /// Ground points of the survey by strip and kind of ground.
    pub ground_by_kind: PointsByKind,
    /// Ground points of the survey by square of the site and strip.
    pub delivered: Delivered,
    /// The surveyed points, where the reference is a list of them.
    pub sited: Option<SitedPoints>,
}

impl PointCounts {
    /// The same for surveyed points, whose comparisons belong to no strip, so that no strip passes for one without comparisons.
    pub fn at_surveyed_points(self, sited: SitedPoints) -> Self {
        let ground_by_kind = PointsByKind { strips: BTreeMap::new(), ..self.ground_by_kind };
        PointCounts { ground_by_kind, delivered: self.delivered.without_strips(), sited: Some(sited), ..self }
    }
}

/// So many comparisons, about, are looked at together where sums do not do; chosen by hash, so that the choice depends
/// on the data alone.
const EXCERPT: u64 = 250_000;

/// Sets of groups that are ranked in one go: each takes about a quarter of a megabyte of counts for each worker.
const AT_A_TIME: usize = 32;

/// What the first pass brings.
pub struct FirstPass {
    /// The moments of dz by the finest strata.
    pub moments: BTreeMap<Strata, Moments>,
    /// Comparisons by strip and kind of ground.
    pub by_kind: PointsByKind,
    /// Sums for a shift in plan.
    pub shift: ShiftSums,
    /// An even choice of the comparisons, sorted: all, where they are few enough.
    pub excerpt: Vec<Compared>,
}

/// Moments by code of the finest strata, an excerpt, and sums over slopes.
type Passed = (BTreeMap<u64, (Strata, Moments)>, Vec<Compared>, SlopeSums);

/// Reads all comparisons once.
///
/// # Errors
/// Whatever reading them back fails with.
pub fn first_pass(all: &dyn Comparisons, summarise: &Summarise) -> io::Result<FirstPass> {
    let finest = finest_by(summarise);
    let by = [&finest[..], &KINDS].concat();
    let mask = Strata::mask(&by);
    let up_to = match all.len() {
        n if n > EXCERPT => (EXCERPT as f64 / n as f64 * u64::MAX as f64) as u64,
        _ => u64::MAX,
    };
    let (all_moments, mut excerpt, slopes) = all.sum_up(
        Default::default,
        |(moments, excerpt, slopes): &mut Passed, block| {
            for one in block {
                let new = || (one.strata.only(&by), Moments::default());
                moments.entry(one.strata.code() & mask).or_insert_with(new).1.add(one.dz);
                slopes.add(one);
                if up_to == u64::MAX || hash(one) <= up_to {
                    excerpt.push(*one);
                }
            }
        },
        |(moments, excerpt, slopes), others| {
            for (code, (strata, sums)) in others.0 {
                moments.entry(code).or_insert((strata, Moments::default())).1.merge(&sums);
            }
            excerpt.extend(others.1);
            slopes.merge(&others.2);
        },
    )?;
    excerpt.sort_unstable();
    let (mut moments, mut by_kind): (BTreeMap<Strata, Moments>, _) = Default::default();
    let mut shift = ShiftSums { slopes, ..ShiftSums::default() };
    for (strata, sums) in all_moments.into_values() {
        shift.dz.merge(&sums);
        PointsByKind::add(&mut by_kind, &strata, sums.n);
        moments.entry(strata.only(&finest)).or_default().merge(&sums);
    }
    Ok(FirstPass { moments, by_kind, shift, excerpt })
}

/// A hash of a comparison that depends on nothing but where it is: the level of the reference must not decide which are
/// chosen.
fn hash(one: &Compared) -> u64 {
    let mut bytes = [0u8; 16];
    for (to, value) in bytes.as_chunks_mut::<8>().0.iter_mut().zip([one.x, one.y]) {
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
    let moments_of = |members: &[u16]| {
        let mut moments = Moments::default();
        members.iter().for_each(|&member| moments.merge(finest[usize::from(member)]));
        moments
    };
    // Many a group is the same set as another.
    let sets: BTreeSet<&[u16]> = groups.all.iter().map(|group| &group.members[..]).collect();
    let sets: Vec<(&[u16], Moments)> = sets.into_iter().map(|set| (set, moments_of(set))).collect();
    let mut found = BTreeMap::new();
    for sets in sets.chunks(AT_A_TIME) {
        let robust = robust_statistics(&Grouped { all, groups }, sets)?;
        let figures = sets.iter().zip(robust);
        found.extend(figures.map(|(&(set, moments), robust)| (set, Figures { moments, robust })));
    }
    Ok(groups.all.iter().map(|group| found[&group.members[..]]).collect())
}

/// The comparisons by their finest groups.
struct Grouped<'a> {
    all: &'a dyn Comparisons,
    groups: &'a Groups,
}

impl Residuals for Grouped<'_> {
    fn count(&self, none: &Counter) -> io::Result<Counter> {
        let add = |counter: &mut Counter, block: &[Compared]| {
            for one in block {
                if let Some(group) = self.groups.finest_of(&one.strata) {
                    counter.add(group, one.dz);
                }
            }
        };
        self.all.sum_up(|| none.clone(), add, Counter::merge)
    }
}

/// A group's figures in the unit of the report, with its counts.
pub fn statistics(group: &Group, figures: &Figures, counts: &PointCounts, units: Unit) -> Statistics {
    let (all_points, all_ground) = (counts.points.iter().sum(), counts.ground.iter().sum());
    let (points, ground): (u64, u64) = match group.role {
        Role::All => (all_points, all_ground),
        Role::Return(n) => (counts.points[usize::from(n)], counts.ground[usize::from(n)]),
        Role::Cover(cover) => of_strata(counts, |strata| strata.cover == Some(cover)),
        Role::Vegetated => {
            of_strata(counts, |strata| matches!(strata.cover, Some(Cover::Low | Cover::Canopy)))
        }
        Role::Crossed => of_strata(counts, |strata| *strata == group.strata),
    };
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::simulated::Normal;
    use crate::tile::strata::By;
    use crate::trust::test_site::{Made, counts};

    /// Comparisons of three returns in twelve strips, half of them under canopy, some of the same dz.
    fn made(n: usize) -> Vec<Compared> {
        let mut normal = Normal::new(5);
        let one = |i| Compared {
            x: normal.below(1_000_000) as i64,
            y: normal.below(1_000_000) as i64,
            dz: (normal.next() * 40.0) as i64 * 1_000 + if i % 50 == 0 { 3_000_000_000 } else { 0 },
            headroom: None,
            gradient: None,
            local_gradient: None,
            strata: Strata {
                return_number: 1 + normal.below(3) as u8,
                cover: Some(if i % 2 == 0 { Cover::Open } else { Cover::Canopy }),
                strip: Some(normal.below(12) as u16),
                ..Strata::default()
            },
        };
        (0..n).map(one).collect()
    }

    /// Linear between the two nearest of sorted values.
    fn quantile(sorted: &[f64], share: f64) -> f64 {
        let at = share * (sorted.len() - 1) as f64;
        let (below, above) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
        below + at.fract() * (above - below)
    }

    fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut values: Vec<f64> = values.collect();
        values.sort_by(f64::total_cmp);
        values
    }

    fn near(found: Option<f64>, expected: f64) -> bool {
        found.is_some_and(|found| (found - expected).abs() <= 1e-9 * expected.abs().max(1.0))
    }

    #[test]
    fn figures_of_every_group_are_those_of_its_own_comparisons() {
        let all = made(600);
        let summarise = Summarise { by: vec![By::Cover, By::Strip, By::Return], ..Summarise::default() };
        let strata: BTreeMap<Strata, StratumCounts> =
            all.iter().map(|one| (one.strata, StratumCounts { points: 5, ground: 3 })).collect();
        let first = first_pass(&Made(all.clone()), &summarise).unwrap();
        let groups = Groups::new(&summarise, &strata, first.moments.keys().copied().collect(), 4);
        // More groups of a kind than are ranked in one go.
        assert!(groups.all.iter().filter(|group| group.role == Role::Crossed).count() > 2 * AT_A_TIME);
        let figures = exact_figures(&Made(all.clone()), &groups, &first.moments).unwrap();
        assert_eq!(figures.len(), groups.all.len());
        for (group, found) in groups.all.iter().zip(&figures) {
            let belongs = |one: &&Compared| match group.role {
                Role::All => true,
                Role::Return(n) => one.strata.return_number == n,
                Role::Cover(cover) => one.strata.cover == Some(cover),
                Role::Vegetated => one.strata.cover.is_some_and(|cover| cover != Cover::Open),
                Role::Crossed => one.strata == group.strata,
            };
            let own = sorted(all.iter().filter(belongs).map(|one| one.dz as f64));
            let n = own.len() as f64;
            assert_eq!(found.moments.n, own.len() as u64, "{}", group.by);
            if own.is_empty() {
                assert_eq!((found.moments.mean(), found.robust.median), (None, None), "{}", group.by);
                continue;
            }
            let mean = own.iter().sum::<f64>() / n;
            let squares = own.iter().map(|dz| (dz - mean).powi(2)).sum::<f64>();
            let median = quantile(&own, 0.5);
            let deviations = sorted(own.iter().map(|dz| (dz - median).abs()));
            let sizes = sorted(own.iter().map(|dz| dz.abs()));
            assert!(near(found.moments.mean(), mean), "{}", group.by);
            assert!(n < 2.0 || near(found.moments.sd(), (squares / (n - 1.0)).sqrt()), "{}", group.by);
            assert!(near(found.moments.rmse(), (squares / n + mean * mean).sqrt()), "{}", group.by);
            assert_eq!(found.moments.min().map(|dz| dz as f64), own.first().copied(), "{}", group.by);
            assert_eq!(found.moments.max().map(|dz| dz as f64), own.last().copied(), "{}", group.by);
            assert!(near(found.robust.median, median), "{}", group.by);
            assert!(near(found.robust.nmad, 1.4826 * quantile(&deviations, 0.5)), "{}", group.by);
            assert!(near(found.robust.abs_p95, quantile(&sizes, 0.95)), "{}", group.by);
        }
    }

    #[test]
    fn the_excerpt_is_all_comparisons_where_they_are_few_and_an_even_choice_of_many() {
        let mut few = made(300);
        let first = first_pass(&Made(few.clone()), &Summarise::default()).unwrap();
        few.sort_unstable();
        assert_eq!(first.excerpt, few);
        let mut many = made(2 * EXCERPT as usize);
        let first = first_pass(&Made(many.clone()), &Summarise::default()).unwrap();
        let chosen = first.excerpt.len() as f64 / EXCERPT as f64;
        assert!((chosen - 1.0).abs() < 0.02, "{chosen}");
        many.reverse();
        assert_eq!(first_pass(&Made(many), &Summarise::default()).unwrap().excerpt, first.excerpt);
    }

    #[test]
    fn points_and_shares_are_those_of_the_group() {
        let all = made(600);
        let (summarise, counts) = (Summarise::default(), counts(&all));
        let first = first_pass(&Made(all.clone()), &summarise).unwrap();
        let groups = Groups::new(&summarise, &counts.strata, first.moments.keys().copied().collect(), 3);
        let figures = exact_figures(&Made(all), &groups, &first.moments).unwrap();
        for (group, figures) in groups.all.iter().zip(&figures) {
            let n = figures.moments.n;
            let row = statistics(group, figures, &counts, Unit::Metre);
            assert_eq!((row.points, row.ground, row.compared), (2 * n, n, n), "{}", group.by);
            assert_eq!((row.share, row.ground_share), (Some(n as f64 / 600.0), Some(n as f64 / 600.0)));
            assert_eq!(row.min, figures.moments.min().map(|um| um as f64 / 1e6));
        }
    }
}
