//! The adjustment of a control network as it is printed.

use std::path::Path;

use crate::network::Adjustment;
use crate::report::adjustment::{lead, point_cells, points_note, suspects};
use crate::report::lines::{columns, wrap};
use crate::results::format::ResidualFormat;

/// The result for a terminal; `folder` is where the files are.
pub fn text(adjustment: &Adjustment, folder: &Path) -> String {
    let mut text = format!("{}\n{}", wrap(&adjustment.title), wrap(&lead(adjustment)));
    for suspect in suspects(adjustment) {
        text += &wrap(&format!("- {suspect}"));
    }
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
    let mut rows = vec![heads.map(str::to_string)];
    for point in &adjustment.points {
        let [east, north, up, sigma_east, sigma_north, sigma_up, ellipse, azimuth] =
            point_cells(point, adjustment);
        let name = point.name.clone();
        rows.push([name, east, north, up, sigma_east, sigma_north, sigma_up, ellipse, azimuth]);
    }
    let fine = ResidualFormat::of(adjustment.units).symbol;
    text += &format!(
        "\nAdjusted coordinates in {}, sigmas and ellipses in {fine}\n{}{}",
        adjustment.units.symbol(),
        columns(&rows, 1),
        wrap(&points_note(adjustment))
    );
    text += &format!(
        "\n{} values used, {} withheld, {} unknowns, {} degrees of freedom\n",
        adjustment.used, adjustment.withheld, adjustment.unknowns, adjustment.degrees_of_freedom
    );
    let unchecked = adjustment.observations.iter().filter(|row| row.verdict == "unchecked").count();
    if unchecked > 0 {
        text += &wrap(&format!(
            "Unchecked values (no other observation checks them): {unchecked}, see adjustment.html"
        ));
    }
    for note in &adjustment.notes {
        text += &wrap(&format!("Note: {note}"));
    }
    text + &format!("\nresults in {}\n", folder.display())
}
