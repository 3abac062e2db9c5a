//! The gate against nonsense once all is counted: nothing compared, a bias beyond anything plausible, and clouds too thin for
//! the ground filter.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use crate::cloud::bounds::{Bounds, Range};
use crate::cloud::point_list::PointList;
use crate::engine::partition::clouds::{Partition, Partitions};
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::job::Job;
use crate::engine::plan::list_job::ListJob;
use crate::results::checkpoints::{CheckpointRow, NotUsed};
use crate::results::confidence::{Verdict, Warning, WarningCode};
use crate::results::format::{capitalised, decimal, percent, signed_length, thousands};
use crate::results::statistics::Statistics;
use crate::results::summary::{CloudCounts, Summary};
use crate::stages::alone::AloneCounts;
use crate::stages::auto::Auto;
use crate::stages::compare::Compare;
use crate::stages::ladder;
use crate::stages::list::Stage;
use crate::stages::plane_sums::PLANE_POINTS;
use crate::stages::search::Search;
use crate::tile::points::GroundFrom;
use crate::trust::plausible::{self, Elevations};
use crate::units::{Length, Micrometres};

/// Share of the points of a cloud without others near them from which on the ground filter is said to be blind.
const MOST_ALONE: f64 = 0.5;

/// Why nothing was compared, and what to do; nothing where something was, or was not to be.
pub fn nothing_compared(job: &Job, partitions: &Partitions, summary: &Summary) -> Option<String> {
    let compare = job.pipeline.stages.iter().find_map(Stage::as_compare)?;
    if summary.all.compared > 0 {
        return None;
    }
    let survey = &summary.survey;
    let no_returns = || {
        (survey.invalid_return > 0 && survey.invalid_return == summary.points).then(|| {
            "every return number of the survey is 0 or above its number of returns, so that no point belongs to a return. \
             Export the survey with the return numbers that were recorded"
                .to_string()
        })
    };
    let of_survey =
        || no_points("survey", survey).or_else(no_returns).or_else(|| no_ground("survey", survey));
    if let Some(points) = &summary.checkpoints {
        return Some(of_survey().unwrap_or_else(|| no_checkpoint(points, compare, partitions, job)));
    }
    let (reference, partition) = (summary.reference.as_ref()?, partitions.reference.as_ref()?);
    let of_reference = || no_points("reference", reference).or_else(|| no_ground("reference", reference));
    let nothing_in_reach = || {
        let search = compare.search();
        if let Some(boxes) = apart(&partitions.survey, partition, search.reach()) {
            return format!(
                "the points of the two clouds lie apart: {boxes}. Check that these are the files of one site, in one coordinate \
                 system with the same units and offsets"
            );
        }
        let density = reference.ground as f64 / area(partition);
        let per_m2 = decimal(density, if density < 10.0 { 2 } else { 0 });
        let has = format!("the reference has about {per_m2} ground points per square metre");
        let expected = |reach: Micrometres, decimals| {
            let radius = reach as f64 / 1e6;
            decimal(density * std::f64::consts::PI * radius * radius, decimals)
        };
        // In the unit of the pipeline file, where that says how far.
        let within = |reach: Micrometres| match compare.within() {
            Auto::Fixed(within) => within,
            Auto::Auto => Length::millimetres(reach as f64 / 1e3),
        };
        let plane = |points: usize, reach: Micrometres, remedy: &str| {
            format!(
                "no survey ground point has the {points} reference points within {} that a plane is fitted to: {has}, {} in that \
                 reach. {remedy}",
                within(reach),
                expected(reach, 2)
            )
        };
        match search {
            Search::Plane(reach) => plane(PLANE_POINTS as usize, reach, "Set a larger `within`"),
            Search::Ladder(_) => plane(ladder::ENOUGH, search.reach(), "Set a `within` larger than that"),
            Search::Nearest(reach) | Search::Either(reach, _) => format!(
                "no survey ground point has reference within {}: {has}, {} in that reach. Set a larger `within`, or use `match: \
                 plane` with one",
                within(reach),
                expected(reach, 4)
            ),
            Search::Triangles(_) => format!(
                "no survey ground point lies in a triangle of reference points with edges up to {}: {has}. Set a larger \
                 `longest_edge`",
                compare.longest(false)
            ),
        }
    };
    let left_out = || left_out(summary, reference);
    Some(of_survey().or_else(of_reference).or_else(left_out).unwrap_or_else(nothing_in_reach))
}

/// Why none of the surveyed points of a list can be used: the reasons, each with the number of its points, and the remedy for
/// the most frequent.
fn no_checkpoint(points: &[CheckpointRow], compare: &Compare, partitions: &Partitions, job: &Job) -> String {
    let mut counts: BTreeMap<&str, (NotUsed, u64)> = BTreeMap::new();
    for kind in points.iter().filter_map(|point| point.not_used) {
        counts.entry(kind.words()).or_insert((kind, 0)).1 += 1;
    }
    let mut counts: Vec<(NotUsed, u64)> = counts.into_values().collect();
    counts.sort_by_key(|(_, count)| Reverse(*count));
    let listed: Vec<String> =
        counts.iter().map(|(kind, count)| format!("{} {}", thousands(*count), kind.words())).collect();
    let all = thousands(points.len() as u64);
    let text = format!("none of the {all} surveyed points can be used: {}", listed.join("; "));
    let remedy = match counts.first().map(|(kind, _)| *kind) {
        Some(NotUsed::Outside) => {
            let boxes = job.list.as_ref().and_then(|list| boxes(&partitions.survey, &list.points));
            let at = boxes.map(|boxes| format!(" ({boxes})")).unwrap_or_default();
            format!(
                "Check that easting and northing are not exchanged, and that list and survey have one coordinate system and the \
                 same units{at}"
            )
        }
        Some(NotUsed::TooSteep) => "Set a larger `steepest` of `compare`".to_string(),
        Some(NotUsed::LeftOut) => "Check the areas of `exclude`".to_string(),
        _ => format!(
            "Facets have edges up to {}: set a larger `longest_edge` of `compare` where the ground is sparse, and check the \
             options of `ground`",
            compare.longest(true)
        ),
    };
    format!("{text}. {remedy}")
}

/// Where the points of the survey lie, and where those of a list.
fn boxes(survey: &Partition, list: &PointList) -> Option<String> {
    let (x, y) = survey.counts.bounds.ranges()?;
    let mut bounds = Bounds::default();
    list.points.iter().for_each(|point| bounds.add((point.x, point.y)));
    Some(format!("the survey at {}, the list at {}", in_metres((x, y)), in_metres(bounds.ranges()?)))
}

/// A box in metres.
fn in_metres((x, y): (Range, Range)) -> String {
    let metres = |range: Range| format!("{:.1} to {:.1} m", range.0 as f64 / 1e6, (range.1 - 1) as f64 / 1e6);
    format!("x {}, y {}", metres(x), metres(y))
}

/// Why no point of a cloud was left to be filtered.
fn no_points(cloud: &str, counts: &CloudCounts) -> Option<String> {
    if counts.lost_points == counts.read {
        return Some(format!(
            "all {} points of the {cloud} are in damaged blocks, which were skipped. Copy or export the files again",
            thousands(counts.read)
        ));
    }
    if counts.withheld + counts.out_of_range + counts.lost_points == counts.read {
        return Some(format!(
            "no point of the {cloud} can be used: {} are flagged withheld, {} have impossible coordinates, {} are in damaged \
             blocks. Check the files with `echograde inspect`",
            thousands(counts.withheld),
            thousands(counts.out_of_range),
            thousands(counts.lost_points)
        ));
    }
    let emptied = counts.select.iter().find(|select| select.selected == 0)?;
    Some(format!(
        "`select`, entry {} of `stages`, selects none of {} points of the {cloud}. `echograde inspect` shows which returns, classes \
         and strips there are",
        emptied.stage,
        thousands(emptied.not_selected + counts.outside_area)
    ))
}

/// That no ground was found in a cloud.
fn no_ground(cloud: &str, counts: &CloudCounts) -> Option<String> {
    if counts.ground > 0 {
        return None;
    }
    if counts.ground_from == Some(GroundFrom::Classes) {
        return Some(format!(
            "no point of the {cloud} is left as ground: {} are labelled noise, {} are of other classes than 2 (ground), and \
             `select` left the others out. Check `select`",
            thousands(counts.noise),
            thousands(counts.other_class)
        ));
    }
    Some({
        format!(
            "no ground was found in the {cloud}: {} points are labelled noise, {} are low outliers, {} lie above the thresholds of \
             the ground filter. Check `select` and the options of `ground`, above all `cell` and `window_max`",
            thousands(counts.noise),
            thousands(counts.low_outlier),
            thousands(counts.above_ground)
        )
    })
}

/// That areas left out hold all ground of a cloud.
fn left_out(summary: &Summary, reference: &CloudCounts) -> Option<String> {
    let [of_survey, of_reference] = [
        summary.excluded.iter().map(|area| area.survey).sum::<u64>(),
        summary.excluded.iter().map(|area| area.reference).sum(),
    ];
    let all = [("survey", of_survey, summary.survey.ground), ("reference", of_reference, reference.ground)];
    let (cloud, taken, _) = all.into_iter().find(|(_, taken, ground)| *taken > 0 && taken == ground)?;
    Some(format!(
        "the areas of `exclude` hold all {} ground points of the {cloud}. Check their coordinates, and whether the area or what \
         lies outside it was drawn",
        thousands(taken)
    ))
}

/// Square metres of the boxes that hold a cloud, tile by tile.
fn area(partition: &Partition) -> f64 {
    let boxes = partition.shares.values().filter_map(|share| share.core.ranges());
    let areas = boxes.map(|(x, y)| (x.1 - x.0) as f64 * (y.1 - y.0) as f64 / 1e12);
    areas.sum::<f64>().max(1e-6)
}

/// The boxes around the points of the two clouds, where they lie farther apart than `reach`.
fn apart(survey: &Partition, reference: &Partition, reach: i64) -> Option<String> {
    let (a, b) = (survey.counts.bounds.ranges()?, reference.counts.bounds.ranges()?);
    let far = |a: (i64, i64), b: (i64, i64)| a.0 > b.1 + reach || b.0 > a.1 + reach;
    (far(a.0, b.0) || far(a.1, b.1))
        .then(|| format!("the survey at {}, the reference at {}", in_metres(a), in_metres(b)))
}

/// Adds what the gate has to say to the summary: first of all a bias that cannot be, with which no class is met and no limit
/// passes.
pub fn judge(job: &Job, alone: [AloneCounts; 2], summary: &mut Summary) {
    for (cloud, counts) in ["survey", "reference"].into_iter().zip(alone).rev() {
        if counts.points > 0 && counts.alone as f64 > MOST_ALONE * counts.points as f64 {
            let text = format!(
                "The {cloud} is too thin for the ground filter: {} % of its points have no other within two cells, and the filter \
                 then takes everything for ground. Set `cell` of `ground` to about the spacing of its points{}.",
                percent(counts.alone as f64 / counts.points as f64),
                if cloud == "reference" {
                    ", or, where the reference is ground alone, leave it out with `cloud: survey`"
                } else {
                    ", and `window_max` to several times that"
                }
            );
            summary.trust.warnings.insert(0, Warning { code: WarningCode::TooFewForFilter, text });
        }
    }
    let Some(text) = implausible(job, summary) else { return };
    summary.trust.warnings.insert(0, Warning { code: WarningCode::ImplausibleBias, text });
    for compliance in &mut summary.trust.standards.groups {
        (compliance.class_cm, compliance.class_cm_95, compliance.quality_level) = (None, None, None);
        (compliance.bias_to_class, compliance.bias_within_guidance) = (None, None);
        if let Some(removed) = &mut compliance.offset_removed {
            (removed.class_cm, removed.class_cm_95) = (None, None);
        }
    }
    for limit in summary.trust.accept.iter_mut().filter(|limit| limit.verdict == Verdict::Met) {
        (limit.verdict, limit.more_checkpoints) = (Verdict::Inconclusive, None);
    }
}

/// What is to be said of a bias beyond anything plausible, of all returns or of one.
fn implausible(job: &Job, summary: &Summary) -> Option<String> {
    let metres = |value: f64| value * summary.units.micrometres() / 1e6;
    let far = |value: &f64| metres(*value).abs() > plausible::LIMIT;
    let rows = summary.returns.iter().map(|row| (format!("return {}", row.return_number), &row.statistics));
    let all = [("all returns".to_string(), &summary.all)].into_iter().chain(rows);
    let enough = |s: &Statistics| s.support().is_enough() || s.compared == summary.all.compared;
    let (name, found) = all
        .filter(|(_, statistics)| enough(statistics))
        .find(|(_, statistics)| statistics.bias.as_ref().is_some_and(far))?;
    let (bias, median) = (found.bias?, found.median?);
    let figures = format!(
        "The bias of {name} is {} (median {}, n = {}): no survey is that far off, and no figure here can be right.",
        signed_length(bias, summary.units),
        signed_length(median, summary.units),
        thousands(found.compared)
    );
    if !far(&median) {
        return Some(format!(
            "{figures} Most comparisons are not: a few lie very far off, as after damage to a file. Check the files with \
             `echograde inspect`, and copy or export them again."
        ));
    }
    let cause = plausible::cause(metres(median), elevations(job).as_ref());
    Some(format!("{figures} {}.", capitalised(&cause)))
}

/// The elevations of survey and reference: those that the headers state, where all of them do, and those of a list's points.
fn elevations(job: &Job) -> Option<Elevations> {
    let around = |cloud: &CloudJob| {
        let ranges = cloud.boxes()?.into_iter().map(|one| one.z);
        ranges.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    };
    let metres = |um: Micrometres| um as f64 / 1e6;
    let of_list = |list: &ListJob| {
        let elevations = || list.points.points.iter().map(|point| point.z);
        Some((metres(elevations().min()?), metres(elevations().max()?)))
    };
    let reference = match &job.list {
        Some(list) => of_list(list)?,
        None => around(job.reference.as_ref()?)?,
    };
    Some(Elevations { survey: around(&job.survey)?, reference })
}
