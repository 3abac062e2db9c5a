//! From comparisons to a decision: confidence intervals, which returns are worse, compliance with standards and the client's
//! limits, and warnings.
//!
//! [`study`] is the whole of it, in two calls with the terrain made between them: [`figures`] passes over all comparisons for the exact figures of the [`groups`] and
//! keeps an excerpt of them for what must be looked at together; [`intervals`] turns blocks of the site into intervals
//! and verdicts; [`compliance`], [`accept`] and [`warnings`] say what a person can act on.

pub(crate) mod accept;
pub(crate) mod compliance;
pub(crate) mod diagnose;
pub(crate) mod figures;
pub(crate) mod groups;
pub(crate) mod intervals;
pub(crate) mod plan_shift;
pub(crate) mod represented;
pub(crate) mod study;
pub(crate) mod surveyed;
pub(crate) mod truncation;
pub(crate) mod warnings;

#[cfg(test)]
mod test_site;
