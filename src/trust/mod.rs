//! From comparisons to a decision: how sure each figure is, which returns are worse, what standards and the client's
//! limits are met, what keeping a return costs and gains, and what could fool the reader.
//!
//! [`study`] is the whole of it: [`figures`] passes over all comparisons for the exact figures of the [`groups`] and
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
