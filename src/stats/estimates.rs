//! 95 % intervals of bias, SD and RMSE: of all ground that this survey delivered, also where there was no reference.
//!
//! The kinds of shared error that the residuals of all groups do not exclude ([`Dependence`]) say how far the figures over
//! the comparisons may lie from those over the delivered ground. A group takes them over, with its own noise and its own
//! share of each cell, and scaled up where its own cells differ more than that explains: a small group cannot show by
//! itself what it shares with the others.
//!
//! The squares of a Gaussian error correlate by the square of the correlation, which serves the SD; what squares vary from cell to
//! cell by is taken from the cells themselves, so that heavy tails count. It is made on the logarithm. The interval of the RMSE
//! is put together from those of SD and bias, so that the three do not contradict each other.

use std::collections::BTreeMap;

use libm::{exp, log};

use crate::stats::blocks::{BlockSums, DzSums};
use crate::stats::delivered::Delivered;
use crate::stats::dependence::{ByFit, Dependence, Spreads, StripSpread, Weights};
use crate::stats::distributions::{chi_squared_quantile, t_quantile};
use crate::stats::kinds::Kind;
use crate::stats::layout::Layout;
use crate::stats::mixture::{Part, mixture_ends};

/// 95 % interval, low and high.
pub type Interval = [f64; 2];

/// Effective cells below which there is no interval: the quantile of t grows faster than any information.
pub const FEWEST_CELLS: f64 = 8.0;
/// A share of the ground in strips without reference that is too small to matter.
const LITTLE: f64 = 0.05;
/// Strips seen below which nothing can be said of those that are not: two give one difference.
const FEWEST_STRIPS: usize = 3;

/// Why there is no interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoInterval {
    /// The comparisons lie in too few places.
    FewPlaces,
    /// Strips without reference, and too few with it: those with, and all.
    UnseenStrips(usize, usize),
    /// There is no spread.
    NoSpread,
}

/// What is known of one group (or several together), in micrometres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Standard error of the mean.
    pub mean_se: Option<f64>,
    /// Interval of the mean.
    pub mean_ci95: Option<Interval>,
    /// Interval of the SD.
    pub sd_ci95: Option<Interval>,
    /// Interval of the RMSE.
    pub rmse_ci95: Option<Interval>,
    /// Effective sample size: SD² over the squared standard error of the mean, where that is half the width of its interval over
    /// 1.96. Never above n.
    pub n_effective: Option<f64>,
    /// Why there is no interval.
    pub reason: Option<NoInterval>,
}

/// A group's sums by block, about its own mean.
pub struct Centred {
    /// Residuals of each block.
    pub n: Vec<f64>,
    /// Sum of dz less the group's mean.
    pub first: Vec<f64>,
    /// Sum of squares of dz less the group's mean.
    pub second: Vec<f64>,
    /// Residuals in all.
    pub count: f64,
    /// Their mean.
    pub mean: f64,
}

impl Centred {
    /// From the sums of blocks; nothing without residuals.
    pub fn new(sums: &[DzSums]) -> Option<Self> {
        let mut all = DzSums::default();
        sums.iter().for_each(|block| all.merge(block));
        if all.n == 0 {
            return None;
        }
        let n = i128::from(all.n);
        // The mean as whole micrometres and the rest of less than one, so that large sums keep their digits.
        let whole = all.sum.div_euclid(n);
        let rest = all.sum.rem_euclid(n) as f64 / n as f64;
        let (mut own, mut first, mut second) = (Vec::new(), Vec::new(), Vec::new());
        for block in sums {
            let count = i128::from(block.n);
            let one = (block.sum - count * whole) as f64;
            let two = (block.squares - 2 * whole * block.sum + count * whole * whole) as f64;
            own.push(block.n as f64);
            first.push(one - rest * block.n as f64);
            second.push((two - 2.0 * rest * one + rest * rest * block.n as f64).max(0.0));
        }
        Some(Centred { n: own, first, second, count: all.n as f64, mean: whole as f64 + rest })
    }

    /// Mean square about the mean.
    pub fn variance(&self) -> f64 {
        self.second.iter().sum::<f64>() / self.count
    }

    /// Sample standard deviation, with n − 1.
    pub fn sd(&self) -> Option<f64> {
        (self.count > 1.0).then(|| (self.variance() * self.count / (self.count - 1.0)).sqrt())
    }
}

/// What the intervals of all groups together reach from their centres to either side, in their spreads.
#[derive(Clone, Copy, Debug)]
struct Reaches {
    bias: f64,
    below_sd: f64,
    above_sd: f64,
    /// Of the bias as the RMSE has it.
    level: f64,
}

/// Everything that the intervals of groups follow from.
pub struct Estimates {
    fine: BlockSums,
    /// The cells of the site.
    pub layout: Layout,
    dependence: Option<Dependence>,
    reason: Option<NoInterval>,
    reach: Reaches,
}

/// A group's figures as its interval needs them.
struct Group {
    cells: Centred,
    weights: Weights,
    /// Variance within fine blocks.
    noise: f64,
    /// The variance of the mean that the noise adds.
    white: f64,
    /// Share of its ground that was not compared.
    rest: f64,
    /// What the fits expect is multiplied with.
    scale: f64,
}

impl Estimates {
    /// From sums by fine blocks. `alike` numbers, for each group of the sums, the groups that are taken about one mean, and
    /// `ground` is how many ground points there are in all.
    pub fn new(fine: BlockSums, delivered: &Delivered, alike: &[u16], ground: u64) -> Self {
        let layout = Layout::new(&fine, delivered);
        let means = means(&layout, alike);
        // Without knowing what else there is, the figures are those of the strips at hand.
        let strips = if layout.knows_ground() { strip_spread(&fine, &layout, alike) } else { None };
        let dependence = Dependence::new(&layout, &means, strips);
        let reach = Reaches { bias: 1.96, below_sd: 1.96, above_sd: 1.96, level: 1.96 };
        let mut estimates = Estimates { fine, layout, dependence, reason: None, reach };
        let all: Vec<u16> = (0..alike.len() as u16).collect();
        estimates.reason = estimates.why_none(&all, ground);
        if estimates.reason.is_none() {
            match estimates.reaches(&all, ground) {
                Some(reach) => estimates.reach = reach,
                None => estimates.reason = Some(NoInterval::NoSpread),
            }
        }
        estimates
    }

    /// Why no group can have an interval.
    fn why_none(&self, all: &[u16], ground: u64) -> Option<NoInterval> {
        let strips = &self.layout.strips;
        let has_seen = |(strip, _): &(&u16, _)| self.layout.has_seen(**strip);
        let unseen: f64 = strips.iter().filter(|strip| !has_seen(strip)).map(|(_, share)| share.ground).sum();
        let seen = strips.iter().filter(has_seen).count();
        let group = self.group(all, ground)?;
        if group.weights.effective_cells() < FEWEST_CELLS {
            return Some(NoInterval::FewPlaces);
        }
        if self.layout.knows_ground() && unseen > LITTLE && seen < FEWEST_STRIPS {
            return Some(NoInterval::UnseenStrips(seen, strips.len()));
        }
        self.dependence.is_none().then_some(NoInterval::NoSpread)
    }

    fn group(&self, members: &[u16], ground: u64) -> Option<Group> {
        let cells = Centred::new(&self.layout.sums.together(members))?;
        let weights = Weights::new(&self.layout, &cells.n);
        // What neighbours in one fine block differ by.
        let (mut squares, mut free) = (0.0, 0.0);
        let fine = Centred::new(&self.fine.together(members))?;
        for ((n, first), second) in fine.n.iter().zip(&fine.first).zip(&fine.second) {
            if *n > 1.0 {
                squares += second - first * first / n;
                free += n - 1.0;
            }
        }
        let noise = if free >= 10.0 { squares / free } else { cells.variance() };
        let rest = if self.layout.knows_ground() {
            1.0 - cells.count / (ground as f64).max(cells.count)
        } else {
            1.0
        };
        let white = noise / cells.count * rest;
        let mut group = Group { cells, weights, noise, white, rest, scale: 1.0 };
        if let Some(dependence) = &self.dependence {
            let Group { cells, weights, noise, .. } = &group;
            let expected = dependence.shown(&self.layout, weights, &cells.n, *noise);
            let found =
                cells.first.iter().map(|first| first * first).sum::<f64>() / (cells.count * cells.count);
            // Not what chance does.
            let chance = 1.0 + (2.0 / weights.effective_cells()).sqrt();
            let scale = found / expected / chance;
            group.scale = if scale.is_finite() { scale.max(1.0) } else { 1.0 };
        }
        Some(group)
    }

    /// Reaches of the intervals of all groups together, from the mixture of all fits.
    fn reaches(&self, all: &[u16], ground: u64) -> Option<Reaches> {
        let dependence = self.dependence.as_ref()?;
        let group = self.group(all, ground)?;
        let expected = dependence.expected(&group.weights);
        type Figure<'a> = &'a dyn Fn(&Spreads) -> Option<(f64, f64)>;
        let end = |fits: &[ByFit], i: usize, df: &dyn Fn(&ByFit) -> f64, figure: Figure| {
            let part = |fit: &ByFit| {
                let (centre, scale) = figure(&fit.spreads)?;
                Some(Part { probability: fit.probability, df: df(fit), centre, scale })
            };
            let parts: Option<Vec<Part>> = fits.iter().map(part).collect();
            let (centre, scale) = figure(&expected)?;
            Some((mixture_ends(&parts?)?[i] - centre) / scale)
        };
        let of_mean = |spreads: &Spreads| Some((0.0, group.mean_se(spreads)?));
        let above = |fits: &[ByFit]| end(fits, 1, &|fit| fit.df, &of_mean);
        let [means, squares] = dependence.by_fit(&group.weights);
        let of_sd = |i: usize| end(&squares, i, &|fit| fit.df_of_squares[i], &|spreads| group.ln_sd(spreads));
        Some(Reaches {
            bias: above(&means)?,
            below_sd: (-of_sd(0)?).max(0.0),
            above_sd: of_sd(1)?.max(0.0),
            level: above(&squares)?,
        })
    }

    /// The intervals of a group that has so many `ground` points.
    pub fn of(&self, members: &[u16], ground: u64) -> Estimate {
        let none = |reason| Estimate { reason: Some(reason), ..Estimate::default() };
        if let Some(reason) = self.reason {
            return none(reason);
        }
        let (Some(group), Some(dependence)) = (self.group(members, ground), &self.dependence) else {
            return Estimate::default();
        };
        let cells = group.weights.effective_cells();
        if cells < FEWEST_CELLS {
            return none(NoInterval::FewPlaces);
        }
        let spreads = dependence.expected(&group.weights);
        let estimate = || {
            let sd = group.cells.sd().filter(|sd| *sd > 0.0)?;
            // A group that lies in fewer cells than all has fewer degrees of freedom.
            let fewer =
                t_quantile(0.975, (cells - 1.0).min(dependence.df))? / t_quantile(0.975, dependence.df)?;
            let half = |reach: f64| Some(reach * fewer * group.mean_se(&spreads)?);
            let (mean, half, level) = (group.cells.mean, half(self.reach.bias)?, half(self.reach.level)?);
            let (centre, scale) = group.ln_sd(&spreads)?;
            let Reaches { below_sd, above_sd, .. } = self.reach;
            let sd_ci95 = [exp(centre - below_sd * fewer * scale), exp(centre + above_sd * fewer * scale)];
            let se = half / 1.96;
            Some(Estimate {
                mean_se: Some(se),
                mean_ci95: Some([mean - half, mean + half]),
                sd_ci95: Some(sd_ci95),
                rmse_ci95: Some(of_rmse(group.cells.variance(), sd_ci95, mean, level)),
                n_effective: Some((sd * sd / (se * se)).min(group.cells.count)),
                reason: None,
            })
        };
        estimate().unwrap_or_else(|| none(NoInterval::NoSpread))
    }

    /// How far error is shared as far as the cells tell, micrometres; nothing where they are too few to tell.
    pub fn reach_of_shared_error(&self) -> Option<f64> {
        self.dependence.as_ref().map(Dependence::reach)
    }

    /// The kind of shared error that the residuals of all groups show, where they do.
    pub fn cause(&self) -> Option<Kind> {
        self.dependence.as_ref()?.evident
    }
}

/// Standard error of a group's mean, of which these are the sums by block, were blocks independent.
pub fn plain_se(blocks: &[DzSums]) -> Option<f64> {
    let blocks = Centred::new(blocks)?;
    let used = blocks.n.iter().filter(|n| **n > 0.0).count() as f64;
    let squares: f64 = blocks.first.iter().map(|first| first * first).sum();
    (used > 1.0).then(|| (squares * used / (used - 1.0)).sqrt() / blocks.count)
}

impl Group {
    fn mean_se(&self, spreads: &Spreads) -> Option<f64> {
        let variance = self.white + self.scale * spreads.mean;
        (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
    }

    /// Variance of the mean of squares, of which each cell has the sum in `squares`, as cells show it, for the ground that has
    /// no residuals.
    fn of_squares(&self, squares: &[f64]) -> f64 {
        let n = self.cells.count;
        let mean = squares.iter().sum::<f64>() / n;
        let differ =
            squares.iter().zip(&self.cells.n).map(|(s, n)| (s - n * mean) * (s - n * mean)).sum::<f64>();
        let cells = self.weights.effective_cells();
        let shown = differ / (n * n) * cells / (cells - 1.0).max(1.0);
        // Of a normal distribution, as the least.
        let least = 2.0 * self.noise * self.noise / n * self.rest;
        (shown * (1.0 - self.weights.covered)).max(least)
    }

    /// Centre and spread of the logarithm of the SD.
    fn ln_sd(&self, spreads: &Spreads) -> Option<(f64, f64)> {
        let variance = self.cells.variance() * self.cells.count / (self.cells.count - 1.0);
        let whole = (variance + self.scale * spreads.excess).max(0.3 * variance);
        let spread = (self.of_squares(&self.cells.second) + self.scale * self.scale * spreads.about_mean)
            .sqrt()
            / whole;
        (whole > 0.0 && spread > 0.0).then(|| (0.5 * log(whole), 0.5 * spread))
    }
}

/// Interval of the RMSE, the root of the sum of `variance` and `mean`²: its ends are as far from it as those of both together, as
/// both err by themselves (Zou and Donner 2008, from memory). The mean lies `half` to either side.
fn of_rmse(variance: f64, sd: Interval, mean: f64, half: f64) -> Interval {
    let (mean, square) = (mean.abs(), |v: f64| v * v);
    let least = square((mean - half).max(0.0));
    let both = |a: f64, b: f64| (square(a.max(0.0)) + square(b)).sqrt();
    let below = both(variance - square(sd[0]), square(mean) - least);
    let above = both(square(sd[1]) - variance, square(mean + half) - square(mean));
    let whole = variance + square(mean);
    [(whole - below).max(0.0).sqrt(), (whole + above).sqrt()]
}

/// How much strips differ by their means; nothing of fewer than two.
fn strip_spread(fine: &BlockSums, layout: &Layout, alike: &[u16]) -> Option<StripSpread> {
    let by_strip = fine.by_strip();
    let sets = alike.iter().map(|set| usize::from(*set) + 1).max().unwrap_or(0);
    let mut all = vec![(0.0, 0.0); sets];
    for ((_, group), sums) in &by_strip {
        let (n, sum) = &mut all[usize::from(alike[usize::from(*group)])];
        (*n, *sum) = (*n + sums.n as f64, *sum + sums.sum as f64);
    }
    let mut strips: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
    for ((strip, group), sums) in &by_strip {
        let (n, sum) = all[usize::from(alike[usize::from(*group)])];
        let own = strips.entry(*strip).or_default();
        *own = (own.0 + sums.n as f64, own.1 + sums.sum as f64 - sums.n as f64 * (sum / n));
    }
    let seen = strips.iter().filter(|(strip, _)| layout.has_seen(**strip));
    let means: Vec<f64> = seen.map(|(_, (n, sum))| sum / n).collect();
    let df = means.len() as f64 - 1.0;
    let mean = means.iter().sum::<f64>() / means.len() as f64;
    let squares: f64 = means.iter().map(|m| (m - mean) * (m - mean)).sum();
    Some(StripSpread { shown: squares / df, most: squares / chi_squared_quantile(0.05, df)? })
}

/// Means of cells, each group about its own mean (those that are `alike` about one).
fn means(layout: &Layout, alike: &[u16]) -> Vec<f64> {
    let blocks = layout.sums.by_group();
    let sets = alike.iter().map(|set| usize::from(*set) + 1).max().unwrap_or(0);
    let mut all = vec![DzSums::default(); sets];
    for (group, sums) in blocks.iter().flat_map(|groups| groups.iter()) {
        all[usize::from(alike[usize::from(*group)])].merge(sums);
    }
    let mean_of = |groups: &&[(u16, DzSums)]| {
        let (mut sum, mut n) = (0.0, 0.0);
        for (group, sums) in groups.iter() {
            let whole = &all[usize::from(alike[usize::from(*group)])];
            let (mean, rest) =
                (whole.sum.div_euclid(i128::from(whole.n)), whole.sum.rem_euclid(i128::from(whole.n)));
            let count = sums.n as f64;
            sum += (sums.sum - i128::from(sums.n) * mean) as f64 - count * (rest as f64 / whole.n as f64);
            n += count;
        }
        sum / n
    };
    blocks.iter().map(mean_of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_rmse_is_known_as_well_as_the_sd_and_the_bias_that_it_is_made_of() {
        let sd = [18.0, 25.0];
        // Without a bias whose size matters it is the SD.
        let [low, high] = of_rmse(400.0, sd, 0.0, 1e-9);
        assert!((low - 18.0).abs() < 1e-9 && (high - 25.0).abs() < 1e-9);
        // A sure SD leaves what the bias does: 0 to 15 mm of it.
        let [low, high] = of_rmse(400.0, [20.0; 2], 5.0, 10.0);
        assert!((low - 20.0).abs() < 1e-9 && (high - 25.0).abs() < 1e-9);
        // Of both, neither more nor less than both ends together, on whichever side the bias is.
        for mean in [-30.0f64, -3.0, 12.0] {
            let [low, high] = of_rmse(400.0, sd, mean, 8.0);
            let found = (400.0 + mean * mean).sqrt();
            let (least, most) = ((mean.abs() - 8.0).max(0.0), mean.abs() + 8.0);
            assert!(low < found && found < high);
            assert!((sd[0] * sd[0] + least * least).sqrt() <= low, "{low}");
            assert!(high <= (sd[1] * sd[1] + most * most).sqrt(), "{high}");
        }
    }
}
