//! Statistics: exact sums of integers that merge in any order, order statistics without sorting, and inference
//! from spatially correlated residuals.
//!
//! Residuals (dz) a few decimetres apart are far from independent. [`variogram`] finds how far the correlation reaches,
//! [`blocks`] gathers sums by blocks. From these, and from where the survey [`delivered`] ground, [`layout`] makes a few hundred
//! cells, [`dependence`] weighs what error they may share, and [`estimates`] makes intervals; [`few`] does so of surveyed points.
//! [`shift`] finds a shift in plan from differences of neighbouring cells.
//! [`group_tests`] are the textbook tests on independent values, and [`truncated`] corrects
//! mean and SD for the truncation by the ground filter.

mod averages;
pub(crate) mod blocks;
pub(crate) mod correlation;
pub(crate) mod delivered;
pub(crate) mod dependence;
pub mod distributions;
pub(crate) mod estimates;
pub(crate) mod few;
pub mod group_tests;
pub(crate) mod kinds;
pub(crate) mod layout;
mod likelihood;
mod mixture;
pub mod moments;
pub(crate) mod placed;
pub mod quantiles;
pub(crate) mod shift;
mod shift_equations;
pub(crate) mod truncated;
mod truncated_normal;
mod truncated_sample;
pub(crate) mod variogram;

#[cfg(test)]
mod coverage_tests;
#[cfg(test)]
pub(crate) mod simulated;
