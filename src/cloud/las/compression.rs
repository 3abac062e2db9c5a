//! How the points of a LAZ file are compressed, checked against the point format before anything relies on it.

use std::mem::discriminant;
use std::path::Path;

use laz::{LazItem, LazItemType, LazVlr};

use crate::cloud::error::{CloudError, EXPORT_AGAIN};
use crate::cloud::las::vlr::Record;

/// Extra bytes of a compressed point at the most: the decoder takes several kilobytes of memory for each.
pub(super) const MOST_EXTRA_BYTES: u16 = 4096;

/// How the points of a file are compressed.
#[derive(Clone, Debug)]
pub(super) struct Compression {
    /// The parts of a point and the size of the chunks.
    pub vlr: LazVlr,
    /// How the parts lie in the file.
    pub kind: Kind,
}

impl Compression {
    /// Bytes of a point, uncompressed.
    pub fn record_length(&self) -> usize {
        self.vlr.items().iter().map(|item| usize::from(size(item))).sum()
    }
}

/// How the parts of compressed points lie in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Points one after another, without chunks.
    Whole,
    /// Points one after another, in chunks.
    Chunks,
    /// Chunks, each split into one layer a field.
    Layers,
}

/// Reads the record that says how the points are compressed.
///
/// # Errors
/// When it is missing, unknown, or does not fit the point format and record length of the header.
pub(super) fn read(
    records: &[Record],
    path: &Path,
    format: u8,
    record_length: u16,
    notes: &mut Vec<String>,
) -> Result<Compression, CloudError> {
    let wrong = |what: String, offset| CloudError::Header {
        path: path.to_path_buf(),
        what,
        offset,
        remedy: EXPORT_AGAIN,
    };
    let Some(record) = records.iter().find(|record| record.user == "laszip encoded") else {
        return Err(wrong(
            "the points are compressed, but the record that describes the compression is missing".into(),
            104,
        ));
    };
    if records.iter().any(|record| record.user == "lascompatible") {
        notes.push(
            "the points were converted from a newer point format to an older one, which may have lost return \
             numbers: export the file as LAS 1.4 in its original format"
                .into(),
        );
    }
    let vlr = LazVlr::from_buffer(&record.data)
        .map_err(|error| wrong(format!("unknown compression: {error}"), record.offset))?;
    let misfit = |what: &str| {
        wrong(
            format!("the compression does not fit point format {format} of {record_length} bytes: {what}"),
            record.offset,
        )
    };
    let items = vlr.items();
    // The kind stands first in the record; the reader of the record keeps it to itself.
    let kind = match record.data[0] {
        1 => Kind::Whole,
        2 => Kind::Chunks,
        3 => Kind::Layers,
        _ => return Err(misfit("it states that nothing is compressed")),
    };
    let layered = kind == Kind::Layers;
    if layered != (format >= 6) {
        return Err(misfit("one belongs to formats 0 to 5, the other to 6 to 10"));
    }
    let core = if layered { LazItemType::Point14 } else { LazItemType::Point10 };
    let gps_second = matches!(format, 1 | 3 | 4 | 5);
    let begins_right = items.first().is_some_and(|item| item.item_type() == core)
        && (!gps_second || items.get(1).is_some_and(|item| item.item_type() == LazItemType::GpsTime));
    if !begins_right {
        return Err(misfit("its items are in a different order"));
    }
    for (at, item) in items.iter().enumerate() {
        let same = |other: &LazItem| discriminant(&other.item_type()) == discriminant(&item.item_type());
        if items[..at].iter().any(same) {
            return Err(misfit("an item is listed twice"));
        }
        if let LazItemType::Byte(count) | LazItemType::Byte14(count) = item.item_type()
            && count > MOST_EXTRA_BYTES
        {
            return Err(misfit(&format!("{count} extra bytes per point are more than {MOST_EXTRA_BYTES}")));
        }
    }
    let versions = if layered { 3..=4 } else { 1..=2 };
    if let Some(item) = items.iter().find(|item| !versions.contains(&item.version())) {
        return Err(misfit(&format!("an item has version {}", item.version())));
    }
    let length: u64 = items.iter().map(|item| u64::from(size(item))).sum();
    if length != u64::from(record_length) || items.iter().any(|item| item.size() != size(item)) {
        return Err(misfit(&format!("its items are {length} bytes long")));
    }
    Ok(Compression { vlr, kind })
}

/// Bytes that a part really takes in a point, whatever the file says.
pub(super) fn size(item: &LazItem) -> u16 {
    match item.item_type() {
        LazItemType::Byte(count) | LazItemType::Byte14(count) => count,
        LazItemType::Point10 => 20,
        LazItemType::GpsTime | LazItemType::RGBNIR14 => 8,
        LazItemType::RGB12 | LazItemType::RGB14 => 6,
        LazItemType::WavePacket13 | LazItemType::WavePacket14 => 29,
        LazItemType::Point14 => 30,
    }
}

/// Layers that a part of a layered point is split into, each with its own stated length.
pub(super) fn layers(item: &LazItem) -> usize {
    match item.item_type() {
        LazItemType::Point14 => POINT_LAYERS,
        LazItemType::RGBNIR14 => 2,
        LazItemType::Byte14(count) => count.into(),
        _ => 1,
    }
}

/// Layers of the core of a layered point: x, y and returns; z; class; flags; intensity; scan angle; user data;
/// point source; GPS time.
pub(super) const POINT_LAYERS: usize = 9;
