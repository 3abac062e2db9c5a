//! The vertical fit of the survey to control: a paragraph, and the tables of the page.

use crate::results::fit::{Fit, FitPoint, Fits, RawFigures};
use crate::results::format::{ResidualFormat, UNDEFINED, decimal, length, signed_length, thousands};
use crate::results::statistics::Statistics;
use crate::results::summary::Summary;
use crate::units::Unit;

/// What the page shows.
pub struct FitSection {
    /// The paragraphs.
    pub text: Vec<String>,
    /// Parameter, value, sigma, value over sigma, significant or not.
    pub parameters: Vec<Vec<String>>,
    /// Point, use, sigma, survey minus control before and after the fit and without the point, w, redundancy, detectable blunder.
    pub points: Vec<Vec<String>>,
    /// Return, n, bias, SD and RMSE raw, then fitted.
    pub figures: Vec<Vec<String>>,
    /// Sentences on points that look like blunders.
    pub suggested: Vec<String>,
    /// The unit of residuals.
    pub unit: &'static str,
}

/// The section; none where the survey was not fitted.
pub fn section(summary: &Summary) -> Option<FitSection> {
    let found = summary.fit.as_ref()?;
    let format = ResidualFormat::of(summary.units);
    let parameter = |(at, one): (usize, &crate::results::fit::Parameter)| {
        // Tilts in thousandths: millimetres in a metre, or thousandths of a foot in a foot.
        let written = |value: f64| if at == 0 { format.signed(Some(value)) } else { decimal(value * 1e3, 4) };
        let name = match one.name {
            "shift" => format!("shift at the centre, {}", format.symbol),
            "slope_east" => "rise towards east, ‰".to_string(),
            _ => "rise towards north, ‰".to_string(),
        };
        let sigma = if at == 0 { format.length(Some(one.sigma)) } else { decimal(one.sigma * 1e3, 4) };
        let significant = if one.significant { "significant" } else { "not significant" };
        vec![name, written(one.value), sigma, decimal(one.standardised, 1), significant.to_string()]
    };
    let mut figures = Vec::new();
    for raw in &found.raw.returns {
        let fitted = summary.returns.iter().find(|row| row.return_number == raw.return_number);
        figures.extend(
            fitted.map(|row| both(raw.return_number.to_string(), &raw.figures, &row.statistics, format)),
        );
    }
    figures.push(both("all".to_string(), &found.raw.all, &summary.all, format));
    Some(FitSection {
        text: sentences(summary),
        parameters: found.parameters.iter().enumerate().map(parameter).collect(),
        points: found.points.iter().map(|point| point_row(point, format)).collect(),
        figures,
        suggested: found.suggested.iter().map(|one| one.reason.clone()).collect(),
        unit: format.symbol,
    })
}

/// Figures without the fit beside those with it.
fn both(name: String, raw: &RawFigures, fitted: &Statistics, format: ResidualFormat) -> Vec<String> {
    vec![
        name,
        thousands(raw.compared),
        format.signed(raw.bias),
        format.signed(fitted.bias),
        format.length(raw.sd),
        format.length(fitted.sd),
        format.length(raw.rmse),
        format.length(fitted.rmse),
    ]
}

fn point_row(point: &FitPoint, format: ResidualFormat) -> Vec<String> {
    let plain = |value: Option<f64>, decimals: usize| {
        value.map_or(UNDEFINED.to_string(), |value| decimal(value, decimals))
    };
    vec![
        point.name.clone(),
        match (&point.reason, point.status) {
            (Some(reason), _) => format!("not used: {reason}"),
            (None, status) => status.to_string(),
        },
        format.length(point.sigma),
        format.signed(point.before),
        format.signed(point.after),
        format.signed(point.left_out),
        plain(point.standardised, 1),
        plain(point.redundancy, 2),
        format.length(point.detectable),
    ]
}

/// The fit in sentences; none where the survey was not fitted.
pub fn sentences(summary: &Summary) -> Vec<String> {
    let Some(found) = &summary.fit else { return Vec::new() };
    let units = summary.units;
    let points = |n: usize| format!("{n} control point{}", if n == 1 { "" } else { "s" });
    let mut all = vec![match found.model {
        "none" => format!("The survey was compared with {} and left as it is.", points(found.before.points)),
        _ => format!(
            "The survey was fitted to {} by {}: {} added to its elevations{}. {}",
            points(found.before.points),
            if found.model == "plane" { "a tilted plane" } else { "a shift" },
            shift(found, units),
            if found.model == "plane" { " at the centre" } else { "" },
            tested(found)
        ),
    }];
    let of = |what: &str, fits: &Fits| {
        let (mean, rms) = fits.mean.zip(fits.rms)?;
        let (mean, rms) = (signed_length(mean, units), length(rms, units));
        Some(format!("{what}: mean {mean}, RMS {rms} (n = {})", fits.points))
    };
    let rows = match found.model {
        "none" => vec![of("Survey minus control", &found.before), of("withheld points", &found.withheld)],
        _ => vec![
            of("Survey minus control before the fit", &found.before),
            of("each point after a fit without it", &found.leave_one_out),
            of("withheld points", &found.withheld),
        ],
    };
    let rows: Vec<String> = rows.into_iter().flatten().collect();
    if !rows.is_empty() {
        all.push(rows.join("; ") + ".");
    }
    if found.model != "none"
        && let Some((raw, fitted)) = found.raw.all.bias.zip(summary.all.bias)
    {
        all.push(format!(
            "Bias of all comparisons without the fit {}, with it {}. All figures but those marked raw are with the fit.",
            signed_length(raw, units),
            signed_length(fitted, units)
        ));
    }
    all
}

/// The shift with its sigma.
pub fn shift(found: &Fit, units: Unit) -> String {
    found.parameters.first().map_or(UNDEFINED.to_string(), |one| {
        format!("{} (sigma {})", signed_length(one.value, units), length(one.sigma, units))
    })
}

fn tested(found: &Fit) -> String {
    match (found.variance_factor, &found.variance_test) {
        (Some(factor), Some(test)) => {
            let said = test.verdict.words();
            let freedom = found.redundancy.degrees_of_freedom;
            format!("Variance factor {factor:.2} with {freedom} degrees of freedom, {said}.")
        }
        _ => "Nothing checks it.".to_string(),
    }
}
