//! Weighted least squares with blunder tests: what the control network, the registration of scans and the vertical fit of a
//! survey have in common. It knows nothing of points, instruments or files.
//!
//! Whoever adjusts something describes each observation (or several values that are correlated with each other, as in a
//! GNSS position) by an [`Observation`]: its values linearised at given unknowns, and their covariance. [`adjust`] finds the
//! unknowns (Gauss–Newton) and gives a [`Solution`]: covariance of the unknowns, and for each observed value its residual, redundancy
//! number, standardised residual, smallest detectable blunder and the residual it would have were it left out. Where the
//! observations do not determine the unknowns it gives a [`Defect`], from which the caller says what is missing.
//! [`global_test()`] judges the variance factor, [`suggest`] names blunders one at a time, [`Ellipse`] draws two of the unknowns.
//!
//! Formulas are textbook least squares; data snooping after Baarda 1968 (citation not verified). Signs: a residual is adjusted minus
//! observed, v = A x − l. Units are the caller's; sigmas are of the same unit as what they belong to.
//!
//! ```
//! use echograde::control::{Covariance, Observation, Row, adjust, global_test, none_withheld};
//!
//! /// How much higher control lies than the survey, at one point: a shift is sought that explains all of them.
//! struct Difference(f64, Covariance);
//!
//! impl Observation for Difference {
//!     fn rows(&self, at: &[f64]) -> Vec<Row> {
//!         vec![Row { misclosure: self.0 - at[0], coefficients: vec![(0, 1.0)] }]
//!     }
//!     fn covariance(&self) -> &Covariance {
//!         &self.1
//!     }
//! }
//!
//! let differences = [0.031, 0.052, 0.047].map(|dz| Difference(dz, Covariance::independent(&[0.02])));
//! let solution = adjust(&differences, &[0.0], &none_withheld()).unwrap();
//! assert!((solution.unknowns[0] - 0.130 / 3.0).abs() < 1e-12);
//! assert!((solution.sigma(0) - 0.02 / 3f64.sqrt()).abs() < 1e-12);
//! assert!(global_test(&solution).unwrap().passed());
//! ```

mod blunders;
mod covariance;
mod critical;
mod ellipse;
mod global_test;
mod normal;
mod observation;
mod reliability;
mod solve;

#[cfg(test)]
mod tests;

pub use blunders::{Suggestion, suggest};
pub use covariance::Covariance;
pub use critical::{FAMILY_LEVEL, POWER, SINGLE_LEVEL, critical_value, detectable};
pub use ellipse::{CONFIDENCE, Ellipse, Sigmas};
pub use global_test::{GLOBAL_LEVEL, GlobalTest, Verdict, global_test};
pub use normal::Defect;
pub(crate) use normal::invert;
pub use observation::{Observation, Row, ValueId, Withheld, none_withheld};
pub use reliability::{CheckedObservation, CheckedValue};
pub use solve::{Failure, Solution, adjust};
