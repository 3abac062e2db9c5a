//! The restricted likelihood of one kind of shared error at one strength (Patterson and Thompson 1971, from memory).

use libm::log;

use crate::stats::layout::Layout;

/// One kind at one strength: how likely it is, and what it says.
#[derive(Clone, Copy, Debug)]
pub struct Fit {
    /// The place of its kind among those tried.
    pub structure: usize,
    /// With the prior.
    pub log_likelihood: f64,
    /// Without it.
    pub plain: f64,
    /// Variance of the uncorrelated error of a cell that has residuals throughout, µm².
    pub alone: f64,
    /// Variance of the correlated error, µm².
    pub shared: f64,
}

/// The restricted likelihood of the means of cells, `strength` times the covariance beside uncorrelated error, and what
/// variances fit best. Nothing where the covariance is none.
pub fn likelihood(layout: &Layout, covariance: &[f64], means: &[f64], strength: f64) -> Option<Fit> {
    let (k, m) = (layout.seen, layout.cells.len());
    // Lower triangle, column by column, so that the inner loop runs along memory and adds in one order.
    let mut c = vec![0.0; k * k];
    for j in 0..k {
        for i in j..k {
            c[j * k + i] = strength * covariance[i * m + j];
        }
        c[j * k + j] += layout.sparse[j];
    }
    let (mut z, mut one) = (means.to_vec(), vec![1.0; k]);
    let mut log_determinant = 0.0;
    for j in 0..k {
        let (done, rest) = c.split_at_mut((j + 1) * k);
        let column = &mut done[j * k..];
        let pivot = column[j];
        if pivot.is_nan() || pivot <= 1e-12 {
            return None;
        }
        let root = pivot.sqrt();
        log_determinant += log(root);
        column[j..].iter_mut().for_each(|c| *c /= root);
        for i in j + 1..k {
            let times = column[i];
            let target = &mut rest[(i - j - 1) * k + i..(i - j) * k];
            target.iter_mut().zip(&column[i..]).for_each(|(t, c)| *t -= times * c);
        }
        z[j] /= root;
        one[j] /= root;
        let (z_now, one_now) = (z[j], one[j]);
        for i in j + 1..k {
            z[i] -= z_now * column[i];
            one[i] -= one_now * column[i];
        }
    }
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let ones = dot(&one, &one);
    let cross = dot(&one, &z);
    let df = k as f64 - 1.0;
    let alone = (dot(&z, &z) - cross * cross / ones) / df;
    if alone.is_nan() || alone <= 0.0 {
        return None;
    }
    let log_likelihood = -log_determinant - 0.5 * log(ones) - 0.5 * df * log(alone);
    Some(Fit { structure: 0, log_likelihood, plain: log_likelihood, alone, shared: strength * alone })
}
