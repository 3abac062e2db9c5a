//! The test of the variance factor: do the residuals as a whole agree with the sigmas stated?

use crate::control::solve::Solution;
use crate::stats::distributions::chi_squared_quantile;

/// Level of the test, two-sided.
pub const GLOBAL_LEVEL: f64 = 0.05;

/// What the test says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The residuals agree with the sigmas.
    Passed,
    /// They are larger: a blunder, or sigmas that are too small.
    TooLarge,
    /// They are smaller: sigmas that are too large.
    TooSmall,
}

impl Verdict {
    /// What it says, for people.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Passed => "test passed",
            Verdict::TooSmall => "smaller than the sigmas let expect",
            Verdict::TooLarge => "test failed",
        }
    }
}

/// The two-sided chi-square test of v'Pv at 95 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GlobalTest {
    /// v'Pv.
    pub statistic: f64,
    /// The smallest statistic that passes.
    pub lower: f64,
    /// The largest statistic that passes.
    pub upper: f64,
    /// What it says.
    pub verdict: Verdict,
}

impl GlobalTest {
    /// Whether the residuals agree with the sigmas.
    pub fn passed(&self) -> bool {
        self.verdict == Verdict::Passed
    }
}

/// Tests the variance factor; none without degrees of freedom.
pub fn global_test(solution: &Solution) -> Option<GlobalTest> {
    let (statistic, freedom) = (solution.square_sum, solution.degrees_of_freedom as f64);
    let lower = chi_squared_quantile(0.5 * GLOBAL_LEVEL, freedom)?;
    let upper = chi_squared_quantile(1.0 - 0.5 * GLOBAL_LEVEL, freedom)?;
    let verdict = match statistic {
        large if large > upper => Verdict::TooLarge,
        small if small < lower => Verdict::TooSmall,
        _ => Verdict::Passed,
    };
    Some(GlobalTest { statistic, lower, upper, verdict })
}
