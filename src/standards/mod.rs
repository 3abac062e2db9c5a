//! Published limits, as data with their sources.

/// Fewest checkpoints on which a test of vertical accuracy may rest without being reported as a departure.
///
/// Source: ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2, section 7.13, as a secondary
/// text paraphrases it; the standard itself was not opened.
pub const MIN_CHECKPOINTS: u64 = 30;
