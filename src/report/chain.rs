//! The chain from control to comparison, a line for each link that the run has.

use crate::report::fit;
use crate::results::format::{length, signed_length, thousands};
use crate::results::summary::Summary;

/// A link: its name, and what came out.
pub type Link = (&'static str, String);

/// The links in their order; none where neither scans were registered nor the survey fitted.
pub fn links(summary: &Summary) -> Vec<Link> {
    if summary.registration.is_none() && summary.fit.is_none() {
        return Vec::new();
    }
    let units = summary.units;
    let mut all = Vec::new();
    let of_scans = summary.registration.as_ref().map(|found| found.control_points());
    let of_survey = summary.fit.as_ref().map(|found| found.before.points);
    let of_survey_words = match summary.fit.as_ref().map(|found| found.model) {
        Some("none") => "are compared with the survey",
        _ => "fit the survey",
    };
    let control = [(of_scans, "register the scans"), (of_survey, of_survey_words)];
    let control = control.into_iter().filter_map(|(n, what)| Some(format!("{} points {what}", n?)));
    all.push(("Control", control.collect::<Vec<_>>().join("; ") + "."));
    if let Some(found) = &summary.registration {
        let factor = found
            .variance_factor
            .map_or("no redundancy".to_string(), |factor| format!("variance factor {factor:.2}"));
        let left_out = found.leave_one_out.vertical.map(|rms| {
            format!(
                "; each target without itself RMS {} in elevation (n = {})",
                length(rms, units),
                found.leave_one_out.points
            )
        });
        let text = format!("{} setups, {factor}{}.", found.setups.len(), left_out.unwrap_or_default());
        all.push(("Registration", text));
    }
    if let Some(sigma) = summary.reference_uncertainty {
        let common = summary.registration.as_ref().and_then(|found| found.common);
        let common =
            common.map(|common| format!(", of which all comparisons share {}", length(common, units)));
        let text = format!("{} over the comparisons{}.", length(sigma, units), common.unwrap_or_default());
        all.push(("Sigma of the reference", text));
    }
    if let Some((value, sigma, why)) = &summary.trust.standards.offset {
        let text = format!(
            "the reference lies {} too high (sigma {}): {why}; results marked so are without it.",
            signed_length(*value, units),
            length(*sigma, units)
        );
        all.push(("Offset", text));
    }
    if let Some(found) = summary.fit.as_ref().filter(|found| found.model != "none") {
        let left_out = found.leave_one_out.rms.map(|rms| {
            format!(
                "; each point after a fit without it RMS {} (n = {})",
                length(rms, units),
                found.leave_one_out.points
            )
        });
        let text = format!("{} added{}.", fit::shift(found, units), left_out.unwrap_or_default());
        all.push(("Fit of the survey", text));
    }
    if !summary.excluded.is_empty() {
        let areas: Vec<&str> = summary.excluded.iter().map(|area| area.why.as_str()).collect();
        all.push(("Left out", format!("{}.", areas.join("; "))));
    }
    if let Some((bias, rmse)) = summary.all.bias.zip(summary.all.rmse) {
        let raw = summary.fit.as_ref().and_then(|found| found.raw.all.bias);
        let raw = raw.map(|raw| format!(" ({} raw)", signed_length(raw, units)));
        let text = format!(
            "bias {}{}, RMSE {}, n = {}.",
            signed_length(bias, units),
            raw.unwrap_or_default(),
            length(rmse, units),
            thousands(summary.all.compared)
        );
        all.push(("Comparison", text));
    }
    all
}
