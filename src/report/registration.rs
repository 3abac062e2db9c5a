//! The registration of the scans: a paragraph, and the tables of the page.

use crate::results::format::{ResidualFormat, UNDEFINED, decimal, length, thousands};
use crate::results::registration::{Agreement, ComponentRow, PointResiduals, SetupRow};
use crate::results::summary::Summary;
use crate::units::Unit;

/// What the page shows.
pub struct RegistrationSection {
    /// The paragraphs.
    pub text: Vec<String>,
    /// Setup, targets, heading, tilt, three sigmas, comparisons and their sigma.
    pub setups: Vec<Vec<String>>,
    /// Point, setup, and for each component residual, w and left out; smallest redundancy and largest detectable blunder.
    pub residuals: Vec<Vec<String>>,
    /// Point, setup, and for each component residual and w.
    pub withheld: Vec<Vec<String>>,
    /// Sentences on values that look like blunders.
    pub suggested: Vec<String>,
    /// The unit of residuals.
    pub unit: &'static str,
}

/// The section; none where no scans were registered.
pub fn section(summary: &Summary) -> Option<RegistrationSection> {
    let found = summary.registration.as_ref()?;
    let format = ResidualFormat::of(summary.units);
    let mut residuals: Vec<Vec<String>> =
        found.residuals.iter().map(|row| residual_row(row, format)).collect();
    residuals.extend(found.control.iter().map(|row| residual_row(row, format)));
    let withheld = found.withheld.iter().map(|row| {
        let mut cells = vec![row.name.clone(), row.setup.clone()];
        for axis in 0..3 {
            cells.push(format.signed(Some(row.residual[axis])));
            cells.push(decimal(row.standardised[axis], 1));
        }
        cells
    });
    Some(RegistrationSection {
        text: sentences(summary),
        setups: found.setups.iter().map(|row| setup_row(row, format)).collect(),
        residuals,
        withheld: withheld.collect(),
        suggested: found.suggested.iter().map(|one| one.reason.clone()).collect(),
        unit: format.symbol,
    })
}

fn setup_row(row: &SetupRow, format: ResidualFormat) -> Vec<String> {
    let mut cells = vec![
        row.setup.clone(),
        row.targets.to_string(),
        decimal(row.heading, 4),
        decimal(row.tilt, 4),
        decimal(row.sigma_heading, 4),
        row.sigma_tilt.map_or(UNDEFINED.to_string(), |sigma| decimal(sigma, 4)),
    ];
    cells.extend(row.sigma.iter().map(|sigma| format.length(Some(*sigma))));
    cells.push(thousands(row.compared));
    cells.push(format.length(row.sigma_compared));
    cells
}

fn residual_row(row: &PointResiduals, format: ResidualFormat) -> Vec<String> {
    let seen = match (&row.setup, row.on_control) {
        (None, _) => "control".to_string(),
        (Some(setup), true) => setup.clone(),
        (Some(setup), false) => format!("{setup} (tie)"),
    };
    let mut cells = vec![row.name.clone(), seen];
    let of = |component: &str| row.components.iter().find(|one| one.component == component);
    for component in ["east", "north", "up"] {
        let one = of(component);
        cells.push(format.signed(one.map(|one| one.residual)));
        cells.push(one.and_then(|one| one.standardised).map_or(UNDEFINED.to_string(), |w| decimal(w, 1)));
        cells.push(format.signed(one.and_then(|one| one.left_out)));
    }
    let least =
        |value: fn(&ComponentRow) -> f64| row.components.iter().map(value).fold(f64::INFINITY, f64::min);
    cells.push(decimal(least(|one| one.redundancy), 2));
    let detectable: Option<Vec<f64>> = row.components.iter().map(|one| one.detectable).collect();
    cells.push(format.length(detectable.map(|all| all.into_iter().fold(0.0, f64::max))));
    cells
}

/// The registration in sentences; none where no scans were registered.
pub fn sentences(summary: &Summary) -> Vec<String> {
    let Some(found) = &summary.registration else { return Vec::new() };
    let unknown = match found.model {
        "full" => "three rotations and three shifts",
        _ => "heading and three shifts",
    };
    let mut text = format!(
        "Registration of {} ({unknown} each): {} on {} with {} degrees of freedom",
        count(found.setups.len(), "setup"),
        count(found.residuals.len(), "target"),
        count(found.control_points(), "control point"),
        found.redundancy.degrees_of_freedom
    );
    text += &match (found.variance_factor, &found.variance_test) {
        (Some(factor), Some(test)) => {
            let said = test.verdict.words();
            format!("; variance factor {factor:.2}, {said}.")
        }
        _ => ": nothing checks the poses.".to_string(),
    };
    let mut all = vec![text];
    let left_out = agreement(&found.leave_one_out, summary.units);
    let withheld = agreement(&found.withheld_agreement, summary.units);
    let mut accuracy: Vec<String> = Vec::new();
    accuracy.extend(
        left_out.map(|text| format!("Each target against the rest of the network without it: {text}.")),
    );
    accuracy.extend(withheld.map(|text| format!("Withheld points: {text}.")));
    if !accuracy.is_empty() {
        all.push(accuracy.join(" "));
    }
    if let Some((sigma, common)) = summary.reference_uncertainty.zip(found.common) {
        all.push(format!(
            "Uncertainty of the reference over the comparisons {} (RMS, one sigma; noise of the scan {}), of which the mean of all \
             comparisons shares {} by the adjustment.",
            length(sigma, summary.units),
            length(found.noise, summary.units),
            length(common, summary.units)
        ));
    }
    all
}

fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

fn agreement(found: &Agreement, units: Unit) -> Option<String> {
    let (horizontal, vertical) = found.horizontal.zip(found.vertical)?;
    Some(format!(
        "RMS {} in plan and {} in elevation (n = {})",
        length(horizontal, units),
        length(vertical, units),
        found.points
    ))
}
