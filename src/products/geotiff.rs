//! Rasters as Cloud Optimized GeoTIFF: 32-bit floating point, in blocks of 256 by 256 cells, compressed without loss, with
//! overviews, coordinate system, no-data value, statistics and source. Blocks may come in any order and from any thread: the
//! bytes of the file are the same.
//!
//! Source: OGC 19-008r4 (GeoTIFF 1.1), OGC 21-026 (Cloud Optimized GeoTIFF), TIFF 6.0, the floating-point predictor of
//! Adobe's TIFF Technical Note 3 (all from memory, citations not verified); tags 42112 and 42113 as GeoTIFF readers know them.

mod directory;
mod keys;

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

use flate2::Compression;
use flate2::write::ZlibEncoder;

use self::directory::{Directory, Value};
pub use self::keys::RasterSystem;

/// Cells of a block along each side.
pub const BLOCK: usize = 256;

/// What a cell without a value holds. Not a NaN, which not every reader takes for no data.
pub const NO_DATA: f32 = -999_999.0;

/// How cells of an overview come from those below.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Overviews {
    /// The mean of the four that have a value.
    Mean,
    /// The one in the north-west: for values that are names rather than numbers.
    NorthWest,
}

/// One value of each cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Band {
    /// What it is.
    pub name: String,
    /// Its unit; none where it has no dimension.
    pub unit: Option<&'static str>,
}

/// All that is known of a raster before its cells are.
#[derive(Clone, Debug, PartialEq)]
pub struct RasterHead {
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
    /// Values of each cell, at least one.
    pub bands: Vec<Band>,
    /// How overviews are made.
    pub overviews: Overviews,
    /// Where it lies, and in what system.
    pub system: RasterSystem,
    /// The program and its version.
    pub software: String,
    /// What the raster is, in a sentence.
    pub description: String,
    /// What else is to be said of it, by name.
    pub items: Vec<(String, String)>,
}

/// A file in the making.
pub struct GeoTiff {
    head: RasterHead,
    path: std::path::PathBuf,
    /// Full resolution first.
    levels: Vec<Level>,
    state: Mutex<State>,
}

struct Level {
    columns: usize,
    rows: usize,
    across: usize,
    down: usize,
}

struct State {
    /// Compressed blocks, in the order in which they came.
    spool: File,
    end: u64,
    /// By level and block, row by row: where it is in the spool, and its bytes.
    blocks: Vec<Vec<(u64, u32)>>,
    /// Blocks of overviews of which parts are still to come, by level and block.
    waiting: HashMap<(usize, usize), Waiting>,
    /// By block of the full resolution and band.
    sums: Vec<Vec<Sums>>,
}

struct Waiting {
    values: Vec<f32>,
    left: usize,
}

impl GeoTiff {
    /// A file that will be written to `path`; until then its blocks wait in a new file `spool`, which is removed at the end.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn create(path: &Path, spool: &Path, head: RasterHead) -> io::Result<Self> {
        let file = File::options().read(true).write(true).create(true).truncate(true).open(spool)?;
        // Without a name it is gone with the program, however that ends; where that cannot be, it goes with its folder.
        let _ = std::fs::remove_file(spool);
        let mut levels = Vec::new();
        for halvings in 0.. {
            let side = |cells: usize| cells.div_ceil(1 << halvings).max(1);
            let (columns, rows) = (side(head.columns), side(head.rows));
            levels.push(Level { columns, rows, across: columns.div_ceil(BLOCK), down: rows.div_ceil(BLOCK) });
            if columns <= BLOCK && rows <= BLOCK {
                break;
            }
        }
        let blocks: Vec<_> = levels.iter().map(|level| vec![(0, 0); level.across * level.down]).collect();
        let sums = vec![Vec::new(); blocks[0].len()];
        let state = State { spool: file, end: 0, blocks, waiting: HashMap::new(), sums };
        Ok(GeoTiff { head, path: path.to_path_buf(), levels, state: Mutex::new(state) })
    }

    /// Blocks from west to east, and from north to south.
    pub fn blocks(&self) -> (usize, usize) {
        (self.levels[0].across, self.levels[0].down)
    }

    /// Writes a block of the full resolution, each once: its cells row by row from the north-west, all bands of a cell
    /// together, [`NO_DATA`] beyond the raster.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn write(&self, column: usize, row: usize, values: &[f32]) -> io::Result<()> {
        let bands = self.head.bands.len();
        assert_eq!(values.len(), BLOCK * BLOCK * bands, "a whole block");
        let sums = (0..bands).map(|band| Sums::of(values.iter().skip(band).step_by(bands))).collect();
        self.state().sums[row * self.levels[0].across + column] = sums;
        self.put(0, column, row, values)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts a block by, and its part of the overview.
    fn put(&self, level: usize, column: usize, row: usize, values: &[f32]) -> io::Result<()> {
        let bands = self.head.bands.len();
        let packed = pack(values, bands)?;
        {
            let mut state = self.state();
            let at = state.end;
            state.spool.seek(SeekFrom::Start(at))?;
            state.spool.write_all(&packed)?;
            state.end += packed.len() as u64;
            state.blocks[level][row * self.levels[level].across + column] = (at, packed.len() as u32);
        }
        let Some(above) = self.levels.get(level + 1) else { return Ok(()) };
        let below = &self.levels[level];
        let quarter = halved(values, bands, self.head.overviews);
        let (to_column, to_row) = (column / 2, row / 2);
        let whole = {
            let mut state = self.state();
            let key = (level + 1, to_row * above.across + to_column);
            let waiting = state.waiting.entry(key).or_insert_with(|| Waiting {
                values: vec![NO_DATA; BLOCK * BLOCK * bands],
                left: (below.across - 2 * to_column).min(2) * (below.down - 2 * to_row).min(2),
            });
            let width = BLOCK / 2 * bands;
            let corner = (row % 2 * BLOCK / 2 * BLOCK + column % 2 * BLOCK / 2) * bands;
            for (line, from) in quarter.chunks(width).enumerate() {
                waiting.values[corner + line * BLOCK * bands..][..width].copy_from_slice(from);
            }
            waiting.left -= 1;
            if waiting.left == 0 { state.waiting.remove(&key) } else { None }
        };
        whole.map_or(Ok(()), |whole| self.put(level + 1, to_column, to_row, &whole.values))
    }

    /// Writes the file, once all blocks have been written.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn finish(self) -> io::Result<()> {
        let GeoTiff { head, path, levels, state } = self;
        let State { mut spool, blocks, sums, .. } =
            state.into_inner().unwrap_or_else(PoisonError::into_inner);
        let data: u64 = blocks.iter().flatten().map(|(_, bytes)| u64::from(*bytes) + 8).sum();
        let tiles: u64 = blocks.iter().map(|blocks| blocks.len() as u64).sum();
        // Offsets of four bytes reach this far; directories take some kilobytes and sixteen bytes a block.
        let large = data + 16 * tiles + (1 << 20) > u64::from(u32::MAX);
        let mut directories: Vec<Directory> = levels
            .iter()
            .enumerate()
            .map(|(i, level)| {
                let mut directory = image(level, head.bands.len(), i > 0);
                if i == 0 {
                    describe(&head, &totals(&sums, head.bands.len()), &mut directory);
                }
                directory
            })
            .collect();
        let counts = blocks.iter().map(|blocks| blocks.iter().map(|(_, bytes)| *bytes).collect::<Vec<u32>>());
        for (directory, counts) in directories.iter_mut().zip(counts) {
            directory.set(325, Value::Longs(counts));
        }
        let start = directory::bytes_of(&directories, large, GHOST.len());
        // The smallest overview first, the full resolution last.
        let mut at = start;
        for (directory, blocks) in directories.iter_mut().zip(&blocks).rev() {
            let offsets = blocks.iter().map(|(_, bytes)| {
                let here = at + 4;
                at += u64::from(*bytes) + 8;
                here
            });
            directory.set(324, Value::Offsets(offsets.collect()));
        }
        let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
        directory::write(&directories, large, GHOST, &mut file)?;
        let mut bytes = Vec::new();
        for (from, count) in blocks.iter().rev().flatten() {
            bytes.resize(*count as usize, 0);
            spool.seek(SeekFrom::Start(*from))?;
            spool.read_exact(&mut bytes)?;
            file.write_all(&count.to_le_bytes())?;
            file.write_all(&bytes)?;
            file.write_all(&bytes[bytes.len() - 4..])?;
        }
        file.flush()
    }
}

/// What readers know a Cloud Optimized GeoTIFF by: directories first, blocks row by row, each with its length before it and its
/// last four bytes repeated after it.
const GHOST: &str = "GDAL_STRUCTURAL_METADATA_SIZE=000140 bytes\n\
    LAYOUT=IFDS_BEFORE_DATA\nBLOCK_ORDER=ROW_MAJOR\nBLOCK_LEADER=SIZE_AS_UINT4\nBLOCK_TRAILER=LAST_4_BYTES_REPEATED\n\
    KNOWN_INCOMPATIBLE_EDITION=NO\n ";

/// The directory of one resolution, but for its blocks.
fn image(level: &Level, bands: usize, overview: bool) -> Directory {
    let mut directory = Directory::default();
    if overview {
        directory.set(254, Value::Longs(vec![1]));
    }
    let each = |value| Value::Shorts(vec![value; bands]);
    let one = |value| Value::Shorts(vec![value]);
    directory.set(256, Value::Longs(vec![level.columns as u32]));
    directory.set(257, Value::Longs(vec![level.rows as u32]));
    directory.set(258, each(32));
    directory.set(259, one(8));
    directory.set(262, one(1));
    directory.set(277, one(bands as u16));
    directory.set(284, one(1));
    directory.set(317, one(3));
    directory.set(322, one(BLOCK as u16));
    directory.set(323, one(BLOCK as u16));
    directory.set(324, Value::Offsets(vec![0; level.across * level.down]));
    if bands > 1 {
        directory.set(338, Value::Shorts(vec![0; bands - 1]));
    }
    directory.set(339, each(3));
    directory.set(42113, Value::Text(format!("{NO_DATA:.0}")));
    directory
}

/// What the first directory says beyond that.
fn describe(head: &RasterHead, totals: &[Sums], directory: &mut Directory) {
    directory.set(270, Value::Text(head.description.clone()));
    directory.set(305, Value::Text(head.software.clone()));
    head.system.describe(directory);
    let mut xml = String::from("<GDALMetadata>\n");
    let mut item = |name: &str, attributes: &str, value: &str| {
        xml += &format!("  <Item name=\"{}\"{attributes}>{}</Item>\n", escaped(name), escaped(value));
    };
    for (name, value) in &head.items {
        item(name, "", value);
    }
    for (i, (band, sums)) in head.bands.iter().zip(totals).enumerate() {
        item("DESCRIPTION", &format!(" sample=\"{i}\" role=\"description\""), &band.name);
        if let Some(unit) = band.unit {
            item("UNITTYPE", &format!(" sample=\"{i}\" role=\"unittype\""), unit);
        }
        let cells = (head.columns * head.rows) as f64;
        let mut figure =
            |name: &str, value: f64| item(name, &format!(" sample=\"{i}\""), &format!("{value}"));
        if sums.n > 0.0 {
            figure("STATISTICS_MAXIMUM", sums.greatest.into());
            figure("STATISTICS_MEAN", sums.mean);
            figure("STATISTICS_MINIMUM", sums.least.into());
            figure("STATISTICS_STDDEV", (sums.squares / sums.n).sqrt());
        }
        figure("STATISTICS_VALID_PERCENT", (sums.n / cells * 1e4).round() / 1e2);
    }
    xml += "</GDALMetadata>\n";
    directory.set(42112, Value::Text(xml));
}

fn escaped(text: &str) -> String {
    let text: String = text.chars().filter(|c| !c.is_control()).collect();
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Statistics of values.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Sums {
    n: f64,
    mean: f64,
    /// Sum of squares about the mean.
    squares: f64,
    least: f32,
    greatest: f32,
}

impl Sums {
    const NONE: Sums =
        Sums { n: 0.0, mean: 0.0, squares: 0.0, least: f32::INFINITY, greatest: f32::NEG_INFINITY };

    fn of<'a>(values: impl Iterator<Item = &'a f32> + Clone) -> Self {
        let mut sums = Sums::NONE;
        let known = values.filter(|value| **value != NO_DATA);
        let mut total = 0.0;
        for value in known.clone() {
            sums.n += 1.0;
            total += f64::from(*value);
            sums.least = sums.least.min(*value);
            sums.greatest = sums.greatest.max(*value);
        }
        if sums.n > 0.0 {
            sums.mean = total / sums.n;
            sums.squares = known.map(|value| (f64::from(*value) - sums.mean).powi(2)).sum();
        }
        sums
    }

    fn merge(&mut self, other: &Sums) {
        let n = self.n + other.n;
        if other.n > 0.0 {
            let apart = other.mean - self.mean;
            self.mean += apart * other.n / n;
            self.squares += other.squares + apart * apart * self.n * other.n / n;
        }
        self.n = n;
        self.least = self.least.min(other.least);
        self.greatest = self.greatest.max(other.greatest);
    }
}

/// The statistics of each band, put together block by block in their order.
fn totals(blocks: &[Vec<Sums>], bands: usize) -> Vec<Sums> {
    let mut totals = vec![Sums::NONE; bands];
    for block in blocks {
        totals.iter_mut().zip(block).for_each(|(total, sums)| total.merge(sums));
    }
    totals
}

/// A block at half its resolution.
fn halved(values: &[f32], bands: usize, overviews: Overviews) -> Vec<f32> {
    let mut half = Vec::with_capacity(values.len() / 4);
    for row in (0..BLOCK).step_by(2) {
        for column in (0..BLOCK).step_by(2) {
            for band in 0..bands {
                let at = |row: usize, column: usize| values[(row * BLOCK + column) * bands + band];
                half.push(match overviews {
                    Overviews::NorthWest => at(row, column),
                    Overviews::Mean => {
                        let four = [
                            at(row, column),
                            at(row, column + 1),
                            at(row + 1, column),
                            at(row + 1, column + 1),
                        ];
                        let known = four.iter().filter(|value| **value != NO_DATA);
                        match known.clone().count() {
                            0 => NO_DATA,
                            n => (known.map(|value| f64::from(*value)).sum::<f64>() / n as f64) as f32,
                        }
                    }
                });
            }
        }
    }
    half
}

/// A block as it stands in the file: the bytes of each row by significance, as differences, deflated.
fn pack(values: &[f32], bands: usize) -> io::Result<Vec<u8>> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::new(LEVEL));
    let count = BLOCK * bands;
    let mut line = vec![0u8; 4 * count];
    for row in values.chunks(count) {
        for (i, value) in row.iter().enumerate() {
            for (place, byte) in value.to_be_bytes().into_iter().enumerate() {
                line[place * count + i] = byte;
            }
        }
        for i in (bands..line.len()).rev() {
            line[i] = line[i].wrapping_sub(line[i - bands]);
        }
        encoder.write_all(&line)?;
    }
    encoder.finish()
}

/// How hard blocks are compressed: beyond, terrain takes twice the time for a few per cent.
const LEVEL: u32 = 5;
