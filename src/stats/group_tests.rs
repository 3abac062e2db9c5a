//! Textbook tests of whether groups differ in mean (Welch) or in spread (Brown-Forsythe).
//!
//! The tests assume independent values. Neighbouring residuals are not: take one of each block, of blocks at least as wide as
//! the range of their correlation, or the p-values are meaningless. Residuals of different groups within one
//! block may still share an error; that makes a difference of means look less significant than it is, never more.

use crate::stats::distributions::{f_sf, t_sf};

/// A test statistic with its degrees of freedom and p-value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FTest {
    /// Value of F.
    pub f: f64,
    /// Degrees of freedom of the numerator: groups less one.
    pub df1: f64,
    /// Degrees of freedom of the denominator.
    pub df2: f64,
    /// Probability of an F at least as large if the groups do not differ.
    pub p: f64,
}

/// Welch's t test of two means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TTest {
    /// Value of t; negative where the first mean is the lower.
    pub t: f64,
    /// Degrees of freedom (Welch-Satterthwaite).
    pub df: f64,
    /// Probability of a |t| at least as large if the means do not differ.
    pub p: f64,
}

/// Welch's test of equal means of two or more groups, whose variances may differ (Welch 1951).
///
/// Nothing when there are fewer than two groups, a group has fewer than two values, or all its values are the same.
pub fn welch(groups: &[&[f64]]) -> Option<FTest> {
    let of_groups: Vec<(f64, f64, f64)> =
        groups.iter().map(|g| count_mean_variance(g)).collect::<Option<_>>()?;
    let k = of_groups.len() as f64;
    if k < 2.0 || of_groups.iter().any(|&(_, _, variance)| variance <= 0.0) {
        return None;
    }
    let weight = |&(n, _, variance): &(f64, f64, f64)| n / variance;
    let total: f64 = of_groups.iter().map(weight).sum();
    let mean = of_groups.iter().map(|g| weight(g) * g.1).sum::<f64>() / total;
    let between = of_groups.iter().map(|g| weight(g) * (g.1 - mean).powi(2)).sum::<f64>() / (k - 1.0);
    let lambda: f64 = of_groups.iter().map(|g| (1.0 - weight(g) / total).powi(2) / (g.0 - 1.0)).sum();
    let f = between / (1.0 + 2.0 * (k - 2.0) * lambda / (k * k - 1.0));
    f_test(f, k - 1.0, (k * k - 1.0) / (3.0 * lambda))
}

/// Welch's t test of equal means of two groups. Nothing under the same conditions as [`welch`].
pub fn welch_t(first: &[f64], second: &[f64]) -> Option<TTest> {
    let (a, b) = (count_mean_variance(first)?, count_mean_variance(second)?);
    let (va, vb) = (a.2 / a.0, b.2 / b.0);
    if va <= 0.0 || vb <= 0.0 {
        return None;
    }
    let t = (a.1 - b.1) / (va + vb).sqrt();
    let df = (va + vb).powi(2) / (va * va / (a.0 - 1.0) + vb * vb / (b.0 - 1.0));
    Some(TTest { t, df, p: 2.0 * t_sf(t.abs(), df)? })
}

/// Brown and Forsythe's test of equal spread: Levene's test on distances from each group's median (1974).
///
/// Not their other test of the same year, which is of means. Nothing when there are fewer than two groups, an empty
/// one, no more values than groups, or no spread of the distances within the groups.
pub fn brown_forsythe(groups: &[&[f64]]) -> Option<FTest> {
    let distances: Vec<Vec<f64>> = groups.iter().map(|g| distances_from_median(g)).collect::<Option<_>>()?;
    let (k, n) = (distances.len() as f64, distances.iter().map(Vec::len).sum::<usize>() as f64);
    if k < 2.0 || n <= k {
        return None;
    }
    let mean = |d: &[f64]| d.iter().sum::<f64>() / d.len() as f64;
    let all = distances.iter().flatten().sum::<f64>() / n;
    let between: f64 = distances.iter().map(|d| d.len() as f64 * (mean(d) - all).powi(2)).sum();
    let within: f64 = distances.iter().flat_map(|d| d.iter().map(move |x| (x - mean(d)).powi(2))).sum();
    if within <= 0.0 {
        return None;
    }
    f_test(between / (k - 1.0) / (within / (n - k)), k - 1.0, n - k)
}

fn f_test(f: f64, df1: f64, df2: f64) -> Option<FTest> {
    Some(FTest { f, df1, df2, p: f_sf(f, df1, df2)? })
}

fn count_mean_variance(values: &[f64]) -> Option<(f64, f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    Some((n, mean, values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)))
}

fn distances_from_median(values: &[f64]) -> Option<Vec<f64>> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (low, high) = (sorted.get(sorted.len().checked_sub(1)? / 2)?, sorted[sorted.len() / 2]);
    let median = 0.5 * (low + high);
    Some(values.iter().map(|v| (v - median).abs()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    const R1: [f64; 8] = [0.02, 0.01, -0.01, 0.03, 0.00, 0.02, 0.01, 0.02];
    const R2: [f64; 7] = [0.05, 0.02, 0.08, -0.01, 0.06, 0.03, 0.07];
    const R3: [f64; 6] = [0.12, -0.02, 0.20, 0.05, 0.15, 0.01];

    fn near(found: f64, printed: f64) {
        assert!((found - printed).abs() <= 5.1e-7, "{found} is not {printed}");
    }

    #[test]
    fn three_returns_of_an_example_computed_independently() {
        // An invented example in feet, computed independently in Python to six decimals.
        let found = welch(&[&R1, &R2, &R3]).unwrap();
        near(found.f, 4.393379);
        near(found.df2, 8.213989);
        near(found.p, 0.050413);
        let found = brown_forsythe(&[&R1, &R2, &R3]).unwrap();
        near(found.f, 14.875287);
        near(found.p, 0.000154);
        let found = welch_t(&R1, &R3).unwrap();
        near(found.t, -2.059801);
        near(found.df, 5.168927);
        near(found.p, 0.092619);
        // Two groups: F is t squared.
        let two = welch(&[&R1, &R3]).unwrap();
        assert!((two.f - found.t * found.t).abs() < 1e-12 && (two.p - found.p).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_tested_gives_nothing() {
        assert_eq!(welch(&[&R1]), None);
        assert_eq!(welch(&[&R1, &[0.5]]), None);
        assert_eq!(welch(&[&R1, &[0.5, 0.5]]), None);
        assert_eq!(welch_t(&R1, &[]), None);
        assert_eq!(welch_t(&[1.0, 1.0], &R1), None);
        assert_eq!(brown_forsythe(&[&R1, &[]]), None);
        assert_eq!(brown_forsythe(&[&[1.0, 1.0], &[2.0, 2.0]]), None);
        assert_eq!(brown_forsythe(&[&[1.0], &[2.0]]), None);
    }
}
