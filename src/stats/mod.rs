//! Exact statistics: sums of integers that merge in any order, and order statistics without sorting.

pub mod distributions;
pub mod moments;
pub mod quantiles;
