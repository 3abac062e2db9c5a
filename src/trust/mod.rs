//! From comparisons to a decision: confidence intervals, which returns are worse, compliance with standards and the client's
//! limits, and warnings.
//!
//! [`study`] is the whole of it, in two calls with the terrain made between them: [`figures`] passes over all comparisons for the exact figures of the [`groups`] and
//! keeps an excerpt of them for what must be looked at together; [`intervals`] turns blocks of the site into intervals;
//! [`vs_first`] says which returns are worse, like for like; [`compliance`], [`accept`] and [`warnings`] say what a person can act on.

pub(crate) mod accept;
pub(crate) mod agreement;
mod compass;
pub(crate) mod compliance;
pub(crate) mod diagnose;
pub(crate) mod few_checkpoints;
pub(crate) mod figures;
pub(crate) mod filters;
pub(crate) mod findings;
pub(crate) mod fit;
pub(crate) mod groups;
pub(crate) mod intervals;
pub(crate) mod low_outliers;
pub(crate) mod matching;
pub(crate) mod plan_shift;
pub(crate) mod plausible;
pub(crate) mod profile_places;
pub(crate) mod registration;
pub(crate) mod represented;
pub(crate) mod residual_map;
pub(crate) mod shift_sums;
pub(crate) mod study;
pub(crate) mod surveyed;
pub(crate) mod truncation;
pub(crate) mod variance_test;
pub(crate) mod vs_first;
pub(crate) mod warnings;
pub(crate) mod wider;

#[cfg(test)]
pub(crate) mod test_site;
