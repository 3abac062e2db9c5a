//! Reasons to doubt the vertical fit of the survey.

use crate::results::confidence::{Warning, WarningCode};
use crate::results::fit::Fit;
use crate::results::format::{and_list_of, length};
use crate::trust::registration::FEW;
use crate::trust::variance_test;
use crate::units::Unit;

/// Points that a warning names.
const NAMED: usize = 5;

/// What a person should know before relying on the fit; `shared` are points that also register the scans of the reference.
pub fn warnings(found: &Fit, shared: &[String], units: Unit) -> Vec<Warning> {
    let mut all = Vec::new();
    let mut warn = |code: WarningCode, text: String| all.push(Warning { code, text });
    for one in &found.suggested {
        warn(
            WarningCode::SuspectedBlunder,
            format!(
                "Fit of the survey: {}. Nothing was left out: find out what happened, and `withhold` the point if it was measured wrongly.",
                one.reason
            ),
        );
    }
    if found.redundancy.unknowns > 0 {
        let consequence = |times: f64| {
            format!(
                ", which were multiplied by {times:.2}. Where the sigmas of the list are those of the control alone, state the survey's own as \
                 `noise` of the fit."
            )
        };
        let test = found.variance_test.as_ref().zip(found.variance_factor);
        if let Some(text) = variance_test::text(test, "fit of the survey", "fits", &consequence) {
            warn(WarningCode::FitTest, text);
        }
        let unchecked = found.points.iter().filter(|point| point.redundancy.is_some_and(|r| r < FEW));
        let unchecked: Vec<String> = unchecked.map(|point| point.name.clone()).collect();
        if found.redundancy.degrees_of_freedom == 0 {
            warn(
                WarningCode::FewRedundancies,
                "The fit of the survey has no redundancy: its control just determines it, and nothing checks it. Measure more control."
                    .to_string(),
            );
        } else if !unchecked.is_empty() {
            warn(
                WarningCode::FewRedundancies,
                format!(
                    "Control of the fit of the survey that nothing checks, or hardly (redundancy under {FEW}): {}. A blunder there goes into \
                     the fit unseen.",
                    and_list_of(&unchecked, NAMED)
                ),
            );
        }
    }
    match (found.model, found.tilt) {
        ("plane", Some(tilt)) if !tilt.significant => warn(
            WarningCode::FitModel,
            "The tilt that was fitted to the survey is not significant: the control does not ask for more than `model: shift`."
                .to_string(),
        ),
        ("shift", Some(tilt)) if tilt.significant => warn(
            WarningCode::FitModel,
            format!(
                "The control shows a tilt of the survey against it (v'Pv falls by {:.1}, beyond {:.1}), which a shift leaves in: find its \
                 cause, or fit `model: plane`.",
                tilt.statistic, tilt.limit
            ),
        ),
        _ => {}
    }
    let at_centre = found.parameters.first().map(|shift| shift.sigma);
    if let Some((added, at_centre)) =
        found.added.zip(at_centre).filter(|(added, own)| added.sigma > 2.0 * own)
    {
        warn(
            WarningCode::FitExtrapolated,
            format!(
                "The comparisons lie away from the control that the survey was fitted to: the sigma of the fit is {} there, against {} amid \
                 the control.",
                length(added.sigma, units),
                length(at_centre, units)
            ),
        );
    }
    if !shared.is_empty() {
        warn(
            WarningCode::SharedControl,
            format!(
                "{} both register{} the scans and fit{} the survey: an error of such control is in both, and no comparison shows it. \
                 Levels that agree prove less than they seem to.",
                and_list_of(shared, NAMED),
                if shared.len() == 1 { "s" } else { "" },
                if shared.len() == 1 { "s" } else { "" },
            ),
        );
    }
    all
}
