//! From what the tiles gave back to the summary and the histogram.

use super::error::EngineError;
use super::gather::ResidualFile;
use super::scatter::ReadCounts;
use super::tile::FateCounts;
use crate::cloud::point::MAX_RETURN;
use crate::pipeline::units::Unit;
use crate::report::summary::{CloudCounts, Histogram, KeepCounts, ReturnRow, Statistics};
use crate::stats::moments::Moments;
use crate::stats::quantiles::{Group, Residuals, RobustStatistics, robust_statistics};

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

/// The statistics of dz, by return and in all.
pub struct Results {
    /// Rows by return, from 1 to the highest that occurs.
    pub returns: Vec<ReturnRow>,
    /// All returns together.
    pub all: Statistics,
}

/// Works out the statistics of all residuals.
///
/// # Errors
/// Where the residuals cannot be read back.
pub fn results(
    read: &ReadCounts,
    fates: &FateCounts,
    residuals: &ResidualFile,
    units: Unit,
) -> Result<Results, EngineError> {
    let failed = |error| EngineError::disk(residuals.path(), "reading working data back")(error);
    let mut moments = [Moments::default(); MAX_RETURN + 1];
    residuals
        .for_each_block(&mut |block| block.iter().for_each(|r| moments[r.group as usize].add(r.dz)))
        .map_err(failed)?;
    let mut all_moments = Moments::default();
    moments.iter().for_each(|m| all_moments.merge(m));
    let highest = (1..=MAX_RETURN).rev().find(|&n| read.by_return[n] > 0).unwrap_or(0);
    let mut groups: Vec<(Group, Moments)> =
        (1..=highest).map(|n| (Group::One(n as u8), moments[n])).collect();
    groups.push((Group::All, all_moments));
    let robust = robust_statistics(residuals, &groups).map_err(failed)?;
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
    }
}

/// Bins of a histogram, about.
const BINS: f64 = 48.0;

/// Counts dz in bins, by return, over an interval about zero that shows nearly all of them.
///
/// # Errors
/// Where the residuals cannot be read back.
pub fn histogram(results: &Results, residuals: &ResidualFile, units: Unit) -> Result<Histogram, EngineError> {
    let reach = results.all.abs_p95.unwrap_or(0.0) * 2.0;
    let bin_width = round_up(reach.max(1e-6) * 2.0 / BINS);
    let half = (reach / bin_width).ceil().max(1.0);
    let (start, bins) = (-half * bin_width, 2 * half as usize);
    let mut counts = vec![vec![0u64; bins]; MAX_RETURN + 1];
    residuals
        .for_each_block(&mut |block| {
            for residual in block {
                let bin = ((units.from_micrometres(residual.dz as f64) - start) / bin_width).floor();
                counts[residual.group as usize][bin.clamp(0.0, bins as f64 - 1.0) as usize] += 1;
            }
        })
        .map_err(EngineError::disk(residuals.path(), "reading working data back"))?;
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
