//! What is wrong with a cloud, and what to do about it.

use crate::cli::inspect::inspection::Inspection;
use crate::cli::inspect::text::decimals;
use crate::cloud::{Census, LasFile, MAX_RETURN, StatedUnit, sample_one_in};
use crate::results::format::thousands;
use crate::units::Unit;

/// All that is wrong, damage first.
pub(super) fn find(cloud: &LasFile, census: &Census, found: &Inspection) -> Vec<String> {
    let mut problems: Vec<String> = census.damaged.iter().map(|(_, damage)| damage.clone()).collect();
    let mut say = |text: String| problems.push(text);
    cloud.notes.iter().chain(&cloud.crs.problems).cloned().for_each(&mut say);
    if found.crs.is_none() {
        say("the file states no coordinate system".into());
    }
    unit_problems(cloud).into_iter().for_each(&mut say);
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
    let what = match (horizontal.unit(), vertical.unit()) {
        (Some(_), Some(_)) => return Vec::new(),
        (None, None) => "the units of x, y and z are",
        (None, Some(_)) => "the unit of x and y is",
        (Some(_), None) => "the unit of z is",
    };
    let x = horizontal.unit().unwrap_or(Unit::Metre);
    vec![format!(
        "{what} not reliably stated: add `units: {x}` (or {}, or `{{horizontal: {x}, vertical: {}}}`) beside `files:` \
         in the pipeline file",
        match x {
            Unit::Metre => "ft, ftUS",
            Unit::Foot => "m, ftUS",
            Unit::UsSurveyFoot => "m, ft",
        },
        vertical.unit().unwrap_or(if x == Unit::Metre { Unit::Foot } else { Unit::Metre }),
    )]
}

fn list(numbers: &[u64]) -> String {
    numbers.iter().map(|number| thousands(*number)).collect::<Vec<_>>().join(" + ")
}

fn number_of(points: u64) -> String {
    format!("{} {}", thousands(points), if points == 1 { "point" } else { "points" })
}
