//! What matching adds, and what the ground filter refuses of the reference by slope, for the page and the terminal.

use crate::report::row::{Row, cell};
use crate::results::format::{length, percent, thousands};
use crate::results::summary::Summary;

/// What matching adds to the residuals, in a sentence or two; nothing where nothing was matched.
pub fn sentence(summary: &Summary) -> Option<String> {
    let matching = summary.trust.matching.as_ref()?;
    let write = |value: f64| length(value, summary.units);
    let mut parts = Vec::new();
    if let (Some(added), Some(scatter), Some(radius)) =
        (matching.added_sd, matching.residual_sd, matching.radius)
    {
        parts.push(format!(
            "{} comparisons with a plane of the reference (radius {}) carry about {} of matching error (one standard \
             deviation; {}, were all the scatter about the planes relief)",
            thousands(matching.planes),
            write(radius),
            write(added),
            write(scatter)
        ));
    }
    if matching.nearest > 0 {
        let slope = match matching.nearest_on_slope_sd {
            Some(added) => format!("carry {} of distance × slope and", write(added)),
            None => "carry".to_string(),
        };
        let stated = summary.reference_uncertainty.map_or(String::new(), |sigma| {
            format!(" (stated uncertainty of the reference {})", write(sigma))
        });
        parts.push(format!(
            "{} comparisons with the nearest reference point {slope} the noise of that one point in full{stated}",
            thousands(matching.nearest)
        ));
    }
    let spacing = matching.spacing.map_or(String::new(), |spacing| {
        format!(" The reference's ground points are about {} apart there.", write(spacing))
    });
    (!parts.is_empty()).then(|| format!("Matching: {}.{spacing}", parts.join("; ")))
}

/// The reference by slope class, as the ground filter judged it.
pub fn slope_rows(summary: &Summary) -> Vec<Row> {
    let rows = summary.reference.iter().flat_map(|reference| &reference.by_slope);
    rows.map(|row| Row {
        name: row.class(),
        cells: vec![
            cell(thousands(row.ground), true),
            cell(thousands(row.above_ground), false),
            cell(thousands(row.slope_refused), false),
            cell(percent(row.share_refused()), true),
        ],
    })
    .collect()
}
