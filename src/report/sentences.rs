//! The sentences that the page and the printed result share.

use crate::results::format::{UNDEFINED, comparisons, length, listed, thousands};
use crate::results::summary::{ReturnRow, Statistics, Summary};
use crate::standards::MIN_CHECKPOINTS;
use crate::units::Unit;

/// At most this many returns are told one by one in the summary sentence; beyond it the table does that better.
const TOLD_ONE_BY_ONE: usize = 5;

/// A bias below this is level: the tables, to three decimals, show it as zero.
const LEVEL: f64 = 0.0005;

/// `7 mm above`, `20 mm below` or `level with`: where the survey lies from the reference.
fn side(dz: f64, unit: Unit) -> String {
    if dz.abs() < LEVEL {
        "level with".to_string()
    } else {
        format!("{} {}", length(dz.abs(), unit), if dz > 0.0 { "above" } else { "below" })
    }
}

/// The result in plain words; where nothing was compared, why that may be and what to look at.
pub fn summary_sentence(summary: &Summary) -> String {
    let unit = summary.units;
    let all = &summary.all;
    let Some(mean) = all.bias.filter(|_| all.compared > 0) else {
        return nothing_compared(summary);
    };
    let mut text = if all.compared == 1 {
        format!(
            "At the one place where survey and reference meet, the airborne ground lies {} the reference. One \
             place says nothing about spread.",
            side(mean, unit)
        )
    } else {
        let spread = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), |v| length(v, unit));
        format!(
            "Over {} where survey and reference meet, the airborne ground lies {} the reference on average \
             (bias), with a standard deviation of {} and an RMSE of {}.",
            comparisons(all.compared),
            side(mean, unit),
            spread(all.sd),
            spread(all.rmse)
        )
    };
    let told: Vec<_> = summary.returns.iter().filter_map(|row| one_return(row, unit)).collect();
    match told.as_slice() {
        [] | [_] => {}
        several if several.len() <= TOLD_ONE_BY_ONE => {
            text += &format!(" Return by return, it lies {}.", listed(several));
        }
        [first, .., last] => {
            text += &format!(
                " Return by return, it lies {first}, up to {last}; the table has each of the {} returns compared.",
                told.len()
            );
        }
    }
    text
}

fn one_return(row: &ReturnRow, unit: Unit) -> Option<String> {
    let Statistics { compared, bias, sd, .. } = row.statistics;
    let spread = match sd {
        Some(sd) => format!("SD {}", length(sd, unit)),
        None => comparisons(compared),
    };
    let it = if bias?.abs() < LEVEL { " it" } else { "" };
    Some(format!("{}{it} for return {} ({spread})", side(bias?, unit), row.return_number))
}

fn nothing_compared(summary: &Summary) -> String {
    let Some(reference) = &summary.reference else {
        return "No reference was given, so nothing was compared: this report only counts the survey's points, \
                return by return. To learn how well the ground agrees, name the files of a better measurement \
                under “reference” and add the stages “ground” and “compare”."
            .to_string();
    };
    if summary.method.is_empty() {
        return "A reference was given, but nothing was compared: the list of stages has no “compare”. Add it \
                after “ground”."
            .to_string();
    }
    for (counts, cloud) in [(&summary.survey, "survey"), (reference, "reference")] {
        if counts.ground == 0 {
            return format!(
                "Nothing was compared, for not one point of the {cloud} was accepted as ground. Look at where its \
                 points went (below), at what the “keep” stages drop and at the thresholds of “ground”."
            );
        }
    }
    format!(
        "Nothing was compared: the survey has {} ground points and the reference {}, but nowhere do the two lie \
         near enough in plan. Look at whether both are in the same coordinate system and units, whether they cover \
         the same ground, and whether “within” of “compare” is smaller than the spacing of the reference.",
        thousands(summary.survey.ground),
        thousands(reference.ground)
    )
}

/// What is said of the reference's own error.
pub fn reference_error(summary: &Summary) -> String {
    match summary.reference_uncertainty {
        Some(sigma) => format!(
            "The reference's own vertical uncertainty is stated as {} (one sigma). Its random part is within the \
             SD and RMSE above, any constant part within the bias: nothing has been subtracted.",
            length(sigma, summary.units)
        ),
        None => {
            "No uncertainty is stated for the reference. The figures hold the errors of survey and reference \
                 together."
                .to_string()
        }
    }
}

/// What every reader must know before using the figures.
pub fn cautions(summary: &Summary) -> Vec<String> {
    let mut all = Vec::new();
    let few: Vec<_> = summary
        .returns
        .iter()
        .filter(|row| (1..MIN_CHECKPOINTS).contains(&row.statistics.compared))
        .map(|row| row.return_number.to_string())
        .collect();
    if !few.is_empty() {
        let (noun, verb) = if few.len() == 1 { ("Return", "rests") } else { ("Returns", "rest") };
        all.push(format!(
            "{noun} {} {verb} on fewer than {MIN_CHECKPOINTS} places: take those figures as a hint, not as a result.",
            listed(&few)
        ));
    }
    all.extend(
        [
            "A threshold of the ground filter near the noise of the late returns cuts off their upper tail: a point \
             that lies too high over its surroundings is not ground, so it is never compared. SD then comes out too \
             small and bias too low while both look plausible. Look at the SD of late returns, and at how lopsided \
             their histogram is, with care.",
            "The figures hold only where the reference was measured. Ground of another kind – steeper, wetter, under \
             denser cover – may agree better or worse.",
            "This is not a survey certification.",
            "Terrain used for design, flood or safety work is for licensed practice under local rules.",
        ]
        .map(String::from),
    );
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    #[test]
    fn the_sentence_says_above_and_below() {
        let text = summary_sentence(&sample::five_returns(Unit::Metre).0);
        assert!(text.contains("above the reference on average (bias)"), "{text}");
        assert!(text.contains("above for return 1 (SD "), "{text}");
        assert!(text.contains(" and 2") && text.contains("below for return 5 (SD "), "{text}");
        let mut level = sample::five_returns(Unit::Foot).0;
        level.all.bias = Some(0.0001);
        assert!(summary_sentence(&level).contains("lies level with the reference on average"));
    }

    #[test]
    fn many_returns_are_not_told_one_by_one() {
        let text = summary_sentence(&sample::fifteen_returns().0);
        assert!(text.contains("for return 1 (SD ") && text.contains("for return 15 (SD "), "{text}");
        assert!(!text.contains("for return 7"), "{text}");
    }

    #[test]
    fn no_comparison_says_what_to_look_at() {
        let mut summary = sample::nothing_matched().0;
        assert!(summary_sentence(&summary).contains("same coordinate system and units"));
        summary.reference.as_mut().unwrap().ground = 0;
        assert!(summary_sentence(&summary).contains("not one point of the reference"));
        summary.method.clear();
        assert!(summary_sentence(&summary).contains("no “compare”"));
        summary.reference = None;
        assert!(summary_sentence(&summary).contains("No reference was given"));
    }

    #[test]
    fn one_place_has_no_spread() {
        let text = summary_sentence(&sample::one_place().0);
        assert_eq!(
            text,
            "At the one place where survey and reference meet, the airborne ground lies 7 mm above the reference. \
             One place says nothing about spread."
        );
    }

    #[test]
    fn returns_with_few_places_are_told() {
        let mut summary = sample::five_returns(Unit::Metre).0;
        assert_eq!(cautions(&summary).len(), 4);
        summary.returns[4].statistics.compared = 29;
        assert!(cautions(&summary)[0].starts_with("Return 5 rests on fewer than 30 places"));
        summary.returns[3].statistics.compared = 1;
        assert!(cautions(&summary)[0].starts_with("Returns 4 and 5 rest on"));
    }
}
