//! What is adjusted: observed values, linearised, with their covariance, and which of them take no part.

use std::collections::BTreeSet;

use crate::control::covariance::Covariance;

/// One or more observed values that are correlated with each other, and with no other observation's.
pub trait Observation {
    /// Its values, linearised at the unknowns `at`: as many rows as the covariance is of.
    fn rows(&self, at: &[f64]) -> Vec<Row>;
    /// The covariance of its values.
    fn covariance(&self) -> &Covariance;
}

/// One observed value, linearised.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Observed minus computed from the unknowns at which it is linearised.
    pub misclosure: f64,
    /// Its derivatives by the unknowns, those that are not zero. None where it depends on known values alone: it then has a
    /// residual, but no say.
    pub coefficients: Vec<(usize, f64)>,
}

/// One observed value: which observation, and which of its values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ValueId {
    /// The observation, counted from 0.
    pub observation: usize,
    /// The value of it, counted from 0.
    pub value: usize,
}

/// Values that take no part in the adjustment; what the others predict for them is compared with them.
pub type Withheld = BTreeSet<ValueId>;

/// No value is withheld.
pub fn none_withheld() -> Withheld {
    Withheld::new()
}
