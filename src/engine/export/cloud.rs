//! The classified cloud: a LAZ file for each file of the survey.

use std::collections::HashSet;
use std::path::Path;

use crate::cloud::CloudError;
use crate::engine::export::Found;
use crate::engine::export::blocks::CopyJob;
use crate::engine::export::classify::{Classified, Classifier};
use crate::engine::export::kept::KeptOfTiles;
use crate::engine::plan::copies::Copied;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::products::staging::Products;
use crate::stages::export::Export;
use crate::stages::stage::WhileReading;
use crate::tile::points::Cloud;

/// The folder of the classified cloud in the run folder.
const FOLDER: &str = "cloud";

/// Shares of the memory allowed that what is kept of tiles and the workers may take.
const OF_KEPT: f64 = 0.25;
const OF_WORKERS: f64 = 0.35;

/// Bytes of memory of a point between decoding and encoding, beside its records.
const POINT_IN_HAND: u64 = 100;

/// Writes the classified cloud.
///
/// # Errors
/// Where a file of the survey cannot be read, the disk does not take the cloud, or the run is asked to stop.
pub fn write_cloud(
    job: &Job,
    options: &Export,
    found: &Found<'_>,
    products: &Products,
    watch: &Watch,
) -> Result<(), EngineError> {
    let Found { partitions, yields, summary, fit, .. } = *found;
    let read = &partitions.survey.counts;
    if read.lost > 0 {
        let note = format!(
            "no classified cloud is written: {} points of damaged blocks of the survey were skipped",
            read.lost
        );
        watch.warn(&note);
        products.note(note);
        return Ok(());
    }
    let memory = job.resources.memory as f64;
    let kept = KeptOfTiles::new(yields, (memory * OF_KEPT) as usize);
    let selects: Vec<&WhileReading> =
        job.chain.while_reading.iter().filter(|one| one.cloud == Cloud::Survey).collect();
    let classifier = Classifier { selects: &selects, kept: &kept, tiling: partitions.tiling, fit };
    let files = Copied::all(&job.survey, options);
    let points = files.iter().map(|copied| copied.file.points).fold(0, u64::saturating_add);
    let progress = Progress::start(watch, "writing the classified cloud", "points", points);
    let origin = serde_json::to_string(products.origin()).expect("plain data");
    let (mut all, mut whole) = (Classified::default(), true);
    for (copied, name) in files.iter().zip(names(&files)) {
        let plan = copied.plan(&origin)?;
        let most = plan.bytes_in_hand() + plan.most_points() * POINT_IN_HAND;
        let workers = (memory * OF_WORKERS / most as f64) as usize;
        let copy = CopyJob {
            source: &job.survey.sources[copied.place],
            plan: &plan,
            units: job.survey.units[copied.place],
            placing: job.survey.placing[copied.place],
            fields: job.chain.fields_read(),
            classifier: &classifier,
            added: &copied.added,
            workers: workers.clamp(1, job.resources.threads),
        };
        let target = products.place(&name)?;
        match copy.write(&target, watch, &progress) {
            Ok(found) => all.merge(&found),
            // What the run looked at of the block was whole: colours or extra bytes are not.
            Err(EngineError::Cloud(error @ CloudError::Block { .. })) => {
                std::fs::remove_file(&target)
                    .map_err(EngineError::disk(&target, "removing an unfinished file"))?;
                let note = format!("{name} is not written: {}", error.damage().unwrap_or_default());
                watch.warn(&note);
                products.note(note);
                whole = false;
                continue;
            }
            Err(error) => return Err(error),
        }
        products.add(&name, "export")?;
    }
    let places: Vec<usize> = read.select.keys().copied().collect();
    // Where one is not written, its points are in no count.
    if let Some(message) = all.differs(&summary.survey, &places).filter(|_| whole) {
        return Err(EngineError::Internal { doing: "writing the classified cloud".into(), message });
    }
    Ok(())
}

/// Names of the copies in the run folder: those of the files, whatever their ending; files of one name in several folders are
/// told apart by numbers.
fn names(files: &[Copied<'_>]) -> Vec<String> {
    let mut taken = HashSet::new();
    let mut name = |copied: &Copied<'_>| {
        let stem = stem(copied.file.location.path());
        let of = |number: u32| match number {
            1 => format!("{FOLDER}/{stem}.laz"),
            _ => format!("{FOLDER}/{stem}-{number}.laz"),
        };
        // Some file systems do not tell capital letters from small ones.
        (1..).map(of).find(|name| taken.insert(name.to_lowercase())).expect("some number is free")
    };
    files.iter().map(&mut name).collect()
}

/// The name of a file without its folders and endings.
fn stem(path: &Path) -> String {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let lower = name.to_lowercase();
    let ending = [".copc.laz", ".laz", ".las"].into_iter().find(|ending| lower.ends_with(ending));
    name[..name.len() - ending.map_or(0, str::len)].to_string()
}
