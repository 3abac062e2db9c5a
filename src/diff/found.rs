//! What two runs differ by.

use std::path::PathBuf;

use serde::Serialize;

use crate::diff::contents::Figures;
use crate::diff::data::DataChange;
use crate::diff::figures::{FiguresRow, LimitChange, WarningChanges};
use crate::diff::options::OptionChange;
use crate::diff::paired::Paired;
use crate::units::Unit;

/// What two runs differ by. Lengths are in `units`, those of the first run; differences are second minus first.
#[derive(Debug, Serialize)]
pub struct Diff {
    /// The two runs.
    pub runs: [RunHead; 2],
    /// The unit of every length below.
    pub units: Unit,
    /// Whether it matters: a word for programs.
    pub outcome: Outcome,
    /// The same in sentences.
    pub verdict: Vec<String>,
    /// Files that are not the same in both, by hash.
    pub data: Vec<DataChange>,
    /// Options that are not the same, of the pipelines as resolved.
    pub options: Vec<OptionChange>,
    /// Limits of which the verdict or the figure changed, and those that only one run has.
    pub limits: Vec<LimitChange>,
    /// Warnings that only one run has.
    pub warnings: WarningChanges,
    /// Figures that are not the same: all together, by return, by group.
    pub figures: Vec<FiguresRow>,
    /// Comparison at the places that both runs list.
    pub paired: Paired,
}

/// One of the runs.
#[derive(Debug, Serialize)]
pub struct RunHead {
    /// Its folder.
    pub folder: PathBuf,
    /// Its title.
    pub title: String,
    /// Version of the program.
    pub version: String,
    /// The unit of its report.
    pub units: Unit,
    /// Hash of the pipeline as resolved.
    pub pipeline_sha256: String,
    /// Figures of all its comparisons.
    pub all: Figures,
}

/// Whether two runs differ, and whether it matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Nothing is different.
    Same,
    /// Something was changed, and no figure is different.
    NoEffect,
    /// dz is the same at all common places: which places count has changed.
    OtherPlaces,
    /// dz at common places cannot be told apart from chance.
    Chance,
    /// dz at common places is different, by little beside the class.
    RealButSmall,
    /// dz at common places is different.
    Real,
    /// There are common places, and no interval.
    Unknown,
    /// There are no common places.
    NoCommonPlaces,
}
