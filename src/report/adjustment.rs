//! `adjustment.html`: the adjustment of a control network on a page that needs nothing else.

use askama::Template;

use crate::control::{Sigmas, Verdict};
use crate::network::{Adjustment, ObservationRow, PointRow, name};
use crate::report::adjustment_sketch::{caption, sketch};
use crate::results::format::{ResidualFormat, UNDEFINED, decimal, signed};

/// The whole page as text. The same adjustment gives the same bytes.
pub fn page(adjustment: &Adjustment) -> String {
    let (drawing, magnified) = sketch(adjustment);
    let page = Page {
        title: &adjustment.title,
        kind: format!("Coordinates in {}.", adjustment.units.words()),
        lead: lead(adjustment),
        suggested: suspects(adjustment),
        sketch: drawing,
        caption: caption(adjustment, magnified),
        point_heads: point_heads(adjustment),
        points: adjustment
            .points
            .iter()
            .map(|point| (point.name.clone(), point_cells(point, adjustment)))
            .collect(),
        points_note: points_note(adjustment),
        tests: tests(adjustment),
        observations: adjustment.observations.iter().map(|row| observation(row, adjustment)).collect(),
        method: method(adjustment),
        notes: &adjustment.notes,
    };
    page.render().expect("the template writes text to memory")
}

#[derive(Template)]
#[template(ext = "html", source = r#"{% include "src/report/adjustment.html" %}"#)]
struct Page<'a> {
    title: &'a str,
    kind: String,
    lead: String,
    suggested: Vec<String>,
    /// As SVG.
    sketch: String,
    caption: String,
    point_heads: Vec<String>,
    points: Vec<(String, [String; 8])>,
    points_note: String,
    tests: Vec<(&'static str, String)>,
    observations: Vec<Observation>,
    method: String,
    notes: &'a [String],
}

struct Observation {
    class: &'static str,
    name: String,
    unit: &'static str,
    cells: Vec<String>,
    verdict: String,
}

/// The result in a sentence or two.
pub(super) fn lead(adjustment: &Adjustment) -> String {
    let suspects = adjustment.suggested.len();
    let blunders = match suspects {
        0 => "No observation is suspected of a blunder.".to_string(),
        1 => "One observation is suspected of a blunder.".to_string(),
        n => format!("{n} observations are suspected of blunders."),
    };
    let test = match adjustment.global_test.as_ref().map(|test| test.verdict) {
        None => "Nothing checks this network: it has no redundant observation.".to_string(),
        Some(Verdict::Passed) => "The residuals agree with the stated sigmas.".to_string(),
        Some(Verdict::TooLarge) if suspects > 0 => "The residuals are larger than the stated sigmas allow.".to_string(),
        Some(Verdict::TooLarge) => {
            "The residuals are larger than the stated sigmas allow, and no single observation explains it: the sigmas are too small, or \
             the known points do not fit each other."
                .to_string()
        }
        Some(Verdict::TooSmall) => "The residuals are smaller than expected from the stated sigmas, which are too large.".to_string(),
    };
    if adjustment.degrees_of_freedom == 0 { test } else { format!("{test} {blunders}") }
}

/// Each suspected observation with the reason.
pub(super) fn suspects(adjustment: &Adjustment) -> Vec<String> {
    let text = |one: &crate::network::SuggestedRow| {
        format!("{}: {}", name(&adjustment.observations[one.observation]), one.reason)
    };
    adjustment.suggested.iter().map(text).collect()
}

/// How residuals in plan and height are written.
fn small(adjustment: &Adjustment) -> ResidualFormat {
    ResidualFormat::of(adjustment.units)
}

fn point_heads(adjustment: &Adjustment) -> Vec<String> {
    let (unit, fine) = (adjustment.units.symbol(), small(adjustment).symbol);
    let heads = [
        ("easting", unit),
        ("northing", unit),
        ("elevation", unit),
        ("σ east", fine),
        ("σ north", fine),
        ("σ height", fine),
    ];
    let mut all: Vec<String> = heads.iter().map(|(head, unit)| format!("{head}, {unit}")).collect();
    all.push(format!("95 % ellipse, {fine}"));
    all.push("azimuth, °".to_string());
    all
}

/// The cells of a point.
pub(super) fn point_cells(point: &PointRow, adjustment: &Adjustment) -> [String; 8] {
    let format = small(adjustment);
    let coordinate = |value: Option<f64>| value.map_or(UNDEFINED.to_string(), |value| decimal(value, 4));
    let sigma = |value: Option<f64>, axis: &str| {
        if point.held.contains(&axis) { "held".to_string() } else { format.length(value) }
    };
    let ellipse = point.ellipse.as_ref();
    [
        coordinate(point.easting),
        coordinate(point.northing),
        coordinate(point.elevation),
        sigma(point.sigma_e, "easting"),
        sigma(point.sigma_n, "northing"),
        sigma(point.sigma_v, "elevation"),
        ellipse.map_or(UNDEFINED.to_string(), |one| {
            format!("{} × {}", format.length(Some(one.semi_major_95)), format.length(Some(one.semi_minor_95)))
        }),
        ellipse.map_or(UNDEFINED.to_string(), |one| decimal(one.azimuth, 0)),
    ]
}

/// Which sigmas are given.
pub(super) fn points_note(adjustment: &Adjustment) -> String {
    let s0 = decimal(adjustment.s0.unwrap_or(f64::NAN), 3);
    let sigmas = match adjustment.sigmas {
        _ if adjustment.s0.is_none() => {
            "Sigmas are a priori: they follow from the stated sigmas of the observations, and nothing checks them.".to_string()
        }
        Sigmas::Scaled => format!(
            "Sigmas are scaled by s0 = {s0}, because the residuals are significantly larger than the stated sigmas allow."
        ),
        Sigmas::APriori => format!(
            "Sigmas are a priori: they follow from the stated sigmas of the observations, not scaled by s0 = {s0}."
        ),
    };
    format!(
        "{sigmas} The axes of the 95 % ellipse are {} times those of the standard ellipse.",
        decimal(adjustment.ellipse_95, 2)
    )
}

/// What the tests say, by name.
fn tests(adjustment: &Adjustment) -> Vec<(&'static str, String)> {
    let counts = format!(
        "{} values used, {} withheld, {} unknowns, {} degrees of freedom.",
        adjustment.used, adjustment.withheld, adjustment.unknowns, adjustment.degrees_of_freedom
    );
    let mut all = vec![("Counts", counts)];
    if let (Some(test), Some(factor)) = (&adjustment.global_test, adjustment.variance_factor) {
        let verdict = match test.verdict {
            Verdict::Passed => "passes",
            Verdict::TooLarge => "fails: too large",
            Verdict::TooSmall => "fails: too small",
        };
        all.push((
            "Variance factor",
            format!(
                "s0² = {}. v'Pv = {} lies {} {} to {} (chi-square, 95 %, two-sided): {verdict}.",
                decimal(factor, 3),
                decimal(test.statistic, 2),
                if test.verdict == Verdict::Passed { "within" } else { "outside" },
                decimal(test.lower, 2),
                decimal(test.upper, 2)
            ),
        ));
    }
    let blunders = &adjustment.blunder_test;
    all.push((
        "Blunders",
        format!(
            "Data snooping over {} values that others check: a good value stays below |w| = {} ({} % a test, at most {} % for all tests together).",
            blunders.tested,
            decimal(blunders.critical_value, 2),
            100.0 * blunders.level,
            100.0 * blunders.family_level
        ),
    ));
    all
}

fn observation(row: &ObservationRow, adjustment: &Adjustment) -> Observation {
    let is_angle = row.unit != adjustment.units.symbol();
    let format = small(adjustment);
    let written = |value: Option<f64>, style: fn(f64, usize) -> String| {
        value.map_or(UNDEFINED.to_string(), |value| style(value, 1))
    };
    let residual = |value| if is_angle { written(value, signed) } else { format.signed(value) };
    let size = |value| if is_angle { written(value, decimal) } else { format.length(value) };
    Observation {
        class: if row.verdict == "suspect" { "suspect" } else { "" },
        name: name(row),
        unit: if is_angle { row.unit } else { format.symbol },
        cells: vec![
            decimal(row.observed, if is_angle { 5 } else { 4 }),
            residual(row.residual),
            size(Some(row.sigma)),
            decimal(row.redundancy, 2),
            written(row.w, signed),
            residual(row.left_out),
            size(row.detectable),
        ],
        verdict: match (&row.why, row.verdict) {
            (Some(why), "withheld") => format!("withheld: {why}"),
            (_, verdict) => verdict.to_string(),
        },
    }
}

fn method(adjustment: &Adjustment) -> String {
    let mut text = "Weighted least squares in the plane of the grid (Gauss–Newton); heights from levels, zenith angles and positions. \
                    Blunders by data snooping (Baarda 1968, citation not verified)."
        .to_string();
    let has = |kind: &str| adjustment.observations.iter().any(|row| row.kind == kind);
    if has("distance") {
        text += &format!(" Distances times {} are those of the grid.", adjustment.scale_factor);
    }
    if has("zenith") {
        text += &format!(
            " Zenith angles are reduced for curvature and refraction with k = {} and a radius of 6,371 km.",
            adjustment.refraction
        );
    }
    if has("direction") || has("zenith") {
        text += &format!(
            " Angles in {}, their residuals in {}.",
            adjustment.angles.words(),
            adjustment.small_angles
        );
    }
    text
}
