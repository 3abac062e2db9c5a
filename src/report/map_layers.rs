//! What the map has under and over its cells: the shaded ground, the outlines of the reference and of strips, areas left out,
//! surveyed points.

use std::collections::BTreeSet;
use std::fmt::Write;

use crate::report::hillshade::hillshade;
use crate::report::svg::escape;
use crate::results::pictures::{Pictures, Relief};
use crate::units::Micrometres;

/// Gaps in the reference up to twice so many cells wide are not outlined.
const CLOSED: usize = 2;
/// Strips with an outline of their own at the most: more hide each other.
const MOST_STRIPS: usize = 24;
/// Corners of all areas at the most; between them corners are left out.
const MOST_CORNERS: usize = 4_000;
/// Surveyed points with a mark at the most.
const MOST_POINTS: usize = 2_000;

/// The frame of the map: its north-western corner and the edge of its cells, micrometres, which are the units of the drawing.
#[derive(Clone, Copy)]
pub(super) struct Frame {
    pub west: f64,
    pub north: f64,
    pub cell: f64,
    /// Width of the drawing in cells.
    pub width: f64,
}

impl Frame {
    fn x(&self, east: f64) -> f64 {
        (east - self.west) / self.cell
    }

    fn y(&self, north: f64) -> f64 {
        (self.north - north) / self.cell
    }
}

/// The layers as SVG, and what the page says of them.
pub(super) struct Layers {
    /// Under the cells.
    pub under: String,
    /// Over them.
    pub over: String,
    /// Layers that can be shown and hidden: id, name, and whether they are shown at first.
    pub switches: Vec<(&'static str, &'static str, bool)>,
    /// Sentences on what they show.
    pub notes: Vec<String>,
}

pub(super) fn layers(pictures: &Pictures, frame: &Frame) -> Layers {
    let mut all =
        Layers { under: String::new(), over: String::new(), switches: Vec::new(), notes: Vec::new() };
    if let Some(relief) = &pictures.relief {
        all.ground(relief, frame);
    }
    all.switches.push(("map-cells", "dz", true));
    if let Some(relief) = pictures.relief.as_ref().filter(|relief| relief.reference.contains(&true)) {
        let path = reference_outline(relief, frame);
        let _ = write!(all.over, r#"<path id="map-reference" class="outline" d="{path}"/>"#);
        all.switches.push(("map-reference", "outline of the reference", true));
    }
    all.left_out(pictures, frame);
    all.strips(pictures, frame);
    all.points(pictures, frame);
    all
}

impl Layers {
    fn ground(&mut self, relief: &Relief, frame: &Frame) {
        let shade = hillshade(relief);
        let cell = relief.cell as f64;
        let north = (relief.first.1 + relief.rows as i64) as f64 * cell;
        let size = [relief.columns, relief.rows].map(|cells| short(cells as f64 * cell / frame.cell));
        let _ = write!(
            self.under,
            r#"<image id="map-ground" class="relief" x="{}" y="{}" width="{}" height="{}" preserveAspectRatio="none" href="{}"/>"#,
            short(frame.x(relief.first.0 as f64 * cell)),
            short(frame.y(north)),
            size[0],
            size[1],
            shade.address
        );
        self.switches.push(("map-ground", "shaded ground", true));
        self.notes.push(match shade.exaggeration {
            1 => "The survey's ground is shaded with light from the north-west.".to_string(),
            times => format!(
                "The survey's ground is shaded with light from the north-west, slopes exaggerated {times} times."
            ),
        });
    }

    fn left_out(&mut self, pictures: &Pictures, frame: &Frame) {
        let corners: usize = pictures.left_out.iter().flat_map(|(_, rings)| rings).map(Vec::len).sum();
        if corners == 0 {
            return;
        }
        let step = corners.div_ceil(MOST_CORNERS);
        self.over.push_str(r#"<g id="map-left-out">"#);
        for (why, rings) in &pictures.left_out {
            let mut path = String::new();
            for ring in rings.iter().filter(|ring| ring.len() > 2) {
                // Of large areas every so many corners, but enough for a shape.
                let step = step.min(ring.len() / 3).max(1);
                for (i, (x, y)) in ring.iter().step_by(step).enumerate() {
                    let _ = write!(
                        path,
                        "{}{} {}",
                        if i == 0 { 'M' } else { 'L' },
                        short(frame.x(*x as f64)),
                        short(frame.y(*y as f64))
                    );
                }
                path.push('z');
            }
            let _ = write!(
                self.over,
                r#"<path class="left-out" fill-rule="evenodd" d="{path}"><title>left out: {}</title></path>"#,
                escape(why)
            );
        }
        self.over.push_str("</g>");
        self.switches.push(("map-left-out", "areas left out", true));
        self.notes.push("Dotted outlines: areas left out of the comparisons.".to_string());
    }

    fn strips(&mut self, pictures: &Pictures, frame: &Frame) {
        let (edge, strips) = &pictures.strips;
        if strips.len() < 2 {
            return;
        }
        self.over.push_str(r#"<g id="map-strips" class="off">"#);
        let size = short(frame.width / 45.0);
        for (i, (number, squares)) in strips.iter().take(MOST_STRIPS).enumerate() {
            let set: BTreeSet<(i64, i64)> = squares.iter().copied().collect();
            let path = outline_of(&set, *edge, frame);
            let _ = write!(self.over, r#"<path class="strip" d="{path}"/>"#);
            // Labels of strips that lie on each other stand at different squares.
            let at = squares[(2 * i + 1) * squares.len() / (2 * strips.len().min(MOST_STRIPS))];
            let middle = |place: i64| (place as f64 + 0.5) * *edge as f64;
            let _ = write!(
                self.over,
                r#"<text class="strip-label" font-size="{size}" x="{}" y="{}">{number}</text>"#,
                short(frame.x(middle(at.1))),
                short(frame.y(middle(at.0)))
            );
        }
        self.over.push_str("</g>");
        self.switches.push(("map-strips", "strips", false));
        if strips.len() > MOST_STRIPS {
            self.notes.push(format!("Of {} strips the first {MOST_STRIPS} can be shown.", strips.len()));
        }
    }

    fn points(&mut self, pictures: &Pictures, frame: &Frame) {
        if pictures.checkpoints.is_empty() {
            return;
        }
        let half = frame.width / 130.0;
        let whole = short(2.0 * half);
        let mut path = String::new();
        for (x, y) in pictures.checkpoints.iter().take(MOST_POINTS) {
            let (x, y) = (frame.x(*x as f64), frame.y(*y as f64));
            let _ = write!(
                path,
                "M{} {}h{whole}M{} {}v{whole}",
                short(x - half),
                short(y),
                short(x),
                short(y - half)
            );
        }
        let _ = write!(self.over, r#"<path id="map-points" class="surveyed-point" d="{path}"/>"#);
        self.switches.push(("map-points", "surveyed points", true));
        self.notes.push("Crosses: surveyed points.".to_string());
    }
}

/// The outline of the reference, with narrow gaps closed.
fn reference_outline(relief: &Relief, frame: &Frame) -> String {
    let margin = CLOSED as i64;
    let (columns, rows) = (relief.columns as i64, relief.rows as i64);
    let wide = (columns + 2 * margin) as usize;
    let mut grid = vec![false; wide * (rows + 2 * margin) as usize];
    let at = |column: i64, row: i64| (row + margin) as usize * wide + (column + margin) as usize;
    let inside = |column: i64, row: i64| {
        (-margin..columns + margin).contains(&column) && (-margin..rows + margin).contains(&row)
    };
    for (i, _) in relief.reference.iter().enumerate().filter(|(_, reference)| **reference) {
        let (column, row) = (i as i64 % columns, i as i64 / columns);
        for (east, north) in square(margin) {
            grid[at(column + east, row + north)] = true;
        }
    }
    let widened = |column: i64, row: i64| !inside(column, row) || grid[at(column, row)];
    let mut set = BTreeSet::new();
    for (row, column) in (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column))) {
        if square(margin).all(|(east, north)| widened(column + east, row + north)) {
            set.insert((row + relief.first.1, column + relief.first.0));
        }
    }
    outline_of(&set, relief.cell, frame)
}

/// All steps of at most so many cells.
fn square(margin: i64) -> impl Iterator<Item = (i64, i64)> {
    (-margin..=margin).flat_map(move |north| (-margin..=margin).map(move |east| (east, north)))
}

/// The edges between cells (row, column) of a set and others, as a path.
fn outline_of(set: &BTreeSet<(i64, i64)>, edge: Micrometres, frame: &Frame) -> String {
    // Edges along rows by (row of the edge, column), and along columns by (column of the edge, row).
    let (mut level, mut upright) = (BTreeSet::new(), BTreeSet::new());
    for &(row, column) in set {
        for (other, line) in [((row - 1, column), row), ((row + 1, column), row + 1)] {
            if !set.contains(&other) {
                level.insert((line, column));
            }
        }
        for (other, line) in [((row, column - 1), column), ((row, column + 1), column + 1)] {
            if !set.contains(&other) {
                upright.insert((line, row));
            }
        }
    }
    let size = edge as f64;
    let mut path = String::new();
    for (row, first, long) in runs(level.iter().copied()) {
        let (x, y) = (frame.x(first as f64 * size), frame.y(row as f64 * size));
        let _ = write!(path, "M{} {}h{}", short(x), short(y), short(long as f64 * size / frame.cell));
    }
    for (column, first, long) in runs(upright.iter().copied()) {
        let (x, y) = (frame.x(column as f64 * size), frame.y(first as f64 * size));
        let _ = write!(path, "M{} {}v-{}", short(x), short(y), short(long as f64 * size / frame.cell));
    }
    path
}

/// Pairs of a line and a place on it, in order, as runs of neighbours: line, first place, length.
pub(super) fn runs(places: impl Iterator<Item = (i64, i64)>) -> Vec<(i64, i64, i64)> {
    let mut runs: Vec<(i64, i64, i64)> = Vec::new();
    for (line, place) in places {
        match runs.last_mut() {
            Some((last, first, long)) if *last == line && *first + *long == place => *long += 1,
            _ => runs.push((line, place, 1)),
        }
    }
    runs
}

/// A coordinate to a hundredth of a cell.
pub(super) fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Frame = Frame { west: 0.0, north: 10.0e6, cell: 1.0e6, width: 10.0 };

    #[test]
    fn an_outline_goes_round_its_cells_and_round_holes() {
        let mut set: BTreeSet<(i64, i64)> =
            (0..3).flat_map(|row| (0..4).map(move |column| (row, column))).collect();
        assert_eq!(outline_of(&set, 1_000_000, &FRAME), "M0 10h4M0 7h4M0 10v-3M4 10v-3");
        set.remove(&(1, 1));
        let path = outline_of(&set, 1_000_000, &FRAME);
        assert_eq!(path.matches('h').count() + path.matches('v').count(), 8, "{path}");
    }

    #[test]
    fn narrow_gaps_of_the_reference_are_closed_and_wide_ones_are_not() {
        let mut relief = Relief {
            cell: 1_000_000,
            first: (0, 0),
            columns: 30,
            rows: 10,
            heights: vec![Some(0.0); 300],
            reference: (0..300).map(|at| at % 30 != 5).collect(),
        };
        let sides = |relief: &Relief| {
            let path = reference_outline(relief, &FRAME);
            path.matches('h').count() + path.matches('v').count()
        };
        assert_eq!(sides(&relief), 4);
        relief.reference = (0..300).map(|at| !(5..14).contains(&(at % 30))).collect();
        assert_eq!(sides(&relief), 8);
    }
}
