//! E57 files written by the crate, for tests.

// The tests of the whole program write the same files.
#[path = "../../../tests/common/scans.rs"]
mod scans;

pub use scans::{Scan, write};
