//! The whole study, from all comparisons to what the report says, in two calls: [`figures`] for all that follows from
//! the comparisons alone, then, once the terrain has been made with that, [`conclude`].

use std::io;

use crate::cloud::point::MAX_RETURN;
use crate::pipeline::Pipeline;
use crate::results::confidence::{Compliance, Correlation, GroupRow, Represented, Standards, Trust};
use crate::results::group_key::GroupKey;
use crate::results::pictures::ResidualMap;
use crate::results::plan_shift::PlanShift;
use crate::results::statistics::Statistics;
use crate::results::summary::ReturnRow;
use crate::stages::compared::{Compared, Comparisons};
use crate::stages::list::{is_delivered, summarise_of};
use crate::standards::{ASPRS, MIN_CHECKPOINTS};
use crate::stats::moments::Moments;
use crate::stats::truncated::NoEstimate;
use crate::terrain::by_returns::TerrainRow;
use crate::terrain::learning::Learning;
use crate::terrain::lesson::Lesson;
use crate::terrain::model::SMOOTHING;
use crate::tile::points::Cloud;
use crate::tile::strata::{By, Strata};
use crate::trust::accept::{self, GroupFigures};
use crate::trust::compliance::{Reference, compliance, testable_class};
use crate::trust::diagnose::centred;
use crate::trust::figures::{PointCounts, exact_figures, first_pass, statistics};
use crate::trust::findings::Findings;
use crate::trust::groups::{Groups, Role};
use crate::trust::intervals::{Intervals, SpatialCorrelation, Wider, intervals};
use crate::trust::plan_shift::plan_shift;
use crate::trust::represented::represented;
use crate::trust::vs_first;
use crate::trust::warnings::warnings;
use crate::units::{Micrometres, Unit};

/// Moments by return number.
pub type MomentsByReturn = [Moments; MAX_RETURN + 1];

/// What follows from the comparisons alone.
pub struct Figured {
    /// Moments of dz by return, micrometres.
    pub by_return: MomentsByReturn,
    learning: Learning,
    /// How far error is shared as far as can be told, micrometres; nothing where it cannot.
    reach: Option<Micrometres>,
    /// Edge of the blocks, micrometres.
    block: Micrometres,
    groups: Groups,
    /// The figures of the groups with their intervals, in the unit of the report.
    rows: Vec<Statistics>,
    correlation: Correlation,
    wider: Option<Wider>,
    excerpt: Vec<Compared>,
    /// Residuals of the excerpt without the bias of their return and cover.
    centred: Vec<f64>,
    plan_shift: Option<PlanShift>,
    represented: Represented,
    map: Option<ResidualMap>,
}

impl Figured {
    /// Residuals by place.
    pub fn map(&self) -> Option<&ResidualMap> {
        self.map.as_ref()
    }

    /// What the returns differ by, for a terrain of cells of that edge (micrometres): tested beyond where error is shared
    /// from where it was learned, and beyond where the terrain uses the same points. It can be had once.
    pub fn lesson(&mut self, cell: f64) -> Lesson {
        let same_points =
            ((2 * SMOOTHING[SMOOTHING.len() - 1] + 1) as f64 / 2.0 * cell).ceil() as Micrometres;
        std::mem::take(&mut self.learning).conclude(self.reach, same_points)
    }
}

/// What a study found.
pub struct Studied {
    /// Rows by return, from 1 to the highest that occurs.
    pub returns: Vec<ReturnRow>,
    /// All returns together.
    pub all: Statistics,
    /// How far the figures can be trusted.
    pub trust: Trust,
    /// Residuals by place.
    pub map: Option<ResidualMap>,
}

/// The standard deviation of the error that the comparisons of some strata share, micrometres, where it is known for each set of them;
/// otherwise what the pipeline file says of the reference holds for all.
pub type CommonError<'a> = &'a dyn Fn(&dyn Fn(&Strata) -> bool) -> Option<f64>;

/// The figures of every group of comparisons and their confidence intervals.
///
/// # Errors
/// Whatever reading the comparisons back fails with.
pub fn figures(
    all: &dyn Comparisons,
    counts: &PointCounts,
    pipeline: &Pipeline,
    units: Unit,
) -> io::Result<Figured> {
    let summarise = summarise_of(&pipeline.stages);
    let first = first_pass(all, &summarise)?;
    let highest = (1..counts.points.len()).rev().find(|&n| counts.points[n] > 0).unwrap_or(0);
    let compared = first.moments.keys().copied().collect();
    let groups = Groups::new(&summarise, &counts.strata, compared, highest as u8);
    let (figures, spatial) = rayon::join(
        || exact_figures(all, &groups, &first.moments),
        || SpatialCorrelation::of(&first.excerpt, &groups, summarise.block, pipeline.seed),
    );
    let figures = figures?;
    let rows = groups.all.iter().zip(&figures);
    let mut rows: Vec<Statistics> =
        rows.map(|(group, figures)| statistics(group, figures, counts, units)).collect();
    rows.iter_mut().for_each(|row| row.surveyed = groups.of_list);
    let no_limits = match is_delivered(&pipeline.stages, Cloud::Survey) {
        true => NoEstimate::Delivered,
        false => NoEstimate::NotJudged,
    };
    let (found, (centred, plan_shift)) = rayon::join(
        || {
            let found = intervals(all, &groups, &spatial, units, counts, no_limits, &mut rows)?;
            let reference = reference(pipeline, units);
            let excerpt = &first.excerpt;
            vs_first::compare(&found.sums, excerpt, &groups, &reference, pipeline.seed, units, &mut rows);
            Ok::<_, io::Error>(found)
        },
        || {
            let centred = centred(&first.excerpt);
            let shift = plan_shift(&first.excerpt, &centred, &first.shift, pipeline, units);
            (centred, shift)
        },
    );
    let Intervals { correlation, block, learning, wider, reach, map, .. } = found?;
    let mut by_return = MomentsByReturn::default();
    first.moments.iter().for_each(|(strata, dz)| by_return[usize::from(strata.return_number)].merge(dz));
    let represented = represented(&counts.ground_by_kind, &first.by_kind, &summarise);
    Ok(Figured {
        by_return,
        learning,
        reach,
        block,
        groups,
        rows,
        correlation,
        wider,
        excerpt: first.excerpt,
        centred,
        plan_shift,
        represented,
        map,
    })
}

/// What the figures mean: compliance with the standards, the client's limits, warnings. `terrain` are the rows of the
/// terrain from returns 1 to k, lengths in micrometres, and what it was weighted with, if it was; `common` is the error that
/// comparisons share.
pub fn conclude(
    figured: Figured,
    terrain: Option<(Vec<TerrainRow>, Option<Lesson>)>,
    pipeline: &Pipeline,
    common: CommonError<'_>,
    units: Unit,
) -> Studied {
    let Figured {
        block,
        groups,
        rows,
        correlation,
        wider,
        excerpt,
        centred,
        plan_shift,
        represented,
        map,
        ..
    } = figured;
    let length = |um: f64| units.from_micrometres(um);
    let (terrain, lesson) = terrain.unwrap_or_default();
    let terrain: Vec<TerrainRow> = terrain.into_iter().map(|row| row.in_unit(length)).collect();
    let reference = reference(pipeline, units);
    let compliances: Vec<Compliance> =
        groups.all.iter().zip(&rows).map(|(group, row)| compliance(group, row, &reference, units)).collect();
    let find = |key: &GroupKey| {
        let at = groups.all.iter().position(|group| group.by == *key)?;
        let is_member = |strata: &Strata| {
            groups.finest_of(strata).is_some_and(|finest| groups.all[at].members.contains(&finest))
        };
        let common = common(&is_member).map_or(reference.common, length);
        Some(GroupFigures { statistics: &rows[at], compliance: &compliances[at], common })
    };
    let limits = accept::judge(&pipeline.accept, find, &terrain, &reference, units);
    let warnings = warnings(&Findings {
        pipeline,
        groups: &groups,
        rows: &rows,
        compliances: &compliances,
        excerpt: &excerpt,
        centred: &centred,
        plan_shift: plan_shift.as_ref(),
        block,
        correlation: &correlation,
        wider,
        reference: &reference,
        limits: &limits,
        represented: &represented,
        units,
    });
    // Groups by return alone are the rows by return once more.
    let only_by_return = summarise_of(&pipeline.stages).by == [By::Return];
    let in_standards = groups
        .all
        .iter()
        .zip(compliances)
        .filter(|(group, _)| !(only_by_return && group.role == Role::Crossed));
    let standards = Standards {
        standard: ASPRS,
        required_checkpoints: MIN_CHECKPOINTS,
        groups: in_standards.map(|(_, compliance)| compliance).collect(),
        reference_class_cm: reference.uncertainty.and_then(|sigma| testable_class(sigma, units)),
        offset: reference.offset,
    };
    let mut studied = Studied {
        returns: Vec::new(),
        all: Statistics::default(),
        trust: Trust {
            groups: Vec::new(),
            correlation,
            represented,
            terrain_by_returns: terrain,
            matching: None,
            plan_shift,
            terrain_weights: lesson.map(|lesson| lesson.weights(length)),
            standards,
            accept: limits,
            warnings,
        },
        map,
    };
    for (group, statistics) in groups.all.into_iter().zip(rows) {
        match group.role {
            Role::All => studied.all = statistics,
            Role::Return(return_number) => studied.returns.push(ReturnRow { return_number, statistics }),
            Role::Cover(_) | Role::Vegetated => {}
            Role::Crossed => studied.trust.groups.push(GroupRow { by: group.by, statistics }),
        }
    }
    studied
}

/// The stated error of the reference in the unit of the report.
fn reference(pipeline: &Pipeline, units: Unit) -> Reference {
    let stated = pipeline.reference.as_ref();
    let uncertainty = stated.and_then(|reference| reference.uncertainty);
    let length = |um: f64| units.from_micrometres(um);
    Reference {
        uncertainty: uncertainty.map(|stated| length(stated.total_um())),
        common: uncertainty.map_or(0.0, |stated| length(stated.common_at_most_um())),
        stated_common: uncertainty.and_then(|stated| stated.stated_common_um()).map_or(0.0, length),
        offset: stated.and_then(|r| r.offset.as_ref()).map(|offset| {
            let [value, sigma] = [offset.value, offset.sigma].map(|l| length(l.exact_micrometres()));
            (value, sigma, offset.why.clone())
        }),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::results::confidence::Verdict;
    use crate::terrain::by_returns::TerrainFigures;
    use crate::tile::strata::{Strata, StratumCounts};
    use crate::trust::test_site::{Made, counts, pipeline, site};

    /// Comparisons that cannot be read back.
    struct Unreadable;

    impl Comparisons for Unreadable {
        fn len(&self) -> u64 {
            1
        }

        fn parts(&self) -> usize {
            1
        }

        fn read_part(&self, _: usize, _: &mut dyn FnMut(&[Compared])) -> io::Result<()> {
            Err(io::Error::other("no disk"))
        }
    }

    fn terrain_row(returns_up_to: u8, coverage: f64) -> TerrainRow {
        let figures =
            TerrainFigures { rmse_terrain: Some(20_000.0), terrain_cells: 900, ..TerrainFigures::default() };
        TerrainRow {
            returns_up_to,
            ground_per_m2: None,
            coverage: Some(coverage),
            largest_void_m2: None,
            rmse_points: Some(30_000.0),
            terrain: figures.clone(),
            weighted: Some(figures),
            offset_removed: None,
        }
    }

    #[test]
    fn the_first_call_gives_what_the_terrain_needs() {
        let all = site();
        let pipeline = pipeline(json!({}));
        let mut figured = figures(&Made(all.clone()), &counts(&all), &pipeline, Unit::Metre).unwrap();
        assert_eq!(figured.block, 10_000_000);
        for number in 0..=MAX_RETURN {
            let mut dz = Moments::default();
            let own = all.iter().filter(|one| usize::from(one.strata.return_number) == number);
            own.for_each(|one| dz.add(one.dz));
            assert_eq!(figured.by_return[number], dz, "return {number}");
        }
        let mut learning = Learning::default();
        all.iter().for_each(|one| learning.add(one.x, one.y, one.strata.return_number, one.dz));
        // Beyond half the widest of the least windows: nine cells.
        assert_eq!(figured.lesson(2_000_000.0), learning.conclude(figured.reach, 9_000_000));
    }

    #[test]
    fn the_second_call_puts_figures_terrain_and_limits_together() {
        let all = site();
        let pipeline = pipeline(json!({"accept": [
            {"rmse": "5 cm", "coverage": 0.9},
            {"group": {"return": 1}, "coverage": 0.9},
            {"group": {"return": 2, "cover": "open"}, "sd": "20 mm"},
            {"group": {"return": 9}, "bias": "1 cm"},
        ]}));
        let mut figured = figures(&Made(all.clone()), &counts(&all), &pipeline, Unit::Metre).unwrap();
        let lesson = figured.lesson(500_000.0);
        let rows = vec![terrain_row(1, 0.8), terrain_row(2, 0.95)];
        let studied = conclude(figured, Some((rows, Some(lesson))), &pipeline, &|_| None, Unit::Metre);
        let numbers: Vec<u8> = studied.returns.iter().map(|row| row.return_number).collect();
        assert_eq!((numbers, studied.all.compared), (vec![1, 2], 6_000));
        let groups: Vec<String> = studied.trust.groups.iter().map(|group| group.by.to_string()).collect();
        assert_eq!(
            groups,
            [
                "return 1, open ground",
                "return 1, under canopy",
                "return 2, open ground",
                "return 2, under canopy"
            ]
        );
        assert!(studied.returns.iter().all(|row| row.statistics.bias_ci95.is_some()));
        // 200 m × 100 m in blocks of 10 m.
        assert_eq!((studied.trust.correlation.blocks, studied.all.blocks), (200, 200));
        assert_eq!(studied.trust.groups[0].statistics.blocks, 100);
        // In metres.
        assert_eq!(studied.trust.terrain_by_returns[0].terrain.rmse_terrain, Some(0.02));
        let verdicts: Vec<Verdict> = studied.trust.accept.iter().map(|limit| limit.verdict).collect();
        assert_eq!(
            verdicts,
            [Verdict::Met, Verdict::Met, Verdict::Missed, Verdict::Missed, Verdict::Inconclusive]
        );
        // All, two returns, three covers, the vegetated ones together, and the four crossed.
        assert_eq!(studied.trust.standards.groups.len(), 11);
    }

    #[test]
    fn groups_by_return_alone_are_not_listed_twice_in_the_standards() {
        let all = site();
        let pipeline = pipeline(json!({"stages": [{"summarise": {"by": ["return"], "block": "10 m"}}]}));
        let mut counts = counts(&all);
        counts.strata = [1, 2]
            .map(|return_number| (Strata { return_number, ..Strata::default() }, StratumCounts::default()))
            .into();
        let figured = figures(&Made(all), &counts, &pipeline, Unit::Metre).unwrap();
        let studied = conclude(figured, None, &pipeline, &|_| None, Unit::Metre);
        assert_eq!((studied.trust.groups.len(), studied.trust.standards.groups.len()), (2, 3));
    }

    #[test]
    fn a_disk_that_fails_ends_the_study() {
        let error = figures(&Unreadable, &PointCounts::default(), &pipeline(json!({})), Unit::Metre).err();
        assert_eq!(error.unwrap().to_string(), "no disk");
    }
}
