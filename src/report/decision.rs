//! The answer to the question that a report is read for: which returns meet which class on which ground, and how well that
//! is known.

use crate::report::compliance::short_name;
use crate::report::data_loss::implausible;
use crate::report::decision_table::{compliance, interval, versus};
use crate::report::terrain;
use crate::results::confidence::{Compliance, Verdict, VerticalAccuracy};
use crate::results::format::{and_list, capitalised, distance, length, length_interval, thousands};
use crate::results::group_key::GroupKey;
use crate::results::statistics::Support;
use crate::results::statistics::{Interval, Order, VsFirst};
use crate::results::summary::Summary;
use crate::units::Unit;

/// The answer in a few sentences, each a point of its own.
pub fn sentences(summary: &Summary) -> Vec<String> {
    if summary.all.compared == 0 {
        return Vec::new();
    }
    if implausible(summary).is_some() {
        return vec![
            "No class is given and no limit passes: the bias is beyond anything plausible.".to_string(),
        ];
    }
    [accuracy(summary), returns(summary), terrain::sentence(summary), effective_size(summary)]
        .into_iter()
        .flatten()
        .collect()
}

fn accuracy(summary: &Summary) -> Vec<String> {
    let unit = summary.units;
    let named = |name| summary.trust.standards.groups.iter().find(|s| s.name == Some(name));
    let Some(nva) = named(VerticalAccuracy::Nva) else {
        let all = compliance(summary, &GroupKey::all());
        return all
            .map(|all| format!("All ground: {} {}", accuracy_of(all, unit), class_sentence(all, summary)))
            .into_iter()
            .collect();
    };
    let open = format!(
        "Open ground ({}): {} {}",
        short_name(VerticalAccuracy::Nva),
        accuracy_of(nva, unit),
        class_sentence(nva, summary)
    );
    let canopy = named(VerticalAccuracy::Vva).map(|vva| {
        let few = vva.surveyed && !vva.support().is_enough_for_a_verdict();
        let departure =
            if few { format!(" {}.", capitalised(&vva.support().too_few_for_a_verdict())) } else { String::new() };
        format!(
            "Vegetated ground ({}): {}{departure} Reported as found: the standard sets no limit for vegetated ground.",
            short_name(VerticalAccuracy::Vva),
            accuracy_of(vva, unit)
        )
    });
    [open].into_iter().chain(canopy).collect()
}

/// `RMSE_V 24.0 mm (95 %: 22.0 to 26.0 mm), n = 2,000.`
fn accuracy_of(compliance: &Compliance, unit: Unit) -> String {
    let n = format!("n = {}", thousands(compliance.compared));
    let Some(raw) = compliance.rmse_v.filter(|_| compliance.support().is_enough()) else {
        return format!("{n}, too few for a figure.");
    };
    let interval = |ends: Interval| format!(" (95 %: {})", length_interval(ends, unit));
    let removed = compliance.offset_removed.as_ref();
    match removed.and_then(|removed| Some((removed.rmse_v?, removed.rmse_v_ci95))) {
        Some((value, ends)) => format!(
            "RMSE_V {}{} with the stated offset of the reference removed (raw {}), {n}.",
            length(value, unit),
            ends.map_or(String::new(), interval),
            length(raw, unit)
        ),
        None => {
            let interval = compliance.rmse_v_ci95.map_or(String::new(), interval);
            format!("RMSE_V {}{interval}, {n}.", length(raw, unit))
        }
    }
}

fn class_sentence(compliance: &Compliance, summary: &Summary) -> String {
    let support = compliance.support();
    if support.surveyed && !support.is_enough_for_a_verdict() {
        return format!("No class is given: {}.", support.too_few_for_a_verdict());
    }
    if !support.is_enough() {
        return "No class is given.".to_string();
    }
    let [met, upper] = compliance.classes();
    let Some(met) = met else { return "It meets no common class.".to_string() };
    // A claim that the reference does not support is none, whatever the figures.
    let supported = summary.trust.standards.reference_class_cm;
    if summary.reference_uncertainty.is_some() && supported.is_none_or(|supported| supported > met) {
        let supports = match supported {
            Some(class) => {
                format!("the reference supports a claim for the {class}-cm class and coarser only")
            }
            None => "the reference is too uncertain to support a claim for any class".to_string(),
        };
        return format!("That is within the {met}-cm class, but {supports}.");
    }
    match upper {
        Some(upper) if met == upper => format!("It meets the {met}-cm class, also at the upper 95 % limit."),
        Some(upper) => format!(
            "It meets the {met}-cm class, but not at 95 % confidence: the upper 95 % limit meets the {upper}-cm class."
        ),
        None if !support.is_enough_for_a_verdict() => format!(
            "It meets the {met}-cm class as observed; under {} comparisons nothing is said at 95 % confidence.",
            Support::FEWEST_FOR_A_VERDICT
        ),
        None if interval(compliance).is_none() => {
            format!(
                "It meets the {met}-cm class as observed; without an interval nothing is said at 95 % confidence."
            )
        }
        None => format!("It meets the {met}-cm class, but not at 95 % confidence."),
    }
}

/// Each return beside the first, on the same ground.
fn returns(summary: &Summary) -> Vec<String> {
    let mut standings: Vec<(String, Vec<String>)> = Vec::new();
    let (mut levels, mut others) = (Vec::new(), Vec::new());
    for row in &summary.returns {
        let Some(against) = versus(&row.statistics) else { continue };
        let number = row.return_number.to_string();
        if let Some(reason) = &against.reason {
            others.push(format!("{}.", capitalised(reason)));
            continue;
        }
        if against.bias_verdict == Order::Different
            && let Some((bias, ends)) = against.bias.zip(against.bias_ci95)
        {
            let far = length(bias.abs(), summary.units);
            let side = if bias > 0.0 { "above" } else { "below" };
            let ends = if bias > 0.0 { ends } else { [-ends[1], -ends[0]] };
            let ends = length_interval(ends, summary.units);
            levels.push(match levels.is_empty() {
                true => format!(
                    "return {number} lies {far} {side} the first return at the same places (95 %: {ends})"
                ),
                false => format!("return {number} {far} {side} it (95 %: {ends})"),
            });
        }
        let standing = standing(against);
        match standings.iter_mut().find(|(known, _)| *known == standing) {
            Some((_, numbers)) => numbers.push(number),
            None => standings.push((standing, vec![number])),
        }
    }
    if !levels.is_empty() {
        let which = if levels.len() == 1 { "the two is nearer" } else { "them is nearest" };
        let levels = capitalised(&and_list(&levels));
        others.insert(0, format!("{levels}; which of {which} the ground is not known from that."));
    }
    let told = standings.iter().map(|(standing, numbers)| match numbers.as_slice() {
        [number] => format!("On the same ground, return {number} {standing}."),
        several => {
            let standing = standing.replacen("is ", "are ", 1).replacen("has ", "have ", 1);
            format!("On the same ground, returns {} {standing}.", and_list(several))
        }
    });
    let all: Vec<String> = told.chain(others).collect();
    if all.is_empty() { Vec::new() } else { vec![all.join(" ")] }
}

/// How a return stands to the first in spread, and whether its level can be told from it.
fn standing(against: &VsFirst) -> String {
    let cannot = "cannot be distinguished from it at 95 % confidence";
    let apart = against.bias_verdict != Order::Undecided;
    match (against.spread_verdict, apart) {
        (Order::Undecided, false) => {
            "cannot be distinguished from the first return at 95 % confidence".to_string()
        }
        (Order::Undecided, true) => {
            "has a spread that cannot be distinguished from that of the first return".to_string()
        }
        (spread, true) => format!("is {} than the first return in spread", spread.word()),
        (spread, false) => {
            format!("is {} than the first return in spread; its bias {cannot}", spread.word())
        }
    }
}

/// A verdict for people.
pub fn verdict_label(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Met => "PASS",
        Verdict::Missed => "FAIL",
        Verdict::Inconclusive => "INCONCLUSIVE",
    }
}

fn effective_size(summary: &Summary) -> Vec<String> {
    let compared = summary.all.compared;
    let Some(n) = fewer_effective(summary) else { return Vec::new() };
    vec![format!(
        "The effective sample size of the {} comparisons is n_eff = {}: {}. The confidence intervals allow for that.",
        thousands(compared),
        thousands(n.round().max(1.0) as u64),
        correlated(summary)
    )]
}

/// The effective sample size, where it is clearly below the number of comparisons.
fn fewer_effective(summary: &Summary) -> Option<f64> {
    let enough = summary.all.support().is_enough();
    summary.all.n_effective.filter(|n| enough && *n < 0.9 * summary.all.compared as f64)
}

/// What is known of how far residuals are correlated: the one sentence for all places, without its full stop.
pub fn correlated(summary: &Summary) -> String {
    match summary.trust.correlation.range {
        Some(range) => {
            format!("residuals are spatially correlated (range {})", distance(range, summary.units))
        }
        None if fewer_effective(summary).is_some() => {
            "the semivariogram shows no range, but this sample does not exclude error that comparisons share"
                .to_string()
        }
        None => "no spatial correlation detected".to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{decision_table, html, text, verdicts};
    use crate::results::confidence::OffsetRemoved;
    use crate::results::sample;

    #[test]
    fn the_answer_says_which_returns_meet_which_class_on_which_ground() {
        let summary = sample::decided().0;
        let sentences = sentences(&summary);
        assert_eq!(
            sentences[0],
            "Open ground (NVA): RMSE_V 24.0 mm (95 %: 22.0 to 26.0 mm), n = 2,000. It meets the 2.5-cm class, but not at \
             95 % confidence: the upper 95 % limit meets the 5-cm class."
        );
        assert!(
            sentences[1].starts_with("Vegetated ground (VVA): RMSE_V 41.0 mm")
                && sentences[1].contains("as found")
        );
        assert_eq!(
            sentences[2],
            "On the same ground, return 2 is worse than the first return in spread. Return 2 lies 3.0 mm below the first \
             return at the same places (95 %: 1.0 to 5.0 mm); which of the two is nearer the ground is not known from that."
        );
        assert!(
            sentences[3].contains("cover 86.7 %")
                && sentences[3].contains("those of returns 1 to 2 cover 95.3 %"),
            "{}",
            sentences[3]
        );
        assert!(
            sentences[3].contains("made from returns 1 to 2 (18.0 mm)")
                && sentences[3].contains("has 17.0 mm")
        );
        assert!(sentences[4].contains("n_eff = 500: residuals are spatially correlated (range 8.0 m)"));
    }

    /// The sentence on return 2 beside the first.
    fn second(change: impl Fn(&mut VsFirst)) -> String {
        let mut summary = sample::decided().0;
        change(summary.returns[1].statistics.vs_first.as_mut().unwrap());
        returns(&summary).join(" ")
    }

    #[test]
    fn bias_and_spread_have_their_own_words() {
        use Order::{Better, Different, Undecided, Worse};
        let of = |bias_verdict, spread_verdict| {
            second(|against| {
                (against.bias_verdict, against.spread_verdict) = (bias_verdict, spread_verdict);
            })
        };
        let worse = of(Undecided, Worse);
        assert!(worse.contains("is worse than the first return in spread; its bias cannot"), "{worse}");
        let both = of(Different, Better);
        assert!(both.contains("is better than the first return in spread."), "{both}");
        assert!(
            both.contains("lies 3.0 mm below the first return at the same places (95 %: 1.0 to 5.0"),
            "{both}"
        );
        assert_eq!(
            of(Undecided, Undecided),
            "On the same ground, return 2 cannot be distinguished from the first return at 95 % confidence."
        );
        let apart = of(Different, Undecided);
        assert!(apart.contains("has a spread that cannot") && apart.contains("lies 3.0 mm below"), "{apart}");
        let none = second(|against| {
            let reason = Some("return 2 and return 1 share no cover: cannot be compared".to_string());
            *against = VsFirst { reason, ..VsFirst::default() };
        });
        assert_eq!(none, "Return 2 and return 1 share no cover: cannot be compared.");
    }

    #[test]
    fn levels_of_several_returns_are_said_in_one_sentence() {
        let mut summary = sample::decided().0;
        let mut third = summary.returns[1].clone();
        third.return_number = 3;
        let against = third.statistics.vs_first.as_mut().unwrap();
        (against.bias, against.bias_ci95) = (Some(0.004), Some([0.002, 0.006]));
        summary.returns.push(third);
        let said = returns(&summary).join(" ");
        assert!(
            said.contains(
                "Return 2 lies 3.0 mm below the first return at the same places (95 %: 1.0 to 5.0 mm) and return 3 4.0 mm above it \
                 (95 %: 2.0 to 6.0 mm); which of them is nearest the ground is not known from that."
            ),
            "{said}"
        );
    }

    #[test]
    fn a_stated_offset_is_in_sentences_and_table() {
        let mut summary = sample::decided().0;
        summary.trust.standards.groups[1].offset_removed = Some(OffsetRemoved {
            rmse_v: Some(0.021),
            rmse_v_ci95: Some([0.019, 0.0245]),
            class_cm: Some(2.5),
            class_cm_95: Some(2.5),
            ..OffsetRemoved::default()
        });
        summary.trust.accept[1].offset_removed = true;
        let sentences = sentences(&summary);
        assert_eq!(
            sentences[0],
            "Open ground (NVA): RMSE_V 21.0 mm (95 %: 19.0 to 24.5 mm) with the stated offset of the reference removed (raw \
             24.0 mm), n = 2,000. It meets the 2.5-cm class, also at the upper 95 % limit."
        );
        assert!(
            verdicts::note(&summary)
                .unwrap()
                .ends_with("judged with the stated offset of the reference removed.")
        );
        assert_eq!(
            decision_table::rows(&summary)[2].covers[0],
            ["2,000", "21.0 (raw 24.0)", "19.0 to 24.5", "2.5"]
        );
    }

    #[test]
    fn no_class_is_claimed_beyond_the_reference_or_from_few_comparisons() {
        let mut summary = sample::decided().0;
        summary.trust.standards.reference_class_cm = Some(5.0);
        assert!(accuracy(&summary)[0].ends_with(
            "That is within the 2.5-cm class, but the reference supports a claim for the 5-cm class and coarser only."
        ));
        summary.trust.standards.reference_class_cm = Some(2.5);
        let group = &mut summary.trust.standards.groups[1];
        (group.compared, group.class_cm_95) = (29, None);
        assert!(accuracy(&summary)[0].ends_with("under 30 comparisons nothing is said at 95 % confidence."));
    }

    #[test]
    fn page_and_text_begin_with_the_answer() {
        let (summary, pictures) = sample::decided();
        let page = html::page(&summary, &pictures);
        let (answer, by_return) =
            (page.find("Summary of results").unwrap(), page.find("<h2>By return</h2>").unwrap());
        assert!(answer < by_return);
        assert!(page.contains("dz changes across the site.") && page.contains("class=\"inconclusive\""));
        let text = text::result_text(&summary);
        assert!(
            text.contains("- On the same ground, return 2 is worse than the first return in spread.")
                && text.contains("Warning: dz changes")
        );
        let nothing = sample::nothing_matched();
        assert!(!html::page(&nothing.0, &nothing.1).contains("Summary of results"));
        assert!(sentences(&nothing.0).is_empty());
    }
}
