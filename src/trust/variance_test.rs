//! The warning of the test of a variance factor: of the registration of scans, and of the fit of the survey.

use crate::control::Verdict;
use crate::results::registration::VarianceTest;

/// What an adjustment with this test and variance factor is said of, if it did not pass: `what` was adjusted, of which `good` ones
/// lie between the limits; `consequence` is what larger residuals came to, by the factor of the sigmas.
pub fn text(
    found: Option<(&VarianceTest, f64)>,
    what: &str,
    good: &str,
    consequence: &dyn Fn(f64) -> String,
) -> Option<String> {
    let (test, factor) = found?;
    let [low, high] = test.limits;
    let said = format!(
        "The variance factor of the {what} is {factor:.2} (v'Pv {:.1}; 95 % of good {good} lie between {low:.1} and {high:.1})",
        test.statistic
    );
    match test.verdict {
        Verdict::TooLarge => Some(format!(
            "{said}: the residuals are larger than the sigmas allow{}",
            consequence(factor.sqrt())
        )),
        Verdict::TooSmall => Some(format!(
            "{said}: the residuals are smaller than the sigmas let expect, which may be stated too large."
        )),
        Verdict::Passed => None,
    }
}
