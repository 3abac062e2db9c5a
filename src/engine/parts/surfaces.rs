//! Surfaces of a run in parts: those that parts of their own have made, and those that the work makes itself where they are missing.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use crate::engine::partition::clouds::Partitions;
use crate::engine::parts::agreed::Agreed;
use crate::engine::parts::missing::with_remedy;
use crate::engine::store::error::EngineError;
use crate::engine::store::files::write_whole;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::Phase;
use crate::engine::store::spill::{Spill, SpillRecord};
use crate::engine::watch::Watch;
use crate::engine::work::surfaces::{SurfacesOf, looked_at, make_surfaces};
use crate::stages::chain::Chain;
use crate::tile::tiling::TileKey;

/// The index of the surfaces of a part, in its folder.
pub const INDEX: &str = "index.json";

/// Writes the index of the surfaces that a part has made.
///
/// # Errors
/// Where the disk does not take it.
pub fn write_index(surfaces: &SurfacesOf, folder: &Path) -> Result<(), EngineError> {
    let entries: Vec<_> = surfaces.values().map(|one| one.own().record(folder)).collect();
    write_whole(&folder.join(INDEX), |file| Ok(serde_json::to_writer(file, &entries)?))
}

fn read_index(folder: &Path) -> Result<Vec<Spill<TileKey>>, EngineError> {
    let path = folder.join(INDEX);
    let text = fs::read(&path).map_err(EngineError::disk(&path, "reading working data back"))?;
    let records: Vec<SpillRecord<TileKey>> =
        serde_json::from_slice(&text).map_err(|_| EngineError::Damaged { path })?;
    Ok(records.into_iter().map(|record| record.of_part(folder)).collect())
}

/// Whether the surfaces of a part are there in full.
pub fn is_whole(folder: &Path) -> bool {
    read_index(folder).is_ok_and(|spills| spills.iter().all(Spill::is_whole))
}

/// All surfaces that the work on `keys` looks at: of other parts where they are there, the others made in `own`.
///
/// # Errors
/// Where the disk fails, or those of a part are damaged.
pub fn surfaces_for(
    keys: &[TileKey],
    divided: &[(TileKey, u32)],
    partitions: &Partitions,
    chain: &Chain,
    places: (&PartsFolder, &Agreed, &Path),
    watch: &Watch,
) -> Result<SurfacesOf, EngineError> {
    let (folder, agreed, own) = places;
    let looked_at: BTreeSet<TileKey> =
        keys.iter().flat_map(|key| looked_at(*key, partitions, chain)).collect();
    let near = divided.iter().filter(|(key, _)| looked_at.contains(key));
    let there = |part: u32| folder.part(Phase::Surface, part).exists();
    let near_parts: BTreeSet<u32> = near.clone().map(|(_, part)| *part).collect();
    let made: Vec<u32> = near_parts.into_iter().filter(|part| there(*part)).collect();
    let missing: BTreeSet<TileKey> =
        near.filter(|(_, part)| made.binary_search(part).is_err()).map(|(key, _)| *key).collect();
    let mut all = make_surfaces(partitions, chain, &|key| missing.contains(&key), own, watch)?;
    for part in made {
        let path = folder.part(Phase::Surface, part);
        for spill in read_index(&path).map_err(|error| with_remedy(error, agreed, folder))? {
            let same = all
                .values_mut()
                .find(|surfaces| surfaces.own().path().file_name() == spill.path().file_name());
            if let Some(surfaces) = same {
                surfaces.join(spill);
            }
        }
    }
    Ok(all)
}
