//! Profiles: the points of both clouds in a few narrow bands, read back from where they wait on disk.
//!
//! Where they lie is known only once all comparisons are. Only the tiles that a band touches are read again, and what was found is kept
//! beside them: a run that is resumed may find the points given back to the disk.

use std::collections::{BTreeMap, BinaryHeap};
use std::fs;

use rayon::prelude::*;

use crate::cloud::bounds::Range;
use crate::cloud::point::Point;
use crate::engine::partition::clouds::{Partition, Partitions};
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::run_folder::RunFolder;
use crate::fit::VerticalFit;
use crate::results::pictures::{Echo, Profile, ResidualMap};
use crate::stages::kept_limits::{KeptLimits, LimitsIndex, beside_reference};
use crate::stages::list::is_delivered;
use crate::tile::at_work::holds;
use crate::tile::points::{Cloud, PointStatus};
use crate::tile::tiling::TileKey;
use crate::tile::yields::Yields;
use crate::trust::profile_places::{ProfilePlace, profile_places};
use crate::units::Micrometres;

/// Length of a band from west to east, and the widths that are tried, the narrowest first.
const LONG: Micrometres = 20_000_000;
const WIDTHS: [Micrometres; 3] = [500_000, 1_000_000, 2_000_000];
/// With so many points of the survey a band is wide enough.
const ENOUGH: u64 = 150;
/// Points of a kind in a profile at the most: more run into each other on a page.
const MOST: usize = 400;

/// The kinds of points: ground of the survey, its other points, the reference.
const KINDS: usize = 3;
const GROUND: usize = 0;
const OTHER: usize = 1;
const REFERENCE: usize = 2;

/// The points of one kind in a band: how many there are in it, and those with the smallest hashes.
#[derive(Clone, Default)]
struct InBand {
    count: u64,
    drawn: BinaryHeap<(u64, Point)>,
}

impl InBand {
    fn add(&mut self, hash: u64, point: Point) {
        self.drawn.push((hash, point));
        if self.drawn.len() > MOST {
            self.drawn.pop();
        }
    }

    fn merge(&mut self, other: InBand) {
        self.count += other.count;
        other.drawn.into_iter().for_each(|(hash, point)| self.add(hash, point));
    }
}

/// What is found of a place, by width and kind.
type Found = [[InBand; KINDS]; WIDTHS.len()];

/// The profiles of a run; none without a scanned reference.
///
/// # Errors
/// Where the disk does not give the points back.
pub fn profiles(
    job: &Job,
    partitions: &Partitions,
    yields: &dyn Yields,
    folder: &RunFolder,
    map: Option<&ResidualMap>,
    fit: Option<&VerticalFit>,
) -> Result<Vec<Profile>, EngineError> {
    let (Some(map), Some(reference)) = (map, &partitions.reference) else { return Ok(Vec::new()) };
    let path = folder.spill().join("profiles.json");
    let kept = fs::read(&path).ok().and_then(|bytes| serde_json::from_slice::<Vec<Profile>>(&bytes).ok());
    if let Some(kept) = kept {
        return Ok(kept);
    }
    // Nothing is known of the ground farther from the reference.
    let Some(known) = beside_reference(partitions) else { return Ok(Vec::new()) };
    let places = profile_places(map, LONG);
    let mut keys: BTreeMap<TileKey, Vec<usize>> = BTreeMap::new();
    for (i, place) in places.iter().enumerate() {
        let (x, y) = band(place, WIDTHS[WIDTHS.len() - 1]);
        partitions.tiling.touching(x, y).for_each(|key| keys.entry(key).or_default().push(i));
    }
    let limits = LimitsIndex::of(yields);
    let delivered = is_delivered(&job.pipeline.stages, Cloud::Survey);
    let read = |(key, of_places): (&TileKey, &Vec<usize>)| -> Result<Vec<(usize, Found)>, EngineError> {
        let limits = KeptLimits::of(yields, &limits, *key)?;
        let is_ground = |point: &Point| match (&limits, delivered) {
            (_, true) => point.is_ground_class(),
            (Some(limits), false) => limits.judge(point.x, point.y, point.z).0 == PointStatus::Ground,
            (None, false) => false,
        };
        let widest = |i: &usize| band(&places[*i], WIDTHS[WIDTHS.len() - 1]);
        let mut found: Vec<_> = of_places.iter().map(|i| (*i, widest(i), Found::default())).collect();
        let mut take = |cloud: Cloud, partition: &Partition| {
            let kind = |point: &Point| match cloud {
                Cloud::Reference => REFERENCE,
                Cloud::Survey if is_ground(point) => GROUND,
                Cloud::Survey => OTHER,
            };
            let bands: Vec<_> = found.iter().map(|(_, widest, _)| *widest).collect();
            let in_band = |x, y| {
                let at = Point { x, y, ..Point::default() };
                bands.iter().any(|band| holds(*band, &at))
            };
            partition.for_each_piece(*key, &mut Vec::new(), |piece| {
                piece.core.for_each_at(in_band, |point| {
                    for (i, widest, found) in &mut found {
                        if holds(*widest, &point) && holds(known, &point) && !point.is_noise() {
                            add(&places[*i], point, job.pipeline.seed, kind(&point), found);
                        }
                    }
                });
            })
        };
        take(Cloud::Survey, &partitions.survey)?;
        take(Cloud::Reference, reference)?;
        Ok(found.into_iter().map(|(i, _, found)| (i, found)).collect())
    };
    let keys: Vec<(TileKey, Vec<usize>)> = keys.into_iter().collect();
    let all = keys.par_iter().with_max_len(1).map(|(key, of)| read((key, of)));
    let mut found = vec![Found::default(); places.len()];
    for part in all.collect::<Result<Vec<_>, _>>()? {
        for (i, widths) in part {
            for (all, one) in found[i].iter_mut().flatten().zip(widths.into_iter().flatten()) {
                all.merge(one);
            }
        }
    }
    let profiles: Vec<Profile> =
        places.iter().zip(found).filter_map(|(place, found)| profile(place, found, fit)).collect();
    let text = serde_json::to_vec(&profiles).expect("plain data");
    // Whole or not at all, so that what is found by a run that continues this one can be relied on.
    let new = folder.spill().join("profiles.new");
    let failed = || EngineError::disk(path.clone(), "writing working data");
    fs::write(&new, text).map_err(failed())?;
    fs::rename(&new, &path).map_err(failed())?;
    Ok(profiles)
}

/// The ground of a band, ranges of x and y.
fn band(place: &ProfilePlace, width: Micrometres) -> (Range, Range) {
    let around = |at: Micrometres, size: Micrometres| (at - size / 2, at + size / 2);
    (around(place.middle.0, LONG), around(place.middle.1, width))
}

/// Adds a point in the widest band of a place to all bands that it lies in.
fn add(place: &ProfilePlace, point: Point, seed: u64, kind: usize, found: &mut Found) {
    let hash = point.seeded_hash(seed);
    for (width, found) in WIDTHS.iter().zip(found) {
        if holds(band(place, *width), &point) {
            found[kind].count += 1;
            found[kind].add(hash, point);
        }
    }
}

fn profile(place: &ProfilePlace, found: Found, fit: Option<&VerticalFit>) -> Option<Profile> {
    let ground = |kinds: &[InBand; KINDS]| kinds[GROUND].count;
    let at = found.iter().position(|kinds| ground(kinds) >= ENOUGH).unwrap_or(WIDTHS.len() - 1);
    let kinds = found.into_iter().nth(at)?;
    if ground(&kinds) == 0 || kinds[REFERENCE].count == 0 {
        return None;
    }
    let [survey_ground, survey_other, reference] = kinds.each_ref().map(|kind| kind.count);
    let west = place.middle.0 - LONG / 2;
    let mut echoes = Vec::new();
    for (kind, is_ground) in [(GROUND, true), (OTHER, false)] {
        echoes.extend(kinds[kind].drawn.iter().map(|(_, point)| Echo {
            return_number: point.valid_return().unwrap_or(0),
            is_ground,
            along: point.x - west,
            z: point.z + fit.map_or(0, |fit| fit.added(point.x, point.y)),
        }));
    }
    echoes.sort();
    let mut points: Vec<_> =
        kinds[REFERENCE].drawn.iter().map(|(_, point)| (point.x - west, point.z)).collect();
    points.sort_unstable();
    Some(Profile {
        is_worst: place.is_worst,
        square: (place.compared.0, place.compared.1, place.edge),
        middle: place.middle,
        size: (LONG, WIDTHS[at]),
        survey: (survey_ground, survey_other),
        reference,
        echoes,
        reference_points: points,
    })
}
