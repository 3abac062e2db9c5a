//! RMSE_V by return and cover with 95 % intervals, against the lines of the vertical accuracy classes. Covers are told apart by
//! the shape of their marks, returns by their row.

use crate::report::decision_table::{compliance, covers, group_key, interval, judged_rmse_v};
use crate::report::svg::{Drawing, Scale, ticks};
use crate::results::format::{self, ResidualFormat, thousands};
use crate::results::summary::Summary;
use crate::standards::VERTICAL_CLASSES_CM;
use crate::units::Unit;

const WIDTH: f64 = 520.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = WIDTH - 78.0;
const TOP: f64 = 44.0;
const FOOT: f64 = 40.0;
/// Height of a mark's own line, and what is left between rows.
const STEP: f64 = 13.0;
const GAP: f64 = 8.0;

/// A mark: one return on one cover.
struct Mark {
    cover: usize,
    n: u64,
    value: f64,
    ends: Option<[f64; 2]>,
}

/// The chart as SVG; nothing where no return has a figure.
pub(super) fn figure(summary: &Summary) -> Option<String> {
    let covers = covers(summary);
    let numbers = summary.returns.iter().map(|row| Some(row.return_number)).chain([None]);
    let marks_of = |number: Option<u8>| -> Vec<Mark> {
        let mark = |(i, cover): (usize, Option<crate::tile::strata::Cover>)| {
            let compliance = compliance(summary, &group_key(number, cover))?;
            let value = judged_rmse_v(compliance)?;
            Some(Mark { cover: i, n: compliance.compared, value, ends: interval(compliance) })
        };
        covers.iter().map(|cover| cover.cover).enumerate().filter_map(mark).collect()
    };
    let rows: Vec<(String, Vec<Mark>)> = numbers
        .map(|number| (number.map_or("all".to_string(), |n| n.to_string()), marks_of(number)))
        .filter(|(_, marks)| !marks.is_empty())
        .collect();
    let format = ResidualFormat::of(summary.units);
    let highest =
        |mark: &Mark| mark.ends.map_or(mark.value, |ends| ends[1].min(3.0 * mark.value).max(mark.value));
    let most = rows.iter().flat_map(|(_, marks)| marks).map(highest).fold(0.0, f64::max);
    if !(most > 0.0 && most.is_finite()) {
        return None;
    }
    let reach = format.scaled(most) * 1.06;
    let x = Scale { values: [0.0, reach], positions: [LEFT, RIGHT] };
    let height_of = |marks: &[Mark]| STEP * marks.len() as f64 + GAP;
    let height = TOP + rows.iter().map(|(_, marks)| height_of(marks)).sum::<f64>() + FOOT;
    let mut drawing = Drawing::new("accuracy", WIDTH, height, TITLE, &describe(summary, &rows));
    let base = height - FOOT;
    let mut at = LEFT;
    for (i, cover) in covers.iter().enumerate() {
        mark(&mut drawing, i, at + 5.0, 10.0);
        drawing.text("hint", "start", at + 14.0, 14.0, cover.head);
        at += 24.0 + 6.9 * cover.head.len() as f64;
    }
    // Lines of classes, as long as their labels do not run into each other.
    let mut last = f64::NEG_INFINITY;
    for class in VERTICAL_CLASSES_CM {
        let value = format.scaled(summary.units.from_micrometres(class * 1e4));
        if value <= 0.0 || !x.holds(value) {
            continue;
        }
        let at = x.at(value);
        drawing.line("class", [at, TOP - 6.0], [at, base]);
        if at - last > 34.0 {
            drawing.text("hint", "middle", at, TOP - 10.0, &format!("{class} cm"));
            last = at;
        }
    }
    let mut y = TOP;
    for (name, marks) in &rows {
        let middle = y + height_of(marks) / 2.0;
        drawing.text("label", "end", LEFT - 10.0, middle + 4.0, name);
        for (i, one) in marks.iter().enumerate() {
            let at = y + GAP / 2.0 + STEP * (i as f64 + 0.5);
            if let Some([low, high]) = one.ends {
                let [low, high] = [low, high].map(|end| x.clamped(format.scaled(end)));
                drawing.line("whisker", [low, at], [high, at]);
                [low, high]
                    .iter()
                    .for_each(|end| drawing.line("whisker", [*end, at - 3.0], [*end, at + 3.0]));
            }
            mark(&mut drawing, one.cover, x.at(format.scaled(one.value)), at);
            drawing.text("tick", "start", RIGHT + 10.0, at + 4.0, &format!("n {}", thousands(one.n)));
        }
        y += height_of(marks);
        drawing.line("grid", [LEFT, y], [RIGHT, y]);
    }
    let (values, decimals) = ticks(0.0, reach, 6);
    drawing.line("axis", [LEFT, base], [RIGHT, base]);
    for value in values {
        let at = x.at(value);
        drawing.line("axis", [at, base], [at, base + 4.0]);
        drawing.text("tick", "middle", at, base + 17.0, &format::decimal(value, decimals));
    }
    let label = format!("RMSE_V, {}", format.symbol);
    drawing.text("label", "middle", (LEFT + RIGHT) / 2.0, base + 34.0, &label);
    drawing.text("hint", "end", LEFT - 10.0, TOP - 10.0, "return");
    Some(drawing.finish())
}

/// What the chart shows.
pub(super) const TITLE: &str = "RMSE_V by return and ground, with 95 % intervals";

fn mark(drawing: &mut Drawing, cover: usize, x: f64, y: f64) {
    match cover {
        0 => drawing.ellipse("mark", [x, y], [4.0, 4.0], 0.0),
        1 => drawing.pointer("mark hollow", x, y - 4.5),
        _ => drawing.rectangle("mark", [x - 3.6, x + 3.6], [y - 3.6, y + 3.6]),
    }
}

fn describe(summary: &Summary, rows: &[(String, Vec<Mark>)]) -> String {
    let covers = covers(summary);
    let unit: Unit = summary.units;
    let of = |(name, marks): &(String, Vec<Mark>)| {
        let marks: Vec<String> = marks
            .iter()
            .map(|mark| format!("{} {}", covers[mark.cover].head, format::length(mark.value, unit)))
            .collect();
        let name = if name == "all" { "All returns".to_string() } else { format!("Return {name}") };
        format!("{name}: {}", marks.join(", "))
    };
    rows.iter().map(of).collect::<Vec<_>>().join(". ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    #[test]
    fn every_return_with_figures_has_its_marks_and_all_lie_within_the_drawing() {
        let svg = figure(&sample::decided().0).unwrap();
        // Open ground and canopy of all; open ground of return 1; canopy of return 2; and the key.
        assert_eq!(svg.matches("<ellipse class=\"mark\"").count(), 3, "{svg}");
        assert!(svg.contains("n 2,000") && svg.contains(">2.5 cm<") && svg.contains(">all<"));
        for unit in [Unit::Metre, Unit::UsSurveyFoot] {
            let (summary, _) = sample::five_returns(unit);
            if let Some(svg) = figure(&summary) {
                assert!(!svg.contains("NaN") && !svg.contains("inf"));
            }
        }
        assert_eq!(figure(&sample::nothing_matched().0), None);
    }
}
