//! Opening a point file: the header and the records after it, checked against the file's real size.

use std::sync::Arc;

use crate::cloud::block::Block;
use crate::cloud::crs::Crs;
use crate::cloud::error::{CloudError, EXPORT_AGAIN};
use crate::cloud::las::blocks;
use crate::cloud::las::compression::{self, Compression};
use crate::cloud::las::copc::{self, NodeGround};
use crate::cloud::las::vlr::{self, Record};
use crate::cloud::location::Location;
use crate::cloud::ranges::RangeReader;

/// Bytes of a point record of formats 0 to 10: LAS 1.4 R16, section 2.6.
pub(super) const RECORD_LENGTHS: [u16; 11] = [20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67];

/// Scale factors that make sense: whole coordinates reach 2^31 of them, which is 2 mm at the low end and the size of
/// the solar system at the high end.
const SCALES: std::ops::RangeInclusive<f64> = 1e-12..=100.0;

/// Offsets farther from zero than this, in any unit, are off the Earth.
const LARGEST_OFFSET: f64 = 1e9;

/// What the GPS times of a cloud count from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GpsTimeType {
    /// Seconds of the GPS week.
    WeekSeconds,
    /// Seconds since the GPS epoch (midnight of 6 January 1980), less 1,000,000,000.
    AdjustedStandard,
}

/// A LAS or LAZ file that was opened and found readable: all that its header and records say, and where its points
/// lie. Numbers in the file's own units unless said otherwise.
#[derive(Clone, Debug)]
pub struct LasFile {
    /// Where it is.
    pub location: Location,
    /// Its size in bytes.
    pub size: u64,
    /// LAS version, major and minor.
    pub version: (u8, u8),
    /// Point format, 0 to 10.
    pub format: u8,
    /// Bytes of a point record, uncompressed.
    pub record_length: u16,
    /// Whether the points are compressed (LAZ).
    pub compressed: bool,
    /// Number of points, as the header counts them.
    pub points: u64,
    /// How many of them are not there, because the file is cut off; 0 unless it was opened with
    /// [`LasFile::open_what_is_there`].
    pub missing: u64,
    /// Points of return 1 to 15 as the header states them.
    pub points_by_return: [u64; 15],
    /// Scale factors of x, y and z.
    pub scale: [f64; 3],
    /// Offsets of x, y and z.
    pub offset: [f64; 3],
    /// Least x, y and z as the header states them.
    pub stated_min: [f64; 3],
    /// Greatest x, y and z as the header states them.
    pub stated_max: [f64; 3],
    /// What the file says of its coordinate system and units.
    pub crs: Crs,
    /// What the GPS times count from.
    pub gps_time_type: GpsTimeType,
    /// Whether the header says that the return numbers were made up, not recorded.
    pub synthetic_returns: bool,
    /// Day on which the file was made, as `2015-09-10`.
    pub creation_date: Option<String>,
    /// Program that wrote the file.
    pub generating_software: String,
    /// Runs of points that can be decoded independently of each other, in file order.
    pub blocks: Vec<Block>,
    /// Of a COPC file, the ground of each block: they are the nodes of an octree.
    pub(in crate::cloud) nodes: Option<Arc<[NodeGround]>>,
    /// What is wrong with the file without making it unreadable, in words for people.
    pub notes: Vec<String>,
    /// How the points are compressed.
    pub(super) compression: Option<Compression>,
}

impl LasFile {
    /// Opens a LAS or LAZ file and checks all that can be checked without reading its points.
    ///
    /// # Errors
    /// When the file cannot be read or its points cannot be found: the message names the place and the remedy.
    pub fn open(location: impl Into<Location>) -> Result<LasFile, CloudError> {
        Self::read(RangeReader::open(location)?, false)
    }

    /// As [`LasFile::open`], but takes an uncompressed file that is cut off for the points that are there, and a COPC file
    /// whose hierarchy is damaged for plain LAZ.
    ///
    /// # Errors
    /// When the file cannot be read or its points cannot be found: the message names the place and the remedy.
    pub fn open_what_is_there(location: impl Into<Location>) -> Result<LasFile, CloudError> {
        Self::read(RangeReader::open(location)?, true)
    }

    /// The file that a reader is of.
    pub(in crate::cloud) fn read(
        mut source: RangeReader,
        what_is_there: bool,
    ) -> Result<LasFile, CloudError> {
        let location = source.location().clone();
        let path = location.path();
        let header = read_header(&mut source)?;
        let minor = header.version.minor;
        let format = header.point_data_record_format & 0x3f;
        let compressed = header.point_data_record_format & 0x80 != 0;
        let offset_to_points = u64::from(header.offset_to_point_data);
        let mut notes = Vec::new();

        let points = count(&header, &mut notes);
        if points == 0 {
            return Err(CloudError::Header {
                path: path.to_path_buf(),
                what: "the header states that the file has no points".into(),
                offset: if minor >= 4 { 247 } else { 107 },
                remedy: "Remove the file from `files:`",
            });
        }
        let mut kept = vlr::read(
            &mut source,
            header.header_size.into(),
            header.number_of_variable_length_records,
            offset_to_points,
            false,
            &mut notes,
        )?;
        let mut end_of_points = source.size();
        if let Some(evlr) = header.evlr {
            if evlr.start_of_first_evlr < offset_to_points || evlr.start_of_first_evlr > source.size() {
                notes.push(format!(
                    "the extended variable length records should begin at byte {}, which is before the points or \
                     beyond the end of the file; they were not read",
                    evlr.start_of_first_evlr
                ));
            } else {
                end_of_points = evlr.start_of_first_evlr;
                let size = source.size();
                let (start, number) = (evlr.start_of_first_evlr, evlr.number_of_evlrs);
                kept.extend(vlr::read(&mut source, start, number, size, true, &mut notes)?);
            }
        }

        // Waveforms in a file of LAS 1.3 stand behind its points.
        if minor == 3
            && header.global_encoding & 2 != 0
            && let Some(start) = header.start_of_waveform_data_packet_record
            && !compressed
            && (points.saturating_mul(header.point_data_record_length.into()).saturating_add(offset_to_points)
                ..source.size())
                .contains(&start)
        {
            end_of_points = start;
        }

        let wkt_flag = minor >= 4 && header.global_encoding & 0x10 != 0;
        if format >= 6 && !wkt_flag {
            notes.push(
                "the header does not flag its coordinate system as WKT (byte 6, bit 4), as point formats 6 to 10 \
                 require"
                    .into(),
            );
        }
        let crs = read_crs(&kept, wkt_flag, &mut notes);
        let record_length = header.point_data_record_length;
        let (compression, blocks) = if compressed {
            let compression = compression::read(&kept, path, format, record_length, &mut notes)?;
            let blocks =
                blocks::of_compressed(&mut source, &compression, points, offset_to_points, end_of_points)?;
            (Some(compression), blocks)
        } else {
            let length = record_length.into();
            (None, blocks::of_plain(length, points, offset_to_points, end_of_points, &mut notes))
        };
        let nodes = match copc::read(&mut source, &kept, &blocks) {
            _ if !compressed => None,
            Err(CloudError::Header { what, offset, .. }) if what_is_there => {
                notes.push(format!(
                    "{what} (byte {offset}): it is read as plain LAZ, and all of it is decoded whatever `area:` of `select`"
                ));
                None
            }
            nodes => nodes?,
        };
        let there = blocks.last().map_or(0, |block| block.first_point + block.points);
        if there < points && (!what_is_there || blocks.is_empty()) {
            return Err(CloudError::PointsMissing {
                path: path.to_path_buf(),
                points,
                there,
                offset: offset_to_points,
                needed: points.saturating_mul(record_length.into()),
                end: end_of_points,
            });
        }

        // Before LAS 1.2 the two bytes of the global encoding were reserved.
        let encoding = if minor >= 2 { header.global_encoding } else { 0 };
        let mut points_by_return = [0; 15];
        match header.large_file {
            Some(large) => points_by_return = large.number_of_points_by_return,
            None => {
                for (to, from) in points_by_return.iter_mut().zip(header.number_of_points_by_return) {
                    *to = from.into();
                }
            }
        }
        Ok(LasFile {
            location,
            size: source.size(),
            version: (header.version.major, minor),
            format,
            record_length,
            compressed,
            points,
            missing: points.saturating_sub(there),
            points_by_return,
            scale: [header.x_scale_factor, header.y_scale_factor, header.z_scale_factor],
            offset: [header.x_offset, header.y_offset, header.z_offset],
            stated_min: [header.min_x, header.min_y, header.min_z],
            stated_max: [header.max_x, header.max_y, header.max_z],
            crs,
            gps_time_type: if encoding & 1 != 0 {
                GpsTimeType::AdjustedStandard
            } else {
                GpsTimeType::WeekSeconds
            },
            synthetic_returns: encoding & 8 != 0,
            creation_date: date(header.file_creation_year, header.file_creation_day_of_year),
            generating_software: vlr::text(&header.generating_software),
            blocks,
            nodes: nodes.map(Arc::from),
            notes,
            compression,
        })
    }

    /// Whether points carry a GPS time.
    pub fn has_gps_time(&self) -> bool {
        !matches!(self.format, 0 | 2)
    }
}

/// Reads the header and refuses what cannot be read further.
fn read_header(source: &mut RangeReader) -> Result<las::raw::Header, CloudError> {
    let path = source.path().to_path_buf();
    let wrong =
        |what: String, offset: u64, remedy| CloudError::Header { path: path.clone(), what, offset, remedy };
    let unsupported = |what: String, offset: u64, remedy| CloudError::Unsupported {
        path: path.clone(),
        what,
        offset,
        remedy,
    };

    let start = source.bytes(0, source.size().min(4), "signature")?;
    if start != b"LASF" {
        let found = if start.is_empty() { "nothing".into() } else { format!("`{}`", start.escape_ascii()) };
        return Err(CloudError::NotLas { path, found });
    }
    let head = source.bytes(0, 96, "header")?;
    let (major, minor) = (head[24], head[25]);
    if major != 1 || minor > 4 {
        return Err(unsupported(
            format!("LAS version {major}.{minor}"),
            24,
            "Export the cloud as LAS 1.4 (or 1.0 to 1.3)",
        ));
    }
    let header_size = u16::from_le_bytes([head[94], head[95]]);
    let least = las::Version::new(major, minor).header_size();
    if header_size < least {
        return Err(wrong(
            format!("the header states a length of {header_size} bytes, but LAS 1.{minor} needs {least}"),
            94,
            EXPORT_AGAIN,
        ));
    }
    let bytes = source.bytes(0, header_size.into(), "header")?;
    let header = las::raw::Header::read_from(bytes.as_slice())
        .map_err(|error| wrong(format!("the header cannot be read: {error}"), 0, EXPORT_AGAIN))?;

    let format_byte = header.point_data_record_format;
    if format_byte & 0x40 != 0 {
        return Err(unsupported(
            "compression older than LAZ 1.0".into(),
            104,
            "Export the cloud as LAS or LAZ",
        ));
    }
    let format = format_byte & 0x3f;
    let Some(least) = RECORD_LENGTHS.get(usize::from(format)) else {
        return Err(unsupported(
            format!("point format {format}"),
            104,
            "Export the cloud in a format from 0 to 10",
        ));
    };
    if header.point_data_record_length < *least {
        return Err(wrong(
            format!(
                "the header states {} bytes per point, but format {format} needs {least}",
                header.point_data_record_length
            ),
            105,
            EXPORT_AGAIN,
        ));
    }
    let offset = u64::from(header.offset_to_point_data);
    if offset < u64::from(header_size) || offset > source.size() {
        return Err(wrong(
            format!(
                "the points should begin at byte {offset}, which is not between the end of the header ({header_size}) \
                 and the end of the file ({})",
                source.size()
            ),
            96,
            EXPORT_AGAIN,
        ));
    }
    let scales = [header.x_scale_factor, header.y_scale_factor, header.z_scale_factor];
    let offsets = [header.x_offset, header.y_offset, header.z_offset];
    for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
        let place = |field: u64| field + 8 * axis as u64;
        // A value that is not a number is in no range.
        if !SCALES.contains(&scales[axis].abs()) {
            return Err(wrong(
                format!(
                    "the scale factor of {name} is {:?}, which cannot give valid coordinates",
                    scales[axis]
                ),
                place(131),
                EXPORT_AGAIN,
            ));
        }
        if !(0.0..=LARGEST_OFFSET).contains(&offsets[axis].abs()) {
            return Err(wrong(
                format!("the offset of {name} is {:?}, which cannot give valid coordinates", offsets[axis]),
                place(155),
                EXPORT_AGAIN,
            ));
        }
    }
    Ok(header)
}

/// The number of points. Where the old and the new field disagree, LAS 1.4 R16 (section 2.4) has a reader go by
/// the old one and say so.
fn count(header: &las::raw::Header, notes: &mut Vec<String>) -> u64 {
    let legacy = u64::from(header.number_of_point_records);
    let Some(large) = header.large_file else { return legacy };
    let full = large.number_of_point_records;
    if legacy != 0 && legacy != full {
        notes.push(format!(
            "the header gives two point counts, {legacy} (byte 107) and {full} (byte 247); the first is used"
        ));
        return legacy;
    }
    full
}

/// The coordinate system: first what the WKT flag points to, completed by the other kind.
fn read_crs(records: &[Record], wkt_flag: bool, notes: &mut Vec<String>) -> Crs {
    let data =
        |id: u16| records.iter().filter(move |record| record.user == "LASF_Projection" && record.id == id);
    if data(2112).count() > 1 {
        notes.push("the file holds more than one coordinate system as WKT; the first is used".into());
    }
    let wkt = data(2112).next().and_then(|record| {
        let crs = Crs::from_wkt(&String::from_utf8_lossy(&record.data));
        if crs.is_none() && record.data.iter().any(|byte| !byte.is_ascii_whitespace() && *byte != 0) {
            notes.push(format!(
                "the coordinate system at byte {} is not readable WKT; it was ignored",
                record.offset
            ));
        }
        crs
    });
    let first = |id| data(id).next().map_or(&[][..], |record| record.data.as_slice());
    let keys = Crs::from_geotiff(first(34735), first(34736), first(34737));
    match (wkt, keys) {
        (Some(wkt), Some(keys)) if wkt_flag => {
            let of_keys = keys.horizontal_code.filter(|_| wkt.horizontal_code.is_none());
            let mut crs = wkt.completed_by(keys);
            crs.problems.extend(of_keys.map(|code| {
                format!(
                    "the EPSG code {code} comes from GeoTIFF keys: the WKT that the header says to use has none, and may be another \
                     system"
                )
            }));
            crs
        }
        (Some(wkt), Some(keys)) => keys.completed_by(wkt),
        (Some(crs), None) | (None, Some(crs)) => crs,
        (None, None) => Crs::default(),
    }
}

/// A date from the year and the day of it, where both are possible.
fn date(year: u16, day_of_year: u16) -> Option<String> {
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let days = [31, if leap { 29 } else { 28 }, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let mut day = day_of_year;
    // Earlier than any such survey: the field was filled in with something.
    if year < 1980 || day == 0 {
        return None;
    }
    for (month, length) in days.into_iter().enumerate() {
        if day <= length {
            return Some(format!("{year:04}-{:02}-{day:02}", month + 1));
        }
        day -= length;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_of_the_year_becomes_a_date() {
        assert_eq!(date(2015, 253).as_deref(), Some("2015-09-10"));
        assert_eq!(date(2024, 366).as_deref(), Some("2024-12-31"));
        assert_eq!(date(2023, 366), None);
        assert_eq!([date(0, 1), date(1, 1), date(2015, 0)], [None, None, None]);
    }
}
