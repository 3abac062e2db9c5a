//! How large tiles may be so that the work fits the memory allowed.

use std::collections::HashMap;
use std::path::Path;

use crate::stages::chain::Chain;
use crate::units::Micrometres;

/// What is known of a cloud before it is read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Density {
    /// Points.
    pub points: u64,
    /// Points a square metre, on the careful (dense) side.
    pub per_m2: f64,
    /// Where they are, file by file; nothing where a file does not say.
    pub boxes: Vec<FileBox>,
    /// Area of the box around all files that state one, or where none does, of so many points so close together, square metres.
    pub area_m2: f64,
}

/// The box around a file's points, as its header states it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FileBox {
    /// Points of the file.
    pub points: f64,
    /// Least and greatest easting, metres.
    pub x: (f64, f64),
    /// Least and greatest northing, metres.
    pub y: (f64, f64),
}

/// Files rarely fill their box: so much more is nearer to what a full tile holds.
pub const DENSE_SIDE: f64 = 1.3;

/// Tiles that boxes are laid over at the most; beyond, the densest part is taken to be everywhere.
const MOST_TILES: f64 = 200_000.0;

/// Bytes of a survey point at work on a tile: the point, its status, its candidate and its residual.
pub const SURVEY_POINT: f64 = 90.0;
/// Bytes of a cell while a surface is opened.
pub const CELL: f64 = 64.0;
/// Bytes of a terrain cell while its points are summed: its state, and sums of a few returns and the reference.
pub const TERRAIN_CELL: f64 = 160.0;
/// Bytes of a cell of a raster while its reference is summed: what was seen there, and sums.
pub const RASTER_CELL: f64 = 40.0;
/// Bytes that blocks of rasters take while they are made, beside points.
const RASTERS: f64 = 40e6;
/// Bytes of a cell by which strips are compared: its first strip, and the sums of two.
const AGREEMENT_CELL: f64 = 250.0;
/// Bytes of a cell by which sites for checkpoints are looked for: sums of its ground, and what lies over it.
pub const SITE_CELL: f64 = 190.0;
/// Share of the memory allowed that tiles may take: the rest is buffers, tables and slack.
pub const SHARE: f64 = 0.6;
/// Bytes free for a folder that may not be there yet, where the system tells.
pub fn free_bytes(folder: &Path) -> Option<u64> {
    let whole = std::path::absolute(folder).ok()?;
    let there = whole.ancestors().find(|path| path.exists())?;
    fs4::available_space(there).ok()
}

/// What the fullest tile is taken to hold.
pub struct Fullest {
    /// Points.
    pub points: f64,
    /// Bytes that they take while it is worked on.
    pub bytes: f64,
}

/// What the fullest tile of `edge` micrometres holds of the survey: over the boxes of the files, or where they do not say,
/// a tile full of it. The reference streams past, and takes no memory.
pub fn fullest(edge: Micrometres, survey: &Density, chain: &Chain) -> Fullest {
    let metres = |um: Micrometres| um as f64 / 1e6;
    let halo = metres(chain.halo().survey);
    let mut tiles: HashMap<(i64, i64), Fullest> = HashMap::new();
    if !survey.boxes.is_empty()
        && fill(&mut tiles, survey, metres(edge), halo, SURVEY_POINT)
        && let Some(fullest) = tiles.into_values().max_by(|a, b| a.bytes.total_cmp(&b.bytes))
    {
        return fullest;
    }
    let points = (metres(edge) + 2.0 * halo).powi(2) * survey.per_m2;
    Fullest { points, bytes: points * SURVEY_POINT }
}

/// Adds what a cloud puts into every tile; false where the tiles are too many.
fn fill(tiles: &mut HashMap<(i64, i64), Fullest>, cloud: &Density, edge: f64, halo: f64, bytes: f64) -> bool {
    for file in &cloud.boxes {
        let range = |(low, high): (f64, f64)| {
            ((low - halo) / edge).floor() as i64..=((high + halo) / edge).floor() as i64
        };
        let (columns, rows) = (range(file.x), range(file.y));
        let side = |range: &std::ops::RangeInclusive<i64>| *range.end() as f64 - *range.start() as f64 + 1.0;
        if tiles.len() as f64 + side(&columns) * side(&rows) > MOST_TILES {
            return false;
        }
        let per_m2 = DENSE_SIDE * file.points / ((file.x.1 - file.x.0) * (file.y.1 - file.y.0)).max(1.0);
        let covered = |(low, high): (f64, f64), tile: i64| {
            let corner = tile as f64 * edge;
            (high.min(corner + edge + halo) - low.max(corner - halo)).max(0.0)
        };
        for row in rows {
            for column in columns.clone() {
                let area = (covered(file.x, column) * covered(file.y, row)).max(1.0);
                let points = (area * per_m2).min(file.points);
                let tile = tiles.entry((row, column)).or_insert(Fullest { points: 0.0, bytes: 0.0 });
                tile.points += points;
                tile.bytes += points * bytes;
            }
        }
    }
    true
}

/// The least memory with which tiles of `edge` micrometres can be worked on, one at a time, bytes.
pub fn least_memory(edge: Micrometres, chain: &Chain) -> u64 {
    let rasters = chain.raster_cell.map_or(0.0, |_| RASTERS);
    ((cell_bytes(edge, chain) + LEAST_POINTS + rasters) / SHARE) as u64
}

/// Bytes that a unit of work may take, points and cells, in a run that is done in parts: which tiles are cut follows from
/// pipeline and headers alone, and a machine has as many units at work as its memory holds.
pub fn unit_bytes(edge: Micrometres, survey: &Density, chain: &Chain) -> u64 {
    let needed = fullest(edge, survey, chain).bytes + cell_bytes(edge, chain);
    needed.min(UNIT_BYTES).max(least_memory(edge, chain) as f64 * SHARE) as u64
}

/// The most of that: two of them fit the memory allowed by default.
const UNIT_BYTES: f64 = 150e6;

/// Bytes that the points of the smallest part of a tile may take.
const LEAST_POINTS: f64 = 4e6;

/// Bytes that the cells of a surface take, and those of strips, which are summed up once it is opened: by then half of its bytes are free
/// again.
pub fn with_strips(surface: f64, cells: f64) -> f64 {
    surface.max(surface / 2.0 + cells * AGREEMENT_CELL)
}

/// Bytes that the cells of a tile take: of the surface while it is opened, of the terrain, and of the strips.
pub fn cell_bytes(edge: Micrometres, chain: &Chain) -> f64 {
    let halo = chain.halo();
    let cells = chain
        .surfaces()
        .map(|need| {
            ((edge + 2 * halo.survey.max(halo.reference)) as f64 / need.cell + 2.0 * need.margin as f64)
                .powi(2)
        })
        .fold(0.0, f64::max);
    let terrain = chain.terrain_cell.map_or(0.0, |cell| (edge as f64 / cell.exact_micrometres()).powi(2));
    let agreement = chain.agreement.map_or(0.0, |rule| (edge as f64 / rule.cell).powi(2));
    let raster = chain.raster_cell.map_or(0.0, |cell| (edge as f64 / cell.exact_micrometres()).powi(2));
    let held = chain.held_cells().map(|(need, bytes)| {
        bytes * ((edge + 2 * halo.survey.max(halo.reference)) as f64 / need.cell).powi(2)
    });
    let whole = (edge + 2 * halo.survey) as f64;
    let sites = chain.site_cell.map_or(0.0, |cell| (whole / cell as f64).powi(2));
    with_strips(cells * CELL, agreement)
        + terrain * TERRAIN_CELL
        + raster * RASTER_CELL
        + sites * SITE_CELL
        + held.sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_room_for_a_folder_that_is_not_there_is_that_of_its_disk() {
        let base = tempfile::tempdir().unwrap();
        let free = free_bytes(&base.path().join("not/there/yet")).unwrap();
        assert!(free > 0 && free_bytes(Path::new("nor this")).is_some());
    }
    use crate::engine::plan::edge::tile_edge;
    use crate::stages::{ground::Ground, list::Stage};

    #[test]
    fn denser_surveys_have_smaller_tiles_and_fine_cells_need_more_memory() {
        let chain = Chain::new(&[Stage::Ground(Ground::default())], 1);
        let edge = |per_m2: f64| {
            tile_edge(&Density { points: 1_000_000, per_m2, boxes: Vec::new(), area_m2: 0.0 }, &chain)
                .unwrap()
        };
        assert!(edge(10_000.0) < edge(100.0) && edge(100.0) < edge(1.0));
        assert_eq!(edge(1e6), 20_000_000);
        let fine = Ground { cell: crate::units::Length::metres(0.05), ..Ground::default() };
        let fine = Chain::new(&[Stage::Ground(fine)], 1);
        assert!(least_memory(20_000_000, &fine) > 10 * least_memory(20_000_000, &chain));
    }

    #[test]
    fn a_dense_file_counts_only_where_it_is() {
        let chain = Chain::new(&[Stage::Ground(Ground::default())], 1);
        let file = |points, x: (f64, f64), y| FileBox { points, x, y };
        let wide = file(20e6, (0.0, 1000.0), (0.0, 1000.0));
        // A plot of 40 m with a thousand points a square metre more, cut by the tiles' edges at 500 m.
        let plot = file(1.6e6, (480.0, 520.0), (480.0, 520.0));
        let survey = |boxes: Vec<FileBox>| Density { points: 20_000_000, per_m2: 26.0, boxes, area_m2: 0.0 };
        let bytes =
            |edge: i64, boxes: &[FileBox]| fullest(edge * 1_000_000, &survey(boxes.to_vec()), &chain).bytes;
        let full = |edge: f64| edge * edge * 26.0 * SURVEY_POINT;
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        assert!(near(bytes(100, &[wide]), full(100.0)));
        assert!(near(bytes(100, &[wide, plot]), full(100.0) + 400.0 * 1300.0 * SURVEY_POINT));
        assert!(near(bytes(200, &[wide, plot]), full(200.0) + 1.6e6 * SURVEY_POINT));
        // Where the boxes are not known, the densest is taken to be everywhere.
        let unknown = Density { points: 20_000_000, per_m2: 1300.0, boxes: Vec::new(), area_m2: 0.0 };
        assert!(fullest(100_000_000, &unknown, &chain).bytes > bytes(100, &[wide, plot]));
    }

    #[test]
    fn cells_are_those_of_the_tile_with_its_margins_and_grow_with_the_square_of_a_finer_cell() {
        let ground = Ground::default();
        let chain = Chain::new(&[Stage::Ground(ground.clone())], 1);
        let need = chain.surfaces().next().expect("the ground filter wants a surface");
        let side = 100e6 / need.cell + 2.0 * need.margin as f64;
        assert_eq!(cell_bytes(100_000_000, &chain), side * side * CELL);
        let finer = Ground { cell: crate::units::Length::parse("0.25 m").unwrap(), ..ground };
        let finer = Chain::new(&[Stage::Ground(finer)], 1);
        let ratio = cell_bytes(100_000_000, &finer) / cell_bytes(100_000_000, &chain);
        assert!((3.5..4.5).contains(&ratio), "{ratio}");
    }

    #[test]
    fn without_boxes_or_over_too_many_tiles_the_densest_part_is_taken_to_be_everywhere() {
        let chain = Chain::new(&[Stage::Ground(Ground::default())], 1);
        let everywhere = Density { points: 1_000_000, per_m2: 50.0, boxes: Vec::new(), area_m2: 0.0 };
        let full = fullest(100_000_000, &everywhere, &chain);
        let halo = chain.halo().survey as f64 / 1e6;
        assert_eq!(full.points, (100.0 + 2.0 * halo).powi(2) * 50.0);
        assert_eq!(full.bytes, full.points * SURVEY_POINT);
        // A box as a wrong scale factor makes it: it cannot be laid over tiles one by one.
        let boxes = vec![FileBox { points: 1e6, x: (0.0, 1e6), y: (0.0, 1e6) }];
        let wide = Density { boxes, ..everywhere };
        assert_eq!(fullest(100_000_000, &wide, &chain).points, full.points);
    }
}
