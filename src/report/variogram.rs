//! The empirical semivariogram of the residuals as a drawing.

use crate::report::svg::{Drawing, Scale, ticks};
use crate::results::format::{self, ResidualFormat};
use crate::results::summary::Summary;

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 220.0;
/// Margins at the left, right, top and bottom for the axes.
const MARGINS: [f64; 4] = [64.0, 16.0, 24.0, 42.0];

/// Pairs below which a point of the curve is not drawn.
const FEWEST_PAIRS: u64 = 100;

/// The semivariogram as SVG: distance on a logarithmic axis; nothing where there are too few points.
pub fn figure(summary: &Summary) -> Option<String> {
    let correlation = &summary.trust.correlation;
    let points: Vec<(f64, f64)> = correlation
        .variogram
        .iter()
        .filter(|(distance, _, pairs)| *distance > 0.0 && *pairs >= FEWEST_PAIRS)
        .map(|(distance, half, _)| (*distance, *half))
        .collect();
    if points.len() < 4 {
        return None;
    }
    let unit = summary.units.symbol();
    let log = libm::log10;
    let (first, last) = (log(points[0].0), log(points[points.len() - 1].0));
    let highest = points.iter().map(|point| point.1).fold(0.0, f64::max);
    if !(highest > 0.0 && last > first) {
        return None;
    }
    let x = Scale { values: [first, last], positions: [MARGINS[0], WIDTH - MARGINS[1]] };
    let y = Scale { values: [0.0, highest * 1.1], positions: [HEIGHT - MARGINS[3], MARGINS[2]] };
    let title = "Semivariogram of the residuals (dz)";
    let description = format!(
        "Semivariance at distances from {} {unit} to {} {unit}.",
        format::decimal(points[0].0, 2),
        format::decimal(points[points.len() - 1].0, 0)
    );
    let mut drawing = Drawing::new("variogram", WIDTH, HEIGHT, title, &description);
    let format = ResidualFormat::of(summary.units);
    let squared = format.scaled(1.0) * format.scaled(1.0);
    let (values, decimals) = ticks(0.0, highest * 1.1 * squared, 5);
    for value in values {
        let at = y.at(value / squared);
        drawing.line("grid", [x.positions[0], at], [x.positions[1], at]);
        drawing.text("tick", "end", x.positions[0] - 8.0, at + 4.0, &format::decimal(value, decimals));
    }
    let middle = (x.positions[0] + x.positions[1]) / 2.0;
    for power in (first.floor() as i32)..=(last.ceil() as i32) {
        for digit in [1.0, 2.0, 5.0] {
            // Dividing by a whole power of ten gives the number itself.
            let value = if power < 0 { digit / 10f64.powi(-power) } else { digit * 10f64.powi(power) };
            if !x.holds(log(value)) {
                continue;
            }
            let at = x.at(log(value));
            drawing.line("axis", [at, y.positions[0]], [at, y.positions[0] + 4.0]);
            drawing.text("tick", "middle", at, y.positions[0] + 17.0, &format!("{value}"));
        }
    }
    drawing.line("axis", [x.positions[0], y.positions[0]], [x.positions[1], y.positions[0]]);
    for pair in points.windows(2) {
        let at = |(distance, half): (f64, f64)| [x.at(log(distance)), y.at(half)];
        drawing.line("bias", at(pair[0]), at(pair[1]));
    }
    if let Some(range) = correlation.range.filter(|range| x.holds(log(*range))) {
        let at = x.at(log(range));
        drawing.line("zero", [at, y.positions[0]], [at, y.positions[1]]);
    }
    drawing.line("axis", [x.positions[0], y.positions[0]], [x.positions[0], y.positions[1]]);
    drawing.text("hint", "start", 0.0, 12.0, &format!("γ, {}²", format.symbol));
    drawing.text("label", "middle", middle, 14.0, title);
    drawing.text("hint", "middle", middle, HEIGHT - 6.0, &format!("distance in plan, {unit}"));
    Some(drawing.finish())
}
