//! `adjusted.csv`, which `control:` reads, and `adjustment.json`.

use crate::network::results::{Adjustment, PointRow};

/// Columns of `adjusted.csv`; lengths in the units of the network, the azimuth in decimal degrees.
const COLUMNS: [&str; 15] = [
    "name",
    "easting",
    "northing",
    "elevation",
    "sigma_h",
    "sigma_v",
    "sigma_e",
    "sigma_n",
    "covariance_en",
    "semi_major",
    "semi_minor",
    "azimuth",
    "semi_major_95",
    "semi_minor_95",
    "held",
];

/// The adjusted coordinates as a table.
pub(crate) fn adjusted_csv(adjustment: &Adjustment) -> String {
    let mut table = csv::Writer::from_writer(Vec::new());
    let decimals = adjustment.units.decimals();
    table.write_record(COLUMNS).expect("text in memory");
    for point in &adjustment.points {
        table.write_record(record(point, decimals)).expect("text in memory");
    }
    String::from_utf8(table.into_inner().expect("text in memory")).expect("text")
}

fn record(point: &PointRow, decimals: usize) -> [String; 15] {
    let length = |value: Option<f64>, decimals: usize| {
        value.map_or(String::new(), |value| format!("{value:.decimals$}"))
    };
    let ellipse = |of: fn(&super::results::EllipseRow) -> f64| point.ellipse.as_ref().map(of);
    [
        point.name.clone(),
        length(point.easting, decimals),
        length(point.northing, decimals),
        length(point.elevation, decimals),
        length(point.sigma_h, 6),
        length(point.sigma_v, 6),
        length(point.sigma_e, 6),
        length(point.sigma_n, 6),
        point.covariance_en.map_or(String::new(), |value| format!("{value:.6e}")),
        length(ellipse(|ellipse| ellipse.semi_major), 6),
        length(ellipse(|ellipse| ellipse.semi_minor), 6),
        length(ellipse(|ellipse| ellipse.azimuth), 2),
        length(ellipse(|ellipse| ellipse.semi_major_95), 6),
        length(ellipse(|ellipse| ellipse.semi_minor_95), 6),
        point.held.join(" "),
    ]
}

/// The adjustment for programs.
pub(crate) fn adjustment_json(adjustment: &Adjustment) -> String {
    serde_json::to_string_pretty(adjustment).expect("plain data") + "\n"
}
