//! Published limits, as data with their sources. Where a source was not opened itself, that is said: check the
//! original before a report rests on it.

/// The standard whose names and rules are used: the ASPRS Positional Accuracy Standards for Digital Geospatial Data,
/// Edition 2 (version 1.0 of August 2023, version 2 of June 2024).
pub const ASPRS: &str = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2";

/// Fewest checkpoints, each, for non-vegetated and vegetated ground; with fewer the report must say so.
///
/// Source: ASPRS Edition 2, section 7.13, as a secondary text paraphrases it; the standard itself was not opened. Its
/// table for projects beyond 1,000 square kilometres is known from memory only and not used.
pub const MIN_CHECKPOINTS: u64 = 30;

/// The common vertical accuracy classes, centimetres: any value may be one (list from memory).
///
/// A class is met where RMSE_V on non-vegetated ground is at most its number. Source: ASPRS Edition 2, section 7.4, as
/// a secondary text paraphrases it.
pub const VERTICAL_CLASSES_CM: [f64; 9] = [1.0, 2.5, 5.0, 10.0, 15.0, 20.0, 33.3, 66.7, 100.0];

/// The mean error should stay under this share of the target RMSE; above it, its cause is to be looked into and
/// reported.
///
/// Source: ASPRS Edition 2, section 7.2, as a secondary text paraphrases it.
pub const BIAS_SHARE: f64 = 0.25;

/// Checkpoints should be at least so many times as accurate as the class that is tested.
///
/// Source: ASPRS Edition 2, section 7.12 (secondary text), and the glossary of the USGS Lidar Base Specification 2025
/// rev. A.
pub const REFERENCE_FACTOR: f64 = 2.0;

/// Limits inside a survey, as multiples of its class: root mean square and largest difference between swaths, largest difference
/// within a swath on smooth surface.
///
/// Source: ASPRS Edition 2, section 7.4 (table), as a secondary text paraphrases it; the root mean squares agree with the USGS Lidar
/// Base Specification 2025 rev. A, Table 2, which limits the smoothness too as a root mean square.
pub const SWATH_RMS: f64 = 0.8;
/// See [`SWATH_RMS`].
pub const SWATH_LARGEST: f64 = 1.6;
/// See [`SWATH_RMS`].
pub const SWATH_SMOOTHNESS: f64 = 0.6;

/// The older national standard's vertical accuracy at 95 % is this times the RMSE, if errors are normal and without
/// bias.
///
/// Source: FGDC-STD-007.3-1998 (NSSDA), 3-A.2, as a secondary text restates it.
pub const NSSDA_FACTOR: f64 = 1.96;

/// A quality level of the USGS Lidar Base Specification by its absolute vertical accuracy alone.
pub struct QualityLevel {
    /// Its name.
    pub name: &'static str,
    /// RMSE_V on non-vegetated ground, metres, at most.
    pub rmse_v: f64,
}

/// Quality levels from the best to the least. Levels 1 and 2 share one limit and differ in density, which this list
/// does not judge.
///
/// Source: USGS Lidar Base Specification 2025 rev. A, Table 4.
pub const QUALITY_LEVELS: [QualityLevel; 3] = [
    QualityLevel { name: "QL0", rmse_v: 0.050 },
    QualityLevel { name: "QL1 and QL2", rmse_v: 0.100 },
    QualityLevel { name: "QL3", rmse_v: 0.200 },
];

/// RMSE_V: the fit of the survey to the checkpoints combined with the survey error of the checkpoints,
/// sqrt(RMSE_V1² + RMSE_V2²).
///
/// Source: ASPRS Edition 2 (formula in a secondary text; names in the USGS Lidar Base Specification 2025 rev. A).
pub fn rmse_v(rmse_v1: f64, rmse_v2: f64) -> f64 {
    libm::hypot(rmse_v1, rmse_v2)
}

/// The best of the common classes that an RMSE_V in metres meets, centimetres.
pub fn class_met(rmse_v: f64) -> Option<f64> {
    VERTICAL_CLASSES_CM.into_iter().find(|class| rmse_v * 100.0 <= *class)
}

/// The best quality level that an RMSE_V in metres meets.
pub fn quality_level_met(rmse_v: f64) -> Option<&'static str> {
    QUALITY_LEVELS.iter().find(|level| rmse_v <= level.rmse_v).map(|level| level.name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_combined_error_is_that_of_the_worked_examples() {
        // V1, V2 and √(V1² + V2²), computed independently; the rule is that of the ASPRS standards, Edition 2.
        let examples = [
            (10.0, 5.0, 11.180340),
            (10.0, 3.0, 10.440307),
            (5.0, 2.0, 5.385165),
            (3.0, 2.0, 3.605551),
            (0.10, 0.06, 0.116619),
            (0.15, 0.06, 0.161555),
            (0.20, 0.06, 0.208806),
        ];
        for (v1, v2, expected) in examples {
            assert!((rmse_v(v1, v2) - expected).abs() < 5e-7, "{v1} and {v2}");
        }
    }

    #[test]
    fn thirty_points_meet_the_five_centimetre_class() {
        // Thirty invented points, computed independently: RMSE 3.420526 cm, V2 2 cm.
        let v = rmse_v(0.034_205_26, 0.02);
        assert!((v - 0.039_623_23).abs() < 1e-8);
        assert_eq!((class_met(v), quality_level_met(v)), (Some(5.0), Some("QL0")));
    }

    #[test]
    fn a_class_is_met_up_to_its_number_and_none_beyond_the_last() {
        assert_eq!(class_met(0.1), Some(10.0));
        assert_eq!(class_met(0.100_001), Some(15.0));
        assert_eq!((class_met(1.01), quality_level_met(0.2001)), (None, None));
        // The largest fit that still meets the 10-cm class with checkpoints of 5 cm: √(10² − 5²) cm.
        assert_eq!(class_met(rmse_v(0.086_602_5, 0.05)), Some(10.0));
        assert_eq!(class_met(rmse_v(0.086_602_6, 0.05)), Some(15.0));
    }
}
