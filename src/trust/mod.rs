//! From comparisons to a decision: confidence intervals, which returns are worse, compliance with standards and the client's
//! limits, and warnings.
//!
//! [`study`] is the whole of it, in two calls with the terrain made between them: [`figures`] passes over all comparisons for the exact figures of the [`groups`] and
//! keeps an excerpt of them for what must be looked at together; [`intervals`] turns blocks of the site into intervals
//! and verdicts; [`compliance`], [`accept`] and [`warnings`] say what a person can act on.

pub mod accept;
pub mod compliance;
pub mod diagnose;
pub mod figures;
pub mod groups;
pub mod intervals;
pub mod study;
pub mod truncation;
pub mod warnings;

#[cfg(test)]
mod test_site;
