//! Agreement inside each cloud: ground points by cell and strip, or by cell and setup; see [`crate::agreement`].
//!
//! Single returns alone count, so that what returns differ by does not stand as a difference of strips with unlike shares of
//! them; and cells that the cover of the survey says are open ground all over. A cell that the edge of a tile, or of a part of
//! it, cuts is summed up once all parts are there ([`CUT`]).

use crate::agreement::cell::CellRule;
use crate::agreement::sums::{StripCells, put_strips};
use crate::agreement::tally::Tally;
use crate::areas::LeftOut;
use crate::cloud::bounds::{Range, overlap};
use crate::cloud::point::Fields;
use crate::raster::{Extent, Raster, edge};
use crate::stages::cell_attributes::CellAttributes;
use crate::stages::left_out::place;
use crate::stages::stage::{TileStage, Visitor};
use crate::terrain::bytes::{put, put_signed, take};
use crate::tile::at_work::Tile;
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::tile::yields::{YieldError, Yields};

/// The section of the tallies: of each part of a tile first the cloud, then what its whole cells tell.
const SECTION: &str = "agreement";

/// The section of the cells that are cut: the cloud, column and row, and the sums.
pub const CUT: &str = "agreement cut cells";

/// The section of those of them whose part here is not all open ground, whether it holds points or not: column and row.
pub const COVERED: &str = "agreement covered cells";

/// The stage at work, after all that decides what is ground.
pub struct SumStrips {
    /// How cells are judged.
    pub rule: CellRule,
    /// Whether setups of the reference overlap.
    pub setups: bool,
    /// The areas whose points are left out of comparisons.
    pub left_out: LeftOut,
}

/// What the cells of the survey and of the reference tell.
pub type Tallies = [Tally; 2];

/// Takes the number of a cloud off the front.
pub fn take_cloud(from: &mut &[u8]) -> Option<usize> {
    take(from).map(|number| number as usize).filter(|number| *number < 2)
}

/// What the whole cells of all tiles tell.
///
/// # Errors
/// Where the disk does not give it back.
pub fn whole_cells(yields: &dyn Yields) -> Result<Tallies, YieldError> {
    let mut all = Tallies::default();
    yields.for_each(SECTION, &mut |mut bytes| {
        while !bytes.is_empty() {
            let cloud = take_cloud(&mut bytes)?;
            all[cloud].merge(&Tally::take(&mut bytes)?);
        }
        Some(())
    })?;
    Ok(all)
}

impl TileStage for SumStrips {
    fn fields(&self) -> Fields {
        Fields { strip: true, ..Fields::default() }
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let cells = |cloud: Cloud| {
            let (x, y) = tile.around.bounds(cloud).ranges()?;
            let (x, y) = overlap(tile.core, (x, y))?;
            Some(StripCells::new(Extent::covering(self.rule.cell, x, y, 0)))
        };
        let survey = (tile.points.survey > 0).then(|| cells(Cloud::Survey)).flatten();
        let reference = (self.setups && tile.points.reference > 0).then(|| cells(Cloud::Reference)).flatten();
        Some(Box::new(SumVisitor { stage: self, clouds: [survey, reference] }))
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(Summed(clouds)) = tile.shared.take::<Summed>() else { return };
        let attributes = tile.shared.get::<CellAttributes>();
        let (core, rule) = (tile.core, self.rule);
        let (mut whole, mut cut) = (Vec::new(), Vec::new());
        for (cloud, cells) in clouds.iter().enumerate() {
            let Some(cells) = cells else { continue };
            let mut tally = Tally::default();
            let inside = Inside::new(&cells.extent, core);
            cells.for_each(|(column, row), strips| {
                if inside.is_cut(column, row) {
                    put(cloud as u64, &mut cut);
                    put_signed(column, &mut cut);
                    put_signed(row, &mut cut);
                    put_strips(strips, &mut cut);
                    return;
                }
                let (x, y) = inside.ground(column, row);
                if attributes.is_none_or(|attributes| attributes.is_open(x, y)) {
                    tally.add_cell((column, row), strips, &rule);
                }
            });
            if !tally.is_empty() {
                put(cloud as u64, &mut whole);
                tally.encode(&mut whole);
            }
        }
        let covered = attributes.map(|attributes| covered(attributes, core, rule.cell)).unwrap_or_default();
        tile.sections.of(COVERED).extend(covered);
        tile.sections.of(SECTION).extend(whole);
        tile.sections.of(CUT).extend(cut);
    }
}

/// The cells cut by the edge of a core whose part in it is not all open ground, as bytes.
fn covered(attributes: &CellAttributes, core: (Range, Range), cell: f64) -> Vec<u8> {
    let extent = Extent::covering(cell, core.0, core.1, 0);
    let inside = Inside::new(&extent, core);
    let mut bytes = Vec::new();
    for row in (extent.first_row..).take(extent.rows) {
        for column in (extent.first_column..).take(extent.columns) {
            if !inside.is_cut(column, row) {
                continue;
            }
            let (x, y) = inside.ground(column, row);
            if !attributes.is_open(x, y) {
                put_signed(column, &mut bytes);
                put_signed(row, &mut bytes);
            }
        }
    }
    bytes
}

/// The part of cells that lies in the core of a tile.
struct Inside {
    extent: Extent,
    /// Boundaries of the columns and of the rows, whole micrometres, cut to the core.
    edges: [Vec<i64>; 2],
    cut: [Vec<bool>; 2],
}

impl Inside {
    fn new(extent: &Extent, core: (Range, Range)) -> Self {
        let edges = |first: i64, count: usize, range: Range| -> (Vec<i64>, Vec<bool>) {
            let all: Vec<i64> = (first..).take(count + 1).map(|place| edge(place, extent.cell)).collect();
            let cut = all.windows(2).map(|ends| ends[0] < range.0 || ends[1] > range.1).collect();
            (all.into_iter().map(|at| at.clamp(range.0, range.1)).collect(), cut)
        };
        let (columns, cut_columns) = edges(extent.first_column, extent.columns, core.0);
        let (rows, cut_rows) = edges(extent.first_row, extent.rows, core.1);
        Inside { extent: *extent, edges: [columns, rows], cut: [cut_columns, cut_rows] }
    }

    fn place(&self, column: i64, row: i64) -> [usize; 2] {
        [(column - self.extent.first_column) as usize, (row - self.extent.first_row) as usize]
    }

    /// The ground of a cell in the core.
    fn ground(&self, column: i64, row: i64) -> (Range, Range) {
        let [column, row] = self.place(column, row);
        let [columns, rows] = &self.edges;
        ((columns[column], columns[column + 1]), (rows[row], rows[row + 1]))
    }

    /// Whether a part of a cell lies outside.
    fn is_cut(&self, column: i64, row: i64) -> bool {
        let [column, row] = self.place(column, row);
        self.cut[0][column] || self.cut[1][row]
    }
}

/// The sums of the survey and of the reference.
struct Summed([Option<StripCells>; 2]);

struct SumVisitor<'a> {
    stage: &'a SumStrips,
    clouds: [Option<StripCells>; 2],
}

impl Visitor for SumVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        let Some(cells) = &mut self.clouds[place(cloud)] else { return };
        for (point, status) in piece.points.iter().zip(&piece.statuses).take(piece.core) {
            let counts = *status == PointStatus::Ground && point.number_of_returns <= 1;
            if counts && self.stage.left_out.first(place(cloud), point).is_none() {
                cells.add(point.x, point.y, point.z, point.strip);
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        tile.shared.put(Summed(self.clouds));
    }
}
