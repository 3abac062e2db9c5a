//! From which standardised residual on a value counts as a blunder, and how large a blunder must be to be found.

use crate::stats::distributions::normal_quantile;

/// Level of the test of one value, two-sided: 1 good value in 1,000 is blamed. After Baarda 1968 (citation not verified).
pub const SINGLE_LEVEL: f64 = 0.001;

/// Level of all tests of an adjustment together: the chance that any good value of it is blamed. Tests of many values at 0.001 each
/// would blame one in every other network of 700 values; no source fixes the level.
pub const FAMILY_LEVEL: f64 = 0.01;

/// The chance with which a blunder of the smallest detectable size is found by the test of one value.
pub const POWER: f64 = 0.80;

/// The largest |w| that a good value may have where so many are tested: 3.29, the two-sided point for [`SINGLE_LEVEL`], and more
/// where [`FAMILY_LEVEL`] asks for it (Šidák).
pub fn critical_value(tested: usize) -> f64 {
    // 1 − (1 − α)^(1/n), without losing digits at large n.
    let each = -libm::expm1(libm::log1p(-FAMILY_LEVEL) / tested.max(1) as f64);
    point(each.min(SINGLE_LEVEL))
}

/// δ0 = 4.13: how many sigmas of its test a blunder must measure to be found with [`POWER`] at [`SINGLE_LEVEL`].
pub fn detectable() -> f64 {
    point(SINGLE_LEVEL) + normal_quantile(POWER).expect("a probability")
}

/// The two-sided point of the normal distribution.
fn point(level: f64) -> f64 {
    -normal_quantile(0.5 * level).expect("a probability")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_points_come_out() {
        // standards.md, section 7: 3.290527 and 4.132148.
        assert!((critical_value(6) - 3.290_527).abs() < 1e-6);
        assert!((detectable() - 4.132_148).abs() < 1e-6);
        // scipy.stats.norm.isf((1 - 0.99**(1/n)) / 2): 3.71777 and 4.41609.
        assert!((critical_value(50) - 3.717_773).abs() < 1e-6, "{}", critical_value(50));
        // A blunder just detectable in one test is found in 66 of 100 networks of 50 values (docs/control.md).
        let found = normal_quantile(0.655).unwrap()..normal_quantile(0.665).unwrap();
        assert!(found.contains(&(detectable() - critical_value(50))));
        assert!((critical_value(1000) - 4.416_089).abs() < 1e-6, "{}", critical_value(1000));
    }
}
