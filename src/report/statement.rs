//! A draft of the statement that the standard asks for in a survey report: edition, class, tested values, numbers of checkpoints,
//! and every departure.

use crate::report::decision_table::{compliance, judged_rmse_v};
use crate::results::confidence::{Compliance, VerticalAccuracy};
use crate::results::format::{and_list, decimal, thousands};
use crate::results::group_key::GroupKey;
use crate::results::summary::Summary;
use crate::standards::BIAS_SHARE;
use crate::units::Unit;

/// The statement and its departures.
pub(super) struct Statement {
    /// Sentences, each a paragraph.
    pub sentences: Vec<String>,
    /// What departs from the standard, or must be known beside the figures.
    pub departures: Vec<String>,
}

/// The draft; none where there is nothing to state.
pub(super) fn statement(summary: &Summary) -> Option<Statement> {
    let groups = &summary.trust.standards.groups;
    let named = |name| groups.iter().find(|group| group.name == Some(name));
    let nva = named(VerticalAccuracy::Nva);
    let tested = nva.or_else(|| compliance(summary, &GroupKey::all()))?;
    let value = judged_rmse_v(tested)?;
    let ground =
        if nva.is_some() { "non-vegetated ground (NVA)" } else { "ground, open and vegetated together" };
    let class = match tested.classes()[0] {
        Some(class) => format!("is within the {class}-cm RMSE_V vertical accuracy class"),
        None => "is within no common vertical accuracy class".to_string(),
    };
    let mut sentences = vec![format!(
        "Vertical accuracy tested by the {}. The {ground} of this survey {class}: tested RMSE_V = {} cm at {}.",
        summary.trust.standards.standard,
        centimetres(value, summary.units),
        places(tested, summary)
    )];
    if let Some(vva) = named(VerticalAccuracy::Vva) {
        sentences.push(match judged_rmse_v(vva) {
            Some(value) => format!(
                "Vegetated ground (VVA), reported as found: tested RMSE_V = {} cm at {}.",
                centimetres(value, summary.units),
                places(vva, summary)
            ),
            None => format!("Vegetated ground (VVA): {}, too few for a figure.", places(vva, summary)),
        });
    }
    let covers: Vec<&Compliance> =
        [Some(tested), named(VerticalAccuracy::Vva)].into_iter().flatten().collect();
    Some(Statement { sentences, departures: departures(summary, tested, &covers) })
}

fn centimetres(value: f64, unit: Unit) -> String {
    decimal(value * unit.micrometres() / 1e4, 1)
}

fn places(compliance: &Compliance, summary: &Summary) -> String {
    let n = thousands(compliance.compared);
    match summary.checkpoints {
        Some(_) => format!("{n} checkpoints"),
        None => format!("{n} comparisons with the reference scan"),
    }
}

fn departures(summary: &Summary, tested: &Compliance, covers: &[&Compliance]) -> Vec<String> {
    let standards = &summary.trust.standards;
    let required = standards.required_checkpoints;
    let mut all = Vec::new();
    let name = |compliance: &Compliance| match compliance.name {
        Some(VerticalAccuracy::Vva) => "vegetated ground",
        Some(VerticalAccuracy::Nva) => "non-vegetated ground",
        None => "all ground",
    };
    for few in covers.iter().filter(|compliance| !compliance.enough_checkpoints) {
        let n = thousands(few.compared);
        all.push(format!("{n} checkpoints on {}, where the standard requires {required}.", name(few)));
    }
    if summary.checkpoints.is_none() {
        let n_eff = tested.n_effective.map(|n| {
            format!(
                " They weigh as much as {} independent ones for the bias.",
                thousands(n.round().max(1.0) as u64)
            )
        });
        all.push(format!(
            "The comparisons are places of a reference scan, not checkpoints that were sited and surveyed one by one.{}",
            n_eff.unwrap_or_default()
        ));
    }
    if tested.name.is_none() {
        all.push(
            "Non-vegetated and vegetated ground are not told apart, as the standard requires.".to_string(),
        );
    }
    match (summary.reference_uncertainty, standards.reference_class_cm, tested.classes()[0]) {
        (None, ..) => all.push(
            "The uncertainty of the reference is not stated, and is not in RMSE_V; the standard requires both.".to_string(),
        ),
        (Some(_), supported, Some(met)) if supported.is_none_or(|supported| supported > met) => {
            let supports = supported.map_or("no common class".to_string(), |class| format!("the {class}-cm class and coarser"));
            all.push(format!("The reference is accurate enough to test {supports}, and so not the class found."));
        }
        _ => {}
    }
    if tested.bias_to_class.is_some_and(|share| share > BIAS_SHARE) {
        all.push(format!(
            "The bias is {} % of the class, above the {} % at which its cause is to be found and reported.",
            decimal(tested.bias_to_class.unwrap_or_default() * 100.0, 0),
            decimal(BIAS_SHARE * 100.0, 0)
        ));
    }
    if let Some((value, _, why)) = &standards.offset {
        let value = decimal(value * summary.units.micrometres() / 1e4, 1);
        all.push(format!("A stated offset of the reference of {value} cm is removed ({why})."));
    }
    if !summary.excluded.is_empty() {
        let areas: Vec<String> = summary.excluded.iter().map(|area| area.why.clone()).collect();
        all.push(format!("Left out of the comparisons: {}.", and_list(&areas)));
    }
    let clouds = [Some(&summary.survey), summary.reference.as_ref()];
    let lost: u64 = clouds.into_iter().flatten().map(|counts| counts.lost_points).sum();
    if lost > 0 {
        all.push(format!("{} points in damaged blocks could not be read.", thousands(lost)));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    #[test]
    fn the_draft_names_edition_class_tested_values_numbers_and_departures() {
        let mut summary = sample::decided().0;
        summary.trust.standards.standard = crate::standards::ASPRS;
        summary.trust.standards.required_checkpoints = 30;
        let made = statement(&summary).unwrap();
        let all = made.sentences.join(" ");
        for part in
            ["Edition 2", "2.5-cm RMSE_V", "RMSE_V = 2.4 cm at 2,000 comparisons", "VVA", "RMSE_V = 4.1 cm"]
        {
            assert!(all.contains(part), "{part}: {all}");
        }
        assert!(made.departures.iter().any(|text| text.contains("not checkpoints that were sited")));
        summary.reference_uncertainty = None;
        summary.trust.standards.groups.iter_mut().for_each(|group| group.enough_checkpoints = false);
        let made = statement(&summary).unwrap();
        assert!(
            made.departures.iter().any(|text| text.contains("uncertainty of the reference is not stated"))
        );
        assert!(made.departures.iter().filter(|text| text.contains("the standard requires 30")).count() == 2);
        assert!(statement(&sample::nothing_matched().0).is_none());
    }
}
