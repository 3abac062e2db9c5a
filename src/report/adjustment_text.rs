//! The adjustment of a control network as it is printed.

use std::fmt::Write as _;
use std::path::Path;

use crate::network::Adjustment;
use crate::report::adjustment::{lead, point_cells, points_note, suspects};
use crate::results::format::ResidualFormat;

/// The result for a terminal; `folder` is where the files are.
pub fn text(adjustment: &Adjustment, folder: &Path) -> String {
    let mut text = format!("{}\n\n{}\n", adjustment.title, lead(adjustment));
    for suspect in suspects(adjustment) {
        let _ = writeln!(text, "  {suspect}");
    }
    let unit = adjustment.units.symbol();
    let fine = ResidualFormat::of(adjustment.units).symbol;
    let heads = [
        "point",
        "easting",
        "northing",
        "elevation",
        "σ east",
        "σ north",
        "σ height",
        "95 % ellipse",
        "azimuth",
    ];
    let mut rows = vec![heads.map(str::to_string).to_vec()];
    for point in &adjustment.points {
        rows.push([vec![point.name.clone()], point_cells(point, adjustment)].concat());
    }
    let widths: Vec<usize> = (0..heads.len())
        .map(|column| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0))
        .collect();
    let _ = writeln!(text, "\nAdjusted coordinates in {unit}, sigmas and ellipses in {fine}");
    for row in &rows {
        let cells = row.iter().zip(&widths).enumerate();
        let cells: Vec<String> = cells
            .map(
                |(column, (cell, width))| {
                    if column == 0 { format!("{cell:<width$}") } else { format!("{cell:>width$}") }
                },
            )
            .collect();
        let _ = writeln!(text, "{}", cells.join("  ").trim_end());
    }
    let _ = writeln!(text, "{}", points_note(adjustment));
    let _ = writeln!(
        text,
        "\n{} values used, {} withheld, {} unknowns, {} degrees of freedom",
        adjustment.used, adjustment.withheld, adjustment.unknowns, adjustment.degrees_of_freedom
    );
    let unchecked = adjustment.observations.iter().filter(|row| row.verdict == "unchecked").count();
    if unchecked > 0 {
        let _ = writeln!(text, "{unchecked} value(s) that no other observation checks: see the page");
    }
    for note in &adjustment.notes {
        let _ = writeln!(text, "note: {note}");
    }
    let _ = writeln!(text, "\nresults in {}", folder.display());
    text
}
