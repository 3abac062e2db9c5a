//! Probabilities and quantiles of the normal, t, chi-square and F distributions.
//!
//! The probabilities of t, chi-square and F come from `statrs`; its own quantiles lose digits, or never return, at many
//! degrees of freedom, so quantiles are found here by bisection. Arguments outside their range give `None`.

use libm::{erfc, log, log1p};
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};
use std::f64::consts::{PI, SQRT_2};

/// P(Z ≤ `x`) of the standard normal distribution.
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / SQRT_2)
}

/// P(Z > `x`) of the standard normal distribution.
pub fn normal_sf(x: f64) -> f64 {
    normal_cdf(-x)
}

/// ln P(Z ≤ `x`) of the standard normal distribution, with full accuracy in both tails.
pub fn ln_normal_cdf(x: f64) -> f64 {
    if x > 0.0 {
        return log1p(-0.5 * erfc(x / SQRT_2));
    }
    if x > -30.0 {
        return log(0.5 * erfc(-x / SQRT_2));
    }
    // Asymptotic series of Mills' ratio; at -30 the terms left out are below 1e-15.
    let s = 1.0 / (x * x);
    let mills = -s * (1.0 - 3.0 * s * (1.0 - 5.0 * s * (1.0 - 7.0 * s * (1.0 - 9.0 * s * (1.0 - 11.0 * s)))));
    -0.5 * x * x - log(-x) - 0.5 * log(2.0 * PI) + log1p(mills)
}

/// The x with P(Z ≤ x) = `p` of the standard normal distribution, for `p` between 0 and 1.
pub fn normal_quantile(p: f64) -> Option<f64> {
    probability(p)?;
    if p > 0.5 {
        return Some(upper_quantile(1.0 - p, normal_sf));
    }
    Some(-upper_quantile(p, normal_sf))
}

/// P(T ≤ `x`) of Student's t with `df` degrees of freedom (any positive number).
pub fn t_cdf(x: f64, df: f64) -> Option<f64> {
    t_sf(-x, df)
}

/// P(T > `x`) of Student's t with `df` degrees of freedom.
pub fn t_sf(x: f64, df: f64) -> Option<f64> {
    number(x)?;
    Some(StudentsT::new(0.0, 1.0, positive(df)?).ok()?.sf(x))
}

/// The x with P(T ≤ x) = `p` of Student's t with `df` degrees of freedom.
pub fn t_quantile(p: f64, df: f64) -> Option<f64> {
    probability(p)?;
    let t = StudentsT::new(0.0, 1.0, positive(df)?).ok()?;
    let beyond = upper_quantile(p.min(1.0 - p), |x| t.sf(x));
    Some(if p < 0.5 { -beyond } else { beyond })
}

/// P(X ≤ `x`) of chi-square with `df` degrees of freedom.
pub fn chi_squared_cdf(x: f64, df: f64) -> Option<f64> {
    number(x)?;
    Some(ChiSquared::new(positive(df)?).ok()?.cdf(x))
}

/// P(X > `x`) of chi-square with `df` degrees of freedom.
pub fn chi_squared_sf(x: f64, df: f64) -> Option<f64> {
    number(x)?;
    Some(ChiSquared::new(positive(df)?).ok()?.sf(x))
}

/// The x with P(X ≤ x) = `p` of chi-square with `df` degrees of freedom.
pub fn chi_squared_quantile(p: f64, df: f64) -> Option<f64> {
    let chi = ChiSquared::new(positive(df)?).ok()?;
    positive_quantile(p, |x| chi.cdf(x), |x| chi.sf(x))
}

/// P(X ≤ `x`) of F with `df1` and `df2` degrees of freedom.
pub fn f_cdf(x: f64, df1: f64, df2: f64) -> Option<f64> {
    number(x)?;
    Some(FisherSnedecor::new(positive(df1)?, positive(df2)?).ok()?.cdf(x))
}

/// P(X > `x`) of F with `df1` and `df2` degrees of freedom.
pub fn f_sf(x: f64, df1: f64, df2: f64) -> Option<f64> {
    number(x)?;
    Some(FisherSnedecor::new(positive(df1)?, positive(df2)?).ok()?.sf(x))
}

/// The x with P(X ≤ x) = `p` of F with `df1` and `df2` degrees of freedom.
pub fn f_quantile(p: f64, df1: f64, df2: f64) -> Option<f64> {
    let f = FisherSnedecor::new(positive(df1)?, positive(df2)?).ok()?;
    positive_quantile(p, |x| f.cdf(x), |x| f.sf(x))
}

fn number(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

fn positive(df: f64) -> Option<f64> {
    (df.is_finite() && df > 0.0).then_some(df)
}

fn probability(p: f64) -> Option<f64> {
    (p > 0.0 && p < 1.0).then_some(p)
}

/// Quantile of a distribution over positive numbers, from the tail in which `p` keeps its digits.
fn positive_quantile(p: f64, cdf: impl Fn(f64) -> f64, sf: impl Fn(f64) -> f64) -> Option<f64> {
    probability(p)?;
    Some(if p > 0.5 { upper_quantile(1.0 - p, sf) } else { upper_quantile(-p, |x| -cdf(x)) })
}

/// The positive x at which the falling function `sf` comes down to `q`: doubling, then bisection to the last bit.
fn upper_quantile(q: f64, sf: impl Fn(f64) -> f64) -> f64 {
    let mut high = 1.0;
    while sf(high) > q && high < 1e300 {
        high *= 2.0;
    }
    // Halving towards zero keeps the relative accuracy of small quantiles.
    let mut low = high / 2.0;
    while sf(low) <= q && low > 1e-300 {
        (low, high) = (low / 2.0, low);
    }
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return middle;
        }
        if sf(middle) > q { low = middle } else { high = middle }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantile_undoes_its_probability_up_to_many_degrees_of_freedom() {
        for df in [1.0, 2.5, 30.0, 1e4, 1e8] {
            for p in [1e-9, 0.025, 0.3, 0.5, 0.9, 0.975] {
                let back = t_cdf(t_quantile(p, df).unwrap(), df).unwrap();
                assert!((back / p - 1.0).abs() < 1e-6, "t {df} {p} {back}");
                let back = chi_squared_cdf(chi_squared_quantile(p, df).unwrap(), df).unwrap();
                assert!((back / p - 1.0).abs() < 1e-6, "chi-square {df} {p} {back}");
                let back = f_cdf(f_quantile(p, 4.0, df).unwrap(), 4.0, df).unwrap();
                assert!((back / p - 1.0).abs() < 1e-6, "F {df} {p} {back}");
            }
        }
    }

    #[test]
    fn what_is_no_argument_gives_nothing() {
        assert_eq!(t_quantile(0.975, 0.0), None);
        assert_eq!(t_quantile(1.0, 3.0), None);
        assert_eq!(t_quantile(f64::NAN, 3.0), None);
        assert_eq!(t_sf(f64::NAN, 3.0), None);
        assert_eq!(chi_squared_quantile(0.0, 3.0), None);
        assert_eq!(chi_squared_sf(1.0, f64::NAN), None);
        assert_eq!(f_sf(f64::INFINITY, 3.0, 4.0), None);
        assert_eq!(f_quantile(0.5, 3.0, -4.0), None);
        assert_eq!(normal_quantile(0.0), None);
    }

    #[test]
    fn the_two_forms_of_the_far_tail_meet() {
        let (above, below) = (ln_normal_cdf(-30.0 + 1e-9), ln_normal_cdf(-30.0));
        // The slope there is the inverse Mills ratio, about x + 1/x.
        assert!((above - below - 30.033e-9).abs() < 2e-12 * 30.0, "{above} {below}");
    }
}
