//! The setups of the reference: whether each file is one, whether any two overlap, and their names.

use std::collections::{BTreeMap, BTreeSet};

use crate::cloud::Source;
use crate::engine::plan::cloud_job::{CloudJob, apart};
use crate::pipeline::model::CloudInput;
use crate::stages::list::Stage;
use crate::tile::points::Cloud;

/// Whether each LAS file of the reference is a setup of its own: where there are several, unless a stage selects its points by
/// point source ID.
pub fn are_files(sources: &[Source], stages: &[Stage]) -> bool {
    let by_strip = stages.iter().any(|stage| match stage {
        Stage::Select(select) => select.cloud.includes(Cloud::Reference) && select.strips.is_some(),
        _ => false,
    });
    let las = sources.iter().filter(|source| matches!(source, Source::Las(_))).count();
    las > 1 && !by_strip
}

/// Whether two setups may share ground, by the boxes that the files state.
pub fn overlap(reference: &CloudJob) -> bool {
    let setups: Vec<Option<u16>> = reference.placing.iter().map(|placing| placing.setup).collect();
    let distinct: BTreeSet<u16> = setups.iter().flatten().copied().collect();
    if distinct.len() < 2 {
        return false;
    }
    let Some(boxes) = reference.boxes() else { return true };
    let shares = |a: (f64, f64), b: (f64, f64)| apart(a, b) < 0.0;
    let all = || boxes.iter().zip(&setups);
    all().enumerate().any(|(i, (a, one))| {
        all().take(i).any(|(b, other)| one != other && shares(a.x, b.x) && shares(a.y, b.y))
    })
}

/// The names of the setups: as the pipeline file has them, otherwise of the scans and files.
pub fn names(reference: &CloudJob, input: &CloudInput) -> BTreeMap<u16, String> {
    let own = reference.sources.iter().zip(&reference.placing);
    let own = own.filter_map(|(source, placing)| {
        let setup = placing.setup?;
        let scan = input.scans.get(usize::from(setup) - 1).map(|scan| scan.name.clone());
        let name = scan.unwrap_or_else(|| match source {
            Source::E57(scan) => scan.name.clone().unwrap_or_else(|| format!("scan {setup}")),
            Source::Las(_) => source.name(),
        });
        Some((setup, name))
    });
    own.collect()
}
