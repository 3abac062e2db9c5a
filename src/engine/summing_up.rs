//! From what the tiles gave back to the summary and the histogram.

use super::compared::ComparedFile;
use super::error::EngineError;
use super::job::{CloudJob, Job};
use super::scatter::ReadCounts;
use super::tile::FateCounts;
use super::tiles::Range;
use super::work::DealtClouds;
use crate::cloud::CloudFile;
use crate::cloud::point::MAX_RETURN;
use crate::pipeline::units::Unit;
use crate::report::summary::{CloudCounts, Histogram, KeepCounts, ReturnRow, Statistics};
use crate::stages::compare::Compared;
use crate::stats::moments::Moments;
use crate::stats::quantiles::{Group, RobustStatistics, robust_statistics};

/// Counts of a cloud in the order in which its points go through the stages.
pub fn cloud_counts(read: &ReadCounts, fates: &FateCounts) -> CloudCounts {
    let keep = read
        .keep
        .iter()
        .chain(&fates.keep)
        .map(|(stage, tally)| KeepCounts { stage: *stage, kept: tally.kept, dropped: tally.dropped })
        .collect();
    CloudCounts {
        read: read.read,
        damaged_blocks: read.damaged.len() as u64,
        lost_points: read.lost,
        withheld: read.withheld,
        invalid_return: read.by_return[0],
        out_of_range: read.out_of_range,
        keep,
        noise: fates.noise,
        low_outlier: fates.low_outlier,
        above_ground: fates.above_ground,
        ground: fates.ground_by_return.iter().sum(),
    }
}

/// What reading the points brought to light, in words: damaged blocks, and headers that the points contradict.
pub fn notes_of_reading(dealt: &DealtClouds, job: &Job) -> Vec<String> {
    let mut notes = Vec::new();
    let clouds = [
        ("survey", Some((&dealt.survey, &job.survey))),
        ("reference", dealt.reference.as_ref().zip(job.reference.as_ref())),
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
        if read.withheld == 0 && read.lost == 0 {
            let stated = |n: usize| files.files.iter().map(|file| file.points_by_return[n - 1]).sum::<u64>();
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
    let stated = |axis: usize, of: fn(&CloudFile) -> [f64; 3], beyond: f64, pick: fn(f64, f64) -> f64| {
        let places = cloud.files.iter().zip(&cloud.units).map(|(file, units)| {
            // Headers are rounded to the scale factor at best.
            (of(file)[axis] + beyond * file.scale[axis].abs()) * units.0.micrometres()
        });
        places.reduce(pick).unwrap_or(f64::NAN)
    };
    // A box that is not a number holds nothing.
    let inside = |range: Range, axis| {
        range.0 as f64 >= stated(axis, |f| f.stated_min, -1.0, f64::min)
            && (range.1 - 1) as f64 <= stated(axis, |f| f.stated_max, 1.0, f64::max)
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

/// The statistics of dz, by return and in all.
pub struct Results {
    /// Rows by return, from 1 to the highest that occurs.
    pub returns: Vec<ReturnRow>,
    /// All returns together.
    pub all: Statistics,
}

/// Works out the statistics of all comparisons.
///
/// # Errors
/// Where the comparisons cannot be read back.
pub fn results(
    read: &ReadCounts,
    fates: &FateCounts,
    compared: &ComparedFile,
    units: Unit,
) -> Result<Results, EngineError> {
    let mut moments = [Moments::default(); MAX_RETURN + 1];
    compared.for_each(|one| moments[one.strata.return_number as usize].add(one.dz))?;
    let mut all_moments = Moments::default();
    moments.iter().for_each(|m| all_moments.merge(m));
    let highest = (1..=MAX_RETURN).rev().find(|&n| read.by_return[n] > 0).unwrap_or(0);
    let mut groups: Vec<(Group, Moments)> =
        (1..=highest).map(|n| (Group::One(n as u8), moments[n])).collect();
    groups.push((Group::All, all_moments));
    let by_return = |one: &Compared| Some(one.strata.return_number);
    let robust = compared.by_group(by_return, |residuals| robust_statistics(residuals, &groups))?;
    let points: u64 = read.by_return.iter().sum();
    let ground: u64 = fates.ground_by_return.iter().sum();
    let row = |points_here: u64, ground_here: u64, i: usize| {
        statistics((points_here, points), (ground_here, ground), &groups[i].1, &robust[i], units)
    };
    let returns = (1..=highest)
        .map(|n| ReturnRow {
            return_number: n as u8,
            statistics: row(read.by_return[n], fates.ground_by_return[n], n - 1),
        })
        .collect();
    Ok(Results { returns, all: row(points, ground, highest) })
}

fn statistics(
    points: (u64, u64),
    ground: (u64, u64),
    moments: &Moments,
    robust: &RobustStatistics,
    units: Unit,
) -> Statistics {
    let share = |(part, whole): (u64, u64)| (whole > 0).then(|| part as f64 / whole as f64);
    let length = |um: Option<f64>| um.map(|um| units.from_micrometres(um));
    Statistics {
        points: points.0,
        share: share(points),
        ground: ground.0,
        ground_share: share(ground),
        compared: moments.n,
        mean: length(moments.mean()),
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

/// Bins of a histogram, about.
const BINS: f64 = 48.0;

/// Counts dz in bins, by return, over an interval about zero that shows nearly all of them.
///
/// # Errors
/// Where the comparisons cannot be read back.
pub fn histogram(results: &Results, compared: &ComparedFile, units: Unit) -> Result<Histogram, EngineError> {
    let reach = results.all.abs_p95.unwrap_or(0.0) * 2.0;
    let bin_width = round_up(reach.max(1e-6) * 2.0 / BINS);
    let half = (reach / bin_width).ceil().max(1.0);
    let (start, bins) = (-half * bin_width, 2 * half as usize);
    let mut counts = vec![vec![0u64; bins]; MAX_RETURN + 1];
    compared.for_each(|one| {
        let bin = ((units.from_micrometres(one.dz as f64) - start) / bin_width).floor();
        counts[one.strata.return_number as usize][bin.clamp(0.0, bins as f64 - 1.0) as usize] += 1;
    })?;
    let returns = results
        .returns
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
