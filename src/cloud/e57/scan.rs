//! Opening an E57 file: its scans, their poses, and what it says of its coordinate system.

use std::sync::Arc;

use e57::{E57Reader, PointCloud};

use crate::cloud::block::Block;
use crate::cloud::crs::{Crs, StatedUnit};
use crate::cloud::e57::blocks::{self, Cut};
use crate::cloud::e57::layout::Layout;
use crate::cloud::e57::pages;
use crate::cloud::error::{CloudError, EXPORT_AGAIN};
use crate::cloud::guard;
use crate::cloud::location::Location;
use crate::cloud::pose::Pose;
use crate::cloud::ranges::RangeReader;
use crate::cloud::stated_box::StatedBox;
use crate::units::Unit;

/// What an E57 file begins with.
pub const SIGNATURE: &[u8; 8] = b"ASTM-E57";

/// A turn whose quaternion is farther than this from length 1 was not written by a program that works.
const UNIT_LENGTH: f64 = 1e-3;

/// By how much a box may be rounded: boxes are written with as few as three decimals.
const BOX_ROUNDING: f64 = 0.001;

/// One scan of an E57 file.
#[derive(Clone, Debug)]
pub struct E57Scan {
    /// Where it is.
    pub location: Location,
    /// Its size in bytes.
    pub size: u64,
    /// Number of the scan in its file, from 1, and number of scans that the file holds.
    pub number: (usize, usize),
    /// Its name, where it has one.
    pub name: Option<String>,
    /// Number of points, as the file states it.
    pub points: u64,
    /// How many of them are not there, because the file is cut off or damaged.
    pub missing: u64,
    /// How its coordinates lie in the system of the file.
    pub pose: Option<Pose>,
    /// The box around its points in the system of the file, as far as the file states it.
    pub stated_box: StatedBox,
    /// The same in its own frame.
    own_box: StatedBox,
    /// What the file says of its coordinate system; metres by the standard.
    pub crs: Crs,
    /// Whether points carry a return number.
    pub has_returns: bool,
    /// Points by return, where they are known without reading.
    pub points_by_return: Option<[u64; 15]>,
    /// Kind of coordinates, in words.
    pub coordinates: &'static str,
    /// What is wrong with the file without making it unreadable, in words for people.
    pub notes: Vec<String>,
    pub(super) layout: Arc<Layout>,
    pub(super) cut: Arc<Cut>,
}

impl E57Scan {
    /// Opens all scans of a file, in the order in which their points lie in it, and checks all that can be checked
    /// without reading points. Of a scan that is cut off those points that are there are taken where `cut_off_too` is set.
    ///
    /// # Errors
    /// When the file cannot be read or its points cannot be found: the message names the place and the remedy.
    pub fn open(location: impl Into<Location>, cut_off_too: bool) -> Result<Vec<E57Scan>, CloudError> {
        Self::read(RangeReader::open(location)?, cut_off_too)
    }

    /// The scans of the file that a reader is of.
    pub(in crate::cloud) fn read(
        mut source: RangeReader,
        cut_off_too: bool,
    ) -> Result<Vec<E57Scan>, CloudError> {
        let location = source.location().clone();
        let path = location.path();
        let wrong = |what: String, offset: u64| CloudError::Header {
            path: path.to_path_buf(),
            what,
            offset,
            remedy: EXPORT_AGAIN,
        };
        let content = read_xml(&mut source);
        source.check_failed()?;
        let Content { scans, images, metadata } = content.map_err(|what| {
            let what =
                why_unreadable(&mut source).unwrap_or_else(|| format!("not a readable E57 file: {what}"));
            wrong(what, 0)
        })?;
        let mut notes = Vec::new();
        let crs = crs_of(metadata.as_deref(), &mut notes);
        let count = scans.len();
        let mut scans: Vec<(usize, PointCloud)> = (1..).zip(scans).collect();
        scans.retain(|(number, scan)| {
            if scan.records == 0 {
                notes.push(format!("scan {number} has no points"));
            }
            scan.records > 0
        });
        if scans.is_empty() {
            return Err(CloudError::Header {
                path: path.to_path_buf(),
                what: match (count, images) {
                    (0, 0) => "the file holds no scan".to_string(),
                    (0, images) => format!("the file holds no scan, only images ({images})"),
                    (1, _) => "the one scan of the file has no points".to_string(),
                    _ => format!("none of the {count} scans of the file has points"),
                },
                offset: 0,
                remedy: "Remove the file from `files:`",
            });
        }
        let without: Vec<String> = scans
            .iter()
            .filter(|(_, scan)| scan.transform.is_none())
            .map(|(number, scan)| name_of(*number, scan.name.as_deref()))
            .collect();
        if !without.is_empty() && without.len() < scans.len() {
            notes.push(format!(
                "{} no pose, though others of the file have one: its coordinates are taken as they are",
                match &without[..] {
                    [one] => format!("{one} has"),
                    _ => format!("{} scans, {} among them, have", without.len(), without[0]),
                }
            ));
        }
        // Blocks are read in the order of the file.
        scans.sort_by_key(|(_, scan)| scan.file_offset);
        let mut opened: Vec<E57Scan> = Vec::with_capacity(scans.len());
        for (number, scan) in scans {
            let place = scan.file_offset;
            let named = name_of(number, scan.name.as_deref());
            let Some(layout) = Layout::of(&scan) else {
                return Err(CloudError::Header {
                    path: path.to_path_buf(),
                    what: format!("{named} has neither x, y and z nor range and angles"),
                    offset: place,
                    remedy: "Export it again with x, y and z, or without this scan",
                });
            };
            let pose = pose_of(&scan).map_err(|what| wrong(format!("{named}: {what}"), place))?;
            let cut = blocks::cut(&mut source, &layout, place, scan.records)?;
            let ends = |scan: &E57Scan| scan.cut.blocks.last().map_or(0, |block| block.offset + block.bytes);
            if opened.last().is_some_and(|before| ends(before) > place) {
                return Err(wrong(format!("{named} begins within the points of another scan"), place));
            }
            let there = cut.blocks.last().map_or(0, |block| block.first_point + block.points);
            let missing = scan.records - there;
            if missing > 0 && (!cut_off_too || there == 0) {
                let why = cut.problem.as_deref().unwrap_or("the rest is not there");
                return Err(CloudError::Header {
                    path: path.to_path_buf(),
                    what: format!("{named}: only {there} of its {} points can be found: {why}", scan.records),
                    offset: place,
                    remedy: if there > 0 {
                        "Copy or export the file again, or continue without the missing points with `read: {damaged: skip}`"
                    } else {
                        EXPORT_AGAIN
                    },
                });
            }
            let mut points_by_return = [0; 15];
            points_by_return[0] = scan.records;
            let has_returns = layout.returns.is_some();
            opened.push(E57Scan {
                location: location.clone(),
                size: source.size(),
                number: (number, count),
                name: scan.name.clone().filter(|name| !name.trim().is_empty()),
                points: scan.records,
                missing,
                pose,
                stated_box: stated_box(&scan, pose),
                own_box: stated_box(&scan, None),
                crs: crs.clone(),
                has_returns,
                points_by_return: (!has_returns).then_some(points_by_return),
                coordinates: if layout.cartesian.is_some() { "x, y, z" } else { "range and angles" },
                notes: std::mem::take(&mut notes),
                layout: Arc::new(layout),
                cut: Arc::new(cut),
            });
        }
        Ok(opened)
    }

    /// The scan without its pose.
    pub fn in_own_frame(self) -> Self {
        E57Scan { pose: None, stated_box: self.own_box, ..self }
    }

    /// The scan in words: its number, and its name where it has one.
    pub fn named(&self) -> String {
        name_of(self.number.0, self.name.as_deref())
    }

    /// Runs of points that can be decoded independently of each other, in file order.
    pub fn blocks(&self) -> &[Block] {
        &self.cut.blocks
    }

    /// Offset and length of the pages that hold a block, and what is needed of packets before it.
    pub fn pages(&self, block: &Block) -> (u64, u64) {
        let run = &self.cut.runs[block.number];
        pages::stretch(run.own.min(run.start), run.end)
    }

    pub(super) fn damaged(&self, block: &Block, what: String) -> CloudError {
        CloudError::Block {
            path: self.location.path().to_path_buf(),
            number: block.number + 1,
            blocks: self.cut.blocks.len(),
            offset: block.offset,
            bytes: block.bytes,
            first_point: block.first_point,
            points: block.points,
            what: if self.number.1 > 1 { format!("{what}, in {}", self.named()) } else { what },
        }
    }
}

fn name_of(number: usize, name: Option<&str>) -> String {
    match name.map(str::trim).filter(|name| !name.is_empty()) {
        Some(name) => format!("scan {number} ({name})"),
        None => format!("scan {number}"),
    }
}

/// What the XML section of a file says.
struct Content {
    scans: Vec<PointCloud>,
    /// Number of images.
    images: usize,
    /// The coordinate metadata.
    metadata: Option<String>,
}

fn read_xml(source: &mut RangeReader) -> Result<Content, String> {
    let read = || {
        let whole = source.stream(0, source.size()).map_err(|error| error.to_string())?;
        let reader = E57Reader::new(whole).map_err(|error| plain(&error))?;
        Ok(Content {
            scans: reader.pointclouds(),
            images: reader.images().len(),
            metadata: reader.coordinate_metadata().map(str::to_string),
        })
    };
    guard::call(read)?
}

/// Bytes of the header.
const HEADER: u64 = 48;

/// Where in the header the length of the file stands, and place and length of what describes its scans.
const LENGTHS: std::ops::Range<usize> = 16..40;

/// Why a file cannot be read, in words, where that is plain: it is shorter than its header states, or the description of its
/// scans, which stands at its end, is damaged.
fn why_unreadable(source: &mut RangeReader) -> Option<String> {
    let size = source.size();
    if size < HEADER {
        return Some(format!("the file is cut off: it ends within its header, after {size} bytes"));
    }
    let header = source.load(0, HEADER, "header").ok()?;
    let (words, _) = header[LENGTHS].as_chunks::<8>();
    let [length, place, bytes] = [0, 1, 2].map(|word: usize| u64::from_le_bytes(words[word]));
    if size < length {
        return Some(format!(
            "the file is cut off: {size} of the {length} bytes that its header states are there"
        ));
    }
    let start = pages::logical(place);
    let end = start.saturating_add(bytes).min(pages::logical(size));
    if start >= end {
        return None;
    }
    let damage = pages::read(source, &mut Vec::new(), (start, end)).ok()?.err()?;
    Some(format!("the description of its scans is damaged: {damage}"))
}

/// An error of the crate with its causes, in one line.
fn plain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(below) = cause {
        // Some errors say their cause themselves.
        if !text.ends_with(&below.to_string()) {
            text = format!("{text}: {below}");
        }
        cause = below.source();
    }
    text.lines().collect::<Vec<_>>().join(" ")
}

/// Coordinates are in metres by the standard; metadata that says otherwise make the unit contradictory.
fn crs_of(metadata: Option<&str>, notes: &mut Vec<String>) -> Crs {
    let text = metadata.unwrap_or_default().trim();
    let crs = if text.is_empty() { None } else { Crs::from_wkt(text).or_else(|| Crs::from_codes(text)) };
    if crs.is_none() && !text.is_empty() {
        notes.push("its coordinate metadata are not readable WKT; they were ignored".to_string());
    }
    let mut crs = crs.unwrap_or_default();
    for (unit, what) in [(&mut crs.horizontal_unit, "horizontal"), (&mut crs.vertical_unit, "vertical")] {
        match unit {
            StatedUnit::Stated(Unit::Metre) => {}
            StatedUnit::NotStated => *unit = StatedUnit::Stated(Unit::Metre),
            StatedUnit::Stated(other) => {
                notes.push(format!(
                    "an E57 file is in metres by its standard, but its coordinate metadata give the {what} unit as {}",
                    other.words()
                ));
                *unit = StatedUnit::Contradictory(*other);
            }
            _ => {}
        }
    }
    crs
}

/// The pose of a scan.
///
/// # Errors
/// Where it is no turn and shift.
fn pose_of(scan: &PointCloud) -> Result<Option<Pose>, String> {
    let Some(pose) = &scan.transform else { return Ok(None) };
    let (turn, shift) = (&pose.rotation, &pose.translation);
    let quaternion = [turn.w, turn.x, turn.y, turn.z];
    let length = quaternion.iter().map(|part| part * part).sum::<f64>().sqrt();
    let translation = [shift.x, shift.y, shift.z];
    // What is not a number is in no range.
    if !((1.0 - UNIT_LENGTH..=1.0 + UNIT_LENGTH).contains(&length)
        && translation.iter().all(|v| v.is_finite()))
    {
        return Err(format!(
            "its pose is no turn and shift: quaternion {quaternion:?}, shift {translation:?}"
        ));
    }
    Ok(Some(Pose { rotation: quaternion.map(|part| part / length), translation }))
}

/// The box around a scan in the system of the file: around the corners of its own box, turned and shifted. Endless where
/// the scan states none.
fn stated_box(scan: &PointCloud, pose: Option<Pose>) -> StatedBox {
    let endless =
        StatedBox { min: [f64::NEG_INFINITY; 3], max: [f64::INFINITY; 3], rounding: [BOX_ROUNDING; 3] };
    let Some(bounds) = scan.get_cartesian_bounds() else { return endless };
    let sides = [(bounds.x_min, bounds.x_max), (bounds.y_min, bounds.y_max), (bounds.z_min, bounds.z_max)];
    let sides = sides
        .map(|(low, high)| Some((low?, high?)).filter(|(low, high)| low.is_finite() && high.is_finite()));
    let [Some(x), Some(y), Some(z)] = sides else { return endless };
    let pick = |(low, high): (f64, f64), upper: bool| if upper { high } else { low };
    let mut found = StatedBox { min: [f64::INFINITY; 3], max: [f64::NEG_INFINITY; 3], ..endless };
    for corner in 0..8 {
        let corner = [pick(x, corner & 1 != 0), pick(y, corner & 2 != 0), pick(z, corner & 4 != 0)];
        let placed = pose.map_or(corner, |pose| pose.apply(corner));
        for (axis, value) in placed.into_iter().enumerate() {
            found.min[axis] = found.min[axis].min(value);
            found.max[axis] = found.max[axis].max(value);
        }
    }
    found
}
