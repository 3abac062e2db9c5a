//! Agreement inside one cloud: strip against strip of the survey, setup against setup of the reference, where they overlap.
//!
//! Ground is summed up by square cell and strip ([`sums`]). In a cell that several strips share, one plane with a level for each
//! strip is fitted, so that neither the slope nor different places of their points stand as a difference ([`cell`]). The
//! differences are counted by pair and block of the site in whole micrometres ([`tally`]); once all are known, the pairs are
//! adjusted to one offset for each strip, and those that are off are named ([`offsets`]).

pub mod cell;
pub mod offsets;
pub mod sums;
pub mod tally;

/// One strip of the survey (point source ID) or one setup of the reference (its number).
pub type Strip = u16;

#[cfg(test)]
mod tests;
