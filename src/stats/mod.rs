//! Statistics: exact sums of integers that merge in any order, order statistics without sorting, and inference
//! from spatially correlated residuals.
//!
//! Residuals (dz) a few decimetres apart are far from independent. [`variogram`] finds how far the correlation reaches,
//! [`blocks`] gathers sums by blocks at least as wide, [`bootstrap`] resamples those for intervals,
//! [`group_tests`] are the textbook tests on independent values, and [`truncated`] corrects
//! mean and SD for the truncation by the ground filter.

pub(crate) mod blocks;
pub(crate) mod bootstrap;
pub(crate) mod correlation;
pub mod distributions;
pub mod group_tests;
pub mod moments;
mod neighbours;
pub(crate) mod placed;
pub mod quantiles;
pub(crate) mod truncated;
pub(crate) mod variogram;

#[cfg(test)]
mod coverage_tests;
#[cfg(test)]
pub(crate) mod simulated;
