//! Error ellipses, and which sigmas they are of.

use libm::{atan2, hypot};

use crate::control::global_test::{Verdict, global_test};
use crate::control::solve::Solution;
use crate::stats::distributions::{chi_squared_quantile, f_quantile};

/// The chance with which the enlarged ellipse holds the true position.
pub const CONFIDENCE: f64 = 0.95;

/// An error ellipse in plan, of one standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ellipse {
    /// Semi-major axis.
    pub semi_major: f64,
    /// Semi-minor axis.
    pub semi_minor: f64,
    /// Azimuth of the semi-major axis, in radians clockwise from grid north, 0 to π.
    pub azimuth: f64,
}

impl Ellipse {
    /// From the variances of easting and northing and their covariance.
    pub fn of(east: f64, north: f64, both: f64) -> Self {
        let (middle, half) = (0.5 * (east + north), hypot(0.5 * (north - east), both));
        let azimuth = 0.5 * atan2(2.0 * both, north - east);
        Ellipse {
            semi_major: (middle + half).max(0.0).sqrt(),
            semi_minor: (middle - half).max(0.0).sqrt(),
            azimuth: if azimuth < 0.0 { azimuth + std::f64::consts::PI } else { azimuth },
        }
    }

    /// The same ellipse with axes so many times as long.
    pub fn enlarged(self, factor: f64) -> Self {
        Ellipse { semi_major: self.semi_major * factor, semi_minor: self.semi_minor * factor, ..self }
    }
}

/// Which sigmas are given for the unknowns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Sigmas {
    /// Those that follow from the sigmas stated for the observations.
    APriori,
    /// These times s0, where the residuals show that the stated ones are too small.
    Scaled,
}

impl Sigmas {
    /// The careful choice: scaled where the variance factor is significantly above 1, a priori otherwise.
    pub fn careful(solution: &Solution) -> Self {
        match global_test(solution) {
            Some(test) if test.verdict == Verdict::TooLarge => Sigmas::Scaled,
            _ => Sigmas::APriori,
        }
    }

    /// What an a priori sigma is multiplied by.
    pub fn factor(self, solution: &Solution) -> f64 {
        match self {
            Sigmas::APriori => 1.0,
            Sigmas::Scaled => solution.variance_factor().unwrap_or(1.0).sqrt(),
        }
    }

    /// What the axes of a standard ellipse of these sigmas are multiplied by, so that it holds the true position with
    /// [`CONFIDENCE`]: 2.45, and more where the variance factor is itself estimated.
    pub fn enlargement(self, solution: &Solution) -> f64 {
        let square = match self {
            Sigmas::APriori => chi_squared_quantile(CONFIDENCE, 2.0),
            Sigmas::Scaled => {
                f_quantile(CONFIDENCE, 2.0, solution.degrees_of_freedom as f64).map(|quantile| 2.0 * quantile)
            }
        };
        square.expect("degrees of freedom where there is a variance factor").sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn the_axes_point_where_the_variance_is_largest() {
        let east = Ellipse::of(4.0, 1.0, 0.0);
        assert_eq!((east.semi_major, east.semi_minor, east.azimuth), (2.0, 1.0, 0.5 * PI));
        assert_eq!(Ellipse::of(1.0, 4.0, 0.0).azimuth, 0.0);
        // Equal variances with a positive covariance: towards the north-east.
        let north_east = Ellipse::of(2.0, 2.0, 1.0);
        assert!((north_east.azimuth - 0.25 * PI).abs() < 1e-15);
        assert!((north_east.semi_major - 3f64.sqrt()).abs() < 1e-15);
        assert!((Ellipse::of(2.0, 2.0, -1.0).azimuth - 0.75 * PI).abs() < 1e-15);
        // A circle, and a straight line: no square root of less than nothing.
        assert_eq!(Ellipse::of(1.0, 1.0, 0.0).semi_minor, 1.0);
        assert_eq!(Ellipse::of(1.0, 1.0, 1.0).semi_minor, 0.0);
    }
}
