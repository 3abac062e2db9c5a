//! From what the tiles gave back to the summary and the histogram.

use crate::cloud::bounds::Range;
use crate::cloud::point::MAX_RETURN;
use crate::cloud::{Registered, StatedBox};
use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::counts::ReadCounts;
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::results::statistics::Statistics;
use crate::results::summary::{CloudCounts, Histogram, ReturnRow, SelectCounts};
use crate::stages::compared::Comparisons;
use crate::stages::counts::StatusCounts;
use crate::stages::select::Tallies;
use crate::tile::points::GroundFrom;
use crate::units::Unit;

/// Counts of a cloud in the order in which its points go through the stages.
pub fn cloud_counts(
    read: &ReadCounts,
    tallies: &Tallies,
    statuses: &StatusCounts,
    ground_from: Option<GroundFrom>,
) -> CloudCounts {
    let select = read
        .select
        .iter()
        .chain(tallies)
        .map(|(stage, tally)| SelectCounts {
            stage: *stage,
            selected: tally.selected,
            not_selected: tally.not_selected,
        })
        .collect();
    CloudCounts {
        read: read.read,
        damaged_blocks: read.damaged.len() as u64,
        lost_points: read.lost,
        outside_area: read.outside_area,
        withheld: read.withheld,
        invalid_return: read.by_return[0],
        out_of_range: read.out_of_range,
        select,
        noise: statuses.noise,
        low_outlier: statuses.low_outlier,
        above_ground: statuses.above_ground,
        other_class: statuses.other_class,
        ground: statuses.ground_by_return.iter().sum(),
        ground_from,
        by_slope: Vec::new(),
    }
}

/// What reading the points brought to light, in words: damaged blocks, and headers that the points contradict.
pub fn notes_of_reading(partitions: &Partitions, job: &Job) -> Vec<String> {
    let mut notes = Vec::new();
    let clouds = [
        ("survey", Some((&partitions.survey, &job.survey))),
        ("reference", partitions.reference.as_ref().zip(job.reference.as_ref())),
    ];
    for (name, cloud) in clouds.into_iter().filter_map(|(name, cloud)| Some((name, cloud?))) {
        let (read, files) = (&cloud.0.counts, cloud.1);
        notes.extend(read.damaged.iter().map(|block| format!("skipped: {}", block.what)));
        if let Some(box_found) = read.bounds.ranges()
            && let Some(note) = outside_stated_box(name, box_found, files)
        {
            notes.push(note);
        }
        // Withheld points are in the header's counts, and lost ones may be.
        let by_return: Option<Vec<&[u64; MAX_RETURN]>> =
            files.sources.iter().map(|source| source.points_by_return()).collect();
        if let Some(by_return) =
            by_return.filter(|_| read.withheld == 0 && read.lost == 0 && read.outside_area == 0)
        {
            let stated = |n: usize| by_return.iter().map(|stated| stated[n - 1]).sum::<u64>();
            let differs = |n: &usize| stated(*n) != read.by_return[*n];
            let differ: Vec<String> = (1..=MAX_RETURN).filter(differs).map(|n| n.to_string()).collect();
            if !differ.is_empty() {
                notes.push(format!(
                    "the headers of the {name} state other numbers of points than were read for return {}; those read \
                     count",
                    differ.join(", ")
                ));
            }
        }
    }
    notes
}

/// That points lie outside the boxes that the headers state, if they do.
fn outside_stated_box(name: &str, (x, y): (Range, Range), cloud: &CloudJob) -> Option<String> {
    let stated = |axis: usize, of: fn(&StatedBox) -> [f64; 3], beyond: f64, pick: fn(f64, f64) -> f64| {
        let sources = cloud.sources.iter().zip(&cloud.units).zip(&cloud.placing);
        let places = sources.map(|((source, units), placing)| {
            let mut stated = source.stated_box();
            if let Some(pose) = &placing.pose {
                stated = moved(&stated, *units, pose);
                return of(&stated)[axis];
            }
            (of(&stated)[axis] + beyond * stated.rounding[axis]) * units.0.micrometres()
        });
        places.reduce(pick).unwrap_or(f64::NAN)
    };
    // A box that is not a number holds nothing.
    let inside = |range: Range, axis| {
        range.0 as f64 >= stated(axis, |stated| stated.min, -1.0, f64::min)
            && (range.1 - 1) as f64 <= stated(axis, |stated| stated.max, 1.0, f64::max)
    };
    if inside(x, 0) && inside(y, 1) {
        return None;
    }
    let metres = |range: Range| format!("{} to {} m", range.0 as f64 / 1e6, (range.1 - 1) as f64 / 1e6);
    Some(format!(
        "points of the {name} lie outside the box that its headers state: they were read at x {}, y {}",
        metres(x),
        metres(y)
    ))
}

/// The box around a box and its rounding that a source of these units states, where it is registered: micrometres.
fn moved(stated: &StatedBox, units: (Unit, Unit), pose: &Registered) -> StatedBox {
    let range = |axis: usize| {
        let unit = if axis == 2 { units.1 } else { units.0 }.micrometres() / 1e6;
        let rounding = stated.rounding[axis];
        ((stated.min[axis] - rounding) * unit, (stated.max[axis] + rounding) * unit)
    };
    let around = pose.around([range(0), range(1), range(2)]);
    StatedBox {
        min: around.map(|(low, _)| low * 1e6 - 1.0),
        max: around.map(|(_, high)| high * 1e6 + 1.0),
        rounding: [0.0; 3],
    }
}

/// Bins of a histogram, about.
const BINS: f64 = 48.0;

/// Counts dz in bins, by return, over an interval about zero that shows nearly all of them.
///
/// # Errors
/// Where the comparisons cannot be read back.
pub fn histogram(
    returns: &[ReturnRow],
    all: &Statistics,
    compared: &dyn Comparisons,
    units: Unit,
) -> Result<Histogram, EngineError> {
    let reach = all.abs_p95.unwrap_or(0.0) * 2.0;
    let bin_width = round_up(reach.max(1e-6) * 2.0 / BINS);
    let half = (reach / bin_width).ceil().max(1.0);
    let (start, bins) = (-half * bin_width, 2 * half as usize);
    let mut counts = compared.sum_up(
        || vec![vec![0u64; bins]; MAX_RETURN + 1],
        |counts, block| {
            for one in block {
                let bin = ((units.from_micrometres(one.dz as f64) - start) / bin_width).floor();
                counts[one.strata.return_number as usize][bin.clamp(0.0, bins as f64 - 1.0) as usize] += 1;
            }
        },
        |counts, others| counts.iter_mut().flatten().zip(others.iter().flatten()).for_each(|(a, b)| *a += b),
    )?;
    let returns = returns
        .iter()
        .filter(|row| row.statistics.compared > 0)
        .map(|row| (row.return_number, std::mem::take(&mut counts[row.return_number as usize])))
        .collect();
    Ok(Histogram { bin_width, start, returns })
}

/// The next of 1, 2, 5 times a power of ten.
fn round_up(value: f64) -> f64 {
    let power = 10f64.powf(value.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].iter().find(|step| *step * power >= value * (1.0 - 1e-9));
    steps.unwrap_or(&10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bins_have_round_widths() {
        for (value, width) in [(0.0011, 0.002), (0.002, 0.002), (0.0021, 0.005), (0.7, 1.0), (30.0, 50.0)] {
            assert!((round_up(value) / width - 1.0).abs() < 1e-12, "{value}");
        }
    }
}
