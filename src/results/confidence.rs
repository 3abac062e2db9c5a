//! What a run found about how far its figures can be trusted: the parts of `summary.json` that carry the decision.
//! Lengths are in the unit of the report. What does not exist is null.

use serde::Serialize;

use crate::results::group_key::GroupKey;
use crate::results::matching::Matching;
use crate::results::plan_shift::PlanShift;
use crate::results::statistics::{Interval, Statistics, Support};
use crate::terrain::by_returns::TerrainRow;
use crate::terrain::lesson::TerrainWeights;

/// A group and its figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GroupRow {
    /// The properties that its points share, as `{"return": 1, "cover": "open"}`.
    pub by: GroupKey,
    /// The figures; `points` and `ground` are those that were selected.
    #[serde(flatten)]
    pub statistics: Statistics,
}

/// How residuals (dz) are correlated over the site.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Correlation {
    /// Edge of the blocks that intervals rest on.
    pub block: Option<f64>,
    /// Blocks that hold comparisons.
    pub blocks: u64,
    /// Range: the distance beyond which residuals are uncorrelated; null where no spatial correlation is detected.
    pub range: Option<f64>,
    /// Share of the variance that is uncorrelated (nugget), 0 to 1.
    pub nugget_share: Option<f64>,
    /// The empirical variogram: distance, half the mean squared difference of dz at that distance, and pairs.
    pub variogram: Vec<(f64, f64, u64)>,
}

/// The two vertical accuracies of the standard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum VerticalAccuracy {
    /// Non-vegetated: open ground.
    Nva,
    /// Vegetated: ground under low vegetation or canopy.
    Vva,
}

/// A group against the published standards.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Compliance {
    /// The group, as in `groups`; `{}` is all together.
    pub by: GroupKey,
    /// Which accuracy of the standard it is, where cover is told apart.
    pub name: Option<VerticalAccuracy>,
    /// Number of comparisons.
    pub compared: u64,
    /// Blocks that hold them.
    #[serde(skip)]
    pub blocks: u64,
    /// Whether they are the checkpoints of a list of surveyed points.
    #[serde(skip)]
    pub surveyed: bool,
    /// Effective sample size.
    pub n_effective: Option<f64>,
    /// Whether there are as many as the standard asks for.
    pub enough_checkpoints: bool,
    /// RMSE to the reference.
    pub rmse_v1: Option<f64>,
    /// V2: the uncertainty of the reference; at surveyed points that of the group's own.
    pub rmse_v2: Option<f64>,
    /// RMSE_V: the RMSE to the reference combined with the uncertainty of the reference.
    pub rmse_v: Option<f64>,
    /// 95 % interval.
    pub rmse_v_ci95: Option<Interval>,
    /// Best common vertical accuracy class that RMSE_V meets, centimetres; none of fewer than 30 surveyed checkpoints.
    pub class_cm: Option<f64>,
    /// The class that the upper end of the interval meets: what can be claimed with 95 % confidence and more; none under 30
    /// comparisons, or under three blocks of a cloud.
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

impl Compliance {
    /// What the figures rest on.
    pub fn support(&self) -> Support {
        Support { comparisons: self.compared, blocks: self.blocks, surveyed: self.surveyed }
    }

    /// The class met, and that met at the upper 95 % limit, as the client's limits are judged: a stated offset removed.
    pub fn classes(&self) -> [Option<f64>; 2] {
        match &self.offset_removed {
            Some(removed) => [removed.class_cm, removed.class_cm_95],
            None => [self.class_cm, self.class_cm_95],
        }
    }
}

/// Results with the known offset of the reference taken out. Intervals hold the uncertainty of the offset.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct OffsetRemoved {
    /// Bias.
    pub bias: Option<f64>,
    /// 95 % interval.
    pub bias_ci95: Option<Interval>,
    /// RMSE.
    pub rmse: Option<f64>,
    /// 95 % interval.
    pub rmse_ci95: Option<Interval>,
    /// RMSE_V, the uncertainty of the offset combined too.
    pub rmse_v: Option<f64>,
    /// 95 % interval.
    pub rmse_v_ci95: Option<Interval>,
    /// Best common vertical accuracy class, centimetres.
    pub class_cm: Option<f64>,
    /// The class that the upper end of the interval meets.
    pub class_cm_95: Option<f64>,
}

/// The survey against the published standards.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Standards {
    /// The standard.
    pub standard: &'static str,
    /// Checkpoints that it asks for, each for non-vegetated and vegetated ground.
    pub required_checkpoints: u64,
    /// All together, each return, open ground and canopy where told apart, and each group.
    pub groups: Vec<Compliance>,
    /// The best class that the reference is accurate enough to test, centimetres.
    pub reference_class_cm: Option<f64>,
    /// The known offset of the reference, where the file states one: its value, its sigma, and why.
    pub offset: Option<(f64, f64, String)>,
}

/// What a limit is set for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Measure {
    /// RMSE.
    Rmse,
    /// Bias, to either side of zero.
    Bias,
    /// SD.
    Sd,
    /// RMSE_V, against a vertical accuracy class.
    Class,
    /// Share of all ground points.
    Share,
    /// Share of the terrain cells that have ground.
    Coverage,
}

impl Measure {
    /// Whether it is a share, counted over all points or cells, rather than a length estimated from comparisons.
    pub fn is_share(self) -> bool {
        matches!(self, Measure::Share | Measure::Coverage)
    }
}

/// Whether a limit is met, at 95 % confidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// The whole interval meets the limit.
    Met,
    /// The whole interval misses it.
    Missed,
    /// The limit lies within the interval, or there are too few comparisons or blocks for a verdict.
    Inconclusive,
}

/// The result of a limit that the client set.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LimitResult {
    /// The limit for people: `RMSE, return 1: at most 5 cm`.
    pub limit: String,
    /// The group that it is for.
    pub group: GroupKey,
    /// What is limited.
    pub measure: Measure,
    /// The limit as a number.
    pub bound: f64,
    /// What was found, and is judged.
    pub value: Option<f64>,
    /// The 95 % interval by which it is judged; that of a bias holds the common error of the reference.
    pub ci95: Option<Interval>,
    /// Whether the stated offset of the reference is taken out of both.
    pub offset_removed: bool,
    /// What was found with the offset in it, where it is taken out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub raw_value: Option<f64>,
    /// What a figure of comparisons rests on; none for a share of the ground or the coverage.
    #[serde(skip)]
    pub support: Option<Support>,
    /// Whether the limit is met.
    pub verdict: Verdict,
    /// How many more independent checkpoints an inconclusive limit needs, about.
    pub more_checkpoints: Option<u64>,
    /// Why an inconclusive limit cannot be judged, where it is not that the interval holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// What a warning is about: a fixed word for programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WarningCode {
    /// A bias beyond anything plausible: a wrong unit, datum or file.
    ImplausibleBias,
    /// Points so far apart that the ground filter takes everything for ground.
    TooFewForFilter,
    /// Files without any point of the ground class, where classes are taken as delivered.
    Unclassified,
    /// Low outliers were taken for ground, and the true ground was refused.
    LowOutliers,
    /// The ground filter truncates the residuals of some returns.
    CutTail,
    /// The file states no uncertainty of the reference.
    ReferenceUncertaintyUnknown,
    /// The reference is less than twice as accurate as the class tested.
    ReferenceTooCoarse,
    /// The variance factor of the registration of the scans is not what its sigmas let expect.
    RegistrationTest,
    /// A target or a control point of the registration, or of the fit of the survey, looks like a blunder.
    SuspectedBlunder,
    /// Targets of the registration, or control of the fit, that nothing checks.
    FewRedundancies,
    /// The variance factor of the fit of the survey is not what its sigmas let expect.
    FitTest,
    /// The survey was fitted with a tilt that is not significant, or without one that is.
    FitModel,
    /// The survey was fitted to control away from the comparisons.
    FitExtrapolated,
    /// Control that registers the scans is what the survey was fitted to.
    SharedControl,
    /// The targets of a setup lie to one side of its comparisons.
    ControlOneSided,
    /// A bias beyond the guidance for the class.
    Bias,
    /// Residuals change linearly across the site.
    Tilt,
    /// Flight strips disagree.
    StripsDiffer,
    /// The survey, or a strip of it, is shifted in plan against the reference.
    PlanShift,
    /// A strip is off against the other strips.
    StripOff,
    /// Strips differ from each other, and the one at fault cannot be told.
    StripsDisagree,
    /// A setup of the reference is off against the other setups.
    SetupOff,
    /// Setups differ from each other, and the one at fault cannot be told.
    SetupsDisagree,
    /// The matching radius adds error on the slopes of the site.
    WideRadius,
    /// Planes fitted to the reference do not follow its relief, or scatter more than its stated uncertainty.
    PlanesDoNotFollow,
    /// The ground filter refuses ground of the reference for its slope alone.
    SlopeRefused,
    /// Residuals are positively skewed.
    Skew,
    /// Fewer independent checkpoints than the standard asks for.
    FewCheckpoints,
    /// Residuals are correlated beyond the blocks.
    LongRange,
    /// Too few blocks for reliable intervals.
    FewBlocks,
    /// Strips that differ, stripes, or a reference on too little of the site make the intervals much wider than blocks alone would.
    WiderThanBlocks,
    /// Intervals cannot be told from this sample.
    NoIntervals,
    /// The noise of first returns passes for low vegetation, so that next to nothing is left of open ground.
    NoiseAsLowVegetation,
    /// A strip, slope class or cover with much of the survey's ground has no comparison.
    NotRepresented,
}

/// A reason to doubt the figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Warning {
    /// What it is about.
    pub code: WarningCode,
    /// What it is and what to do, for people.
    pub text: String,
}

/// Shares of the survey's ground points and of the comparisons that share a property.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RepresentedRow {
    /// The property, as `{"strip": 101}`.
    pub by: GroupKey,
    /// Ground points of the survey.
    pub ground: u64,
    /// Their share of all its ground points.
    pub ground_share: Option<f64>,
    /// Number of comparisons.
    pub compared: u64,
    /// Their share of all comparisons.
    pub compared_share: Option<f64>,
}

/// Areas of terrain cells, square metres.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RepresentedArea {
    /// Cells with ground of the survey.
    pub ground_m2: f64,
    /// Cells with comparisons; null where only drawn checkpoints are compared.
    pub compared_m2: Option<f64>,
    /// The share of the cells with ground that have comparisons.
    pub compared_share: Option<f64>,
}

/// Which part of the survey the reference represents.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Represented {
    /// The ground's area; null without a ground filter.
    pub area: Option<RepresentedArea>,
    /// By flight strip.
    pub strips: Vec<RepresentedRow>,
    /// By slope class; empty where neither cover nor slope is told apart.
    pub slopes: Vec<RepresentedRow>,
    /// By cover; likewise.
    pub covers: Vec<RepresentedRow>,
}

/// Everything that says how far the figures can be trusted.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Trust {
    /// The groups that `summarise` asks for.
    pub groups: Vec<GroupRow>,
    /// The spatial correlation of the residuals.
    pub correlation: Correlation,
    /// Which part of the survey the reference represents.
    pub represented: Represented,
    /// The terrain from returns 1 to k, for k = 1, 2, …
    pub terrain_by_returns: Vec<TerrainRow>,
    /// What matching adds to the residuals.
    pub matching: Option<Matching>,
    /// A shift in plan of the survey against the reference; null where nothing was compared.
    pub plan_shift: Option<PlanShift>,
    /// What the returns were weighted with for the variance-weighted terrain.
    pub terrain_weights: Option<TerrainWeights>,
    /// The survey against the published standards.
    pub standards: Standards,
    /// The results of the limits that the client set.
    pub accept: Vec<LimitResult>,
    /// Reasons to doubt the figures.
    pub warnings: Vec<Warning>,
}
