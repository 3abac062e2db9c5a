//! What a run found about how far its figures can be trusted: the parts of `summary.json` that carry the decision.
//! Lengths are in the unit of the report. What does not exist is null.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::results::summary::Statistics;
use crate::terrain::by_returns::TerrainRow;

/// An interval, low end first.
pub type Interval = [f64; 2];

/// A group and its figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GroupRow {
    /// The properties that its points share, as `{"return": 1, "cover": "open"}`.
    pub by: Map<String, Value>,
    /// The figures; `points` and `ground` are those that the stages kept.
    #[serde(flatten)]
    pub statistics: Statistics,
}

/// A return compared with the first.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct VsFirst {
    /// Its bias minus that of the first return.
    pub bias: Option<f64>,
    /// 95 % interval of that, by block bootstrap.
    pub bias_ci95: Option<Interval>,
    /// Its SD over that of the first return.
    pub sd_ratio: Option<f64>,
    /// 95 % interval of that, by block bootstrap.
    pub sd_ratio_ci95: Option<Interval>,
    /// Its RMSE over that of the first return.
    pub rmse_ratio: Option<f64>,
    /// 95 % interval of that, by block bootstrap.
    pub rmse_ratio_ci95: Option<Interval>,
    /// `worse` or `better` where the interval of the RMSE ratio leaves 1 out, otherwise `undecided`.
    pub verdict: &'static str,
    /// Welch's test of equal means, on one comparison a block.
    pub welch: Option<Test>,
    /// The Brown-Forsythe test of equal spread (Levene's on medians), on one comparison a block.
    pub brown_forsythe: Option<Test>,
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

/// Bias and SD with the cut of the ground filter undone.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TruncationCorrected {
    /// Bias, by maximum likelihood for a normal cut at known limits.
    pub bias: Option<f64>,
    /// 95 % interval.
    pub bias_ci95: Option<Interval>,
    /// SD.
    pub sd: Option<f64>,
    /// 95 % interval.
    pub sd_ci95: Option<Interval>,
    /// Share of the comparisons less than one SD under their own limit.
    pub within_sd_of_limit: Option<f64>,
    /// Share that the filter cut off, as estimated.
    pub truncated: Option<f64>,
    /// Why there is no estimate, where there is none.
    pub reason: Option<String>,
}

/// How far dz at one place says something about dz at another.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Correlation {
    /// Edge of the blocks that intervals rest on.
    pub block: Option<f64>,
    /// Blocks that hold comparisons.
    pub blocks: u64,
    /// Distance beyond which dz is no longer correlated; null where no correlation can be told from noise.
    pub range: Option<f64>,
    /// Share of the variance that places share with nobody, 0 to 1.
    pub nugget_share: Option<f64>,
    /// The empirical variogram: distance, half the mean squared difference of dz at that distance, and pairs.
    pub variogram: Vec<(f64, f64, u64)>,
}

/// A group against the published standards.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Compliance {
    /// The group, as in `groups`; `{}` is all together.
    pub by: Map<String, Value>,
    /// `NVA` for non-vegetated ground, `VVA` for vegetated ground, where cover is told apart.
    pub name: Option<&'static str>,
    /// Comparisons, and how many of them are independent.
    pub compared: u64,
    /// See `compared`.
    pub n_effective: Option<f64>,
    /// Whether there are as many as the standard asks for.
    pub enough_checkpoints: bool,
    /// Fit to the reference: the RMSE.
    pub rmse_v1: Option<f64>,
    /// RMSE_V: the fit combined with the uncertainty of the reference.
    pub rmse_v: Option<f64>,
    /// 95 % interval.
    pub rmse_v_ci95: Option<Interval>,
    /// Best common vertical accuracy class that RMSE_V meets, centimetres.
    pub class_cm: Option<f64>,
    /// The class that the upper end of the interval meets: what can be claimed with 95 % confidence and more.
    pub class_cm_95: Option<f64>,
    /// Best USGS quality level that RMSE_V meets, by vertical accuracy alone.
    pub quality_level: Option<&'static str>,
    /// |bias| over the class: the guidance is at most 0.25.
    pub bias_to_class: Option<f64>,
    /// Whether the bias is within the guidance for that class.
    pub bias_within_guidance: Option<bool>,
    /// 1.96 RMSE: the older national standard's accuracy at 95 %.
    pub nssda_95: Option<f64>,
    /// 95th percentile of |dz|, in which vegetated ground used to be reported.
    pub abs_p95: Option<f64>,
    /// The same with the known offset of the reference taken out.
    pub offset_removed: Option<OffsetRemoved>,
}

/// Results with the known offset of the reference taken out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OffsetRemoved {
    /// Bias.
    pub bias: Option<f64>,
    /// RMSE.
    pub rmse: Option<f64>,
    /// RMSE_V, the uncertainty of the offset combined too.
    pub rmse_v: Option<f64>,
    /// Best common vertical accuracy class, centimetres.
    pub class_cm: Option<f64>,
}

/// The survey against the published standards.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Standards {
    /// The standard.
    pub standard: &'static str,
    /// Checkpoints that it asks for, each for non-vegetated and vegetated ground.
    pub required_checkpoints: u64,
    /// All together, each return, open and canopy where told apart, and each group.
    pub groups: Vec<Compliance>,
    /// The best class that the reference is accurate enough to test, centimetres.
    pub reference_class_cm: Option<f64>,
    /// The known offset of the reference, where the file states one: its value, its sigma, and why.
    pub offset: Option<(f64, f64, String)>,
}

/// What became of a limit that the client set.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LimitResult {
    /// The limit in words: `RMSE, return 1: at most 5 cm`.
    pub limit: String,
    /// The group that it is for.
    pub group: Map<String, Value>,
    /// What is limited: `rmse`, `bias`, `sd`, `class`, `share` or `coverage`.
    pub measure: &'static str,
    /// The limit as a number.
    pub bound: f64,
    /// What was found.
    pub value: Option<f64>,
    /// 95 % interval.
    pub ci95: Option<Interval>,
    /// `met`, `missed`, or `undecided` where the interval straddles the limit or there is no figure.
    pub verdict: &'static str,
    /// How many more independent checkpoints would settle an undecided limit, about.
    pub more_checkpoints: Option<u64>,
}

/// Something that could fool the reader.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Warning {
    /// A fixed word for programs.
    pub code: &'static str,
    /// What it is and what to do, for people.
    pub text: String,
}

/// Everything that says how far the figures can be trusted.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Trust {
    /// The groups that `summarise` asks for.
    pub groups: Vec<GroupRow>,
    /// How far places are alike.
    pub correlation: Correlation,
    /// What the returns 1 to k make, for k = 1, 2, …
    pub terrain_by_returns: Vec<TerrainRow>,
    /// The survey against the published standards.
    pub standards: Standards,
    /// The limits that the client set.
    pub accept: Vec<LimitResult>,
    /// What could fool the reader.
    pub warnings: Vec<Warning>,
}
