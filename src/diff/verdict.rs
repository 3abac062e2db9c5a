//! Whether what changed matters, in sentences.

use crate::diff::found::{Diff, Outcome};
use crate::diff::paired::{Finding, PairedRow};
use crate::diff::run_folder::RunFolder;
use crate::results::format::{
    ResidualFormat, decimal, length, length_interval, shortest, signed_length, signed_length_interval,
    thousands,
};
use crate::units::Unit;

/// A vertical accuracy class to hold a difference against.
pub struct Class {
    /// Micrometres.
    size: f64,
    /// The class for people.
    name: String,
}

/// Up to this share of the class a difference is called small: an RMSE at the class then grows by less than 1 % (√(1 + 0.1²) is
/// 1.005). This program's own choice.
const SMALL: f64 = 0.1;

/// Of how many common places in a hundred it is said that they are few.
const FEW_PERCENT: usize = 50;

/// The class that the second run, else the first, asks for; else the one that open ground meets in the first run, or all ground.
pub fn class(first: &RunFolder, second: &RunFolder) -> Option<Class> {
    let asked = |run: &RunFolder| {
        let limits = run.summary.accept.iter().filter(|limit| limit.measure == "class");
        let bound = limits.map(|limit| limit.bound).min_by(f64::total_cmp)?;
        let size = bound * run.summary.units.micrometres();
        Some(Class { size, name: format!("the {}-cm class that is asked for", shortest(size / 1e4, 2)) })
    };
    let met = || {
        let groups = &first.summary.standards.groups;
        let nva = groups.iter().find(|group| group.name.as_deref() == Some("NVA"));
        let all = groups.iter().find(|group| group.by.is_empty());
        let (of, group) = nva.map(|nva| ("open ground", nva)).or(all.map(|all| ("all ground", all)))?;
        let cm = group.class_cm?;
        Some(Class { size: cm * 1e4, name: format!("the {}-cm class, which {of} meets", shortest(cm, 2)) })
    };
    asked(second).or_else(|| asked(first)).or_else(met)
}

/// What came of it, in a word and in sentences.
pub fn outcome(found: &Diff, class: Option<&Class>) -> (Outcome, Vec<String>) {
    let inputs_same =
        found.data.is_empty() && found.options.is_empty() && found.runs[0].version == found.runs[1].version;
    let paired = &found.paired;
    let figures_same = found.figures.is_empty()
        && paired.changed == 0
        && found.limits.is_empty()
        && (paired.all.is_some() || found.runs[0].all.compared == 0);
    if figures_same && inputs_same {
        let text =
            "No difference: the same data, options and program, and the same figures to the last digit.";
        return (Outcome::Same, vec![text.to_string()]);
    }
    if figures_same {
        let text = "No difference in the figures: what was changed has no effect on them.";
        return (Outcome::NoEffect, vec![text.to_string()]);
    }
    let Some(all) = &paired.all else { return (Outcome::NoCommonPlaces, no_common_places(found)) };
    let (outcome, text) = at_common_places(all, paired.changed, class, found.units);
    let mut sentences = vec![text];
    sentences.extend(of_returns(&paired.returns, found.units));
    if outcome == Outcome::OtherPlaces {
        sentences.push(
            "What changed in the figures comes from which points are ground and compared, not from elevations."
                .to_string(),
        );
    }
    sentences.extend(other_places(found));
    (outcome, sentences)
}

fn at_common_places(
    all: &PairedRow,
    changed: usize,
    class: Option<&Class>,
    units: Unit,
) -> (Outcome, String) {
    // Where nearly all are as they were, a mean tells little.
    let changed = if (changed as u64) * 2 < all.n {
        format!(", of which {} changed", thousands(changed as u64))
    } else {
        String::new()
    };
    let changed = if all.finding == Finding::Same { String::new() } else { changed };
    let places = format!("At {} common places (same position, same return{changed})", thousands(all.n));
    let shift = shift(all, units);
    let against = || {
        let Some(class) = class else {
            return (Outcome::Real, "the change is real".to_string());
        };
        let um = |value: f64| value.abs() * units.micrometres();
        let most = all.ci95.map_or(um(all.difference), |[low, high]| um(low).max(um(high)));
        if most <= SMALL * class.size {
            return (Outcome::RealButSmall, format!("the change is real, but small against {}", class.name));
        }
        let share = decimal(100.0 * um(all.difference) / class.size, 0);
        (Outcome::Real, format!("the change is real: {share} % of {}", class.name))
    };
    match all.finding {
        Finding::Same => (Outcome::OtherPlaces, format!("{places} dz is the same in both runs.")),
        Finding::Constant => {
            let (outcome, text) = against();
            (
                outcome,
                format!("{places} dz is {shift} in the second run, by the same length at each: {text}."),
            )
        }
        Finding::Real => {
            let (outcome, text) = against();
            (outcome, format!("{places} dz is {shift} in the second run: {text}."))
        }
        Finding::Chance => {
            let text = format!("{places} dz is {shift} in the second run: cannot be told apart from chance.");
            (Outcome::Chance, text)
        }
        Finding::Unknown => {
            let text = format!(
                "{places} dz is {shift} in the second run on average; they lie in too few places to tell whether that is chance."
            );
            (Outcome::Unknown, text)
        }
    }
}

/// `1.2 mm lower (95 %: 0.9 to 1.5 mm)`.
fn shift(row: &PairedRow, units: Unit) -> String {
    let way = match row.difference {
        _ if ResidualFormat::of(units).is_zero(row.difference) => "off",
        down if down < 0.0 => "lower",
        _ => "higher",
    };
    let size = length(row.difference.abs(), units);
    let ends = row.ci95.map(|[low, high]| match (row.finding, row.difference < 0.0) {
        (Finding::Real, true) => length_interval([-high, -low], units),
        (Finding::Real, false) => length_interval([low, high], units),
        // Both signs: those of the difference itself.
        _ => format!("difference {}", signed_length_interval([low, high], units)),
    });
    let ends = ends.map_or(String::new(), |ends| format!(" (95 %: {ends})"));
    format!("{size} {way}{ends}")
}

/// The returns whose change is real, where there are several.
fn of_returns(returns: &[PairedRow], units: Unit) -> Option<String> {
    let real: Vec<String> = returns
        .iter()
        .filter(|row| matches!(row.finding, Finding::Real | Finding::Constant))
        .map(|row| format!("return {} {}", row.return_number.unwrap_or(0), shift(row, units)))
        .collect();
    (returns.len() > 1 && !real.is_empty()).then(|| format!("By return: {}.", real.join("; ")))
}

/// What places that one run alone lists have to do with it.
fn other_places(found: &Diff) -> Vec<String> {
    let paired = &found.paired;
    let mut sentences = Vec::new();
    for (only, (own, other)) in paired.only.iter().zip([("first", "second"), ("second", "first")]) {
        let Some(bias) = only.bias else { continue };
        sentences.push(format!(
            "{} places are listed by the {own} run and not by the {other}; their bias there is {}.",
            thousands(only.places),
            signed_length(bias, found.units)
        ));
    }
    if !sentences.is_empty() && paired.drawn {
        sentences.push(
            "checkpoints.csv lists a random draw with a spacing: places can also be missing because others were drawn."
                .to_string(),
        );
    }
    let most = paired.places + paired.only.iter().map(|only| only.places as usize).max().unwrap_or(0);
    if paired.places * 100 < FEW_PERCENT * most {
        sentences.push(
            "Less than half of the places are common: the figures below are mostly those of different places."
                .to_string(),
        );
    }
    sentences
}

fn no_common_places(found: &Diff) -> Vec<String> {
    let paired = &found.paired;
    let where_ = match paired.boxes_overlap {
        true => "No common places: both runs compare the same part of the country, at other positions.",
        false => "No common places: the two runs compare different ground.",
    };
    let mut sentences = vec![where_.to_string()];
    let all = paired.unpaired.iter().find(|row| row.return_number.is_none());
    if let Some((all, ends)) = all.and_then(|all| Some((all, all.ci95?))) {
        let outside = if ends[0] > 0.0 || ends[1] < 0.0 { "leaves 0 out" } else { "holds 0" };
        sentences.push(format!(
            "As two independent samples, the bias of the second is {} {} (95 %: difference {}), which {outside}.",
            length(all.difference.abs(), found.units),
            if all.difference < 0.0 { "lower" } else { "higher" },
            signed_length_interval(ends, found.units)
        ));
    }
    sentences.push(match paired.boxes_overlap {
        true => "That is weaker than a comparison at the same places: ground, cover and what both share of the reference are in it."
            .to_string(),
        false => "Different ground has its own slopes and cover: such a difference says nothing of survey or options alone."
            .to_string(),
    });
    sentences
}
