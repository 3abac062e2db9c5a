//! What is laid down for each source of a cloud: its setup, and the shift between vertical systems.

use std::collections::HashMap;
use std::path::Path;

use crate::cloud::{Location, Placing, Source};
use crate::engine::plan::registering::Registering;
use crate::pipeline::model::CloudInput;

/// Setups of a scanner that can be told apart: they take the place of a 16-bit point source ID.
const MOST_SETUPS: usize = u16::MAX as usize;

/// What is laid down for sources; `setups` has the setup of each of the `files` where the pipeline file names setups. Of
/// other E57 files each scan is a setup, counted from 1 over all files, and so is each LAS file where `number` says so: the others
/// keep their point source IDs. Scans that are registered have the poses found for their setups.
pub fn placing(
    sources: &[Source],
    input: &CloudInput,
    files: &[Location],
    setups: &[u16],
    number: bool,
    registering: Option<&Registering>,
) -> Vec<Placing> {
    let setups: HashMap<&Path, u16> = files.iter().map(Location::path).zip(setups.iter().copied()).collect();
    let vertical_shift = input.vertical_shift.map_or(0, |shift| shift.micrometres());
    let mut scans = 0;
    let mut of = |source: &Source| {
        let setup = setups.get(source.path()).copied().or_else(|| match source {
            Source::Las(_) if !number => None,
            _ => {
                scans += 1;
                Some(scans.min(MOST_SETUPS) as u16)
            }
        });
        let pose = registering.zip(setup).and_then(|(registering, setup)| registering.pose(setup));
        Placing { setup, pose, vertical_shift }
    };
    sources.iter().map(&mut of).collect()
}
