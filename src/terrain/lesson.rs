//! What was learned of the returns: what the terrain is weighted with.

use serde::Serialize;

use crate::terrain::differences::{ByReturn, LEAST_SD, Learned};
use crate::terrain::folds::Folds;
use crate::units::Micrometres;

/// What the terrain is weighted with, and where it is tested.
#[derive(Clone, Debug, PartialEq)]
pub struct Lesson {
    /// The folds.
    pub folds: Folds,
    /// How far apart what is learned and what is tested with it should lie, micrometres.
    pub gap: Micrometres,
    /// Why they do not, if so: then nothing is between the folds.
    pub dependent: Option<Dependent>,
    /// What may be used in each fold: learned in the other one. The same returns are known in both.
    pub for_folds: [ByReturn; 2],
    /// Learned from all of the site.
    pub overall: ByReturn,
}

/// Why what was learned cannot be tested independently.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dependent {
    /// The comparisons do not show how far error is shared.
    Unknown,
    /// They leave too little beyond that.
    TooSmall,
}

/// What the returns were weighted with for the variance-weighted terrain.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TerrainWeights {
    /// Whether the terrain was tested beyond where error is shared from where its weights were learned.
    pub independent: bool,
    /// Why not, if so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<&'static str>,
    /// How far apart that is: as far as neighbours share error, or where the terrain uses other points.
    pub gap: f64,
    /// Each return of which enough is known, as learned from the whole site; for a test, from the other fold alone.
    pub returns: Vec<ReturnWeight>,
}

/// One return.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReturnWeight {
    /// Its number.
    #[serde(rename = "return")]
    pub return_number: u8,
    /// How much higher than the first of these returns it lies at the same place, shrunk by its uncertainty: taken out.
    pub difference: f64,
    /// Standard deviation of dz about its place.
    pub sd: f64,
    /// What a point counts, against one of the return that scatters least.
    pub weight: f64,
}

impl Lesson {
    /// As reported, lengths converted from micrometres.
    pub fn weights(&self, convert: impl Fn(f64) -> f64) -> TerrainWeights {
        let known = || (0..16u8).filter_map(|r| Some((r, self.overall[usize::from(r)]?)));
        let best = known().map(|(_, of)| of.sd).fold(f64::INFINITY, f64::min).max(LEAST_SD);
        let of_return = |(return_number, of): (u8, Learned)| ReturnWeight {
            return_number,
            difference: convert(of.difference),
            sd: convert(of.sd),
            weight: (best / of.sd.max(LEAST_SD)).powi(2),
        };
        TerrainWeights {
            independent: self.dependent.is_none(),
            reason: self.dependent.map(|dependent| match dependent {
                Dependent::Unknown => "the comparisons lie in too few places to show how far neighbours share error",
                Dependent::TooSmall => {
                    "the reference covers too little ground to test beyond the distance over which neighbours share error"
                }
            }),
            gap: convert(self.gap as f64),
            returns: known().map(of_return).collect(),
        }
    }
}
