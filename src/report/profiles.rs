//! Profiles through survey and reference: points in a narrow band, looked at from the south. Returns are told apart by the shape of
//! their marks, ground by filled ones.

use std::fmt::Write;

use crate::report::svg::{Drawing, Scale, number, ticks};
use crate::results::format::{self, ResidualFormat, decimal, thousands};
use crate::results::pictures::{Echo, Pictures, Profile};
use crate::results::summary::Summary;
use crate::units::Unit;

const WIDTH: f64 = 520.0;
const HEIGHT: f64 = 262.0;
const LEFT: f64 = 50.0;
const RIGHT: f64 = WIDTH - 12.0;
const TOP: f64 = 46.0;
const BASE: f64 = HEIGHT - 42.0;

/// A profile on the page.
pub(super) struct ProfileText {
    pub title: String,
    pub svg: String,
    pub caption: String,
}

/// The shape of a mark about its middle, as a path.
fn shape(return_number: u8, x: f64, y: f64) -> String {
    let [x0, y0] = [x, y].map(number);
    let at = |dx: f64, dy: f64| format!("M{} {}", number(x + dx), number(y + dy));
    match return_number {
        1 => format!("{}a2.4 2.4 0 1 0 4.8 0a2.4 2.4 0 1 0-4.8 0", at(-2.4, 0.0)),
        2 => format!("{}l2.8 4.8h-5.6z", at(0.0, -2.9)),
        3 => format!("{}h4.4v4.4h-4.4z", at(-2.2, -2.2)),
        4 => format!("{}l3.1 3.1l-3.1 3.1l-3.1-3.1z", at(0.0, -3.1)),
        5 => format!("{}l2.8-4.8h-5.6z", at(0.0, 2.9)),
        0 => format!("{}l4 4M{} {}l4-4", at(-2.0, -2.0), number(x - 2.0), number(y + 2.0)),
        _ => format!("{}h5.6M{x0} {}v5.6", at(-2.8, 0.0), number(y0.parse::<f64>().unwrap_or(y) - 2.8)),
    }
}

/// The return whose shape a return has: from the sixth on they share one.
fn kind(return_number: u8) -> u8 {
    return_number.min(6)
}

/// Elevations without the mean slope: what lies above a straight line through the ground of the survey.
struct Line {
    /// Distance and elevation of its middle, micrometres.
    middle: [f64; 2],
    slope: f64,
}

impl Line {
    /// Fitted to the ground by least squares.
    fn of(echoes: &[Echo]) -> Self {
        let ground = || echoes.iter().filter(|echo| echo.is_ground);
        let n = ground().count().max(1) as f64;
        let mean = |value: &dyn Fn(&Echo) -> f64| ground().map(value).sum::<f64>() / n;
        let middle = [mean(&|echo| echo.along as f64), mean(&|echo| echo.z as f64)];
        let off = |echo: &Echo| [echo.along as f64 - middle[0], echo.z as f64 - middle[1]];
        let (across, up) =
            ground().map(off).fold((0.0, 0.0), |(across, up), [x, z]| (across + x * x, up + x * z));
        Line { middle, slope: if across > 0.0 { up / across } else { 0.0 } }
    }

    fn above(&self, along: i64, z: i64) -> f64 {
        z as f64 - self.middle[1] - self.slope * (along as f64 - self.middle[0])
    }
}

/// The profiles with their captions.
pub(super) fn figures(summary: &Summary, pictures: &Pictures) -> Vec<ProfileText> {
    let mut counts = [0, 0];
    let figure = |(i, profile): (usize, &Profile)| {
        let count = &mut counts[usize::from(profile.is_worst)];
        *count += 1;
        let title = match (profile.is_worst, *count) {
            (true, 1) => "Where |dz| is largest".to_string(),
            (true, n) => format!("Where |dz| is large, place {n}"),
            (false, n) => format!("A usual place ({n})"),
        };
        let line = Line::of(&profile.echoes);
        let (svg, beyond) = draw(i, profile, &line, &title, pictures.horizontal, summary.units);
        let caption = caption(profile, &line, beyond, pictures.horizontal, summary.units);
        ProfileText { title, svg, caption }
    };
    pictures.profiles.iter().enumerate().map(figure).collect()
}

/// What is the same for all of them.
pub(super) fn note(pictures: &Pictures) -> String {
    let Some(first) = pictures.profiles.first() else { return String::new() };
    let edge = pictures.horizontal.from_micrometres(first.square.2 as f64);
    format!(
        "Seen from the south, west at the left. Heights are over a straight line through the survey’s ground, so that millimetres can be \
         seen on a slope. Filled marks are ground of the survey, hollow ones its other echoes; small dots are the reference, all of its points. \
         Places are squares of {} {}: those with the largest |mean of dz|, and those nearest to the median of all squares. No figure of this report \
         is made from these drawings.",
        decimal(edge, 1),
        pictures.horizontal.symbol()
    )
}

/// The drawing, and how many points lie above and below it.
fn draw(
    at: usize,
    profile: &Profile,
    line: &Line,
    title: &str,
    horizontal: Unit,
    units: Unit,
) -> (String, [usize; 2]) {
    let height = |along: i64, z: i64| units.from_micrometres(line.above(along, z));
    let mut ground: Vec<f64> =
        profile.echoes.iter().filter(|echo| echo.is_ground).map(|echo| height(echo.along, echo.z)).collect();
    ground.sort_by(f64::total_cmp);
    let mut scan: Vec<f64> = profile.reference_points.iter().map(|(along, z)| height(*along, *z)).collect();
    scan.sort_by(f64::total_cmp);
    let part = |sorted: &[f64], share: f64| {
        sorted.get(((sorted.len() as f64 * share) as usize).min(sorted.len().saturating_sub(1))).copied()
    };
    let low = part(&ground, 0.01).into_iter().chain(part(&scan, 0.05)).fold(0.0, f64::min);
    let high = part(&ground, 0.99).into_iter().chain(part(&scan, 0.5)).fold(0.0, f64::max);
    let least = units.from_micrometres(100_000.0);
    let span = (high - low).max(least);
    let ends = [low - 0.1 * span, high + 0.35 * span];
    let long = horizontal.from_micrometres(profile.size.0 as f64);
    let x = Scale { values: [0.0, long], positions: [LEFT, RIGHT] };
    let y = Scale { values: ends, positions: [BASE, TOP] };
    let along = |along: i64| x.at(horizontal.from_micrometres(along as f64));
    let id = format!("profile-{at}");
    let description = format!(
        "Heights of {} points of the survey and {} of the reference along {} {}; the text below gives the figures.",
        thousands(profile.echoes.len() as u64),
        thousands(profile.reference_points.len() as u64),
        decimal(long, 1),
        horizontal.symbol()
    );
    let mut drawing = Drawing::new(&id, WIDTH, HEIGHT, title, &description);
    let mut numbers: Vec<u8> = profile.echoes.iter().map(|echo| kind(echo.return_number)).collect();
    numbers.sort_unstable();
    numbers.dedup();
    drawing.text("hint", "start", LEFT, 14.0, "return");
    let mut left = LEFT + 44.0;
    for one in numbers {
        drawing.path("echo ground", &shape(one, left, 10.0));
        let label = match one {
            0 => "not valid".to_string(),
            6 => "6 and later".to_string(),
            one => one.to_string(),
        };
        drawing.text("hint", "start", left + 7.0, 14.0, &label);
        left += 22.0 + 6.2 * label.len() as f64;
    }
    drawing.path("scan", &dot(left, 10.0));
    drawing.text("hint", "start", left + 6.0, 14.0, "reference");
    let (values, decimals) = ticks(ends[0], ends[1], 6);
    for value in values {
        drawing.line("grid", [LEFT, y.at(value)], [RIGHT, y.at(value)]);
        drawing.text("tick", "end", LEFT - 7.0, y.at(value) + 4.0, &format::decimal(value, decimals));
    }
    drawing.line("axis", [LEFT, BASE], [RIGHT, BASE]);
    let (values, decimals) = ticks(0.0, long, 8);
    for value in values {
        drawing.line("axis", [x.at(value), BASE], [x.at(value), BASE + 4.0]);
        drawing.text("tick", "middle", x.at(value), BASE + 17.0, &format::decimal(value, decimals));
    }
    let label = format!("distance from the western end, {}", horizontal.symbol());
    drawing.text("label", "middle", (LEFT + RIGHT) / 2.0, BASE + 34.0, &label);
    drawing.text("hint", "start", 4.0, TOP - 12.0, &format!("height over the line, {}", units.symbol()));
    let (mut dots, mut beyond) = (String::new(), [0, 0]);
    let mut within = |value: f64| {
        beyond[0] += usize::from(value > ends[1]);
        beyond[1] += usize::from(value < ends[0]);
        y.holds(value)
    };
    for (at, z) in &profile.reference_points {
        let value = height(*at, *z);
        if within(value) {
            dots += &dot(along(*at), y.at(value));
        }
    }
    drawing.path("scan", &dots);
    // Ground last, so that nothing hides it.
    for is_ground in [false, true] {
        let mut marks = String::new();
        for echo in profile.echoes.iter().filter(|echo| echo.is_ground == is_ground) {
            let value = height(echo.along, echo.z);
            if within(value) {
                let _ = write!(marks, "{}", shape(kind(echo.return_number), along(echo.along), y.at(value)));
            }
        }
        if !marks.is_empty() {
            drawing.path(if is_ground { "echo ground" } else { "echo" }, &marks);
        }
    }
    (drawing.finish(), beyond)
}

/// A point of the reference.
fn dot(x: f64, y: f64) -> String {
    format!("M{} {}h1.8v1.8h-1.8z", number(x - 0.9), number(y - 0.9))
}

fn caption(
    profile: &Profile,
    line: &Line,
    [above, below]: [usize; 2],
    horizontal: Unit,
    units: Unit,
) -> String {
    let metres = |um: i64, decimals| decimal(horizontal.from_micrometres(um as f64), decimals);
    let symbol = horizontal.symbol();
    let format = ResidualFormat::of(units);
    let drawn = |kind: bool| profile.echoes.iter().filter(|echo| echo.is_ground == kind).count() as u64;
    let of = |drawn: u64, all: u64, what: &str| match drawn < all {
        true => format!("{} of {} {what}", thousands(drawn), thousands(all)),
        false => format!("{} {what}", thousands(all)),
    };
    let slope = format!("{} %", decimal((line.slope * 100.0).abs(), 1));
    let direction = if line.slope < 0.0 { "falls" } else { "rises" };
    let outside = match (above, below) {
        (0, 0) => String::new(),
        (above, below) => format!(
            " {} drawn points lie above this window, {} below it.",
            thousands(above as u64),
            thousands(below as u64)
        ),
    };
    format!(
        "Mean of dz in the square {} {} (n = {}). Middle at E {}, N {} {symbol}; {} {symbol} long, {} {symbol} wide. The line {direction} \
         {slope} to the east, {} at its middle. Drawn: {}, {}, {}.{outside}",
        format.signed(Some(profile.square.1)),
        format.symbol,
        thousands(profile.square.0),
        metres(profile.middle.0, 1),
        metres(profile.middle.1, 1),
        metres(profile.size.0, 1),
        metres(profile.size.1, 1),
        format::distance(units.from_micrometres(line.middle[1]), units),
        of(drawn(true), profile.survey.0, "ground points"),
        of(drawn(false), profile.survey.1, "other points of the survey"),
        of(profile.reference_points.len() as u64, profile.reference, "points of the reference"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample_pictures;

    #[test]
    fn a_slope_is_taken_out_and_what_is_not_drawn_is_counted() {
        let (summary, pictures) = sample_pictures::mapped(20);
        let profile = &pictures.profiles[0];
        let line = Line::of(&profile.echoes);
        assert!((line.slope - 0.2).abs() < 0.02, "{}", line.slope);
        let all = figures(&summary, &pictures);
        assert_eq!(all.len(), pictures.profiles.len());
        assert!(all[0].title.contains("largest") && all[2].title.starts_with("A usual place"));
        assert!(all[0].caption.contains("of 1,000 points of the reference"), "{}", all[0].caption);
        // Echoes of the canopy, 6 m up, lie above the window.
        let above = profile.echoes.iter().filter(|echo| !echo.is_ground).count();
        assert!(all[0].caption.contains(&format!("{above} drawn points lie above")), "{}", all[0].caption);
        assert!(note(&pictures).contains("squares of 4.0 m"));
        let marks = all[0].svg.matches("a2.4 2.4 0 1 0 4.8 0").count();
        assert_eq!(
            marks,
            1 + profile.echoes.iter().filter(|one| one.is_ground && one.return_number == 1).count()
        );
    }
}
