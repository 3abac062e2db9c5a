//! Whether survey and reference can be compared at all, as far as paths and headers show it.

use std::collections::HashSet;
use std::path::PathBuf;

use crate::cloud::Source;
use crate::cloud::files::itself;
use crate::engine::plan::cloud_job::{CloudJob, MetreBox, apart};
use crate::pipeline::Pipeline;
use crate::stages::apart::select_apart;
use crate::stages::list::Stage;
use crate::trust::plausible::{self, Elevations};
use crate::units::Unit;

/// A problem with the files of the reference: what it is, and the remedy.
pub type Found = (String, String);

/// What keeps the two clouds from being compared. With `ignore_bounds` the boxes of the headers are not believed.
pub fn check(
    survey: &CloudJob,
    reference: &CloudJob,
    pipeline: &Pipeline,
    ignore_bounds: bool,
) -> Option<Found> {
    if let Some(found) = same_files(survey, reference, pipeline) {
        return Some(found);
    }
    let compare = pipeline.stages.iter().find_map(Stage::as_compare).filter(|_| !ignore_bounds)?;
    let reach = compare.search().reach() as f64 / 1e6;
    let local = reference.sources.iter().find_map(Source::without_pose);
    apart_in_plan(&survey.boxes()?, &reference.boxes()?, reach, local.as_deref())
        .or_else(|| apart_in_elevation(&survey.boxes()?, &reference.boxes()?, reach))
}

/// A file that is in both clouds, unless they select different points of it.
fn same_files(survey: &CloudJob, reference: &CloudJob, pipeline: &Pipeline) -> Option<Found> {
    let whole = |source: &Source| itself(source.path());
    let known: HashSet<PathBuf> = survey.sources.iter().map(whole).collect();
    let both = reference.sources.iter().find(|source| known.contains(&whole(source)))?;
    if select_apart(&pipeline.stages) {
        return None;
    }
    Some((
        format!("{} is in both clouds: it would be compared with itself", both.name()),
        "name the files of the better measurement; to compare one flight strip with another of the same files, `select` a \
         strip for each cloud, as in `- select: {cloud: survey, strips: [101]}` and `- select: {cloud: reference, strips: [102]}`"
            .to_string(),
    ))
}

/// Boxes none of which overlap; `local` is a scan that may be in the scanner's own frame.
fn apart_in_plan(
    survey: &[MetreBox],
    reference: &[MetreBox],
    reach: f64,
    local: Option<&str>,
) -> Option<Found> {
    let meet = |change: &dyn Fn(&MetreBox) -> MetreBox| {
        let changed: Vec<MetreBox> = reference.iter().map(change).collect();
        survey.iter().any(|one| changed.iter().any(|other| one.overlaps(other, reach)))
    };
    if meet(&|one| *one) {
        return None;
    }
    let both = |a: (f64, f64), b: (f64, f64)| (a.0.min(b.0), a.1.max(b.1));
    let around = |boxes: &[MetreBox]| {
        let all = boxes.iter().map(|one| (one.x, one.y)).reduce(|a, b| (both(a.0, b.0), both(a.1, b.1)));
        all.map_or(String::new(), |(x, y)| {
            format!("x {:.1} to {:.1} m, y {:.1} to {:.1} m", x.0, x.1, y.0, y.1)
        })
    };
    let scaled = |factor: f64| {
        move |one: &MetreBox| {
            let scale = |(low, high): (f64, f64)| (low * factor, high * factor);
            MetreBox { x: scale(one.x), y: scale(one.y), z: one.z }
        }
    };
    let without_pose = local.map(|scan| {
        format!(
            "{scan} has no pose, so that its coordinates are taken as they are: export it registered, with its pose or with \
             coordinates of the survey's system"
        )
    });
    let foot = Unit::Foot.micrometres() / 1e6;
    let cause = if meet(&|one| MetreBox { x: one.y, y: one.x, ..*one }) {
        "x and y of the reference seem to be swapped: with easting and northing exchanged the clouds would overlap. Export it \
         again with easting as x"
    } else if meet(&scaled(foot)) || meet(&scaled(1.0 / foot)) {
        "one of them seems to be in feet, the other in metres: the clouds would overlap then. State the right unit with `units: \
         {horizontal: …}` beside `files:` (m, ft or ftUS)"
    } else if let Some(cause) = &without_pose {
        cause
    } else {
        "check that these are the files of one site, in one coordinate system with the same units and offsets"
    };
    Some((
        format!(
            "survey and reference do not overlap: the headers give the survey {}, the reference {}",
            around(survey),
            around(reference)
        ),
        format!("{cause}; where a header's box is wrong, set `read: {{bounds: ignore}}`"),
    ))
}

/// Boxes so far above each other that no difference can be plausible.
fn apart_in_elevation(survey: &[MetreBox], reference: &[MetreBox], reach: f64) -> Option<Found> {
    let pairs = survey.iter().flat_map(|one| reference.iter().map(move |other| (one, other)));
    let over = pairs.filter(|(one, other)| one.overlaps(other, reach));
    let least = over.min_by(|a, b| apart(a.0.z, a.1.z).total_cmp(&apart(b.0.z, b.1.z)))?;
    let (one, other) = (least.0.z, least.1.z);
    let gap = apart(one, other);
    if gap <= plausible::LIMIT {
        return None;
    }
    let (word, sign) = if one.0 > other.1 { ("above", 1.0) } else { ("below", -1.0) };
    let cause = plausible::cause(sign * gap, Some(&Elevations { survey: one, reference: other }));
    Some((
        format!(
            "the survey lies at least {gap:.1} m {word} the reference: the headers give elevations from {:.1} to {:.1} m for the \
             survey, from {:.1} to {:.1} m for the reference",
            one.0, one.1, other.0, other.1
        ),
        format!("{cause}; where a header's box is wrong, set `read: {{bounds: ignore}}`"),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64, z: (f64, f64)) -> MetreBox {
        MetreBox { x: (x, x + 100.0), y: (y, y + 100.0), z }
    }

    #[test]
    fn boxes_that_touch_within_reach_overlap_and_others_get_the_cause_that_fits() {
        let survey = [square(500_000.0, 4_200_000.0, (100.0, 140.0))];
        let at = |x: f64, y: f64| apart_in_plan(&survey, &[square(x, y, (100.0, 110.0))], 0.5, None);
        assert_eq!(at(500_100.4, 4_200_000.0), None);
        let help = |found: Option<Found>| found.unwrap().1;
        assert!(help(at(500_101.0, 4_200_000.0)).starts_with("check that these"));
        assert!(help(at(4_200_000.0, 500_000.0)).contains("swapped"));
        let feet = |v: f64| v / 0.3048;
        let scaled = MetreBox {
            x: (feet(500_000.0), feet(500_100.0)),
            y: (feet(4_200_000.0), feet(4_200_100.0)),
            z: (0.0, 1.0),
        };
        assert!(help(apart_in_plan(&survey, &[scaled], 0.5, None)).contains("feet"));
    }

    #[test]
    fn the_nearest_pair_decides_about_elevations() {
        let survey = [square(0.0, 0.0, (300.0, 340.0)), square(100.0, 0.0, (100.0, 140.0))];
        let low = square(50.0, 0.0, (90.0, 99.0));
        assert_eq!(apart_in_elevation(&survey, &[low], 0.1), None);
        let lower = square(50.0, 0.0, (40.0, 55.0));
        let (message, help) = apart_in_elevation(&survey, &[lower], 0.1).unwrap();
        assert!(message.contains("at least 45.0 m above") && help.contains("geoid"), "{message} {help}");
        // Elsewhere, nothing is compared.
        let aside = square(900.0, 0.0, (40.0, 55.0));
        assert_eq!(apart_in_elevation(&survey, &[aside], 0.1), None);
    }
}
