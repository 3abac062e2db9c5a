//! Normal quantile plots of the residuals, a panel a return: a straight line where they are normal, bent where a tail is cut off or
//! too heavy. From the bins of the histogram, at whose edges the shares are exact.

use crate::report::svg::{Drawing, Scale, ticks};
use crate::results::format::{self, ResidualFormat};
use crate::results::statistics::Statistics;
use crate::results::summary::{Histogram, Summary};
use crate::stats::distributions::normal_quantile;

const PANEL: f64 = 168.0;
const MARGINS: [f64; 4] = [46.0, 10.0, 22.0, 34.0];
const COLUMNS: usize = 3;
/// Panels at the most: later returns are few.
const PANELS: usize = 6;
/// Quantiles shown, in SD from the median: 99.9 % lie within.
const REACH: f64 = 3.3;

/// A return that has enough comparisons.
struct Panel<'a> {
    return_number: u8,
    statistics: &'a Statistics,
    /// Normal quantile and dz.
    points: Vec<(f64, f64)>,
}

/// The panels as one drawing; none where no return has enough comparisons.
pub(super) fn figure(summary: &Summary, histogram: &Histogram) -> Option<String> {
    let panels: Vec<Panel<'_>> = summary
        .returns
        .iter()
        .filter(|row| row.statistics.support().is_enough_for_a_verdict())
        .filter_map(|row| {
            let (_, counts) = histogram.returns.iter().find(|(number, _)| *number == row.return_number)?;
            Some(Panel {
                return_number: row.return_number,
                statistics: &row.statistics,
                points: points(counts, histogram),
            })
        })
        .filter(|panel| panel.points.len() > 4)
        .take(PANELS)
        .collect();
    if panels.is_empty() {
        return None;
    }
    let format = ResidualFormat::of(summary.units);
    let columns = panels.len().min(COLUMNS);
    let rows = panels.len().div_ceil(columns);
    let (width, height) = (PANEL * columns as f64, PANEL * rows as f64);
    let title = "Normal quantile plots of dz by return";
    let mut drawing = Drawing::new("quantiles", width, height, title, &describe(&panels));
    for (i, Panel { return_number, statistics, points }) in panels.iter().enumerate() {
        let (left, top) = (PANEL * (i % columns) as f64, PANEL * (i / columns) as f64);
        let bounds =
            [left + MARGINS[0], left + PANEL - MARGINS[1], top + MARGINS[2], top + PANEL - MARGINS[3]];
        let name = format!("Return {return_number} · n {}", format::thousands(statistics.compared));
        drawing.text("label", "start", bounds[0], top + 14.0, &name);
        panel(&mut drawing, statistics, points, bounds, format);
    }
    Some(drawing.finish())
}

fn panel(
    drawing: &mut Drawing,
    statistics: &Statistics,
    points: &[(f64, f64)],
    [left, right, top, bottom]: [f64; 4],
    format: ResidualFormat,
) {
    let (Some(bias), Some(sd)) = (statistics.bias, statistics.sd) else { return };
    let value = |dz: f64| format.scaled(dz);
    let ends = points
        .iter()
        .fold([f64::MAX, f64::MIN], |ends, (_, dz)| [ends[0].min(value(*dz)), ends[1].max(value(*dz))]);
    let x = Scale { values: [-REACH, REACH], positions: [left, right] };
    let y = Scale { values: ends, positions: [bottom, top] };
    for z in [-2.0, 0.0, 2.0] {
        drawing.line("grid", [x.at(z), top], [x.at(z), bottom]);
        drawing.text("tick", "middle", x.at(z), bottom + 14.0, &format::signed(z, 0));
    }
    let (values, decimals) = ticks(ends[0], ends[1], 4);
    for tick in values {
        drawing.line("grid", [left, y.at(tick)], [right, y.at(tick)]);
        drawing.text("tick", "end", left - 5.0, y.at(tick) + 4.0, &format::signed(tick, decimals));
    }
    drawing.line("axis", [left, bottom], [right, bottom]);
    drawing.text(
        "hint",
        "middle",
        (left + right) / 2.0,
        bottom + 28.0,
        &format!("normal quantile (dz, {})", format.symbol),
    );
    // The line of the normal distribution of this bias and SD, as far as it lies within.
    let at = |dz: f64| (dz - bias) / sd;
    let inside = [format_inverse(ends[0], format), format_inverse(ends[1], format)].map(at);
    let (from, to) = (inside[0].max(-REACH), inside[1].min(REACH));
    if sd > 0.0 && from < to {
        let line = |z: f64| [x.at(z), y.at(value(bias + z * sd))];
        drawing.line("zero", line(from), line(to));
    }
    for (z, dz) in points {
        drawing.ellipse("dot", [x.at(*z), y.at(value(*dz))], [1.7, 1.7], 0.0);
    }
}

/// A scaled residual in the unit of the report.
fn format_inverse(scaled: f64, format: ResidualFormat) -> f64 {
    scaled / format.scaled(1.0)
}

/// The upper edges of bins as (normal quantile of the share below, dz).
fn points(counts: &[u64], histogram: &Histogram) -> Vec<(f64, f64)> {
    let all: u64 = counts.iter().sum();
    let mut below = 0;
    let mut points = Vec::new();
    for (i, n) in counts.iter().enumerate() {
        below += n;
        let share = below as f64 / all as f64;
        let Some(z) = normal_quantile(share).filter(|z| z.abs() <= REACH) else { continue };
        points.push((z, histogram.start + (i + 1) as f64 * histogram.bin_width));
    }
    points
}

fn describe(panels: &[Panel<'_>]) -> String {
    let returns: Vec<String> = panels.iter().map(|panel| panel.return_number.to_string()).collect();
    format!(
        "Quantiles of dz against those of a normal distribution, for return {}.",
        format::and_list(&returns)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::units::Unit;

    #[test]
    fn normal_residuals_lie_on_the_line() {
        let (summary, pictures) = sample::five_returns(Unit::Metre);
        let (_, counts) = &pictures.histogram.returns[1];
        let (bias, sd) =
            (summary.returns[1].statistics.bias.unwrap(), summary.returns[1].statistics.sd.unwrap());
        let found = points(counts, &pictures.histogram);
        assert!(found.len() > 20);
        for (z, dz) in found.iter().filter(|(z, _)| z.abs() < 2.0) {
            assert!((dz - (bias + z * sd)).abs() < 0.15 * sd, "{z} {dz}");
        }
        let svg = figure(&summary, &pictures.histogram).unwrap();
        assert!(svg.contains("Return 1 · n 8,122") && !svg.contains("NaN"), "{svg}");
        let (nothing, pictures) = sample::nothing_matched();
        assert_eq!(figure(&nothing, &pictures.histogram), None);
    }
}
