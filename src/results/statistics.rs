//! The statistics of dz for one group of points.

use serde::Serialize;

use crate::standards::MIN_CHECKPOINTS;

/// An interval, low end first.
pub type Interval = [f64; 2];

/// Counts and the statistics of dz for one group of points. A statistic that does not exist is null.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Statistics {
    /// Survey points read that are not withheld.
    pub points: u64,
    /// Share of all survey points, 0 to 1.
    pub share: Option<f64>,
    /// Points selected and accepted by the ground filter.
    pub ground: u64,
    /// Share of all ground points, 0 to 1.
    pub ground_share: Option<f64>,
    /// Number of comparisons: survey ground points that have reference.
    pub compared: u64,
    /// Blocks of the site that hold them.
    #[serde(skip)]
    pub blocks: u64,
    /// Whether they are the checkpoints of a list of surveyed points.
    #[serde(skip)]
    pub surveyed: bool,
    /// Root mean square of what the sigmas of surveyed points do not share, where the reference is a list of them.
    #[serde(skip)]
    pub reference_sigma: Option<f64>,
    /// Bias: mean of dz.
    pub bias: Option<f64>,
    /// Sample standard deviation of dz (n − 1).
    pub sd: Option<f64>,
    /// Root mean square of dz (n).
    pub rmse: Option<f64>,
    /// Least dz.
    pub min: Option<f64>,
    /// Greatest dz.
    pub max: Option<f64>,
    /// Median of dz.
    pub median: Option<f64>,
    /// 1.4826 × the median of |dz − median|.
    pub nmad: Option<f64>,
    /// 95th percentile of |dz|, linear between order statistics.
    pub abs_p95: Option<f64>,
    /// 95 % interval of the bias, of all ground that the survey delivered.
    pub bias_ci95: Option<Interval>,
    /// 95 % interval of the SD.
    pub sd_ci95: Option<Interval>,
    /// 95 % interval of the RMSE.
    pub rmse_ci95: Option<Interval>,
    /// Why there are no intervals, where there are comparisons but none can be made.
    pub interval_reason: Option<String>,
    /// Effective sample size: the number of independent comparisons that would estimate the bias as well.
    pub n_effective: Option<f64>,
    /// The group compared with the same group of first returns.
    pub vs_first: Option<VsFirst>,
    /// Bias and SD corrected for the truncation by the ground filter.
    pub truncation_corrected: Option<TruncationCorrected>,
}

/// What a figure rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Support {
    /// Number of comparisons.
    pub comparisons: u64,
    /// Blocks of the site that hold them.
    pub blocks: u64,
    /// Whether they are the checkpoints of a list of surveyed points: sited one by one, far apart, and few.
    pub surveyed: bool,
}

impl Support {
    /// Fewest comparisons of which a figure is shown to people: below, an SD has a standard error of more than 16 %
    /// (1/√(2 · 19), normal distribution).
    pub const FEWEST_COMPARISONS: u64 = 20;
    /// Fewest blocks of which a figure is shown to people: below, nothing can be said of how it varies over the site.
    pub const FEWEST_BLOCKS: u64 = 3;
    /// Fewest comparisons of which anything is said at 95 % confidence: as many as the standard asks for.
    pub const FEWEST_FOR_A_VERDICT: u64 = MIN_CHECKPOINTS;

    /// Fewest surveyed checkpoints of which a figure is shown to people: two leave no more than one difference.
    pub const FEWEST_SURVEYED: u64 = 3;

    /// Fewest comparisons of which a figure is shown to people.
    pub fn fewest_comparisons(self) -> u64 {
        if self.surveyed { Self::FEWEST_SURVEYED } else { Self::FEWEST_COMPARISONS }
    }

    /// Whether figures are shown to people; otherwise the number of comparisons stands alone.
    pub fn is_enough(self) -> bool {
        self.comparisons >= self.fewest_comparisons() && self.is_spread()
    }

    /// Whether a verdict may rest on it.
    pub fn is_enough_for_a_verdict(self) -> bool {
        self.comparisons >= Self::FEWEST_FOR_A_VERDICT && self.is_spread()
    }

    /// Whether it is spread over enough blocks; surveyed points are weighed one by one wherever they lie.
    fn is_spread(self) -> bool {
        self.surveyed || self.blocks >= Self::FEWEST_BLOCKS
    }

    /// The fewest of which a figure is shown, for people.
    pub fn fewest(self) -> String {
        match self.surveyed {
            true => format!("{} surveyed checkpoints", Self::FEWEST_SURVEYED),
            false => format!("{} comparisons or {} blocks", Self::FEWEST_COMPARISONS, Self::FEWEST_BLOCKS),
        }
    }

    /// Why no verdict may rest on it, for people.
    pub fn too_few_for_a_verdict(self) -> String {
        let few = Self::FEWEST_FOR_A_VERDICT;
        match self.surveyed {
            true => format!(
                "{} of the {few} checkpoints that the standard requires: a departure to be stated",
                self.comparisons
            ),
            false => format!("fewer than {few} comparisons or {} blocks", Self::FEWEST_BLOCKS),
        }
    }
}

impl Statistics {
    /// What the figures rest on.
    pub fn support(&self) -> Support {
        Support { comparisons: self.compared, blocks: self.blocks, surveyed: self.surveyed }
    }
}

/// A return compared with the first, like for like: where both have comparisons in the same block of the site and, where they
/// are told apart, on the same cover and class of slope.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct VsFirst {
    /// Comparisons that it rests on: of the first return, and of this one.
    pub n: [u64; 2],
    /// Its bias minus that of the first return.
    pub bias: Option<f64>,
    /// 95 % interval of that.
    pub bias_ci95: Option<Interval>,
    /// `different` where the interval of `bias` leaves 0 out, otherwise `undecided`: which of the two is nearer the ground
    /// would rest on the level of the reference.
    pub bias_verdict: Order,
    /// Its SD over that of the first return.
    pub sd_ratio: Option<f64>,
    /// 95 % interval of that.
    pub sd_ratio_ci95: Option<Interval>,
    /// `worse` or `better` where the interval of the SD ratio leaves 1 out, otherwise `undecided`.
    pub spread_verdict: Order,
    /// Its RMSE over that of the first return, a stated offset of the reference removed.
    pub rmse_ratio: Option<f64>,
    /// 95 % interval of that.
    pub rmse_ratio_ci95: Option<Interval>,
    /// That of the spread; where it is undecided, that of the bias. No verdict rests on the level of the reference, which the
    /// RMSE ratio does.
    pub verdict: Order,
    /// Welch's test of equal means, on one comparison of each a block and kind of ground.
    pub welch: Option<Test>,
    /// The Brown-Forsythe test of equal spread (Levene's on medians), on the same comparisons.
    pub brown_forsythe: Option<Test>,
    /// Why there is no comparison or no verdict, where there is none.
    pub reason: Option<String>,
}

/// How a return stands to the first, at 95 % confidence.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Order {
    /// Surely worse.
    Worse,
    /// Surely better.
    Better,
    /// Surely at another level.
    Different,
    /// Nothing is sure.
    #[default]
    Undecided,
}

impl Order {
    /// Its word in results.
    pub fn word(self) -> &'static str {
        match self {
            Order::Worse => "worse",
            Order::Better => "better",
            Order::Different => "different",
            Order::Undecided => "undecided",
        }
    }
}

/// The result of a test.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Test {
    /// The statistic: F.
    pub statistic: f64,
    /// Degrees of freedom of the numerator and the denominator.
    pub df: [f64; 2],
    /// Probability of a statistic as large or larger, were there no difference.
    pub p: f64,
    /// Comparisons that it rests on: of the first return, and of this one.
    pub n: [u64; 2],
}

/// Bias and SD corrected for the truncation by the ground filter.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TruncationCorrected {
    /// Bias of the observed residuals with those above their known limits, which a normal distribution restores.
    pub bias: Option<f64>,
    /// 95 % interval.
    pub bias_ci95: Option<Interval>,
    /// SD.
    pub sd: Option<f64>,
    /// 95 % interval.
    pub sd_ci95: Option<Interval>,
    /// Share of the comparisons less than one SD under their own limit.
    pub within_sd_of_limit: Option<f64>,
    /// Share that was truncated, as estimated.
    pub truncated: Option<f64>,
    /// Why there is no estimate; stated wherever `bias` and `sd` are null.
    pub reason: Option<String>,
}
