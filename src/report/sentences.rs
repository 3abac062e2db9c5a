//! The sentences that the page and the printed result share.

use crate::results::format::{ResidualFormat, and_list, comparisons, length, thousands};
use crate::results::statistics::Statistics;
use crate::results::summary::{ReturnRow, Summary};
use crate::standards::MIN_CHECKPOINTS;
use crate::tile::points::GroundFrom;
use crate::units::Unit;

/// At most this many returns are named one by one in the summary sentence; beyond it the table and the chart do that better.
const MOST_RETURNS_NAMED: usize = 2;

/// `7.0 mm above`, `20.0 mm below` or `level with`: where the survey lies from the reference.
fn side(dz: f64, unit: Unit) -> String {
    if ResidualFormat::of(unit).is_zero(dz) {
        "level with".to_string()
    } else {
        format!("{} {}", length(dz.abs(), unit), if dz > 0.0 { "above" } else { "below" })
    }
}

/// The result in plain words; where nothing was compared, why that may be and what to look at.
pub fn summary_sentence(summary: &Summary) -> String {
    let unit = summary.units;
    let all = &summary.all;
    if all.compared == 0 {
        return nothing_compared(summary);
    }
    let (Some(bias), Some(sd), Some(rmse), true) = (all.bias, all.sd, all.rmse, all.support().is_enough())
    else {
        return format!(
            "{} in {} block{} of the site: too few for any figure (fewer than {}).",
            comparisons(all.compared),
            all.blocks,
            if all.blocks == 1 { "" } else { "s" },
            all.support().fewest()
        );
    };
    let mut text = format!(
        "At {} the airborne ground{} lies {} the reference on average (bias), with a standard deviation (SD) of {} and an \
         RMSE of {}.",
        comparisons(all.compared),
        if summary.fit.as_ref().is_some_and(|fit| fit.model != "none") {
            ", as fitted to control,"
        } else {
            ""
        },
        side(bias, unit),
        length(sd, unit),
        length(rmse, unit)
    );
    text += &offset_removed(summary).unwrap_or_default();
    let returns: Vec<_> = summary.returns.iter().filter_map(|row| one_return(row, unit)).collect();
    match returns.as_slice() {
        [] | [_] => {}
        several if several.len() <= MOST_RETURNS_NAMED => {
            text += &format!(" By return, it lies {}.", and_list(several));
        }
        [first, .., last] => {
            text += &format!(" By return, it lies {first}, and {last}; the table has all {}.", returns.len());
        }
    }
    text
}

/// What the level is without the stated offset of the reference.
fn offset_removed(summary: &Summary) -> Option<String> {
    let unit = summary.units;
    let standards = &summary.trust.standards;
    let (value, _, why) = standards.offset.as_ref()?;
    let all = standards.groups.iter().find(|group| group.by.is_all())?.offset_removed.as_ref()?;
    Some(format!(
        " With the stated offset of the reference removed ({}: {why}) it lies {}, with an RMSE of {}; what follows on \
         single returns is raw.",
        side(*value, unit),
        side(all.bias?, unit),
        length(all.rmse?, unit)
    ))
}

fn one_return(row: &ReturnRow, unit: Unit) -> Option<String> {
    let Statistics { compared, bias, sd, .. } = row.statistics;
    let (bias, sd) = bias.zip(sd).filter(|_| row.statistics.support().is_enough())?;
    let it = if ResidualFormat::of(unit).is_zero(bias) { " it" } else { "" };
    Some(format!(
        "{}{it} for return {} (SD {}, n = {})",
        side(bias, unit),
        row.return_number,
        length(sd, unit),
        thousands(compared)
    ))
}

fn nothing_compared(summary: &Summary) -> String {
    let Some(reference) = &summary.reference else {
        return "No reference was given, so nothing was compared: this report only counts the survey's points by \
                return. To assess the accuracy of the ground, name the files of a better measurement under \
                “reference” and add the stages “ground” and “compare”."
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
                "Nothing was compared, because no point of the {cloud} was accepted as ground. Check the point \
                 accounting below, what the “select” stages select, and the options of “ground”."
            );
        }
    }
    format!(
        "Nothing was compared: the survey has {} ground points and the reference {}, but none of them are near \
         enough to each other in plan. Check that both are in the same coordinate system and units, that they cover \
         the same ground, and that “within” of “compare” is not smaller than the point spacing of the reference.",
        thousands(summary.survey.ground),
        thousands(reference.ground)
    )
}

/// How the reference's own error enters the figures.
pub fn reference_error(summary: &Summary) -> String {
    match summary.reference_uncertainty {
        Some(sigma) => format!(
            "The vertical uncertainty of the reference is stated as {} (one standard deviation). Its random part is \
             contained in SD and RMSE, any constant part in the bias: nothing has been subtracted{}.",
            length(sigma, summary.units),
            match summary.trust.standards.offset {
                Some(_) => ", but for the stated offset where a figure says that it is removed",
                None => "",
            }
        ),
        None => {
            "No uncertainty is stated for the reference. The figures contain the errors of survey and reference \
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
        let (noun, verb) = if few.len() == 1 { ("Return", "has") } else { ("Returns", "have") };
        all.push(format!(
            "{noun} {} {verb} fewer than {MIN_CHECKPOINTS} comparisons: any figures are indicative only, without verdict.",
            and_list(&few)
        ));
    }
    let of_ground = match summary.survey.ground_from {
        Some(GroundFrom::Classes) if summary.cross_check.is_some() => {
            "The ground is class 2 as delivered: what its classification left out is in the cross-check alone. If that was the upper \
             tail of noisy late returns, their SD and bias come out too low while both look plausible, and no correction is \
             possible."
        }
        Some(GroundFrom::Classes) => {
            "The ground is class 2 as delivered: what its classification left out was never compared. If that was the upper tail \
             of noisy late returns, their SD and bias come out too low while both look plausible, and no correction is \
             possible. A run with the cross-check of the ground stage holds it against the ground filter."
        }
        _ => {
            "A ground-filter threshold near the noise of the late returns truncates their upper tail: a point too high \
             above its surroundings is not accepted as ground and never compared. SD and bias then come out too low \
             while both look plausible. Check the truncation correction and the shape of the histograms of late \
             returns."
        }
    };
    all.extend(
        [
            of_ground,
            "The figures hold only where the reference was measured. Other ground – steeper, wetter, under denser \
             cover – may agree better or worse.",
            "This is not a survey certification.",
            "Terrain used for design, flood or safety work must be certified by a licensed surveyor or engineer where \
             local rules require it.",
        ]
        .map(String::from),
    );
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::confidence::OffsetRemoved;
    use crate::results::sample;

    #[test]
    fn the_sentence_says_above_and_below() {
        let text = summary_sentence(&sample::five_returns(Unit::Metre).0);
        assert!(text.contains("above the reference on average (bias)"), "{text}");
        assert!(text.contains("above for return 1 (SD "), "{text}");
        assert!(
            text.contains(", and 19.8 mm below for return 5 (SD ")
                && text.ends_with("; the table has all 5."),
            "{text}"
        );
        let two = summary_sentence(&sample::decided().0);
        assert!(
            two.contains(" for return 1 (SD ") && two.contains(" and ") && !two.contains("the table"),
            "{two}"
        );
        let mut level = sample::five_returns(Unit::Foot).0;
        level.all.bias = Some(0.0001);
        assert!(summary_sentence(&level).contains("lies level with the reference on average"));
    }

    #[test]
    fn a_stated_offset_is_in_the_first_sentence() {
        let mut summary = sample::decided().0;
        summary.trust.standards.offset = Some((0.04, 0.01, "fresh snow".to_string()));
        summary.trust.standards.groups[0].offset_removed =
            Some(OffsetRemoved { bias: Some(0.047), rmse: Some(0.055), ..OffsetRemoved::default() });
        let text = summary_sentence(&summary);
        let told = "With the stated offset of the reference removed (40.0 mm above: fresh snow) it lies 47.0 mm above, with an \
                    RMSE of 55.0 mm; what follows on single returns is raw.";
        assert!(text.contains(told), "{text}");
        assert!(reference_error(&summary).ends_with("where a figure says that it is removed."));
    }

    #[test]
    fn many_returns_are_not_named_one_by_one() {
        let text = summary_sentence(&sample::fifteen_returns().0);
        assert!(text.contains("for return 1 (SD ") && text.contains("for return 15 (SD "), "{text}");
        assert!(!text.contains("for return 7"), "{text}");
    }

    #[test]
    fn no_comparison_says_what_to_look_at() {
        let mut summary = sample::nothing_matched().0;
        assert!(summary_sentence(&summary).contains("same coordinate system and units"));
        summary.reference.as_mut().unwrap().ground = 0;
        assert!(summary_sentence(&summary).contains("no point of the reference"));
        summary.method.clear();
        assert!(summary_sentence(&summary).contains("no “compare”"));
        summary.reference = None;
        assert!(summary_sentence(&summary).contains("No reference was given"));
    }

    #[test]
    fn too_few_comparisons_are_a_number_alone() {
        let mut summary = sample::one_comparison().0;
        assert_eq!(
            summary_sentence(&summary),
            "1 comparison in 1 block of the site: too few for any figure (fewer than 20 comparisons or 3 blocks)."
        );
        (summary.all, summary.returns) = {
            let many = sample::five_returns(Unit::Metre).0;
            (many.all, many.returns)
        };
        (summary.all.compared, summary.all.blocks) = (20, 2);
        assert!(summary_sentence(&summary).starts_with("20 comparisons in 2 blocks of the site: too few"));
        summary.all.blocks = 3;
        summary.returns[1].statistics.compared = 19;
        let text = summary_sentence(&summary);
        assert!(text.starts_with("At 20 comparisons the airborne ground lies"), "{text}");
        assert!(text.contains("for return 1 (SD ") && !text.contains("for return 2"), "{text}");
    }

    #[test]
    fn returns_with_few_comparisons_are_named() {
        let mut summary = sample::five_returns(Unit::Metre).0;
        assert_eq!(cautions(&summary).len(), 4);
        summary.returns[4].statistics.compared = 29;
        assert!(cautions(&summary)[0].starts_with("Return 5 has fewer than 30 comparisons"));
        summary.returns[3].statistics.compared = 1;
        assert!(cautions(&summary)[0].starts_with("Returns 4 and 5 have"));
    }
}
