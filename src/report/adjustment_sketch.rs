//! A sketch of a control network: points, observations between them, and error ellipses much enlarged.

use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::PI;

use libm::{cos, sin};

use crate::network::Adjustment;
use crate::report::svg::Drawing;
use crate::results::format::{ResidualFormat, decimal};

const WIDTH: f64 = 620.0;
const MARGIN: f64 = 48.0;
/// Pixels of the largest ellipse.
const LARGEST: f64 = 30.0;

/// The drawing, and how many times the ellipses are enlarged against the ground; none where none is drawn.
pub(super) fn sketch(adjustment: &Adjustment) -> (String, Option<f64>) {
    let (places, height, scale) = places(adjustment);
    let mut drawing = Drawing::new(
        "network",
        WIDTH,
        height,
        "Sketch of the network",
        "Points with their error ellipses, and lines where something was observed between two of them.",
    );
    let mut ties: BTreeMap<[&str; 2], bool> = BTreeMap::new();
    for row in &adjustment.observations {
        if let Some(to) = &row.to {
            let pair = [row.from.as_str().min(to), row.from.as_str().max(to)];
            *ties.entry(pair).or_default() |= row.verdict == "suspect";
        }
    }
    for is_suspect in [false, true] {
        for (pair, _) in ties.iter().filter(|(_, suspect)| **suspect == is_suspect) {
            if let [Some(a), Some(b)] = pair.map(|name| places.get(name)) {
                drawing.line(if is_suspect { "tie suspect" } else { "tie" }, *a, *b);
            }
        }
    }
    let ellipses = adjustment.points.iter().filter_map(|point| point.ellipse.as_ref());
    let largest = ellipses.map(|ellipse| ellipse.semi_major_95).fold(0.0, f64::max);
    let magnified = scale.filter(|_| largest > 0.0).map(|scale| LARGEST / largest / scale);
    let suspects: BTreeSet<&str> = adjustment
        .observations
        .iter()
        .filter(|row| row.verdict == "suspect" && row.to.is_none())
        .map(|row| row.from.as_str())
        .collect();
    for point in &adjustment.points {
        let Some(at) = places.get(point.name.as_str()) else { continue };
        if let (Some(ellipse), Some(_)) = (&point.ellipse, magnified) {
            let axes = [ellipse.semi_major_95, ellipse.semi_minor_95].map(|axis| axis / largest * LARGEST);
            drawing.ellipse("ellipse", *at, axes, ellipse.azimuth - 90.0);
        }
    }
    for point in &adjustment.points {
        let Some([x, y]) = places.get(point.name.as_str()).copied() else { continue };
        if point.held.is_empty() {
            let class = if suspects.contains(point.name.as_str()) { "pointer" } else { "station" };
            drawing.ellipse(class, [x, y], [3.5, 3.5], 0.0);
        } else {
            drawing.rectangle("held", [x - 4.0, x + 4.0], [y - 4.0, y + 4.0]);
        }
        drawing.text("label", "start", x + 7.0, y - 6.0, &point.name);
    }
    (drawing.finish(), magnified)
}

/// What the sketch shows.
pub(super) fn caption(adjustment: &Adjustment, magnified: Option<f64>) -> String {
    let first = "Squares: held points; circles: adjusted ones. Lines: observed between the two; a strong coloured line or filled circle: a suspected blunder.";
    match magnified {
        Some(times) => {
            let largest = adjustment.points.iter().filter_map(|point| point.ellipse.as_ref());
            let largest = largest.map(|ellipse| ellipse.semi_major_95).fold(0.0, f64::max);
            let format = ResidualFormat::of(adjustment.units);
            format!(
                "{first} North is up. Ellipses hold the true position with 95 %; the largest has a half axis of {} {}, drawn {} times as large as the network.",
                format.length(Some(largest)),
                format.symbol,
                decimal(times, 0)
            )
        }
        None if adjustment.points.iter().any(|point| point.easting.is_some()) => {
            format!("{first} North is up. Nothing is adjusted in plan.")
        }
        None => format!(
            "{first} The network has no positions in plan: the points stand in a circle, in the order of their names."
        ),
    }
}

/// Where points lie in the drawing, its height, and pixels per unit; none where the points have no positions.
fn places(adjustment: &Adjustment) -> (BTreeMap<&str, [f64; 2]>, f64, Option<f64>) {
    let known: Vec<(&str, [f64; 2])> = adjustment
        .points
        .iter()
        .filter_map(|point| Some((point.name.as_str(), [point.easting?, point.northing?])))
        .collect();
    let range = |axis: usize| {
        let values = known.iter().map(|(_, at)| at[axis]);
        values
            .fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], value| [low.min(value), high.max(value)])
    };
    let ([west, east], [south, north]) = (range(0), range(1));
    let span = (east - west).max((north - south) * 1.2);
    if known.is_empty() || span <= 0.0 {
        let count = adjustment.points.len() as f64;
        let circle = adjustment.points.iter().enumerate().map(|(index, point)| {
            let turn = 2.0 * PI * index as f64 / count;
            (point.name.as_str(), [0.5 * WIDTH + 130.0 * sin(turn), 170.0 - 130.0 * cos(turn)])
        });
        return (circle.collect(), 340.0, None);
    }
    let scale = (WIDTH - 2.0 * MARGIN) / span;
    let height = ((north - south) * scale + 2.0 * MARGIN).max(120.0);
    let left = 0.5 * (WIDTH - (east - west) * scale);
    let top = 0.5 * (height - (north - south) * scale);
    let at = |[e, n]: [f64; 2]| [left + (e - west) * scale, top + (north - n) * scale];
    (known.into_iter().map(|(name, place)| (name, at(place))).collect(), height, Some(scale))
}
