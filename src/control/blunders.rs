//! Blunders, one at a time: a blunder in one value enlarges the residuals of others too (smearing), so only the value with the
//! largest standardised residual is suggested; the others are judged without it.

use crate::control::critical::critical_value;
use crate::control::observation::{Observation, ValueId, Withheld};
use crate::control::solve::{Failure, Solution, adjust};

/// Standardised residuals nearer to each other than this share are the same: no observation tells their values apart.
const SAME: f64 = 1e-6;

/// A value that should be looked into, and left out if nothing else explains it.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// The value.
    pub value: ValueId,
    /// Its standardised residual in the adjustment without those suggested before it.
    pub standardised: f64,
    /// The largest that a good value may have.
    pub critical: f64,
    /// Its residual from an adjustment without it.
    pub left_out: f64,
    /// Values that would explain the residuals just as well, so that it may be any of them.
    pub or_else: Vec<ValueId>,
    /// Other values above the critical value now, because of this one for all that is known.
    pub also_above: usize,
    /// Variance factors before and after it is left out.
    pub variance_factor: [Option<f64>; 2],
}

impl Suggestion {
    /// A reason in words with what else speaks for it, and against: the fall of the variance factor, and the values that it may
    /// be as well, by their names.
    pub fn with_more(&self, mut reason: String, or_else: &[String]) -> String {
        if let [Some(before), Some(after)] = self.variance_factor {
            reason += &format!("; the variance factor falls from {before:.2} to {after:.2}");
        }
        if !or_else.is_empty() {
            reason += &format!("; it may as well be {}", or_else.join(" or "));
        }
        reason
    }
}

/// Names the values that look like blunders, the clearest first, and gives the adjustment without them. Nothing is decided: it
/// is for a person to find out what happened, and to withhold the value.
///
/// # Errors
/// Where an adjustment without a value fails.
pub fn suggest<O: Observation>(
    observations: &[O],
    solution: &Solution,
    withheld: &Withheld,
) -> Result<(Vec<Suggestion>, Solution), Failure> {
    let mut withheld = withheld.clone();
    let mut now = solution.clone();
    let mut suggestions = Vec::new();
    while let Some(mut suggestion) = largest(&now) {
        withheld.insert(suggestion.value);
        let start = now.unknowns.clone();
        now = adjust(observations, &start, &withheld)?;
        suggestion.variance_factor[1] = now.variance_factor();
        suggestions.push(suggestion);
    }
    Ok((suggestions, now))
}

/// The value with the largest standardised residual, if that is above the critical value.
fn largest(solution: &Solution) -> Option<Suggestion> {
    let critical = critical_value(solution.tested());
    let mut above: Vec<(ValueId, f64, f64)> = Vec::new();
    for (observation, one) in solution.observations.iter().enumerate() {
        for (value, checked) in one.values.iter().enumerate().filter(|(_, value)| value.is_tested()) {
            if let (Some(w), Some(left_out)) = (checked.standardised, checked.left_out)
                && w.abs() > critical
            {
                above.push((ValueId { observation, value }, w, left_out));
            }
        }
    }
    let most = above.iter().map(|(_, w, _)| w.abs()).fold(0.0, f64::max);
    let (equal, other): (Vec<_>, Vec<_>) =
        above.into_iter().partition(|(_, w, _)| w.abs() >= most * (1.0 - SAME));
    let (first, rest) = equal.split_first()?;
    Some(Suggestion {
        value: first.0,
        standardised: first.1,
        critical,
        left_out: first.2,
        or_else: rest.iter().map(|(value, ..)| *value).collect(),
        also_above: other.len(),
        variance_factor: [solution.variance_factor(), None],
    })
}
