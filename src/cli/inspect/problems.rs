//! What is wrong with a cloud, and what to do about it.

use crate::cli::inspect::inspection::Inspection;
use crate::cli::inspect::text::decimals;
use crate::cloud::{Census, GpsTimeType, LasFile, MAX_RETURN, StatedUnit, sample_one_in};
use crate::results::format::thousands;

/// All that is wrong, damage first.
pub(super) fn find(cloud: &LasFile, census: &Census, found: &Inspection) -> Vec<String> {
    let mut problems: Vec<String> = census.damaged.iter().map(|(_, damage)| damage.clone()).collect();
    // Where points lie outside in block after block, or in the only one, it is the header that is said to be wrong.
    if census.blocks > 1 && (census.outside.len() < 2 || 2 * census.outside.len() < census.blocks) {
        problems.extend(census.outside.iter().map(|(_, damage)| damage.clone()));
    }
    let mut say = |text: String| problems.push(text);
    cloud.notes.iter().chain(&cloud.crs.problems).cloned().for_each(&mut say);
    if found.crs.is_none() {
        say("the file states no coordinate system".into());
    }
    unit_problems(cloud).into_iter().for_each(&mut say);
    for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
        let (step, coarse) = (cloud.scale[axis].abs(), if name == "z" { COARSE_Z } else { COARSE_XY });
        if step > coarse {
            say(format!(
                "the scale factor of {name} is {step}: coordinates are rounded to steps of that size, too coarse to measure accuracy \
                 with; export the file with a scale factor of 0.001"
            ));
        }
    }
    time_problems(cloud, census).into_iter().for_each(&mut say);
    if cloud.synthetic_returns {
        say("the header says that the return numbers are synthetic: results by return mean nothing".into());
    }
    if found.invalid_returns > 0 {
        say(format!(
            "invalid return number (0, or above the number of returns): {}, left out of per-return results",
            number_of(found.invalid_returns)
        ));
    }
    let above_five: u64 = (6..=7).map(|number| census.of_return(number)).sum();
    if cloud.format < 6 && above_five > 0 {
        say(format!(
            "return number 6 or 7, though point format {} allows at most five: {}",
            cloud.format,
            number_of(above_five)
        ));
    }
    if found.single == found.points && found.points > 0 {
        say("every point is return 1 of 1: the file does not record the returns of a pulse".into());
    }
    if found.points == cloud.points {
        let counted: Vec<u64> = (1..=MAX_RETURN).map(|number| census.of_return(number)).collect();
        let counted_in_header = if cloud.version.1 >= 4 { MAX_RETURN } else { 5 };
        if counted[..counted_in_header] != cloud.points_by_return[..counted_in_header] {
            let last = (0..counted_in_header)
                .rev()
                .find(|index| counted[*index] + cloud.points_by_return[*index] > 0)
                .unwrap_or(0);
            say(format!(
                "the header counts {} points of returns 1 to {}, but the file holds {}",
                list(&cloud.points_by_return[..=last]),
                last + 1,
                list(&counted[..=last])
            ));
        }
    }
    if census.out_of_range > 0 {
        say(format!("impossible coordinates: {}, left out", number_of(census.out_of_range)));
    }
    if let (Some(bounds), true) = (&found.bounds, census.damaged.is_empty()) {
        for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
            let (stated, found) =
                ((cloud.stated_min[axis], cloud.stated_max[axis]), (bounds.min[axis], bounds.max[axis]));
            // Writers round once to the scale; the program itself rounds to the micrometre.
            let slack = cloud.scale[axis].abs().max(1e-5);
            if !((stated.0 - found.0).abs() <= slack && (stated.1 - found.1).abs() <= slack) {
                let decimals = decimals(cloud.scale[axis]);
                say(format!(
                    "the header gives {name} from {:.decimals$} to {:.decimals$}, but the points range from \
                     {:.decimals$} to {:.decimals$}",
                    stated.0, stated.1, found.0, found.1
                ));
            }
        }
    }
    if found.duplicates > 0 {
        let about = if sample_one_in(cloud.points) > 1 { "about " } else { "" };
        say(format!(
            "duplicates (same position, time and return number): {about}{}",
            number_of(found.duplicates)
        ));
    }
    problems
}

/// Scale factors above these are too coarse: a step of 1 cm alone adds 3 mm of noise (1/√12 of it).
const COARSE_Z: f64 = 0.01;
const COARSE_XY: f64 = 0.1;

/// Seconds in a week.
const WEEK: f64 = 604_800.0;

/// What is wrong with the GPS times.
fn time_problems(cloud: &LasFile, census: &Census) -> Vec<String> {
    let mut problems = Vec::new();
    if !cloud.has_gps_time() {
        return problems;
    }
    if census.times_missing > 0 {
        problems.push(format!("GPS time is not a number: {}", number_of(census.times_missing)));
    }
    let (first, last) = census.gps_time;
    if cloud.gps_time_type == GpsTimeType::WeekSeconds && first <= last && (first < 0.0 || last > WEEK) {
        problems.push(format!(
            "GPS times from {first:.0} to {last:.0}, though the header says that they are seconds of the week (0 to 604,800; \
             byte 6, bit 0): they probably are adjusted standard GPS time"
        ));
    }
    problems
}

/// What is wrong with the units, and what to write into the pipeline file.
fn unit_problems(cloud: &LasFile) -> Vec<String> {
    let (horizontal, vertical) = (&cloud.crs.horizontal_unit, &cloud.crs.vertical_unit);
    if matches!(horizontal, StatedUnit::Degrees) {
        return vec!["x and y are in degrees: transform the cloud to a projected coordinate system".into()];
    }
    if let StatedUnit::Other(stated) = horizontal {
        return vec![format!(
            "x and y are in {stated}, which is not supported: transform the cloud to a system in metres or feet"
        )];
    }
    let (what, how) = match (horizontal.unit(), vertical.unit()) {
        (Some(_), Some(_)) => return Vec::new(),
        (None, None) => (
            "the units of x, y and z are",
            "`units: …`, or `units: {horizontal: …, vertical: …}` where they differ",
        ),
        (None, Some(_)) => ("the unit of x and y is", "`units: {horizontal: …}`"),
        (Some(_), None) => ("the unit of z is", "`units: {vertical: …}`"),
    };
    vec![format!(
        "{what} not reliably stated: state {} beside `files:` in the pipeline file as {how}, with m, ft or ftUS",
        if what.contains("units") { "them" } else { "it" }
    )]
}

fn list(numbers: &[u64]) -> String {
    numbers.iter().map(|number| thousands(*number)).collect::<Vec<_>>().join(" + ")
}

fn number_of(points: u64) -> String {
    format!("{} {}", thousands(points), if points == 1 { "point" } else { "points" })
}
