//! The plan of where to measure, as it is printed.

use std::path::Path;

use crate::report::lines::{columns, wrap};
use crate::results::format::{
    distance, length, length_interval, percent, signed_length, signed_length_interval, slope_class, thousands,
};
use crate::results::site_plan::{CoverPlan, SitePlan};
use crate::siting::outlook::Outlook;
use crate::units::Unit;

/// What every plan is told with.
const CAUTION: &str = "These are proposals from the survey alone. On the ground, check each for safety, access and permission, for \
    what has changed since the flight, and for what the survey cannot show: soft or disturbed ground, parked vehicles, grass, a sky \
    that GNSS can use. Take the alternative where a site does not serve, and note why. Where local rules or the contract ask for \
    other numbers or places, they come first. The elevation is the survey's own, to find the place: never compare it with itself.";

/// The plan for a terminal; `folder` is where its files are.
pub fn text(plan: &SitePlan, folder: &Path) -> String {
    let proposed: usize = plan.covers.iter().map(|cover| cover.proposed).sum();
    let mut out = wrap(&format!("{}: {proposed} sites for checkpoints", plan.title.trim()));
    out.push('\n');
    out += &table(plan);
    out.push('\n');
    out += &wrap(&rules(plan));
    for cover in plan.covers.iter().filter(|cover| cover.proposed > 1) {
        out += &wrap(&width(cover));
    }
    out.push('\n');
    match &plan.run {
        None => {
            out += &wrap(
                "What they would settle: this file has not been run yet. After a run, ground where a limit is inconclusive comes first.",
            )
        }
        Some(run) if plan.outlook.is_empty() => {
            out += &wrap(&format!("What they would settle: no limit is inconclusive in {run}."));
        }
        Some(run) => {
            out += &wrap(&format!(
                "What they would settle of what is inconclusive in {run}, if the figures stay as they are:"
            ));
            let unit = plan.outlook_units.unwrap_or(plan.vertical_units);
            plan.outlook.iter().for_each(|one| out += &wrap(&format!("- {}", outlook(one, unit))));
        }
    }
    out.push('\n');
    plan.notes.iter().for_each(|note| out += &wrap(&format!("Note: {note}")));
    if !plan.notes.is_empty() {
        out.push('\n');
    }
    out += &wrap(CAUTION);
    out + &format!("\nsites in {}\n", folder.display())
}

/// A row for each cover, and below it one for each of its classes of slope.
fn table(plan: &SitePlan) -> String {
    let heads = ["", "asked", "sites", "NE", "NW", "SE", "SW", "spacing", "suitable ground"];
    let mut rows = vec![heads.map(str::to_string)];
    for cover in plan.covers.iter().filter(|cover| cover.asked > 0 || cover.ground_m2 > 0.0) {
        let [ne, nw, se, sw] = cover.quadrants.all().map(|n| n.to_string());
        let spacing = cover.spacing.map_or(String::new(), |spacing| distance(spacing, plan.horizontal_units));
        let share = if cover.ground_m2 > 0.0 {
            format!("{} m² ({} %)", area(cover.suitable_m2), percent(cover.suitable_m2 / cover.ground_m2))
        } else {
            "none".to_string()
        };
        let (asked, sites) = (cover.asked.to_string(), cover.proposed.to_string());
        rows.push([cover.cover.words().to_string(), asked, sites, ne, nw, se, sw, spacing, share]);
        for class in cover.slopes.iter().filter(|_| cover.proposed > 0) {
            let blank = String::new;
            let name = format!("  slope {}", slope_class(&class.slope));
            let suitable = format!("{} m²", area(class.suitable_m2));
            let sites = class.sites.to_string();
            rows.push([name, blank(), sites, blank(), blank(), blank(), blank(), blank(), suitable]);
        }
    }
    columns(&rows, 1)
}

fn area(m2: f64) -> String {
    thousands(m2.round() as u64)
}

fn rules(plan: &SitePlan) -> String {
    let rules = &plan.rules;
    let fine = |value: f64| length(value, plan.vertical_units);
    let across = |value: f64| distance(value, plan.horizontal_units);
    format!(
        "Each site: slope at most {:.1} %; within {} around no break, building, edge of the survey or area left out, on open ground no \
         vegetation, and ground within {} of a plane beside noise (a third of the {} class); {} from control and from points surveyed \
         already. Drawn by lot among all ground that suits, so that smooth places are not favoured. Sites of a cover stand {} apart \
         or more (a tenth of the diagonal) with a fifth of them in each quadrant, where a note does not say otherwise.",
        rules.slope_max * 100.0,
        across(rules.radius),
        fine(rules.departure),
        fine(rules.class),
        across(rules.from_control),
        across(rules.spacing)
    )
}

/// How well so many points tell the figures.
fn width(cover: &CoverPlan) -> String {
    let Some(([low, high], half)) = cover.rmse_ci95_factors.zip(cover.bias_ci95_half_in_sd) else {
        return String::new();
    };
    format!(
        "{} points {} give the RMSE with a 95 % interval from {:.0} % to {:.0} % of it, and the bias to ±{half:.2} SD.",
        cover.proposed,
        cover.cover.place(),
        low * 100.0,
        high * 100.0
    )
}

/// What points would tell of a limit.
fn outlook(one: &Outlook, unit: Unit) -> String {
    let interval = |ends: [f64; 2]| match one.measure.as_str() {
        "bias" => signed_length_interval(ends, unit),
        _ => length_interval(ends, unit),
    };
    let mut text = one.limit.clone();
    if one.expected == "unknown" {
        let why = match one.measure.as_str() {
            "share" | "coverage" => "counted over the survey, which no checkpoint changes",
            _ => "the run has no figure for it",
        };
        return format!("{text}: {why}.");
    }
    let today: Vec<String> = [
        one.value.map(
            |value| if one.measure == "bias" { signed_length(value, unit) } else { length(value, unit) },
        ),
        one.ci95.map(|ends| format!("{} at 95 %", interval(ends))),
    ]
    .into_iter()
    .flatten()
    .collect();
    let today = today.join(", ");
    text += &format!(": today {today}; with {} sites", one.sites);
    match one.expected_ci95 {
        Some(ends) => text += &format!(" {}: ", interval(ends)),
        None => text += ": ",
    }
    text += match one.expected {
        "met" => "PASS",
        "missed" => "FAIL",
        _ => "still INCONCLUSIVE",
    };
    if one.expected == "inconclusive" {
        text += &match one.sites_needed {
            Some(needed) => format!("; from about {needed} sites on there would be a verdict"),
            None => "; no number of sites that can be measured would give a verdict".to_string(),
        };
    }
    text + "."
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_points_would_settle_reads_as_a_sentence() {
        let one = Outlook {
            limit: "RMSE, under canopy: at most 8 cm".into(),
            measure: "rmse".into(),
            bound: 0.08,
            value: Some(0.07),
            ci95: Some([0.06, 0.084]),
            sites: 30,
            expected_ci95: Some([0.0559, 0.0936]),
            expected: "inconclusive",
            sites_needed: Some(112),
        };
        assert_eq!(
            outlook(&one, Unit::Metre),
            "RMSE, under canopy: at most 8 cm: today 70.0 mm, 60.0 to 84.0 mm at 95 %; with 30 sites 55.9 to 93.6 mm: still \
             INCONCLUSIVE; from about 112 sites on there would be a verdict."
        );
        let counted = Outlook { measure: "coverage".into(), expected: "unknown", ..one };
        assert!(outlook(&counted, Unit::Metre).ends_with("no checkpoint changes."));
    }
}
