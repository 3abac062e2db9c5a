//! How residuals correlate by distance.

/// The correlation of residuals by distance: white noise (nugget) plus a part that falls off exponentially.
///
/// Covariance at distance h: `sill` · exp(−3 h / `range`), and the nugget besides at h = 0.
#[derive(Clone, Debug, PartialEq)]
pub struct CorrelationModel {
    /// Variance of the residuals about the mean of their own group, in µm² (residuals beyond five robust standard
    /// deviations count as at five).
    pub variance: f64,
    /// Variance of the correlated part, in µm²; 0 if no correlation is detected.
    pub sill: f64,
    /// Share of the variance that is white noise: 1 − `sill` / `variance`.
    pub nugget_share: f64,
    /// Practical range in micrometres: where the correlated part has fallen to 5 % (three times the distance of the
    /// exponential). Nothing if no correlation is detected.
    pub range_um: Option<i64>,
    /// The empirical variogram, by rising distance.
    pub lags: Vec<Lag>,
}

/// One bin of distances of the empirical variogram.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
    /// Mean distance of the pairs, in micrometres.
    pub distance: f64,
    /// Number of pairs looked at.
    pub pairs: u64,
    /// Semivariance in µm²: `variance` less the covariance of the pairs.
    pub semivariance: f64,
    /// Its standard error, in µm².
    pub standard_error: f64,
}

impl CorrelationModel {
    /// What is known without looking: nothing, so that residuals count as uncorrelated.
    pub fn unknown() -> Self {
        CorrelationModel { variance: 0.0, sill: 0.0, nugget_share: 1.0, range_um: None, lags: Vec::new() }
    }
}
