//! Residual histograms: one panel a return, one above the other on one shared axis, so that bias and spread compare by
//! eye. A return is named by its label, never by a colour.

use crate::report::svg::{Drawing, Scale, ticks};
use crate::results::format;
use crate::results::statistics::Statistics;
use crate::results::summary::{Histogram, Summary};
use crate::units::Unit;

/// Panels in one drawing: with more, it would not fit a printed page.
const PANELS: usize = 6;
/// At most this many bars in a panel; finer bins are put together.
const BARS: i64 = 56;
/// Share of the comparisons of a return that may fall beyond the axis on either side: so few would stretch it.
const BEYOND: f64 = 0.002;

const WIDTH: f64 = 480.0;
const LEFT: f64 = 40.0;
const RIGHT: f64 = WIDTH - 18.0;
const TOP: f64 = 30.0;
const LABEL: f64 = 20.0;
const NOTES: f64 = 13.0;
const BAR_HEIGHT: f64 = 46.0;
const GAP: f64 = 16.0;
const FOOT: f64 = 44.0;

/// One return that has something to show.
struct Panel<'a> {
    return_number: u8,
    statistics: &'a Statistics,
    /// Counts of the bins of the histogram.
    counts: &'a [u64],
}

/// The part of the axis that is drawn, counted in bins of the histogram from dz = 0.
struct View {
    /// The bin at which the histogram starts.
    first: i64,
    /// Lowest bin drawn, a multiple of `group`.
    low: i64,
    /// First bin no longer drawn, a multiple of `group`.
    high: i64,
    /// Bins put together in one bar.
    group: i64,
}

/// The drawings, several panels each; none where nothing was compared.
pub fn figures(summary: &Summary, histogram: &Histogram) -> Vec<String> {
    let panels: Vec<_> = summary
        .returns
        .iter()
        .filter(|row| row.statistics.compared > 0)
        .filter_map(|row| {
            let (_, counts) = histogram.returns.iter().find(|(number, _)| *number == row.return_number)?;
            Some(Panel { return_number: row.return_number, statistics: &row.statistics, counts })
        })
        .filter(|panel| panel.counts.iter().any(|&n| n > 0))
        .collect();
    if panels.is_empty() || !(histogram.bin_width.is_finite() && histogram.bin_width > 0.0) {
        return Vec::new();
    }
    let view = View::over(&panels, histogram);
    panels
        .chunks(PANELS)
        .enumerate()
        .map(|(i, chunk)| draw(i + 1, chunk, &view, histogram, summary))
        .collect()
}

impl View {
    fn over(panels: &[Panel<'_>], histogram: &Histogram) -> View {
        // The limit is far beyond any elevation; it keeps the whole numbers below from overflowing.
        let first = (histogram.start / histogram.bin_width).round().clamp(-1e12, 1e12) as i64;
        let (mut low, mut high) = (0, 1);
        for panel in panels {
            if let Some((from, to)) = middle(panel.counts) {
                low = low.min(first + from);
                high = high.max(first + to + 1);
            }
        }
        let sizes = (0..).flat_map(|power| [1, 2, 5].map(|digit| digit * 10_i64.pow(power)));
        let group = sizes.into_iter().find(|size| (high - low) / size <= BARS).unwrap_or(1);
        View {
            first,
            low: (low.div_euclid(group) - 1) * group,
            high: (high.div_euclid(group) + 2) * group,
            group,
        }
    }

    /// The counts of the bars of a panel, and what lies lower and higher than them.
    fn bars(&self, counts: &[u64]) -> (Vec<u64>, u64, u64) {
        let mut bars = vec![0; ((self.high - self.low) / self.group) as usize];
        let (mut lower, mut higher) = (0, 0);
        for (i, &n) in counts.iter().enumerate() {
            let bin = self.first + i as i64;
            if i == 0 || bin < self.low {
                lower += n;
            } else if i + 1 == counts.len() || bin >= self.high {
                higher += n;
            } else {
                bars[((bin - self.low) / self.group) as usize] += n;
            }
        }
        (bars, lower, higher)
    }
}

/// The bins, first and last, that hold all but [`BEYOND`] on either side; the outer bins of the histogram, which
/// have no width, are not among them.
fn middle(counts: &[u64]) -> Option<(i64, i64)> {
    let inner = counts.len().checked_sub(2).filter(|&n| n > 0)?;
    let spare = (counts.iter().sum::<u64>() as f64 * BEYOND) as u64;
    let from = past_spare(counts.iter(), spare)?;
    let to = counts.len() - 1 - past_spare(counts.iter().rev(), spare)?;
    Some((from.clamp(1, inner) as i64, to.clamp(1, inner) as i64))
}

/// Where the sum of the counts first exceeds `spare`.
fn past_spare<'a>(mut counts: impl Iterator<Item = &'a u64>, spare: u64) -> Option<usize> {
    let mut seen = 0;
    counts.position(|n| {
        seen += n;
        seen > spare
    })
}

fn draw(index: usize, panels: &[Panel<'_>], view: &View, histogram: &Histogram, summary: &Summary) -> String {
    let unit = summary.units;
    let ends = [view.low as f64 * histogram.bin_width, view.high as f64 * histogram.bin_width];
    // As in the text: millimetres up to two metres.
    let (factor, symbol) = match unit {
        Unit::Metre if ends[0].abs().max(ends[1].abs()) < 2.0 => (1000.0, "mm"),
        _ => (1.0, unit.symbol()),
    };
    let x = Scale { values: ends, positions: [LEFT, RIGHT] };
    let bars: Vec<_> = panels.iter().map(|panel| view.bars(panel.counts)).collect();
    let notes = if bars.iter().any(|(_, lower, higher)| lower + higher > 0) { NOTES } else { 0.0 };
    let step = LABEL + notes + BAR_HEIGHT + GAP;
    let height = TOP + step * panels.len() as f64 + FOOT - GAP;
    let returns: Vec<_> = panels.iter().map(|panel| panel.return_number.to_string()).collect();
    let mut drawing = Drawing::new(
        &format!("dz-{index}"),
        WIDTH,
        height,
        &format!("Residual histograms (dz), return {}", returns.join(", ")),
        &panels.iter().map(|panel| describe(panel, unit)).collect::<Vec<_>>().join(". "),
    );
    legend(&mut drawing);
    let (values, decimals) = ticks(ends[0] * factor, ends[1] * factor, 7);
    for (i, (panel, bars)) in panels.iter().zip(&bars).enumerate() {
        let top = TOP + step * i as f64;
        for tick in &values {
            let at = x.at(tick / factor);
            drawing.line("grid", [at, top + LABEL + notes], [at, top + LABEL + notes + BAR_HEIGHT]);
        }
        draw_panel(&mut drawing, panel, bars, &x, [top, top + LABEL + notes], unit);
    }
    let base = height - FOOT;
    for tick in &values {
        let at = x.at(tick / factor);
        drawing.line("axis", [at, base], [at, base + 4.0]);
        let text = format::signed(*tick, decimals);
        drawing.text("tick", "middle", at, base + 17.0, &text);
    }
    drawing.text("hint", "start", LEFT, base + 35.0, "◂ survey lower");
    drawing.text("label", "middle", (LEFT + RIGHT) / 2.0, base + 35.0, &format!("dz, {symbol}"));
    drawing.text("hint", "end", RIGHT, base + 35.0, "survey higher ▸");
    drawing.finish()
}

/// The legend, once, above the first panel.
fn legend(drawing: &mut Drawing) {
    let y = 13.0;
    drawing.rectangle("bar", [LEFT, LEFT + 10.0], [y - 9.0, y]);
    drawing.text("hint", "start", LEFT + 15.0, y, "comparisons");
    drawing.line("bias", [LEFT + 107.0, y - 10.0], [LEFT + 107.0, y - 3.0]);
    drawing.pointer("pointer", LEFT + 107.0, y - 4.0);
    drawing.text("hint", "start", LEFT + 116.0, y, "bias");
    drawing.rectangle("band", [LEFT + 164.0, LEFT + 182.0], [y - 9.0, y]);
    drawing.text("hint", "start", LEFT + 187.0, y, "bias ± SD");
    drawing.line("zero", [LEFT + 270.0, y - 11.0], [LEFT + 270.0, y + 1.0]);
    drawing.text("hint", "start", LEFT + 277.0, y, "zero: survey = reference");
}

fn draw_panel(
    drawing: &mut Drawing,
    panel: &Panel<'_>,
    (bars, lower, higher): &(Vec<u64>, u64, u64),
    x: &Scale,
    [top, bars_top]: [f64; 2],
    unit: Unit,
) {
    let base = bars_top + BAR_HEIGHT;
    drawing.text("label", "start", LEFT, top + 13.0, &describe(panel, unit));
    if *lower > 0 {
        drawing.text(
            "hint",
            "start",
            LEFT,
            bars_top - 3.0,
            &format!("◂ {} lower", format::thousands(*lower)),
        );
    }
    if *higher > 0 {
        drawing.text(
            "hint",
            "end",
            RIGHT,
            bars_top - 3.0,
            &format!("{} higher ▸", format::thousands(*higher)),
        );
    }
    let statistics = panel.statistics;
    let bias = statistics.bias.filter(|_| statistics.support().is_enough());
    if let (Some(bias), Some(sd)) = (bias, statistics.sd) {
        drawing.rectangle("band", [x.clamped(bias - sd), x.clamped(bias + sd)], [bars_top, base]);
    }
    let most = bars.iter().copied().max().unwrap_or(0);
    if most > 0 {
        let width = (RIGHT - LEFT) / bars.len() as f64;
        for (i, &n) in bars.iter().enumerate().filter(|(_, n)| **n > 0) {
            let left = LEFT + width * i as f64;
            let height = n as f64 / most as f64 * BAR_HEIGHT;
            drawing.rectangle("bar", [left, left + width - 0.6], [base - height, base]);
        }
        let total = bars.iter().sum::<u64>() + lower + higher;
        let share = format!("{} %", decimals_of_share(most as f64 / total as f64));
        drawing.text("tick", "end", LEFT - 5.0, bars_top + 9.0, &share);
    }
    drawing.line("zero", [x.at(0.0), bars_top], [x.at(0.0), base]);
    drawing.line("axis", [LEFT, base], [RIGHT, base]);
    if let Some(bias) = bias.filter(|&bias| x.holds(bias)) {
        drawing.line("bias", [x.at(bias), bars_top], [x.at(bias), base]);
        drawing.pointer("pointer", x.at(bias), base + 1.0);
    }
}

fn decimals_of_share(share: f64) -> String {
    format::decimal(share * 100.0, if share < 0.0995 { 1 } else { 0 })
}

/// The heading of a panel: `Return 1 · 8,120 comparisons · bias +4.1 mm · SD 25.0 mm`.
fn describe(panel: &Panel<'_>, unit: Unit) -> String {
    let mut text =
        format!("Return {} · {}", panel.return_number, format::comparisons(panel.statistics.compared));
    if !panel.statistics.support().is_enough() {
        return text;
    }
    if let Some(bias) = panel.statistics.bias {
        text += &format!(" · bias {}", format::signed_length(bias, unit));
    }
    if let Some(sd) = panel.statistics.sd {
        text += &format!(" · SD {}", format::length(sd, unit));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    /// The attributes of every element of this name and class, as numbers.
    fn shapes(svg: &str, start: &str, names: &[&str]) -> Vec<Vec<f64>> {
        svg.lines()
            .filter(|line| line.starts_with(start))
            .map(|line| {
                let value = |name: &&str| {
                    let (_, rest) = line.split_once(&format!(" {name}=\"")).unwrap();
                    rest.split('"').next().unwrap().parse().unwrap()
                };
                names.iter().map(value).collect()
            })
            .collect()
    }

    #[test]
    fn everything_lies_within_the_drawing() {
        for (summary, pictures) in [
            sample::five_returns(Unit::Metre),
            sample::five_returns(Unit::UsSurveyFoot),
            sample::fifteen_returns(),
            sample::one_comparison(),
            sample::far_off(),
        ] {
            let figures = figures(&summary, &pictures.histogram);
            assert!(!figures.is_empty());
            for svg in figures {
                let height = shapes(&svg, "<svg", &["height"])[0][0];
                let rectangles = shapes(&svg, "<rect", &["x", "y", "width", "height"]);
                for shape in &rectangles {
                    assert!(shape[0] >= LEFT && shape[0] + shape[2] <= RIGHT + 0.1, "{shape:?}");
                    assert!(shape[1] >= 0.0 && shape[1] + shape[3] <= height - FOOT + 0.1, "{shape:?}");
                    assert!(shape[2] >= 0.0 && shape[3] >= 0.0, "{shape:?}");
                }
                for at in shapes(&svg, "<text", &["x", "y"]) {
                    assert!((0.0..=WIDTH).contains(&at[0]) && (0.0..=height).contains(&at[1]), "{at:?}");
                }
                // Half of `+0.05` at the end of the axis must fit beside it.
                let ticks = shapes(&svg, "<text class=\"tick\" text-anchor=\"middle\"", &["x"]);
                assert!(ticks.len() > 1 && ticks.iter().all(|x| x[0] <= WIDTH - 18.0), "{ticks:?}");
                assert!(!svg.contains("NaN") && !svg.contains("inf"));
            }
        }
    }

    #[test]
    fn no_comparison_is_lost_between_bars_and_notes() {
        let (summary, pictures) = sample::far_off();
        let panels: Vec<_> = pictures
            .histogram
            .returns
            .iter()
            .zip(&summary.returns)
            .map(|((number, counts), row)| Panel {
                return_number: *number,
                statistics: &row.statistics,
                counts,
            })
            .collect();
        let view = View::over(&panels, &pictures.histogram);
        assert_eq!((view.low % view.group, view.high % view.group), (0, 0));
        for panel in &panels {
            let (bars, lower, higher) = view.bars(panel.counts);
            assert!(bars.len() as i64 <= BARS + 4);
            assert_eq!(bars.iter().sum::<u64>() + lower + higher, panel.counts.iter().sum::<u64>());
        }
    }

    #[test]
    fn what_lies_beyond_the_bins_is_counted() {
        let (summary, pictures) = sample::far_off();
        let svg = figures(&summary, &pictures.histogram).concat();
        assert!(svg.contains(" lower</text>") && svg.contains(" higher ▸</text>"), "{svg}");
        // The outer bins hold what lies beyond, so they never make a bar, even where they lie on the axis.
        let view = View { first: 0, low: 0, high: 4, group: 1 };
        assert_eq!(view.bars(&[3, 1, 5, 2]), (vec![0, 1, 5, 0], 3, 2));
    }

    #[test]
    fn many_returns_make_several_drawings_and_none_makes_none() {
        let (summary, pictures) = sample::fifteen_returns();
        assert_eq!(figures(&summary, &pictures.histogram).len(), 3);
        let (summary, pictures) = sample::nothing_matched();
        assert!(figures(&summary, &pictures.histogram).is_empty());
        let (summary, mut pictures) = sample::five_returns(Unit::Metre);
        pictures.histogram.bin_width = 0.0;
        assert!(figures(&summary, &pictures.histogram).is_empty());
    }

    #[test]
    fn a_panel_without_inner_bins_does_not_stop_the_page() {
        let (summary, mut pictures) = sample::one_comparison();
        for counts in [vec![1], vec![1, 0], vec![0, 1]] {
            pictures.histogram.returns = vec![(1, counts)];
            assert_eq!(figures(&summary, &pictures.histogram).len(), 1);
        }
    }
}
