//! From the ground points of all tiles to the rasters of the terrain model: block by block, in parts that fit the memory.

use std::collections::BTreeMap;
use std::sync::Mutex;

use rayon::prelude::*;

use crate::cloud::bounds::{Range, widened, within};
use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::terrain_head::{Kind, head};
use crate::engine::conclude::voids::VoidRuns;
use crate::engine::plan::job::Job;
use crate::engine::store::error::{EngineError, guarded};
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::Watch;
use crate::engine::watch::progress::Progress;
use crate::engine::work::load::Allowance;
use crate::fit::VerticalFit;
use crate::products::geotiff::{BLOCK, GeoTiff, NO_DATA};
use crate::products::staging::{ProductError, Products};
use crate::raster::Extent;
use crate::stages::terrain::{GROUND, REFERENCE, SEEN};
use crate::terrain::cells::Sums;
use crate::terrain::coverage::Coverage;
use crate::terrain::surface::ground::{GroundPoint, HEAD, Packed, SQUARE, decode, decode_table};
use crate::terrain::surface::patch::{Around, Estimate, Patch, Rule, Void};
use crate::tile::tiling::{TileKey, Tiling};
use crate::tile::yields::{Stretch, YieldError, Yields};
use crate::units::{Micrometres, Unit};

/// The stage that the rasters come from.
const STAGE: &str = "terrain";

/// Bytes that a ground point takes while a part is made, and a cell of it.
const POINT: u64 = 100;
const CELL: u64 = 400;

/// A narrow margin is such a part of the widest; and with so few points it is not worth the trouble.
const NARROW: Micrometres = 4;
const FEW_POINTS: u64 = 100_000;

/// Cells of a part that is not cut any further.
const FEW_CELLS: usize = 256;

/// What the model holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counted {
    /// Cells with an elevation.
    pub cells: u64,
    /// Those without ground.
    pub filled: u64,
    /// Cells seen without an elevation.
    pub open: u64,
    /// Cells with terrain minus reference.
    pub compared: u64,
}

/// What is to be made.
pub struct Plan<'a> {
    /// The job.
    pub job: &'a Job,
    /// What the tiles gave back.
    pub yields: &'a dyn Yields,
    /// The box around the survey.
    pub ground: (Range, Range),
    /// How elevations come about.
    pub rule: Rule,
    /// Edge of a cell, micrometres.
    pub cell: f64,
    /// Returns that have ground.
    pub returns: Vec<u8>,
    /// What is added to the survey, where it is fitted to control.
    pub fit: Option<&'a VerticalFit>,
    /// How far the reference is known to lie too high, micrometres.
    pub offset: f64,
    /// What the rasters say of how they were made, by name.
    pub items: Vec<(String, String)>,
    /// Where the voids wait that are wanted as polygons, too.
    pub voids: Option<&'a VoidRuns>,
}

/// Where ground points of a square of the ground wait.
type Squares = BTreeMap<(i64, i64), Vec<(Stretch, Packed)>>;

/// A surveyed point: position and elevation.
type Surveyed = (Micrometres, Micrometres, Micrometres);

/// The ground of some cells and a margin around it.
fn widened_by(part: &Extent, margin: Micrometres) -> (Range, Range) {
    let (x, y) = part.ground();
    (widened(x, margin), widened(y, margin))
}

/// What tiles gave back of the cells of a block, whatever parts of it are made by themselves.
struct Known {
    seen: Coverage,
    reference: Option<Sums>,
}

/// The work on blocks.
struct Work<'a> {
    plan: &'a Plan<'a>,
    tiling: Tiling,
    extent: Extent,
    squares: Squares,
    seen: BTreeMap<TileKey, Vec<Stretch>>,
    reference: BTreeMap<TileKey, Vec<Stretch>>,
    surveyed: Vec<Surveyed>,
    /// Bytes that the work on one part may take.
    allowed: u64,
    vertical: Unit,
}

/// Makes the rasters, and gives their names with what they hold.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn make_terrain(
    plan: &Plan<'_>,
    folder: &RunFolder,
    products: &Products,
    watch: &Watch,
) -> Result<(Vec<String>, Counted), EngineError> {
    let job = plan.job;
    let work = Work {
        plan,
        tiling: job.tiling,
        extent: Extent::covering(plan.cell, plan.ground.0, plan.ground.1, 0),
        squares: squares(plan.yields)?,
        seen: plan.yields.by_tile(SEEN),
        reference: plan.yields.by_tile(REFERENCE),
        surveyed: surveyed(job),
        allowed: Allowance::of(&job.resources).worker,
        vertical: job.survey.units[0].1,
    };
    let compared = !work.reference.is_empty() || !work.surveyed.is_empty();
    let mut kinds = vec![
        (Kind::Elevation, "terrain.tif"),
        (Kind::StandardError, "terrain-standard-error.tif"),
        (Kind::Density, "terrain-ground-density.tif"),
        (Kind::DecidedBy, "terrain-return.tif"),
        (Kind::Voids, "terrain-voids.tif"),
    ];
    kinds.extend(compared.then_some((Kind::Dz, "terrain-dz.tif")));
    let rasters = kinds
        .iter()
        .map(|(kind, file)| {
            let path = products.place(file)?;
            let spool = folder.spill().join(format!("{file}.blocks"));
            let raster = GeoTiff::create(
                &path,
                &spool,
                head(job, &work.extent, *kind, &plan.returns, &plan.items, products.origin()),
            );
            Ok((*kind, raster.map_err(ProductError::of(spool, "making a working file"))?))
        })
        .collect::<Result<Vec<(Kind, GeoTiff)>, EngineError>>()?;
    let blocks = in_quarters(rasters[0].1.blocks());
    let progress = Progress::start(watch, "making the terrain model", "blocks", blocks.len() as u64);
    let counted = Mutex::new(Counted::default());
    blocks.par_iter().with_max_len(1).try_for_each(|&(column, row)| {
        watch.check()?;
        guarded(
            || format!("making block {column}, {row} of the terrain model"),
            || {
                let found = work.block(column, row, &rasters, folder)?;
                let mut counted = counted.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                counted.cells += found.cells;
                counted.filled += found.filled;
                counted.open += found.open;
                counted.compared += found.compared;
                Ok(())
            },
        )?;
        progress.advance(1);
        Ok::<(), EngineError>(())
    })?;
    let files: Vec<String> = kinds.iter().map(|(_, file)| file.to_string()).collect();
    for ((_, raster), file) in rasters.into_iter().zip(&files) {
        watch.check()?;
        raster.finish().map_err(ProductError::of(products.place(file)?, "writing a product"))?;
        products.add(file, STAGE)?;
    }
    Ok((files, counted.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner)))
}

/// All squares that have ground points.
fn squares(yields: &dyn Yields) -> Result<Squares, YieldError> {
    let mut squares = Squares::new();
    for stretch in yields.stretches(GROUND) {
        let mut at = 0;
        while at < stretch.bytes {
            // The length of what one piece gave, then that of its table.
            let mut lengths = [0; 16];
            yields.read_part(&stretch, at, &mut lengths)?;
            let length = |i: usize| u64::from_le_bytes(lengths[i..i + 8].try_into().expect("eight bytes"));
            let (whole, table) = (length(0), length(8));
            let fits = whole <= stretch.bytes - at && table <= whole;
            let mut bytes = vec![0; if fits { table as usize } else { 0 }];
            yields.read_part(&stretch, at + 8 + HEAD, &mut bytes)?;
            let packed =
                fits.then(|| decode_table(&bytes)).flatten().ok_or_else(|| yields.damaged(&stretch))?;
            for packed in packed {
                let packed = Packed { offset: at + 8 + packed.offset, ..packed };
                squares.entry(packed.square).or_default().push((stretch, packed));
            }
            at += 8 + whole;
        }
    }
    Ok(squares)
}

/// The surveyed points of a list.
fn surveyed(job: &Job) -> Vec<Surveyed> {
    let points = job.list.iter().flat_map(|list| &list.points.points);
    points.map(|point| (point.x, point.y, point.z)).collect()
}

/// The blocks of a raster, each followed by its neighbours in the same quarter, so that few overviews wait for their parts.
fn in_quarters((across, down): (usize, usize)) -> Vec<(usize, usize)> {
    let mut all: Vec<(usize, usize)> =
        (0..down).flat_map(|row| (0..across).map(move |column| (column, row))).collect();
    let spread = |value: usize| (0..32).fold(0u64, |all, bit| all | (value as u64 >> bit & 1) << (2 * bit));
    all.sort_by_cached_key(|&(column, row)| spread(column) | spread(row) << 1);
    all
}

impl Work<'_> {
    /// Makes a block and writes it to all rasters.
    fn block(
        &self,
        column: usize,
        row: usize,
        rasters: &[(Kind, GeoTiff)],
        folder: &RunFolder,
    ) -> Result<Counted, EngineError> {
        // Rows of a raster come from the north, those of an extent from the south.
        let columns = BLOCK.min(self.extent.columns - column * BLOCK);
        let rows = BLOCK.min(self.extent.rows - row * BLOCK);
        let block = Extent {
            first_column: self.extent.first_column + (column * BLOCK) as i64,
            first_row: self.extent.first_row + (self.extent.rows - row * BLOCK - rows) as i64,
            columns,
            rows,
            ..self.extent
        };
        let of_raster = |(kind, _): &(Kind, GeoTiff)| {
            let bands = if *kind == Kind::Density { self.plan.returns.len() } else { 1 };
            vec![NO_DATA; BLOCK * BLOCK * bands]
        };
        let mut values: Vec<Vec<f32>> = rasters.iter().map(of_raster).collect();
        let mut counted = Counted::default();
        let known = Known { seen: self.seen_on(&block)?, reference: self.reference_on(&block)? };
        self.part(&block, &known, &mut |patch| {
            let (east, north) = block.offset_of(&patch.extent);
            for (place, counts) in patch.counts.iter().enumerate() {
                let (c, r) = (place % patch.extent.columns + east, place / patch.extent.columns + north);
                let at = (rows - 1 - r) * BLOCK + c;
                self.count(patch, place, &mut counted);
                for ((kind, _), values) in rasters.iter().zip(&mut values) {
                    self.put(*kind, patch, place, counts, &mut values[..], at);
                }
            }
        })?;
        for ((kind, raster), values) in rasters.iter().zip(&values) {
            if let Some(voids) = self.plan.voids.filter(|_| *kind == Kind::Voids) {
                voids.add(&block, values)?;
            }
            let failed = EngineError::disk(folder.spill(), "writing a product");
            raster.write(column, row, values).map_err(failed)?;
        }
        Ok(counted)
    }

    fn count(&self, patch: &Patch, place: usize, counted: &mut Counted) {
        let cell = &patch.cells[place];
        counted.cells += u64::from(cell.z.is_some());
        counted.filled += u64::from(cell.void == Some(Void::Filled));
        counted.open += u64::from(cell.void == Some(Void::Open));
        counted.compared += u64::from(cell.dz.is_some());
    }

    /// Puts a cell into the values of a raster, at a place in its block.
    fn put(
        &self,
        kind: Kind,
        patch: &Patch,
        place: usize,
        counts: &[u32; MAX_RETURN + 1],
        values: &mut [f32],
        at: usize,
    ) {
        let cell = &patch.cells[place];
        let length = |um: f64| self.vertical.from_micrometres(um) as f32;
        let value = match kind {
            Kind::Elevation => cell.z.map(|z| length((z + self.added(patch, place)) as f64)),
            Kind::StandardError => cell.error.map(length),
            Kind::DecidedBy => cell.decided_by.map(f32::from),
            Kind::Voids => cell.void.map(|void| match void {
                Void::Ground => 0.0,
                Void::Filled => 1.0,
                Void::Open => 2.0,
            }),
            Kind::Dz => cell.dz.map(|dz| length((dz + self.added(patch, place)) as f64 + self.plan.offset)),
            Kind::Density => {
                if cell.void.is_some() {
                    let square_metres = (self.extent.cell * 1e-6).powi(2);
                    let bands = self.plan.returns.len();
                    for (band, r) in self.plan.returns.iter().enumerate() {
                        values[at * bands + band] =
                            (f64::from(counts[usize::from(*r)]) / square_metres) as f32;
                    }
                }
                return;
            }
        };
        if let Some(value) = value {
            values[at] = value;
        }
    }

    /// What the fit adds at the middle of a cell.
    fn added(&self, patch: &Patch, place: usize) -> Micrometres {
        let Some(fit) = self.plan.fit else { return 0 };
        let (x, y) = patch.extent.middle(place);
        fit.added(x, y)
    }

    /// Makes a part of a block, in quarters where its points are too many to be held. Where points lie close together those of a narrow
    /// margin mostly tell all.
    fn part(&self, part: &Extent, known: &Known, done: &mut dyn FnMut(&Patch)) -> Result<(), EngineError> {
        if part.is_empty() {
            return Ok(());
        }
        let reach = self.plan.rule.reach(part.cell);
        let narrow = match self.plan.rule.estimate {
            Estimate::Facets(_) => (reach / NARROW).max((3.0 * part.cell) as Micrometres).min(reach),
            Estimate::Weighted { .. } => reach,
        };
        let count = |part: &Extent, margin: Micrometres| -> u64 {
            self.squares_on(widened_by(part, margin)).iter().map(|(_, packed)| packed.points).sum()
        };
        let (near, far) = (count(part, narrow), count(part, reach));
        let fits = |points: u64, part: &Extent| {
            points * POINT + part.len() as u64 * CELL <= self.allowed || part.len() <= FEW_CELLS
        };
        let few_more = far < 2 * near || far < FEW_POINTS;
        if fits(near, part) && !(few_more && fits(far, part)) {
            let mut patch = self.patch(part, known, narrow)?;
            let unsettled = patch.unsettled();
            let again: u64 = unsettled.iter().map(|square| count(square, reach)).sum();
            // Beyond that it is less work to make all of it again.
            if unsettled.is_empty()
                || again < far && unsettled.iter().all(|square| fits(count(square, reach), square))
            {
                for square in unsettled {
                    patch.replace(&self.patch(&square, known, reach)?);
                }
                done(&patch);
                return Ok(());
            }
        }
        if fits(far, part) {
            done(&self.patch(part, known, reach)?);
            return Ok(());
        }
        let (half_columns, half_rows) = (part.columns.div_ceil(2), part.rows.div_ceil(2));
        for (north, rows) in [(0, half_rows), (half_rows, part.rows - half_rows)] {
            for (east, columns) in [(0, half_columns), (half_columns, part.columns - half_columns)] {
                let quarter = Extent {
                    first_column: part.first_column + east as i64,
                    first_row: part.first_row + north as i64,
                    columns,
                    rows,
                    ..*part
                };
                self.part(&quarter, known, done)?;
            }
        }
        Ok(())
    }

    /// The cells of a part, from the points within a margin around it.
    fn patch(&self, part: &Extent, known: &Known, margin: Micrometres) -> Result<Patch, EngineError> {
        let around = widened_by(part, margin);
        let squares = self.squares_on(around);
        let points: u64 = squares.iter().map(|(_, packed)| packed.points).sum();
        let holds = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
        let (mut ground, mut bytes) = (Vec::with_capacity(points as usize), Vec::new());
        for (stretch, packed) in squares {
            let damaged = || self.plan.yields.damaged(&stretch);
            if packed.offset + packed.bytes > stretch.bytes {
                return Err(damaged().into());
            }
            bytes.resize(packed.bytes as usize, 0);
            self.plan.yields.read_part(&stretch, packed.offset, &mut bytes)?;
            let add = |point: GroundPoint| {
                if holds(point.x, around.0) && holds(point.y, around.1) {
                    ground.push(point);
                }
            };
            decode(&bytes, &packed, add).ok_or_else(damaged)?;
        }
        let (x, y) = part.ground();
        let here = |point: &&Surveyed| holds(point.0, x) && holds(point.1, y);
        let surveyed: Vec<Surveyed> = self.surveyed.iter().filter(here).copied().collect();
        let Known { seen, reference } = known;
        let around =
            Around { points: ground, margin, seen, reference: reference.as_ref(), surveyed: &surveyed };
        Ok(Patch::new(*part, &self.plan.rule, around))
    }

    /// The squares that touch some ground.
    fn squares_on(&self, (x, y): (Range, Range)) -> Vec<(Stretch, Packed)> {
        let along = |range: Range| (range.0.div_euclid(SQUARE), (range.1 - 1).div_euclid(SQUARE));
        let ((west, east), (south, north)) = (along(x), along(y));
        let rows = (south..=north).flat_map(|row| self.squares.range((row, west)..=(row, east)));
        rows.flat_map(|(_, all)| all.iter().copied()).collect()
    }

    /// What the survey saw of some cells.
    fn seen_on(&self, part: &Extent) -> Result<Coverage, EngineError> {
        let mut seen = Coverage::new(*part);
        for stretch in self.touching(&self.seen, part) {
            let bytes = self.plan.yields.read(&stretch)?;
            let of_tile = Coverage::decode(&bytes)
                .filter(|(tile, rest)| rest.is_empty() && tile.extent.cell == part.cell)
                .ok_or_else(|| self.plan.yields.damaged(&stretch))?
                .0;
            seen.merge(&of_tile);
        }
        Ok(seen)
    }

    /// Sums of the reference over some cells, if there is any.
    fn reference_on(&self, part: &Extent) -> Result<Option<Sums>, EngineError> {
        let mut sums = None;
        for stretch in self.touching(&self.reference, part) {
            let bytes = self.plan.yields.read(&stretch)?;
            let sums: &mut Sums = sums.get_or_insert_with(|| Sums::new(*part));
            sums.merge_encoded(&bytes).ok_or_else(|| self.plan.yields.damaged(&stretch))?;
        }
        Ok(sums)
    }

    /// What tiles that touch some cells have in a section.
    fn touching(&self, section: &BTreeMap<TileKey, Vec<Stretch>>, part: &Extent) -> Vec<Stretch> {
        let (x, y) = part.ground();
        let both = within(x, self.plan.ground.0).zip(within(y, self.plan.ground.1));
        let keys = both.into_iter().flat_map(|(x, y)| self.tiling.touching(x, y));
        keys.filter_map(|key| section.get(&key)).flatten().copied().collect()
    }
}
