//! Compliance of groups with the published standards.

use crate::results::confidence::{Compliance, LimitResult, Measure, OffsetRemoved, VerticalAccuracy};
use crate::results::statistics::Interval;
use crate::results::statistics::Statistics;
use crate::standards::{
    BIAS_SHARE, MIN_CHECKPOINTS, NSSDA_FACTOR, REFERENCE_FACTOR, VERTICAL_CLASSES_CM, class_met,
    quality_level_met, rmse_v,
};
use crate::tile::strata::Cover;
use crate::units::Unit;

use crate::stats::moments::rmse_about;
use crate::trust::groups::{Group, Role};

/// What the pipeline file states of the reference's own error, in the unit of the report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reference {
    /// Vertical uncertainty, one sigma.
    pub uncertainty: Option<f64>,
    /// The part of it that all comparisons may share: a single length counts as such.
    pub common: f64,
    /// The part of it that all comparisons share, where that is stated.
    pub stated_common: f64,
    /// The known constant error, its sigma, and why it is there.
    pub offset: Option<(f64, f64, String)>,
}

impl Reference {
    /// What its known constant error adds to dz when it is taken out.
    pub fn offset(&self) -> f64 {
        self.offset.as_ref().map_or(0.0, |(value, _, _)| *value)
    }

    /// Half the width of the 95 % interval of the constant error that is left: what comparisons may share, of that standard
    /// deviation, and the uncertainty of the offset.
    pub fn half_of(&self, common: f64) -> f64 {
        NORMAL_97_5 * libm::hypot(common, self.offset_sigma())
    }

    /// Standard deviation of that.
    pub fn offset_sigma(&self) -> f64 {
        self.offset.as_ref().map_or(0.0, |(_, sigma, _)| *sigma)
    }
}

/// A length of the report in metres: the unit in which standards state their limits.
pub fn metres(value: f64, unit: Unit) -> f64 {
    value * unit.micrometres() / 1e6
}

/// Compliance of a group with the standards.
pub fn compliance(group: &Group, s: &Statistics, reference: &Reference, unit: Unit) -> Compliance {
    let of_points = s.reference_sigma.map(|sigma| libm::hypot(sigma, reference.stated_common));
    let rmse_v2 = of_points.or(reference.uncertainty);
    let v2 = rmse_v2.unwrap_or(0.0);
    let combined = s.rmse.map(|rmse| rmse_v(rmse, v2));
    let interval: Option<Interval> = s.rmse_ci95.map(|ends| ends.map(|end| rmse_v(end, v2)));
    let [class_cm, class_cm_95] = classes(s, combined, interval, unit);
    let bias_to_class = s.bias.zip(class_cm).map(|(mean, class)| metres(mean.abs(), unit) * 100.0 / class);
    Compliance {
        by: group.by.clone(),
        name: match group.role {
            Role::Cover(Cover::Open) => Some(VerticalAccuracy::Nva),
            Role::Vegetated => Some(VerticalAccuracy::Vva),
            _ => None,
        },
        compared: s.compared,
        blocks: s.blocks,
        surveyed: s.surveyed,
        n_effective: s.n_effective,
        enough_checkpoints: s.compared >= MIN_CHECKPOINTS,
        rmse_v1: s.rmse,
        rmse_v2,
        rmse_v: combined,
        rmse_v_ci95: interval,
        class_cm,
        class_cm_95,
        quality_level: combined
            .filter(|_| may_be_classed(s))
            .and_then(|value| quality_level_met(metres(value, unit))),
        bias_to_class,
        bias_within_guidance: bias_to_class.map(|share| share <= BIAS_SHARE),
        nssda_95: s.rmse.map(|rmse| NSSDA_FACTOR * rmse),
        abs_p95: s.abs_p95,
        offset_removed: reference
            .offset
            .as_ref()
            .map(|(offset, sigma, _)| offset_removed(s, *offset, *sigma, v2, unit)),
    }
}

/// Whether a class may be named: too few surveyed checkpoints have figures, but meet none.
fn may_be_classed(s: &Statistics) -> bool {
    !s.surveyed || s.support().is_enough_for_a_verdict()
}

/// The class that RMSE_V meets, and that which the upper end of its interval meets, centimetres.
fn classes(s: &Statistics, rmse_v: Option<f64>, ends: Option<Interval>, unit: Unit) -> [Option<f64>; 2] {
    let met = |value: f64| class_met(metres(value, unit));
    let upper = ends.filter(|_| s.support().is_enough_for_a_verdict()).and_then(|[_, high]| met(high));
    [rmse_v.filter(|_| may_be_classed(s)).and_then(met), upper]
}

/// The class that counts, centimetres, and whether the client asks for it: the strictest asked for, otherwise the one that open
/// ground meets, or where cover is not told apart all ground.
pub fn class_that_counts(limits: &[LimitResult], groups: &[Compliance], unit: Unit) -> Option<(f64, bool)> {
    let asked = limits.iter().filter(|limit| limit.measure == Measure::Class);
    if let Some(strictest) = asked.map(|limit| metres(limit.bound, unit) * 100.0).reduce(f64::min) {
        return Some((strictest, true));
    }
    let open = groups.iter().find(|group| group.name == Some(VerticalAccuracy::Nva));
    let [met, _] = open.or(groups.first())?.classes();
    Some((met?, false))
}

/// The 97.5 % quantile of the normal distribution: for standard deviations that are stated, not estimated.
const NORMAL_97_5: f64 = 1.959_963_984_540_054;

/// An interval about `value`, widened by an error of this standard deviation that all comparisons share.
pub fn widened([low, high]: Interval, value: f64, sigma: f64) -> Interval {
    let common = NORMAL_97_5 * sigma;
    [value - libm::hypot(value - low, common), value + libm::hypot(high - value, common)]
}

/// The least and the greatest size of what lies in an interval.
pub fn sizes([low, high]: Interval) -> Interval {
    let (low_size, high_size) = (low.abs(), high.abs());
    let least = if low <= 0.0 && high >= 0.0 { 0.0 } else { low_size.min(high_size) };
    [least, low_size.max(high_size)]
}

/// The figures as they would be had the reference not been `offset` too high: dz grows by it.
fn offset_removed(s: &Statistics, offset: f64, sigma: f64, v2: f64, unit: Unit) -> OffsetRemoved {
    let n = s.compared as f64;
    let square = |sd: f64| (n - 1.0) / n * sd * sd;
    let spread = s.sd.map_or(0.0, square);
    let bias = s.bias.map(|mean| mean + offset);
    let rmse = bias.map(|mean| rmse_about(mean, s.sd, s.compared));
    let sampled = s.bias_ci95.map(|ends| ends.map(|end| end + offset));
    let bias_ci95 = bias.zip(sampled).map(|(bias, ends)| widened(ends, bias, sigma));
    // The interval of a sum of squares from those of its parts (Zou and Donner 2008, from memory: citation not verified).
    let of_rmse = |bias_ci95: Option<Interval>| -> Option<Interval> {
        let ((bias, ends), sd_ci95) = (bias.zip(bias_ci95)?, s.sd_ci95?);
        let [least, most] = sizes(ends).map(|size| size * size);
        let [low, high] = sd_ci95.map(square);
        let (mean, all) = (bias * bias, bias * bias + spread);
        let down = libm::hypot(mean - least, (spread - low).max(0.0));
        let up = libm::hypot(most - mean, (high - spread).max(0.0));
        Some([(all - down).max(0.0).sqrt(), (all + up).sqrt()])
    };
    let combine = |rmse: f64| rmse_v(rmse_v(rmse, v2), sigma);
    let combined = rmse.map(combine);
    // The sigma of the offset is in RMSE_V as an error of the reference: once is enough.
    let rmse_v_ci95 = of_rmse(sampled).map(|ends| ends.map(combine));
    let [class_cm, class_cm_95] = classes(s, combined, rmse_v_ci95, unit);
    OffsetRemoved {
        bias,
        bias_ci95,
        rmse,
        rmse_ci95: of_rmse(bias_ci95),
        rmse_v: combined,
        rmse_v_ci95,
        class_cm,
        class_cm_95,
    }
}

/// The best common class that a reference of this uncertainty may test, centimetres.
pub fn testable_class(uncertainty: f64, unit: Unit) -> Option<f64> {
    let least = metres(uncertainty, unit) * 100.0 * REFERENCE_FACTOR;
    VERTICAL_CLASSES_CM.into_iter().find(|class| least <= class * (1.0 + 1e-12))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::group_key::GroupKey;
    use crate::tile::strata::Strata;

    fn open() -> Group {
        Group {
            role: Role::Cover(Cover::Open),
            strata: Strata::default(),
            by: GroupKey::all(),
            members: Vec::new(),
        }
    }

    #[test]
    fn seven_checkpoints_of_a_published_example_show_a_bias() {
        // PE&RS, May 2014, p. 397: dH of seven checkpoints; printed SD 0.030, the other figures computed independently.
        let s = Statistics {
            compared: 7,
            bias: Some(0.017714),
            sd: Some(0.030308),
            rmse: Some(0.033183),
            ..Statistics::default()
        };
        let found = compliance(&open(), &s, &Reference::default(), Unit::Metre);
        assert_eq!(
            (found.class_cm, found.name, found.enough_checkpoints),
            (Some(5.0), Some(VerticalAccuracy::Nva), false)
        );
        assert_eq!(found.bias_within_guidance, Some(false));
        assert!((found.bias_to_class.unwrap() - 0.35428).abs() < 1e-9);
    }

    #[test]
    fn the_older_standard_gives_the_figure_of_a_published_report() {
        // A USGS report on the vertical accuracy of 51 checkpoints in open terrain prints both figures. They differ by the
        // factor of FGDC-STD-007.3-1998, 1.96.
        let s = Statistics { compared: 51, rmse: Some(0.0574002119585), ..Statistics::default() };
        let found = compliance(&open(), &s, &Reference::default(), Unit::Metre);
        assert!((found.nssda_95.unwrap() - 0.112504415439).abs() < 1e-12);
        assert!(found.enough_checkpoints);
    }

    #[test]
    fn snow_on_the_scanned_ground_is_taken_out_beside_the_raw_figures() {
        // The scan lies 0.15 ft too high: the survey seems 0.14 ft too low; sigma 0.03 ft, scan 0.02 ft.
        let s = Statistics {
            compared: 100,
            bias: Some(-0.14),
            sd: Some(0.05),
            rmse: Some((0.0196f64 + 0.99 * 0.0025).sqrt()),
            ..Statistics::default()
        };
        let reference = Reference {
            uncertainty: Some(0.02),
            offset: Some((0.15, 0.03, "fresh snow".to_string())),
            ..Reference::default()
        };
        let found = compliance(&open(), &s, &reference, Unit::UsSurveyFoot);
        let without = found.offset_removed.unwrap();
        assert!((without.bias.unwrap() - 0.01).abs() < 1e-12);
        let expected = (0.0001f64 + 0.99 * 0.0025).sqrt();
        assert!((without.rmse.unwrap() - expected).abs() < 1e-12);
        let combined = (expected * expected + 0.0004 + 0.0009).sqrt();
        assert!((without.rmse_v.unwrap() - combined).abs() < 1e-12);
        assert_eq!((without.bias_ci95, without.rmse_ci95), (None, None));
        // 0.148 ft are 4.5 cm; without the snow 0.062 ft are 1.9 cm.
        assert_eq!((found.class_cm, without.class_cm), (Some(5.0), Some(2.5)));
    }

    #[test]
    fn intervals_without_the_offset_hold_its_uncertainty_too() {
        let s = Statistics {
            compared: 1_000,
            blocks: 50,
            bias: Some(-0.040),
            bias_ci95: Some([-0.043, -0.037]),
            sd: Some(0.030),
            sd_ci95: Some([0.028, 0.033]),
            rmse: Some(0.05),
            ..Statistics::default()
        };
        let found = offset_removed(&s, 0.04, 0.01, 0.0, Unit::Metre);
        let half = (0.003f64.powi(2) + (1.959_964f64 * 0.01).powi(2)).sqrt();
        let [low, high] = found.bias_ci95.unwrap();
        assert!((low + half).abs() < 1e-7 && (high - half).abs() < 1e-7, "{found:?}");
        // All of the rest is spread: the bias adds to the upper end alone.
        let [low, high] = found.rmse_ci95.unwrap();
        let up = (0.0009f64 + (half.powi(4) + (0.033f64.powi(2) - 0.0009).powi(2)).sqrt()).sqrt();
        assert!((low - 0.028).abs() < 2e-5 && (high - up).abs() < 1e-4, "{found:?} {up}");
        assert_eq!((found.class_cm, found.class_cm_95), (Some(5.0), Some(5.0)));
        let few = Statistics { compared: 29, ..s };
        assert_eq!(offset_removed(&few, 0.04, 0.01, 0.0, Unit::Metre).class_cm_95, None);
    }

    #[test]
    fn surveyed_points_have_a_class_from_thirty_on_in_however_many_blocks() {
        let of = |surveyed, compared, blocks| {
            let (rmse, rmse_ci95) = (Some(0.02), Some([0.015, 0.03]));
            let s = Statistics { surveyed, compared, blocks, rmse, rmse_ci95, ..Statistics::default() };
            let found = compliance(&open(), &s, &Reference::default(), Unit::Metre);
            (found.class_cm, found.class_cm_95, found.support().is_enough_for_a_verdict())
        };
        for blocks in [1, 2, 40] {
            assert_eq!(of(true, 30, blocks), (Some(2.5), Some(5.0), true));
            assert_eq!(of(true, 29, blocks), (None, None, false));
        }
        // Of a cloud the class stands as observed, without more where it lies in two blocks.
        assert_eq!(of(false, 40, 2), (Some(2.5), None, false));
    }

    #[test]
    fn the_class_that_counts_is_asked_for_or_met_by_open_ground_with_the_offset_removed() {
        let s = Statistics { compared: 100, bias: Some(-0.14), rmse: Some(0.1487), ..Statistics::default() };
        let reference = Reference { offset: Some((0.14, 0.001, "snow".to_string())), ..Reference::default() };
        let open = compliance(&open(), &s, &reference, Unit::Metre);
        let met = open.offset_removed.as_ref().unwrap().class_cm;
        assert!(met.is_some() && met < open.class_cm, "{open:?}");
        let all = Compliance { name: None, offset_removed: None, class_cm: Some(33.3), ..open.clone() };
        let of = |groups: &[Compliance]| class_that_counts(&[], groups, Unit::Metre);
        assert_eq!(of(&[all.clone(), open]), met.map(|met| (met, false)));
        assert_eq!((of(std::slice::from_ref(&all)), of(&[])), (Some((33.3, false)), None));
    }

    #[test]
    fn a_reference_tests_classes_of_twice_its_uncertainty_and_up() {
        assert_eq!(testable_class(0.025, Unit::Metre), Some(5.0));
        assert_eq!(testable_class(0.0251, Unit::Metre), Some(10.0));
        assert_eq!(testable_class(0.6, Unit::Metre), None);
        // 0.06 ft (1.83 cm) is more than half of 2.5 cm and less than half of 5 cm.
        assert_eq!(testable_class(0.06, Unit::Foot), Some(5.0));
    }
}
