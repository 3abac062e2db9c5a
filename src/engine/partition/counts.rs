//! What became of the points of a cloud while they were read.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::cloud::bounds::Bounds;
use crate::cloud::point::MAX_RETURN;
use crate::stages::select::Tally;

/// What became of the points of one cloud while they were read.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ReadCounts {
    /// Points in the files, those lost among them.
    pub read: u64,
    /// Points of damaged blocks that were skipped.
    pub lost: u64,
    /// The damaged blocks that were skipped, in the order of files and blocks.
    pub damaged: Vec<DamagedBlock>,
    /// Points of nodes of COPC files outside the areas selected, which were not decoded.
    pub outside_area: u64,
    /// Flagged withheld.
    pub withheld: u64,
    /// Of those not withheld, by return number; 0 holds those without a valid one.
    pub by_return: [u64; MAX_RETURN + 1],
    /// Position or elevation beyond what can be used.
    pub out_of_range: u64,
    /// What each `select` stage did, by its place in the list of stages.
    pub select: BTreeMap<usize, Tally>,
    /// The points selected by the place of their source in the list of sources, where classes are taken as delivered.
    pub classified: BTreeMap<usize, Classified>,
    /// The box around the points selected that are not labelled noise.
    pub bounds: Bounds,
}

/// Points of a source, by what its classification says of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Classified {
    /// Ground: class 2.
    pub ground: u64,
    /// Any other class.
    pub other: u64,
}

impl Classified {
    /// Adds those of another source, or of another part of the same.
    pub fn merge(&mut self, other: &Classified) {
        self.ground += other.ground;
        self.other += other.other;
    }
}

/// A block of a source that could not be decoded and was skipped.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct DamagedBlock {
    /// Place of its source in the list of sources.
    pub file: usize,
    /// Number of the block, from 0.
    pub block: usize,
    /// File, place and damage in words.
    pub what: String,
}

impl ReadCounts {
    /// Adds those of another part of the same cloud.
    pub fn merge(&mut self, other: &ReadCounts) {
        self.read = self.read.saturating_add(other.read);
        self.lost = self.lost.saturating_add(other.lost);
        self.damaged.extend_from_slice(&other.damaged);
        self.outside_area = self.outside_area.saturating_add(other.outside_area);
        self.withheld += other.withheld;
        self.out_of_range += other.out_of_range;
        for (a, b) in self.by_return.iter_mut().zip(other.by_return) {
            *a += b;
        }
        for (stage, tally) in &other.select {
            self.select.entry(*stage).or_default().merge(tally);
        }
        for (source, found) in &other.classified {
            self.classified.entry(*source).or_default().merge(found);
        }
        self.bounds.merge(&other.bounds);
    }
}
