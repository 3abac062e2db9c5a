//! The checkpoints of a list of surveyed points: what each is worth, and how well it is sited.

use crate::cloud::point_list::{PointList, SurveyedPoint};
use crate::pipeline::model::Exclude;
use crate::results::checkpoints::{CheckpointRow, NearestControl, NotUsed, OfReturn, UpTo};
use crate::results::format::{decimal, distance, length, percent};
use crate::stages::compared::Compared;
use crate::stages::triangulated::{AtPoint, Outcome, Unusable};
use crate::terrain::by_returns::{Errors, TerrainFigures, TerrainRow};
use crate::tile::strata::{Cover, Strata};
use crate::units::{Micrometres, Unit};

/// Steepest ground for a checkpoint, degrees. Source: USGS Lidar Base Specification 2025, "Checkpoints".
const STEEPEST_DEGREES: f64 = 10.0;

/// The ground around a checkpoint departs from a plane by no more, micrometres: beyond, there is a break. Common practice, no
/// source; the standards ask for 3 m to the next abrupt change of height.
const MOST_DEPARTURE: Micrometres = 150_000;

/// A checkpoint nearer in plan to control of the fit is flagged. The standards ask for checkpoints away from control used in processing
/// and name no distance; common practice, no source.
const NEAR_CONTROL: Micrometres = 10_000_000;

/// The points of a list that are used, those over which the ground of all returns has an elevation, with what was found there and
/// that elevation.
pub fn used<'a>(
    list: &'a PointList,
    found: &'a [Option<AtPoint>],
) -> impl Iterator<Item = (&'a SurveyedPoint, &'a AtPoint, Micrometres)> {
    let used = |(point, at): (&'a SurveyedPoint, &'a Option<AtPoint>)| {
        let at = at.as_ref()?;
        Some((point, at, at.all.elevation()?))
    };
    list.points.iter().zip(found).filter_map(used)
}

/// The comparisons at the surveyed points that are used: those of all returns together have return number 0, and those
/// of each return alone its number.
pub fn comparisons(list: &PointList, found: &[Option<AtPoint>]) -> Vec<Compared> {
    let mut all = Vec::new();
    for (point, at, z) in used(list, found) {
        let alone = at.alone.iter().filter_map(|(number, outcome)| Some((*number, outcome.elevation()?)));
        all.extend([(0, z)].into_iter().chain(alone).map(|(return_number, z)| Compared {
            x: point.x,
            y: point.y,
            dz: z - point.z,
            headroom: None,
            gradient: None,
            local_gradient: None,
            strata: Strata { return_number, ..at.strata },
        }));
    }
    all.sort_unstable();
    all
}

/// Root mean square of the sigmas of the points used, micrometres: that of the list where it gives one, otherwise `stated`.
pub fn uncertainty(list: &PointList, found: &[Option<AtPoint>], stated: Option<f64>) -> Option<f64> {
    let sigmas: Option<Vec<f64>> = used(list, found).map(|(point, ..)| point.sigma_or(stated)).collect();
    let sigmas = sigmas.filter(|sigmas| !sigmas.is_empty())?;
    Some((sigmas.iter().map(|sigma| sigma * sigma).sum::<f64>() / sigmas.len() as f64).sqrt())
}

/// Puts what the triangulations of returns 1 to k miss the surveyed points by into the rows of the terrain, in micrometres: at
/// the points over which each has a facet, and at those over which all have.
pub fn test_terrain(
    rows: &mut [TerrainRow],
    list: &PointList,
    found: &[Option<AtPoint>],
    offset: Option<f64>,
) {
    let points: Vec<_> = used(list, found).collect();
    let ks: Vec<u8> = rows.iter().map(|row| row.returns_up_to).collect();
    for row in rows {
        let mut errors = Errors::default();
        for (point, at, _) in &points {
            let Some(z) = at.up_to(row.returns_up_to) else {
                errors.uncovered += 1;
                continue;
            };
            errors.covered.add(z - point.z);
            if ks.iter().all(|k| at.up_to(*k).is_some()) {
                errors.common.add(z - point.z);
            }
        }
        row.terrain = TerrainFigures::new(&errors, offset);
        (row.weighted, row.rmse_points) = (None, None);
    }
}

/// What a fit of the survey does at a checkpoint.
pub struct FittedPoint {
    /// What is added there.
    pub added: Micrometres,
    /// The control nearest to it, and how far that lies off in plan, micrometres.
    pub nearest: Option<(String, f64)>,
}

/// What the rows of the points of a list are made with.
pub struct Listing<'a> {
    /// The sigma of the points without one of their own, micrometres.
    pub stated: Option<f64>,
    /// The areas left out.
    pub areas: &'a [Exclude],
    /// Where the survey is fitted: what that does at each point.
    pub fitted: Option<Vec<FittedPoint>>,
    /// Unit of easting and northing.
    pub horizontal: Unit,
    /// Unit of the report.
    pub units: Unit,
}

/// A row for each point of the list, in its order. What was found has the fit of the survey added.
pub fn rows(list: &PointList, found: &[Option<AtPoint>], listing: &Listing<'_>) -> Vec<CheckpointRow> {
    let Listing { stated, areas, horizontal, units, .. } = *listing;
    let from = |um: Micrometres| units.from_micrometres(um as f64);
    let row = |(number, (point, at)): (usize, (&SurveyedPoint, &Option<AtPoint>))| {
        let at = at.as_ref();
        let z = at.and_then(|at| at.all.elevation());
        let not_used = z.is_none().then(|| why_not_used(at, areas, units));
        let up_to = |&(returns_up_to, outcome): &(u8, Outcome)| {
            Some(UpTo { returns_up_to, dz: from(outcome.elevation()? - point.z) })
        };
        let of_return = |&(return_number, outcome): &(u8, Outcome)| {
            Some(OfReturn { return_number, dz: from(outcome.elevation()? - point.z) })
        };
        let fitted = listing.fitted.as_ref().map(|all| &all[number]);
        let added = fitted.map_or(0, |one| one.added);
        let nearest = fitted.and_then(|one| one.nearest.as_ref());
        let mut siting = at.map(|at| siting(at, units)).unwrap_or_default();
        siting.extend(nearest.filter(|(_, um)| *um < NEAR_CONTROL as f64).map(|(name, um)| {
            let away = distance(horizontal.from_micrometres(*um), horizontal);
            format!("control nearby: {name} of the fit is {away} away")
        }));
        CheckpointRow {
            name: point.name.clone(),
            easting: horizontal.from_micrometres(point.x as f64),
            northing: horizontal.from_micrometres(point.y as f64),
            elevation: from(point.z),
            survey_elevation: z.map(|z| from(z - added)),
            fit: fitted.map(|one| from(one.added)),
            dz: z.map(|z| from(z - point.z)),
            sigma: point.sigma_or(stated).map(|um| units.from_micrometres(um)),
            used: z.is_some(),
            reason: not_used.as_ref().map(|(_, words)| words.clone()),
            not_used: not_used.map(|(kind, _)| kind),
            cover: at.and_then(|at| at.strata.cover).map(Cover::word),
            slope: at.and_then(|at| at.slope),
            nearest_control: nearest.map(|(name, um)| NearestControl {
                name: name.clone(),
                distance: horizontal.from_micrometres(*um),
            }),
            siting,
            returns: at.map(|at| at.alone.iter().filter_map(of_return).collect()).unwrap_or_default(),
            terrain_by_returns: at.map(|at| at.up_to.iter().filter_map(up_to).collect()).unwrap_or_default(),
        }
    };
    list.points.iter().zip(found).enumerate().map(row).collect()
}

/// Why a point over which the ground of all returns has no elevation is not used: what kind of reason, and in words.
pub fn why_not_used(at: Option<&AtPoint>, areas: &[Exclude], units: Unit) -> (NotUsed, String) {
    let (kind, figures) = match at.map(|at| at.all) {
        Some(Outcome::Unusable(why)) => not_used(why, areas, units),
        _ => (NotUsed::Outside, None),
    };
    let words = match figures {
        Some(figures) => format!("{}: {figures}", kind.words()),
        None => kind.words().to_string(),
    };
    (kind, words)
}

/// Why a point is not used, and figures or words for it.
fn not_used(why: Unusable, areas: &[Exclude], units: Unit) -> (NotUsed, Option<String>) {
    let long = |um: f64| distance(units.from_micrometres(um), units);
    match why {
        Unusable::NoGround => (NotUsed::NoGround, None),
        Unusable::NotSurrounded => (NotUsed::NotSurrounded, None),
        Unusable::TooLong(edge) => {
            (NotUsed::TooSparse, Some(format!("the triangle over it measures {}", long(edge))))
        }
        Unusable::TooSteep(slope) => {
            (NotUsed::TooSteep, Some(format!("the triangle over it has a slope of {} %", percent(slope))))
        }
        Unusable::LeftOut(area) => {
            (NotUsed::LeftOut, Some(areas.get(area).map_or("", |area| area.why.trim()).to_string()))
        }
        Unusable::Uneven => (NotUsed::Uneven, None),
    }
}

/// What the standards' rules on siting have against a point.
fn siting(at: &AtPoint, units: Unit) -> Vec<String> {
    let steepest = libm::tan(STEEPEST_DEGREES.to_radians());
    let steep = at.slope.filter(|slope| *slope > steepest).map(|slope| {
        format!("slope {} %, {} degrees", percent(slope), decimal(libm::atan(slope).to_degrees(), 0))
    });
    let broken = at.departure.filter(|departure| *departure > MOST_DEPARTURE).map(|departure| {
        let departure = length(units.from_micrometres(departure as f64), units);
        format!("break nearby: ground within 3 m departs {departure} from a plane")
    });
    let covered = at.strata.cover.filter(|cover| *cover != Cover::Open).map(|cover| match cover {
        Cover::Canopy => "under canopy: counts for VVA".to_string(),
        _ => "under vegetation: counts for VVA".to_string(),
    });
    [steep, broken, covered].into_iter().flatten().collect()
}
