//! The map of residuals: dz by cell over the ground that the survey delivered, north up. It is drawn without a script; with one it
//! can be moved, magnified, asked for a cell's figures, and shown by return.

use std::fmt::Write;

use crate::report::map_layers::{Frame, Layers, layers, runs, short};
use crate::results::format::{self, ResidualFormat, decimal};
use crate::results::pictures::{MapCell, Pictures, Relief, ResidualMap};
use crate::results::summary::Summary;
use crate::units::Unit;

/// Classes of dz to either side of the middle one.
pub(super) const CLASSES: usize = 4;
/// Share of the cells that the scale holds; beyond it colours do not change.
const WITHIN: f64 = 0.98;
/// Width over height from which on a map is as wide as its frame.
const WIDEST: f64 = 1.1;

/// The map, ready for the page.
pub(super) struct MapText {
    /// The drawing, as SVG.
    pub svg: String,
    /// What the script needs, as JSON.
    pub data: String,
    /// The key: class of the style sheet, and range of dz.
    pub key: Vec<(String, String)>,
    /// Returns that have cells.
    pub returns: Vec<u8>,
    /// Where it lies, how large its cells are, and how far its colours reach.
    pub caption: String,
    /// What else it shows.
    pub notes: Vec<String>,
    /// Layers that can be shown and hidden: id, name, and whether they are shown at first.
    pub switches: Vec<(&'static str, &'static str, bool)>,
    /// The scale bar: its share of the width, per cent, and its length with the unit.
    pub scale: (String, String),
    /// The most that its width is of the frame, per cent: a tall map is narrow.
    pub width: String,
}

/// Where the drawing lies, in cells, and how dz becomes a class.
struct View<'a> {
    map: &'a ResidualMap,
    /// Least and greatest column and row.
    columns: [i64; 2],
    rows: [i64; 2],
    /// Width of a class, in the unit of the report.
    step: f64,
}

/// The map; none where nothing was compared.
pub(super) fn map(summary: &Summary, pictures: &Pictures) -> Option<MapText> {
    let map = pictures.map.as_ref().filter(|map| !map.cells.is_empty())?;
    let view = View::of(map, pictures.relief.as_ref());
    let format = ResidualFormat::of(summary.units);
    let mut returns: Vec<u8> =
        map.cells.iter().flat_map(|cell| cell.returns.iter().map(|one| one.0)).collect();
    returns.sort_unstable();
    returns.dedup();
    // Checkpoints of a list are compared with all returns together.
    returns.retain(|number| *number > 0);
    let layers = layers(pictures, &view.frame());
    Some(MapText {
        svg: draw(&view, &layers),
        notes: layers.notes,
        switches: layers.switches,
        scale: scale_bar(&view, pictures.horizontal),
        width: decimal((view.width() as f64 / view.height() as f64 / WIDEST * 100.0).clamp(30.0, 100.0), 1),
        data: data(&view, pictures.horizontal, format),
        key: key(view.step, format),
        returns,
        caption: caption(&view, pictures.horizontal, summary.units),
    })
}

impl<'a> View<'a> {
    /// All cells, and the ground: as closely as its relief tells, or by the squares that have some.
    fn of(map: &'a ResidualMap, relief: Option<&Relief>) -> Self {
        let of_relief = relief.map(|relief| {
            let (first, size) = (relief.first, (relief.columns as i64, relief.rows as i64));
            (relief.cell, vec![(first.1, first.0), (first.1 + size.1 - 1, first.0 + size.0 - 1)])
        });
        let (edge, ground) = of_relief.unwrap_or_else(|| map.ground.clone());
        let times = edge as f64 / map.cell as f64;
        let reach = |own: &dyn Fn(&MapCell) -> i64, square: &dyn Fn(&(i64, i64)) -> i64| {
            let cells = map.cells.iter().map(|cell| [own(cell), own(cell) + 1]);
            let ground = ground.iter().map(|place| {
                let at = square(place) as f64;
                [(at * times).floor() as i64, ((at + 1.0) * times).ceil() as i64]
            });
            cells
                .chain(ground)
                .fold([i64::MAX, i64::MIN], |all, one| [all[0].min(one[0]), all[1].max(one[1])])
        };
        let mut sizes: Vec<f64> = map.cells.iter().filter_map(mean).map(f64::abs).collect();
        sizes.sort_by(f64::total_cmp);
        let at = ((sizes.len() as f64 * WITHIN).ceil() as usize).clamp(1, sizes.len().max(1)) - 1;
        let reaches = sizes.get(at).copied().unwrap_or(0.0);
        View {
            map,
            columns: reach(&|cell| cell.column, &|place| place.1),
            rows: reach(&|cell| cell.row, &|place| place.0),
            step: round_step(reaches / (CLASSES as f64 + 0.5)),
        }
    }

    fn frame(&self) -> Frame {
        let cell = self.map.cell as f64;
        let (west, north) = (self.columns[0] as f64 * cell, self.rows[1] as f64 * cell);
        Frame { west, north, cell, width: self.width() as f64 }
    }

    fn width(&self) -> i64 {
        self.columns[1] - self.columns[0]
    }

    fn height(&self) -> i64 {
        self.rows[1] - self.rows[0]
    }

    /// The class of a mean of dz, 0 for the lowest.
    fn class(&self, dz: f64) -> usize {
        let steps = (dz / self.step).round().clamp(-(CLASSES as f64), CLASSES as f64);
        (steps + CLASSES as f64) as usize
    }
}

/// The mean of all returns of a cell.
fn mean(cell: &MapCell) -> Option<f64> {
    // Of a list, the comparisons with all returns together stand under 0, and are not to be counted twice.
    let together = cell.returns.iter().any(|one| one.0 == 0);
    let counted = || cell.returns.iter().filter(move |one| !together || one.0 == 0);
    let n: u64 = counted().map(|one| one.1).sum();
    (n > 0).then(|| counted().map(|one| one.1 as f64 * one.2).sum::<f64>() / n as f64)
}

/// The next of 1, 1.5, 2, 3, 5, 7 times a power of ten.
fn round_step(value: f64) -> f64 {
    let value = value.max(1e-6);
    let power = 10f64.powf(libm::log10(value).floor());
    let steps = [1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0];
    steps.iter().find(|step| *step * power >= value * (1.0 - 1e-9)).unwrap_or(&10.0) * power
}

/// A round length that takes no more than a third of the width.
fn scale_bar(view: &View<'_>, horizontal: Unit) -> (String, String) {
    let width = horizontal.from_micrometres(view.width() as f64 * view.map.cell as f64);
    let power = 10f64.powf(libm::log10(width / 3.0).floor());
    let long = [5.0, 2.0, 1.0].into_iter().map(|digit| digit * power).find(|long| *long <= width / 3.0);
    let long = long.unwrap_or(power);
    let decimals = if long < 1.0 { 2 } else { 0 };
    (decimal(long / width * 100.0, 2), format!("{} {}", decimal(long, decimals), horizontal.symbol()))
}

fn draw(view: &View<'_>, layers: &Layers) -> String {
    let (width, height) = (view.width(), view.height());
    let mut svg = String::new();
    let _ = write!(
        svg,
        r#"<svg id="map" class="map" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" preserveAspectRatio="xMidYMid meet" style="aspect-ratio:{width}/{height}" role="img" aria-labelledby="map-title map-desc" tabindex="0">
<title id="map-title">Map of dz by cell</title>
<desc id="map-desc">North is up. Cells are coloured by the mean of dz, over the shaded ground of the survey. The table by return, and the profiles, give the same in figures.</desc>
"#
    );
    let times = view.map.ground.0 as f64 / view.map.cell as f64;
    if layers.under.is_empty() {
        let mut ground = String::new();
        for run in runs(view.map.ground.1.iter().copied()) {
            let (row, column, long) = run;
            let x = column as f64 * times - view.columns[0] as f64;
            let y = view.rows[1] as f64 - (row + 1) as f64 * times;
            let [x, y, w, h] = [x, y, long as f64 * times, times].map(short);
            let _ = write!(ground, "M{x} {y}h{w}v{h}h-{w}z");
        }
        let _ = writeln!(svg, r#"<path class="delivered" d="{ground}"/>"#);
    }
    svg.push_str(&layers.under);
    let mut places = vec![Vec::new(); 2 * CLASSES + 1];
    for cell in &view.map.cells {
        if let Some(dz) = mean(cell) {
            places[view.class(dz)].push((cell.row, cell.column));
        }
    }
    let path = |places: Vec<(i64, i64)>| {
        let mut path = String::new();
        for (row, column, long) in runs(places.into_iter()) {
            let (x, y) = (column - view.columns[0], view.rows[1] - row - 1);
            let _ = write!(path, "M{x} {y}h{long}v1h-{long}z");
        }
        path
    };
    let paths = places.into_iter().map(path);
    svg.push_str("<g id=\"map-cells\">");
    for (class, path) in paths.enumerate().filter(|(_, path)| !path.is_empty()) {
        let _ = write!(svg, r#"<path class="dz{class}" d="{path}"/>"#);
    }
    svg.push_str("</g>");
    svg.push_str(&layers.over);
    svg.push_str(r#"<rect id="map-marked" width="1" height="1" visibility="hidden"/></svg>"#);
    svg
}

/// `{"cell": edge, "west": …, "north": …, "step": …, "classes": 4, "unit": "mm", "decimals": 1, "horizontal": "m", "cells": [[column,
/// row from the north, [return, n, dz], …], …]}`.
fn data(view: &View<'_>, horizontal: Unit, format: ResidualFormat) -> String {
    let edge = horizontal.from_micrometres(view.map.cell as f64);
    let (west, north) = (view.columns[0] as f64 * edge, view.rows[1] as f64 * edge);
    let decimals = if format.symbol == "mm" { 1 } else { 3 };
    let mut text = format!(
        r#"{{"cell":{edge},"west":{west},"north":{north},"step":{},"classes":{CLASSES},"unit":"{}","decimals":{decimals},"horizontal":"{}","cells":["#,
        format.scaled(view.step),
        format.symbol,
        horizontal.symbol()
    );
    for (i, cell) in view.map.cells.iter().enumerate() {
        let comma = if i > 0 { "," } else { "" };
        let (column, row) = (cell.column - view.columns[0], view.rows[1] - cell.row - 1);
        let _ = write!(text, "{comma}[{column},{row}");
        for (number, n, dz) in &cell.returns {
            let _ = write!(text, ",[{number},{n},{:.*}]", decimals + 1, format.scaled(*dz));
        }
        text.push(']');
    }
    text + "]}"
}

fn key(step: f64, format: ResidualFormat) -> Vec<(String, String)> {
    let at = |steps: f64| format.signed(Some(steps * step));
    let text = |class: usize| {
        let middle = class as f64 - CLASSES as f64;
        match class {
            0 => format!("below {}", at(middle + 0.5)),
            class if class == 2 * CLASSES => format!("above {}", at(middle - 0.5)),
            _ => format!("{} to {}", at(middle - 0.5), at(middle + 0.5)),
        }
    };
    (0..=2 * CLASSES).map(|class| (format!("dz{class}"), text(class))).collect()
}

fn caption(view: &View<'_>, horizontal: Unit, units: Unit) -> String {
    let edge = horizontal.from_micrometres(view.map.cell as f64);
    let ends = |[low, high]: [i64; 2]| {
        format!("{} to {}", decimal(low as f64 * edge, 0), decimal(high as f64 * edge, 0))
    };
    let scale = format::length((CLASSES as f64 + 0.5) * view.step, units);
    format!(
        "Easting {}, northing {} {}. Cells of {} {}, {} of them with comparisons. The colours reach to ±{scale}, within which 98 % \
         of the cells lie.",
        ends(view.columns),
        ends(view.rows),
        horizontal.symbol(),
        decimal(edge, 2),
        horizontal.symbol(),
        format::thousands(view.map.cells.len() as u64)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    fn pictures() -> Pictures {
        let cell =
            |row, column, dz: f64| MapCell { row, column, returns: vec![(1, 10, dz), (3, 2, 2.0 * dz)] };
        let cells = (0..200).map(|i| cell(50 + i / 20, -3 + i % 20, 0.0005 * (i - 100) as f64)).collect();
        let map =
            ResidualMap { cell: 2_000_000, cells, ground: (8_388_608, vec![(12, -1), (12, 0), (13, 2)]) };
        Pictures { map: Some(map), ..sample::decided().1 }
    }

    #[test]
    fn every_cell_is_drawn_once_within_the_drawing() {
        let map = map(&sample::decided().0, &pictures()).unwrap();
        let cells = map.svg.split("map-cells").nth(1).unwrap();
        let runs = cells.split('h').skip(1).map(|part| part.split('v').next().unwrap().parse::<i64>());
        assert_eq!(runs.filter_map(Result::ok).filter(|long| *long > 0).sum::<i64>(), 200);
        let size: Vec<i64> = map
            .svg
            .split("viewBox=\"0 0 ")
            .nth(1)
            .unwrap()
            .split('"')
            .next()
            .unwrap()
            .split(' ')
            .map(|n| n.parse().unwrap())
            .collect();
        for corner in cells.split('M').skip(1) {
            let at: Vec<i64> =
                corner.split('h').next().unwrap().split(' ').map(|n| n.parse().unwrap()).collect();
            assert!((0..size[0]).contains(&at[0]) && (0..size[1]).contains(&at[1]), "{corner} {size:?}");
        }
        assert_eq!(map.returns, [1, 3]);
        let data: serde_json::Value = serde_json::from_str(&map.data).unwrap();
        assert_eq!(data["cells"].as_array().unwrap().len(), 200);
        // The place of the first cell: row 50, column −3 of cells of 2 m.
        let (west, north) = (data["west"].as_f64().unwrap(), data["north"].as_f64().unwrap());
        let first = &data["cells"][0];
        assert_eq!(west + 2.0 * first[0].as_f64().unwrap(), -6.0);
        assert_eq!(north - 2.0 * (first[1].as_f64().unwrap() + 1.0), 100.0);
    }

    #[test]
    fn the_key_is_symmetric_and_holds_98_of_100_cells() {
        let (summary, pictures) = (sample::decided().0, pictures());
        let view = View::of(pictures.map.as_ref().unwrap(), None);
        let beyond =
            view.map.cells.iter().filter_map(mean).filter(|dz| dz.abs() > (CLASSES as f64 + 0.5) * view.step);
        assert!(beyond.count() <= 4);
        assert_eq!((view.class(0.0), view.class(9.9), view.class(-9.9)), (CLASSES, 2 * CLASSES, 0));
        let key = map(&summary, &pictures).unwrap().key;
        assert_eq!(key.len(), 2 * CLASSES + 1);
        assert_eq!(key[0].1.replace("below −", ""), key[2 * CLASSES].1.replace("above +", ""));
    }
}
