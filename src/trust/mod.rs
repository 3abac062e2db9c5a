//! From comparisons to a decision: how sure each figure is, which returns are worse, what standards and the client's
//! limits are met, what keeping a return costs and gains, and what could fool the reader.
//!
//! [`figures`] reads all comparisons once for the exact sums and keeps an [`excerpt`] of them for what must be looked at
//! together; [`intervals`] turns blocks into intervals and verdicts; [`standing`], [`accept`] and [`warnings`] put the
//! figures into words that a person can act on.

pub mod accept;
pub mod groups;
pub mod standing;
