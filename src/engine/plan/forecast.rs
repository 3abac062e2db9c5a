//! What a run is expected to take, from the headers alone: tiles, memory, disk and time. Measured on sites of 2 to 56 million
//! points, 10 to 5,000 of them a square metre (bench/README.md): each within a factor of 1.5 there.

use std::collections::{HashMap, HashSet};
use std::f64::consts::PI;

use crate::cloud::Source;
use crate::cloud::point::Point;
use crate::engine::plan::budget::{Density, FileBox, SHARE, cell_bytes};
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::job::Job;
use crate::stages::compare::Compare;
use crate::stages::filters_found::RECORD;
use crate::stages::list::{Stage, draw_of, export_of};
use crate::stages::search::Search;
use crate::stages::stage::{ExpectedSurvey, SurfaceKey, SurfaceNeed};
use crate::stages::summarise::Summarise;
use crate::tile::points::{Cloud, PointStatus};
use crate::units::{Micrometres, Unit};

/// Tiles that boxes are laid over at the most.
const MOST_TILES: f64 = 2e6;

/// Bytes of memory that a run takes beside its tiles: the program, buffers of readers, what the study looks at together.
const BASE: f64 = 28e6;

/// Bytes of memory of a survey point that is held.
const POINT: f64 = (size_of::<Point>() + size_of::<PointStatus>()) as f64;
/// Share of what the stages ask for at a point that is there at once: the fullest tiles of two workers seldom meet.
const AT_ONCE: f64 = 0.7;
/// Share of the mean density of the reference that most points of the survey see: those of a scan crowd at its foot.
const SEEN_OF_MEAN: f64 = 0.25;

/// Bytes of a point on disk: in whole millimetres, and in fractions of a foot.
const BYTES_METRE: f64 = 8.0;
const BYTES_FOOT: f64 = 11.0;

/// Bytes on disk of a cell of the ground surface, of a comparison, and of terrain cells for each square metre of reference.
const SURFACE_CELL: f64 = 5.0;
const COMPARISON: f64 = 23.0;
const TERRAIN_M2: f64 = 140.0;

/// Share of the survey's points that are ground, about.
const GROUND: f64 = 0.75;

/// Seconds of one worker for a point of the survey, the study included, and for one of the reference.
const SURVEY_SECONDS: f64 = 0.36e-6;
const REFERENCE_SECONDS: f64 = 0.13e-6;

/// Seconds of one worker for a point of the survey that is written again with its class.
const EXPORT_SECONDS: f64 = 0.46e-6;

/// What each setting of the ground filter that is compared adds to the time of a run: on the demo, 70 % for seven (0.53 s of processor
/// time without, 0.89 s with).
const SETTING: f64 = 0.1;

/// Shares of it that reading, the work on tiles with their surfaces, and the end take, about (bench/README.md); what is written
/// again is written at the end.
const DEAL_SHARE: f64 = 0.62;
const WORK_SHARE: f64 = 0.30;
const FINISH_SHARE: f64 = 0.08;

/// What the phases of a run are expected to take, seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseSeconds {
    /// Reading the clouds.
    pub deal: f64,
    /// Work on tiles.
    pub work: f64,
    /// Conclusions and what is written.
    pub finish: f64,
}

/// What a run is expected to take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Tiles that the boxes of the files touch with their margins: those that the run works on, where points fill their box.
    pub tiles: u64,
    /// Peak memory, bytes.
    pub memory: u64,
    /// Bytes of disk while the run works.
    pub disk: u64,
    /// Wall time, seconds; machines differ.
    pub seconds: f64,
    /// The same by phase: the first two can be done in parts.
    pub phases: PhaseSeconds,
}

impl Forecast {
    /// That of a job.
    pub fn of(job: &Job) -> Self {
        let phases = phases(job);
        let PhaseSeconds { deal, work, finish } = phases;
        Forecast {
            tiles: tiles(job),
            memory: memory(job),
            disk: disk(job),
            seconds: deal + work + finish,
            phases,
        }
    }
}

fn phases(job: &Job) -> PhaseSeconds {
    let points = |cloud: Option<&CloudJob>| cloud.map_or(0.0, |cloud| cloud.density.points as f64);
    let survey = points(Some(&job.survey));
    let all = survey * SURVEY_SECONDS + points(job.reference.as_ref()) * REFERENCE_SECONDS;
    let export = export_of(&job.pipeline.stages).filter(|export| export.cloud);
    let export = export.map_or(0.0, |_| survey * EXPORT_SECONDS);
    let each = (1.0 + SETTING * job.chain.filters.len() as f64) / job.resources.threads as f64;
    PhaseSeconds {
        deal: all * DEAL_SHARE * each,
        work: all * WORK_SHARE * each,
        finish: (all * FINISH_SHARE + export) * each,
    }
}

/// Both clouds with the margin in which their points must be seen, metres.
fn clouds(job: &Job) -> impl Iterator<Item = (&Density, Unit, f64)> {
    let halo = job.chain.halo();
    let all = [(Cloud::Survey, Some(&job.survey)), (Cloud::Reference, job.reference.as_ref())];
    all.into_iter().filter_map(move |(cloud, from)| {
        let from = from?;
        Some((&from.density, from.units[0].0, metres(halo.of(cloud))))
    })
}

fn metres(um: Micrometres) -> f64 {
    um as f64 / 1e6
}

fn area(file: &FileBox) -> f64 {
    ((file.x.1 - file.x.0) * (file.y.1 - file.y.0)).max(1.0)
}

/// Square metres that a cloud covers: its boxes, which overlap where strips do, or where they are not stated, what its
/// density says.
fn covered(density: &Density) -> f64 {
    let both = |a: (f64, f64), b: (f64, f64)| (a.0.min(b.0), a.1.max(b.1));
    let all =
        density.boxes.iter().map(|file| (file.x, file.y)).reduce(|a, b| (both(a.0, b.0), both(a.1, b.1)));
    let sum: f64 = density.boxes.iter().map(area).sum();
    match all {
        Some((x, y)) => sum.min((x.1 - x.0) * (y.1 - y.0)).max(1.0),
        None => (density.points as f64 / density.per_m2.max(1e-9)).max(1.0),
    }
}

fn tiles(job: &Job) -> u64 {
    let edge = metres(job.tiling.edge);
    let mut touched = HashSet::new();
    for (density, _, halo) in clouds(job) {
        for file in &density.boxes {
            let range = |(low, high): (f64, f64)| {
                ((low - halo) / edge).floor() as i64..=((high + halo) / edge).floor() as i64
            };
            let (columns, rows) = (range(file.x), range(file.y));
            let count =
                |range: &std::ops::RangeInclusive<i64>| *range.end() as f64 - *range.start() as f64 + 1.0;
            if touched.len() as f64 + count(&columns) * count(&rows) > MOST_TILES {
                break;
            }
            touched.extend(rows.flat_map(|row| columns.clone().map(move |column| (row, column))));
        }
    }
    if touched.is_empty() {
        return (covered(&job.survey.density) / (edge * edge)).ceil().max(1.0) as u64;
    }
    touched.len() as u64
}

fn memory(job: &Job) -> u64 {
    let (edge, halo) = (metres(job.tiling.edge), metres(job.chain.halo().survey));
    let density = &job.survey.density;
    let tile = (edge + 2.0 * halo).powi(2);
    let points = (density.points as f64 / covered(density) * tile).min(density.points as f64);
    let (mut near, mut reference_per_m2) = (0.0, 0.0);
    if let Some(reference) = job.reference.as_ref().map(|cloud| &cloud.density) {
        let scanned = covered(reference);
        let widest = reference.boxes.iter().map(area).fold(0.0, f64::max);
        // Of the tile that holds most.
        near = (scanned / covered(density)).max(widest / tile).min(1.0);
        reference_per_m2 = reference.points as f64 / scanned;
    }
    let by_cell = job.pipeline.stages.iter().find_map(Stage::as_summarise).is_some_and(Summarise::is_by_cell);
    let held = if by_cell { 1.0 } else { near };
    let given: f64 = job.chain.tiles.iter().map(|stage| stage.bytes_given()).sum();
    let seen = SEEN_OF_MEAN * reference_per_m2;
    let asked: f64 = job.chain.tiles.iter().map(|stage| stage.bytes_per_point(seen)).sum();
    let point = held * POINT + given + near * AT_ONCE * asked;
    let threads = job.resources.threads as f64;
    // All workers together hold no more than there is.
    let at_work = (points * threads).min(density.points as f64) * point
        + threads * cell_bytes(job.tiling.edge, &job.chain);
    (BASE + at_work.min(job.resources.memory as f64 * SHARE)) as u64
}

fn disk(job: &Job) -> u64 {
    let edge = metres(job.tiling.edge);
    let points: f64 = clouds(job)
        .map(|(density, unit, halo)| {
            let bytes = if unit == Unit::Metre { BYTES_METRE } else { BYTES_FOOT };
            density.points as f64 * bytes * (1.0 + 2.0 * halo / edge).powi(2)
        })
        .sum();
    // Stages that want the same share it.
    let needs: HashMap<SurfaceKey, SurfaceNeed> =
        job.chain.surfaces().map(|need| (need.key(), need)).collect();
    let surfaces: f64 = needs
        .values()
        .filter_map(|need| {
            let cloud = if need.cloud == Cloud::Survey { Some(&job.survey) } else { job.reference.as_ref() };
            Some(covered(&cloud?.density) / (need.cell / 1e6).powi(2) * SURFACE_CELL)
        })
        .sum();
    let survey = &job.survey.density;
    let drawn = draw_of(&job.pipeline.stages).disk_bytes(survey.points, covered(survey));
    let expected = ExpectedSurvey {
        points: survey.points,
        area_m2: covered(survey),
        file_bytes: file_bytes(&job.survey.sources),
    };
    let of_stages = job.pipeline.stages.iter().map(|stage| stage.options().disk_bytes(&expected));
    (points + surfaces + comparisons(job)) as u64 + drawn + of_stages.sum::<u64>()
}

/// Bytes of the files of sources, each file once.
fn file_bytes(sources: &[Source]) -> u64 {
    sources.chunk_by(|a, b| a.path() == b.path()).map(|of_file| of_file[0].size()).sum()
}

/// Bytes of comparisons and terrain cells.
fn comparisons(job: &Job) -> f64 {
    let compare = job.pipeline.stages.iter().find_map(Stage::as_compare);
    let (Some(compare), Some(reference)) = (compare, &job.reference) else { return 0.0 };
    let (survey, reference) = (&job.survey.density, &reference.density);
    let scanned = covered(reference).min(covered(survey));
    let matched = share_matched(compare, reference.points as f64 / covered(reference));
    let survey = survey.points as f64 / covered(survey) * scanned;
    // Settings of the ground filter that are compared have comparisons of their own.
    let bytes = COMPARISON + job.chain.filters.len() as f64 * RECORD as f64;
    survey * GROUND * matched * bytes + scanned * TERRAIN_M2
}

/// Share of the survey's ground points that find the reference within reach, were its points strewn at random.
fn share_matched(compare: &Compare, per_m2: f64) -> f64 {
    match compare.search() {
        Search::Nearest(reach) | Search::Either(reach, _) => {
            1.0 - (-per_m2 * PI * (reach as f64 / 1e6).powi(2)).exp()
        }
        Search::Plane(_) | Search::Ladder(_) | Search::Triangles(_) => 1.0,
    }
}
