//! Spatial block bootstrap: intervals and effective numbers that neighbouring residuals cannot fool.
//!
//! Whole blocks are drawn with replacement, the same for all groups at once, as many as there are; each draw gives
//! every group a mean, SD and RMSE, and their spread over the draws is the standard error (Künsch 1989, Lahiri 2003
//! for the idea; from memory). Two things that drawing blocks cannot know are put right with the fitted correlation:
//!
//! - **Correlation between blocks.** Blocks count as independent, though neighbours share some error, and the mean that they are
//!   held against comes from the same residuals. For the fitted correlation both the true variance of the mean and
//!   what blocks of this size and occupancy show of it on average can be computed; their ratio, `inflation`, goes onto
//!   the bootstrap's variance. It is near 1 with blocks well beyond the range.
//! - **The uncertainty of the standard error itself.** Blocks that hold many residuals, and correlated neighbours, leave fewer degrees
//!   of freedom than there are blocks (Satterthwaite's two moments, of the same model). Intervals use t with these.
//!
//! Squares of Gaussian residuals correlate by the square of the correlation: so the same serves SD and RMSE, whose
//! intervals are made on the logarithm and centred where a sample's SD and RMSE are expected to be right.

use rayon::prelude::*;

use crate::stats::blocks::{BlockSums, DzSums};
use crate::stats::correlation::CorrelationModel;
use crate::stats::distributions::t_quantile;
use crate::stats::neighbours::Neighbours;
use libm::{exp, log};
use twox_hash::XxHash3_64;

/// Draws of as many blocks as there are.
pub const REPLICATES: usize = 2_000;

/// 95 % interval, low and high.
pub type Interval = [f64; 2];

/// What is known of one group (or several together), in micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Number of residuals.
    pub n: u64,
    /// Number of blocks that hold any.
    pub blocks: usize,
    /// Mean dz.
    pub mean: Option<f64>,
    /// Sample standard deviation, with n − 1.
    pub sd: Option<f64>,
    /// Root mean square, with n.
    pub rmse: Option<f64>,
    /// Standard error of the mean.
    pub mean_se: Option<f64>,
    /// Interval of the mean.
    pub mean_ci95: Option<Interval>,
    /// Interval of the SD.
    pub sd_ci95: Option<Interval>,
    /// Interval of the RMSE.
    pub rmse_ci95: Option<Interval>,
    /// Effective sample size: SD² over the squared standard error of the mean, the number of independent residuals that
    /// would give the mean the same standard error.
    /// The same as n² / Σ ρ_ij. Never above n.
    pub n_effective: Option<f64>,
    /// What the bootstrap's variance of the mean was multiplied with for correlation between blocks.
    pub inflation: Option<f64>,
}

/// A mean, SD or RMSE (the last two as logarithms) over the replicates, and how to make an interval of it.
#[derive(Clone, Default)]
struct Spread {
    /// Empty where a draw missed the group.
    replicates: Vec<Option<f64>>,
    inflation: f64,
    df: f64,
}

/// One group's figures and replicates.
#[derive(Clone, Default)]
struct Drawn {
    estimate: Estimate,
    mean: Spread,
    ln_sd: Spread,
    ln_rmse: Spread,
}

/// The bootstrap of all groups asked for, drawn jointly.
pub struct Bootstrap {
    drawn: Vec<Drawn>,
}

/// Draws blocks for each of `super_groups`, lists of the sums' groups that are taken together.
///
/// Join blocks with [`BlockSums::few_enough`] first. The same sums and seed give the same bits.
pub fn bootstrap(
    sums: &BlockSums,
    super_groups: &[Vec<u16>],
    correlation: &CorrelationModel,
    seed: u64,
) -> Bootstrap {
    let neighbours = Neighbours::new(sums, correlation);
    let groups: Vec<Centred> = super_groups.iter().map(|list| Centred::new(&sums.together(list))).collect();
    let mut drawn: Vec<Drawn> =
        groups.iter().map(|group| group.drawn(&neighbours, correlation.sill)).collect();
    let replicates = (0..REPLICATES).into_par_iter().map_init(
        || vec![0u32; sums.len()],
        |times, replicate| {
            draw(times, seed, replicate);
            groups.iter().map(|group| group.replicate(times)).collect()
        },
    );
    let replicates: Vec<Vec<[Option<f64>; 3]>> = replicates.collect();
    for replicate in replicates {
        for ([mean, ln_sd, ln_rmse], drawn) in replicate.into_iter().zip(&mut drawn) {
            drawn.mean.replicates.push(mean);
            drawn.ln_sd.replicates.push(ln_sd);
            drawn.ln_rmse.replicates.push(ln_rmse);
        }
    }
    drawn.iter_mut().for_each(Drawn::conclude);
    Bootstrap { drawn }
}

/// How many times each block is drawn in one replicate.
fn draw(times: &mut [u32], seed: u64, replicate: usize) {
    times.fill(0);
    let blocks = times.len() as u64;
    for i in 0..times.len().div_ceil(2) {
        let counter = (((replicate as u64) << 32) | i as u64).to_le_bytes();
        let bits = XxHash3_64::oneshot_with_seed(seed, &counter);
        // Two draws a hash, by multiplying 32 bits into the range.
        times[(((bits & 0xffff_ffff) * blocks) >> 32) as usize] += 1;
        if 2 * i + 1 < times.len() {
            times[(((bits >> 32) * blocks) >> 32) as usize] += 1;
        }
    }
}

impl Bootstrap {
    /// Figures and intervals of a group, by its place in the list asked for.
    pub fn estimate(&self, group: usize) -> &Estimate {
        &self.drawn[group].estimate
    }
}

impl Spread {
    fn new(inflation_and_df: Option<(f64, f64)>) -> Self {
        let (inflation, df) = inflation_and_df.unwrap_or((f64::NAN, f64::NAN));
        Spread { replicates: Vec::with_capacity(REPLICATES), inflation, df }
    }

    /// Inflated variance over the replicates; nothing if too few of them have a value, or all have the same.
    fn variance(&self) -> Option<f64> {
        let values: Vec<f64> = self.replicates.iter().flatten().copied().collect();
        if values.len() < REPLICATES / 2 {
            return None;
        }
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0) * self.inflation;
        (variance > 0.0 && variance.is_finite()).then_some(variance)
    }

    /// Half the width of the 95 % interval.
    fn half_width(&self) -> Option<f64> {
        Some(t_quantile(0.975, self.df)? * self.variance()?.sqrt())
    }
}

impl Drawn {
    /// Makes the intervals once all replicates are there.
    fn conclude(&mut self) {
        let e = &mut self.estimate;
        let (Some(mean), Some(sd), Some(rmse)) = (e.mean, e.sd, e.rmse) else { return };
        if sd <= 0.0 {
            return; // what rounding leaves of no spread is no interval
        }
        let variance = self.mean.variance();
        if let (Some(variance), Some(half)) = (variance, self.mean.half_width()) {
            e.mean_se = Some(variance.sqrt());
            e.mean_ci95 = Some([mean - half, mean + half]);
            e.n_effective = Some((sd * sd / variance).min(e.n as f64));
            e.inflation = Some(self.mean.inflation);
        }
        let around = |centre: f64, spread: &Spread| {
            // The logarithm of a sample's SD is too low on average, by its own variance.
            let (variance, half) = (spread.variance()?, spread.half_width()?);
            Some([centre * exp(variance - half), centre * exp(variance + half)])
        };
        // A site of few correlated values shows too little of their spread: what the mean took away.
        let whole_sd = (sd * sd + variance.unwrap_or(0.0)).sqrt();
        e.sd_ci95 = around(whole_sd, &self.ln_sd);
        e.rmse_ci95 = around(rmse, &self.ln_rmse);
    }
}

/// A group's sums by block, about its own mean; blocks that hold none are left out.
struct Centred {
    block: Vec<usize>,
    n: Vec<f64>,
    /// Sum of dz less the group's mean.
    first: Vec<f64>,
    /// Sum of squares of dz less the group's mean.
    second: Vec<f64>,
    count: u64,
    mean: f64,
    sum_of_second: f64,
}

impl Centred {
    fn new(sums: &[DzSums]) -> Self {
        let mut all = DzSums::default();
        sums.iter().for_each(|block| all.merge(block));
        let n = i128::from(all.n.max(1));
        // The mean as whole micrometres and the rest of less than one, so that large sums keep their digits.
        let whole = all.sum.div_euclid(n);
        let rest = all.sum.rem_euclid(n) as f64 / n as f64;
        let occupied = || sums.iter().enumerate().filter(|(_, block)| block.n > 0);
        let about = |block: &DzSums| {
            let count = i128::from(block.n);
            let first = (block.sum - count * whole) as f64;
            let second = (block.squares - 2 * whole * block.sum + count * whole * whole) as f64;
            (first - rest * block.n as f64, second - 2.0 * rest * first + rest * rest * block.n as f64)
        };
        let second: Vec<f64> = occupied().map(|(_, block)| about(block).1.max(0.0)).collect();
        Centred {
            block: occupied().map(|(i, _)| i).collect(),
            n: occupied().map(|(_, block)| block.n as f64).collect(),
            first: occupied().map(|(_, block)| about(block).0).collect(),
            sum_of_second: second.iter().sum(),
            second,
            count: all.n,
            mean: whole as f64 + rest,
        }
    }

    /// Figures without intervals, and what the correlation says about the variances to come.
    fn drawn(&self, neighbours: &Neighbours, sill: f64) -> Drawn {
        let n = self.count as f64;
        let some = self.count > 0;
        let square = self.sum_of_second / n;
        let estimate = Estimate {
            n: self.count,
            blocks: self.block.len(),
            mean: some.then_some(self.mean),
            sd: (self.count > 1).then(|| (self.sum_of_second / (n - 1.0)).sqrt()),
            rmse: some.then(|| (square + self.mean * self.mean).sqrt()),
            ..Estimate::default()
        };
        // Not all of it, or a single residual would tell of all the others at its place.
        let share = if square > 0.0 { (sill / square).min(0.98) } else { 0.0 };
        // Of the squares about zero: 2 ρ² s⁴ + 4 ρ m² s², in units of s⁴.
        let bias = if square > 0.0 { 2.0 * self.mean * self.mean / square } else { 0.0 };
        let model =
            |a: f64, b: f64| neighbours.model(&self.block, &self.n, a * share, b * share * share, a + b);
        Drawn {
            estimate,
            mean: Spread::new(model(1.0, 0.0)),
            ln_sd: Spread::new(model(0.0, 1.0)),
            ln_rmse: Spread::new(model(bias, 1.0)),
        }
    }

    /// Mean, ln SD and ln RMSE of one draw of blocks.
    fn replicate(&self, times: &[u32]) -> [Option<f64>; 3] {
        let (mut n, mut first, mut second) = (0.0, 0.0, 0.0);
        for (i, &block) in self.block.iter().enumerate() {
            let drawn = f64::from(times[block]);
            n += drawn * self.n[i];
            first += drawn * self.first[i];
            second += drawn * self.second[i];
        }
        if n == 0.0 {
            return [None; 3];
        }
        let shift = first / n;
        let half_ln = |square: f64| (square > 0.0).then(|| 0.5 * log(square));
        let variance = second / n - shift * shift;
        [Some(self.mean + shift), half_ln(variance), half_ln(variance + (self.mean + shift).powi(2))]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::blocks::default_size_um;
    use crate::stats::placed::Placed;
    use crate::stats::simulated::{Field, Normal, Site};
    use crate::stats::variogram::correlation;

    fn site() -> Site {
        let returns = [(5_000.0, 15_000.0), (-10_000.0, 40_000.0), (-30_000.0, 80_000.0)];
        Site { side: 100, field: Field::Exponential(3.0), field_sd: 20_000.0, returns, residuals: 2_000 }
    }

    #[test]
    fn one_residual_a_block_is_the_plain_case() {
        // Twelve invented residuals in ten-thousandths of a foot, computed independently in Python: mean 0.042500,
        // interval by t with 11 degrees of freedom -0.021734 to 0.106734. Draws give it but for 2 % or so.
        let dz = [300, -200, 500, 100, -400, 200, 600, -100, 400, 0, 200, 3500];
        let mut sums = BlockSums::new(10, 1);
        dz.iter().zip(0..).for_each(|(&dz, i)| sums.add(10 * i, 0, 0, dz));
        let drawn = bootstrap(&sums, &[vec![0]], &CorrelationModel::unknown(), 1);
        let found = drawn.estimate(0);
        let [low, high] = found.mean_ci95.unwrap();
        assert!((low + 217.34).abs() < 25.0 && (high - 1067.34).abs() < 25.0, "{low} {high}");
        assert!((found.mean.unwrap() - 425.0).abs() < 1e-9);
        assert!((found.sd.unwrap() - 1010.96).abs() < 0.01 && (found.rmse.unwrap() - 1057.12).abs() < 0.01);
        assert!((found.inflation.unwrap() - 12.0 / 11.0).abs() < 1e-12);
        assert!((found.n_effective.unwrap() - 12.0).abs() < 0.7, "{found:?}");
    }

    #[test]
    fn the_effective_number_is_what_the_correlation_says() {
        // n² / Σ ρ_ij over all pairs, of the covariance that the site was made with.
        let site = site();
        let (mut found, mut exact) = (0.0, 0.0);
        for seed in 0..40 {
            let residuals = site.residuals(&mut Normal::new(seed));
            let fit = correlation(&residuals, 7);
            let sums = BlockSums::of(&residuals, default_size_um(&fit, &residuals), 3);
            found += bootstrap(&sums, &[vec![1]], &fit, 7).estimate(0).n_effective.unwrap() / 40.0;
            let cells: Vec<(i64, i64)> = residuals
                .iter()
                .filter(|r| r.group == 1)
                .map(|r| (r.x / 1_000_000, r.y / 1_000_000))
                .collect();
            let n = cells.len() as f64;
            let shared = 20.0f64.powi(2) / (20.0f64.powi(2) + 40.0f64.powi(2));
            let one =
                |a: (i64, i64), b: (i64, i64)| (-((a.0 - b.0).abs() + (a.1 - b.1).abs()) as f64 / 3.0).exp();
            let all: f64 = cells.iter().map(|&a| cells.iter().map(|&b| one(a, b)).sum::<f64>()).sum();
            exact += n * n / (shared * all + (1.0 - shared) * n) / 40.0;
        }
        assert!((found / exact - 1.0).abs() < 0.15, "{found} {exact}");
    }

    #[test]
    fn the_same_bits_in_any_order_and_others_with_another_seed() {
        let mut residuals = site().residuals(&mut Normal::new(5));
        let fit = correlation(&residuals, 7);
        let groups = [vec![0], vec![2], vec![0, 1, 2]];
        let run = |residuals: &[Placed], seed| {
            let drawn = bootstrap(&BlockSums::of(residuals, 10_000_000, 3), &groups, &fit, seed);
            (*drawn.estimate(0), *drawn.estimate(2))
        };
        let one = run(&residuals, 7);
        residuals.reverse();
        assert_eq!(run(&residuals, 7), one);
        assert_ne!(run(&residuals, 8), one);
    }

    #[test]
    fn what_does_not_exist_is_nothing() {
        let mut sums = BlockSums::new(1_000_000, 4);
        (0..50).for_each(|i| sums.add(i * 700_000, 0, 0, i % 7));
        (0..5).for_each(|i| sums.add(i, 0, 1, i));
        (0..50).for_each(|i| sums.add(i * 700_000, 0, 3, 4));
        let drawn = bootstrap(&sums, &[vec![0], vec![1], vec![2], vec![3]], &CorrelationModel::unknown(), 7);
        // In one block: figures, but no intervals.
        let one_block = drawn.estimate(1);
        assert_eq!((one_block.mean, one_block.mean_ci95, one_block.sd_ci95), (Some(2.0), None, None));
        assert_eq!(drawn.estimate(2), &Estimate::default());
        let same = drawn.estimate(3);
        assert_eq!((same.sd, same.rmse, same.mean_ci95, same.rmse_ci95), (Some(0.0), Some(4.0), None, None));
    }
}
