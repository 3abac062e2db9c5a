//! Compliance of groups with the published standards.

use crate::results::confidence::{Compliance, OffsetRemoved, VerticalAccuracy};
use crate::results::statistics::Interval;
use crate::results::statistics::Statistics;
use crate::standards::{
    BIAS_SHARE, MIN_CHECKPOINTS, NSSDA_FACTOR, REFERENCE_FACTOR, VERTICAL_CLASSES_CM, class_met,
    quality_level_met, rmse_v,
};
use crate::tile::strata::Cover;
use crate::units::Unit;

use crate::trust::groups::{Group, Role};

/// What the pipeline file states of the reference's own error, in the unit of the report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reference {
    /// Vertical uncertainty, one sigma.
    pub uncertainty: Option<f64>,
    /// The known constant error, its sigma, and why it is there.
    pub offset: Option<(f64, f64, String)>,
}

/// A length of the report in metres: the unit in which standards state their limits.
pub fn metres(value: f64, unit: Unit) -> f64 {
    value * unit.micrometres() / 1e6
}

/// Compliance of a group with the standards.
pub fn compliance(group: &Group, s: &Statistics, reference: &Reference, unit: Unit) -> Compliance {
    let v2 = reference.uncertainty.unwrap_or(0.0);
    let combined = s.rmse.map(|rmse| rmse_v(rmse, v2));
    let interval: Option<Interval> = s.rmse_ci95.map(|ends| ends.map(|end| rmse_v(end, v2)));
    let class = |value: Option<f64>| value.and_then(|value| class_met(metres(value, unit)));
    let class_cm = class(combined);
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
        n_effective: s.n_effective,
        enough_checkpoints: s.compared >= MIN_CHECKPOINTS,
        rmse_v1: s.rmse,
        rmse_v: combined,
        rmse_v_ci95: interval,
        class_cm,
        class_cm_95: class(interval.map(|ends| ends[1])),
        quality_level: combined.and_then(|value| quality_level_met(metres(value, unit))),
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

/// The figures as they would be had the reference not been `offset` too high: dz grows by it.
fn offset_removed(s: &Statistics, offset: f64, sigma: f64, v2: f64, unit: Unit) -> OffsetRemoved {
    let bias = s.bias.map(|mean| mean + offset);
    let n = s.compared as f64;
    let rmse = bias.map(|mean| {
        // RMSE² = mean² + (n − 1)/n SD²: the spread is what it was.
        let spread = s.sd.map_or(0.0, |sd| (n - 1.0) / n * sd * sd);
        (mean * mean + spread).sqrt()
    });
    let combined = rmse.map(|rmse| rmse_v(rmse_v(rmse, v2), sigma));
    OffsetRemoved {
        bias,
        rmse,
        rmse_v: combined,
        class_cm: combined.and_then(|v| class_met(metres(v, unit))),
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
        let reference =
            Reference { uncertainty: Some(0.02), offset: Some((0.15, 0.03, "fresh snow".to_string())) };
        let found = compliance(&open(), &s, &reference, Unit::UsSurveyFoot);
        let without = found.offset_removed.unwrap();
        assert!((without.bias.unwrap() - 0.01).abs() < 1e-12);
        let expected = (0.0001f64 + 0.99 * 0.0025).sqrt();
        assert!((without.rmse.unwrap() - expected).abs() < 1e-12);
        let combined = (expected * expected + 0.0004 + 0.0009).sqrt();
        assert!((without.rmse_v.unwrap() - combined).abs() < 1e-12);
        // 0.148 ft are 4.5 cm; without the snow 0.062 ft are 1.9 cm.
        assert_eq!((found.class_cm, without.class_cm), (Some(5.0), Some(2.5)));
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
