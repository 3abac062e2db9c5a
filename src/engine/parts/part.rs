//! One part of a phase.

use std::path::Path;

use tracing::Level;

use crate::engine::conclude::manifest::peak_memory;
use crate::engine::partition::clouds::Partitions;
use crate::engine::partition::index;
use crate::engine::partition::phase::read_share;
use crate::engine::partition::share::Share;
use crate::engine::parts::agreed::Agreed;
use crate::engine::parts::dealt::{self, Dealt, write_hashes};
use crate::engine::parts::missing::with_remedy;
use crate::engine::parts::surfaces::{self, surfaces_for, write_index};
use crate::engine::parts::units::division;
use crate::engine::plan::budget::{SHARE, free_bytes};
use crate::engine::plan::forecast::Forecast;
use crate::engine::plan::inputs::{check_unchanged, inputs_of};
use crate::engine::plan::job::{Job, Resources};
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::{PartOf, Phase};
use crate::engine::store::run_folder::{JOURNAL, LOG};
use crate::engine::watch::Watch;
use crate::engine::watch::clock::Clock;
use crate::engine::work::context::Work;
use crate::engine::work::load::Allowance;
use crate::engine::work::phase::in_pool;
use crate::engine::work::surfaces::make_surfaces;
use crate::engine::work::tiles::run_tiles;
use crate::tile::tiling::TileKey;

/// Does a part of a phase of the run that leaves its results in `out`; `replace` allows that those of an earlier run are
/// replaced in the end. A part that is there already is left as it is.
///
/// # Errors
/// Whatever stops the part, of which nothing is then left.
pub fn run_part(
    mut job: Job,
    out: &Path,
    (phase, part): (Phase, PartOf),
    replace: bool,
    watch: &Watch,
) -> Result<(), EngineError> {
    let folder = PartsFolder::of(out)?;
    folder.make(replace)?;
    let agreed = Agreed::settle(&mut job, part.of, replace, &folder)?;
    let name = format!("{} {part}", phase.name());
    if folder.part(phase, part.number).exists() {
        if is_whole(&folder.part(phase, part.number), phase) {
            watch.info(&format!("{name} is there already"));
            return Ok(());
        }
        watch.warn(&format!("{name} is there, but damaged: it is done again"));
        folder.drop_part(phase, part.number)?;
    }
    let making = folder.begin(phase, part.number)?;
    let log = making.path().join(LOG);
    let logged = watch.with_log(&log).map_err(EngineError::disk(log, "making the log"))?;
    let begun = format!("{name} of {}, version {}", job.pipeline_path.display(), env!("CARGO_PKG_VERSION"));
    logged.log(Level::INFO, &begun);
    let doing = Doing { job: &job, agreed: &agreed, folder: &folder, own: making.path(), part };
    let threads = doing.workers(phase);
    let mut clock = Clock::start(&logged);
    in_pool(threads, "doing a part of the run", || match phase {
        Phase::Deal => doing.deal(&mut clock),
        Phase::Surface => doing.surface(&mut clock),
        Phase::Work => doing.work(&mut clock),
    })
    .map_err(|error| with_remedy(error, &agreed, &folder))?;
    let memory = peak_memory().map_or(String::new(), |bytes| format!(", {} MiB", bytes.div_ceil(1 << 20)));
    let cost = format!("{name} done in {:.3} s on {threads} threads{memory}", clock.seconds());
    logged.info(&cost);
    // Its log is closed before it is moved.
    drop(clock);
    drop(logged);
    if !making.publish()? {
        watch.info(&format!("{name}: another copy of it was faster, and counts"));
    }
    Ok(())
}

/// Whether a part is there in full, as far as sizes and checksums tell.
fn is_whole(part: &Path, phase: Phase) -> bool {
    match phase {
        Phase::Deal => index::is_whole(&part.join(dealt::INDEX)),
        Phase::Surface => surfaces::is_whole(part),
        Phase::Work => Journals::of_parts(&[part.join(JOURNAL)]).is_ok(),
    }
}

/// All points, which tile is whose, and the tiles of the part.
struct Units {
    partitions: Partitions,
    divided: Vec<(TileKey, u32)>,
    own: Vec<TileKey>,
}

/// A part at work.
struct Doing<'a> {
    job: &'a Job,
    agreed: &'a Agreed,
    folder: &'a PartsFolder,
    own: &'a Path,
    part: PartOf,
}

impl Doing<'_> {
    /// Bytes that a unit of work may take here: what is agreed, or all that there is, if that is less.
    fn unit_bytes(&self) -> u64 {
        let Resources { memory, .. } = self.job.resources;
        self.agreed.unit_bytes.min((memory as f64 * SHARE) as u64)
    }

    /// Workers: while tiles are worked on, as many as the memory holds units for.
    fn workers(&self, phase: Phase) -> usize {
        let Resources { threads, memory } = self.job.resources;
        match phase {
            Phase::Deal | Phase::Surface => threads,
            Phase::Work => {
                ((memory as f64 * SHARE) as u64 / self.unit_bytes()).clamp(1, threads as u64) as usize
            }
        }
    }

    fn deal(&self, clock: &mut Clock<'_>) -> Result<(), EngineError> {
        let needed = Forecast::of(self.job).disk / u64::from(self.part.of);
        if let Some(free) = free_bytes(self.own).filter(|free| *free < needed) {
            return Err(EngineError::Room { path: self.folder.work().to_path_buf(), needed, free });
        }
        let inputs = inputs_of(self.job);
        let share = Share::of(self.part, self.job);
        let (partitions, sha256) = read_share(self.job, &share, self.own, clock)?;
        check_unchanged(&inputs)?;
        write_hashes(self.own, &sha256)?;
        index::write(&partitions, &self.own.join(dealt::INDEX))
    }

    fn units(&self) -> Result<Units, EngineError> {
        let Dealt { partitions, .. } = Dealt::read(self.job, self.agreed, self.folder)?;
        let divided = division(&partitions, self.part.of);
        let own = divided.iter().filter(|(_, part)| *part == self.part.number).map(|(key, _)| *key);
        let own = own.collect();
        Ok(Units { partitions, divided, own })
    }

    fn surface(&self, clock: &mut Clock<'_>) -> Result<(), EngineError> {
        let Units { partitions, own, .. } = self.units()?;
        let wanted = |key: TileKey| own.binary_search(&key).is_ok();
        let made = make_surfaces(&partitions, &self.job.chain, &wanted, self.own, clock.watch())?;
        clock.step("make surfaces")?;
        write_index(&made, self.own)
    }

    fn work(&self, clock: &mut Clock<'_>) -> Result<(), EngineError> {
        let Units { partitions, divided, own } = self.units()?;
        clock.step("read what was dealt out")?;
        clock.watch().info(&format!("{} of {} tiles", own.len(), divided.len()));
        let (chain, watch) = (&self.job.chain, clock.watch());
        let places = (self.folder, self.agreed, self.own);
        let surfaces = surfaces_for(&own, &divided, &partitions, chain, places, watch)?;
        clock.step("make surfaces")?;
        let journals = Journals::open(&[self.own.join(JOURNAL)])?;
        let unit = self.unit_bytes();
        let allowance = Allowance { whole: unit, worker: unit };
        let work =
            Work { partitions: &partitions, surfaces: &surfaces, chain, allowance, journals: &journals };
        run_tiles(&work, own, watch)?;
        for surfaces in surfaces.values() {
            let path = surfaces.own().path();
            std::fs::remove_file(path).map_err(EngineError::disk(path, "clearing the working folder"))?;
        }
        Ok(clock.step("work on tiles")?)
    }
}
