//! A run in parts: processes that share nothing but a disk each do a part of a phase, and one concludes.
//!
//! All parts agree on an [`agreed`] plan, which follows from pipeline and headers. Blocks of the files are divided by
//! `partition::share`, tiles by [`units`]; what parts leave is read as one.

pub(crate) mod agreed;
pub(crate) mod dealt;
pub mod finish;
pub(crate) mod missing;
pub mod part;
pub(crate) mod surfaces;
pub(crate) mod units;
