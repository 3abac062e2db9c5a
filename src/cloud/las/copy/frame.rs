//! What stands around the points of a file: header, records, and extended records.

use crate::cloud::error::CloudError;
use crate::cloud::las::copy::chunks::Chunking;
use crate::cloud::las::copy::extra_bytes::{ExtraDimension, with_dimensions};
use crate::cloud::las::copy::{OWN_RECORD, OWN_USER};
use crate::cloud::las::header::LasFile;
use crate::cloud::las::vlr::{EXTENDED_HEAD, HEAD, MOST, text};
use crate::cloud::ranges::RangeReader;

/// Places in the header: LAS 1.4 R16, table 3.
const OFFSET_TO_POINTS: usize = 96;
const NUMBER_OF_RECORDS: usize = 100;
const POINT_FORMAT: usize = 104;
const RECORD_LENGTH: usize = 105;
const WAVEFORMS: usize = 227;
const EXTENDED: usize = 235;

/// Bytes of the data of a record at the most.
const LONGEST: usize = u16::MAX as usize;

/// A record of the source as it stands there, or a new one.
#[derive(Clone, Debug)]
struct WholeRecord {
    user: String,
    id: u16,
    /// Its head and its data.
    bytes: Vec<u8>,
}

impl WholeRecord {
    fn new(user: &str, id: u16, description: &str, data: &[u8]) -> Self {
        let mut bytes = vec![0; HEAD as usize];
        bytes[2..2 + user.len()].copy_from_slice(user.as_bytes());
        bytes[18..20].copy_from_slice(&id.to_le_bytes());
        bytes[20..22].copy_from_slice(&(data.len() as u16).to_le_bytes());
        bytes[22..22 + description.len()].copy_from_slice(description.as_bytes());
        bytes.extend_from_slice(data);
        WholeRecord { user: user.to_string(), id, bytes }
    }

    fn is(&self, user: &str, id: u16) -> bool {
        self.user == user && self.id == id
    }

    fn data(&self) -> &[u8] {
        &self.bytes[HEAD as usize..]
    }
}

/// A stretch of the source that is copied behind the points.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    pub offset: u64,
    pub bytes: u64,
}

/// What stands around the points.
#[derive(Clone, Debug)]
pub(super) struct Frame {
    header: Vec<u8>,
    records: Vec<WholeRecord>,
    /// Bytes between the records and the points.
    gap: Vec<u8>,
    /// Extended records in the order of the file, those of an octree left out.
    pub extended: Vec<Stretch>,
    /// Where the waveforms began in the source, where they are in the file.
    waveforms: Option<u64>,
    pub was_copc: bool,
}

impl Frame {
    /// That of a file.
    ///
    /// # Errors
    /// Where it cannot be read.
    pub fn read(source: &mut RangeReader, file: &LasFile) -> Result<Self, CloudError> {
        let head = source.bytes(0, 227, "header")?;
        let header = source.bytes(0, u16::from_le_bytes([head[94], head[95]]).into(), "header")?;
        let word = |at: usize| u32::from_le_bytes(header[at..at + 4].try_into().expect("four bytes"));
        let long = |at: usize| u64::from_le_bytes(header[at..at + 8].try_into().expect("eight bytes"));
        let points = u64::from(word(OFFSET_TO_POINTS));
        let (mut records, mut at) = (Vec::new(), header.len() as u64);
        for _ in 0..word(NUMBER_OF_RECORDS).min(MOST) {
            // One that does not fit is no record; that was noted when the file was opened.
            if points.saturating_sub(at) < HEAD {
                break;
            }
            let head = source.bytes(at, HEAD, "variable length record")?;
            let length = HEAD + u64::from(u16::from_le_bytes([head[20], head[21]]));
            if points - at < length {
                break;
            }
            let bytes = source.bytes(at, length, "variable length record")?;
            let id = u16::from_le_bytes([bytes[18], bytes[19]]);
            records.push(WholeRecord { user: text(&bytes[2..18]), id, bytes });
            at += length;
        }
        let gap = source.bytes(at, points - at, "bytes before the points")?;
        let minor = file.version.1;
        let starts = |at: u64| at > points && at < source.size();
        let waveforms = (minor >= 3).then(|| long(WAVEFORMS)).filter(|at| starts(*at));
        let was_copc = records.iter().any(|record| record.is("copc", 1));
        let extended = match (minor, waveforms) {
            (3, Some(start)) => extended(source, start, 1, false)?,
            (4.., _) if starts(long(EXTENDED)) => {
                extended(source, long(EXTENDED), word(EXTENDED + 8).min(MOST), was_copc)?
            }
            _ => Vec::new(),
        };
        records.retain(|record| !(record.is("copc", 1) || record.is(OWN_USER, OWN_RECORD)));
        Ok(Frame { header, records, gap, extended, waveforms, was_copc })
    }

    /// Describes new dimensions of the points.
    ///
    /// # Errors
    /// Where they do not fit.
    pub fn add_dimensions(
        &mut self,
        file: &LasFile,
        dimensions: &[ExtraDimension],
    ) -> Result<(), CloudError> {
        if dimensions.is_empty() {
            return Ok(());
        }
        let place = self.records.iter().position(|record| record.is("LASF_Spec", 4));
        let now = place.map(|place| self.records[place].data()).unwrap_or_default();
        let data = with_dimensions(file, now, dimensions)?;
        if data.len() > LONGEST {
            return Err(CloudError::Unsupported {
                path: file.location.path().to_path_buf(),
                what: format!("describing the extra bytes of its points in {} bytes", data.len()),
                offset: 105,
                remedy: "Export the cloud without `extra_bytes:`",
            });
        }
        match place {
            Some(place) => {
                let bytes = &mut self.records[place].bytes;
                bytes.truncate(HEAD as usize);
                bytes[20..22].copy_from_slice(&(data.len() as u16).to_le_bytes());
                bytes.extend(data);
            }
            None => self.records.push(WholeRecord::new("LASF_Spec", 4, "extra bytes", &data)),
        }
        let added: usize = dimensions.iter().map(ExtraDimension::bytes).sum();
        let length = file.record_length + added as u16;
        self.header[RECORD_LENGTH..RECORD_LENGTH + 2].copy_from_slice(&length.to_le_bytes());
        Ok(())
    }

    /// Says how the points are compressed, where the source said so.
    pub fn set_compression(&mut self, chunking: &Chunking) {
        let mut data = Vec::new();
        chunking.vlr.write_to(&mut data).expect("writing to memory");
        let record = WholeRecord::new(laz::LazVlr::USER_ID, laz::LazVlr::RECORD_ID, "compression", &data);
        match self.records.iter().position(|record| record.is(laz::LazVlr::USER_ID, laz::LazVlr::RECORD_ID)) {
            Some(place) => self.records[place] = record,
            None => self.records.push(record),
        }
        self.header[POINT_FORMAT] |= 0x80;
    }

    /// Says where the copy comes from.
    pub fn set_origin(&mut self, origin: &str) {
        let end =
            (0..=origin.len().min(LONGEST)).rev().find(|end| origin.is_char_boundary(*end)).unwrap_or(0);
        let data = &origin.as_bytes()[..end];
        self.records.push(WholeRecord::new(OWN_USER, OWN_RECORD, "origin of the classification", data));
    }

    /// Header, records, and what stands between them and the points.
    pub fn head(&self) -> Vec<u8> {
        let records: usize = self.records.iter().map(|record| record.bytes.len()).sum();
        let points = self.header.len() + records + self.gap.len();
        let mut head = self.header.clone();
        head[OFFSET_TO_POINTS..OFFSET_TO_POINTS + 4].copy_from_slice(&(points as u32).to_le_bytes());
        let count = (self.records.len() as u32).to_le_bytes();
        head[NUMBER_OF_RECORDS..NUMBER_OF_RECORDS + 4].copy_from_slice(&count);
        self.records.iter().for_each(|record| head.extend_from_slice(&record.bytes));
        head.extend_from_slice(&self.gap);
        head
    }

    /// The header once it is known where the extended records are.
    pub fn header_with_extended(&self, start: u64) -> Vec<u8> {
        let mut header = self.head();
        header.truncate(self.header.len());
        let minor = header[25];
        let mut put = |at: usize, bytes: &[u8]| header[at..at + bytes.len()].copy_from_slice(bytes);
        if minor >= 4 {
            put(EXTENDED, &(if self.extended.is_empty() { 0 } else { start }).to_le_bytes());
            put(EXTENDED + 8, &(self.extended.len() as u32).to_le_bytes());
        }
        if minor >= 3 && self.waveforms.is_some() {
            put(WAVEFORMS, &self.waveforms_from(start).unwrap_or(0).to_le_bytes());
        }
        header
    }

    /// Where the waveforms begin in the copy.
    fn waveforms_from(&self, start: u64) -> Option<u64> {
        let waveforms = self.waveforms?;
        let place = self.extended.iter().position(|stretch| stretch.offset == waveforms)?;
        Some(start + self.extended[..place].iter().map(|stretch| stretch.bytes).sum::<u64>())
    }
}

/// So many extended records from `at` on, as far as they fit.
fn extended(
    source: &mut RangeReader,
    mut at: u64,
    count: u32,
    was_copc: bool,
) -> Result<Vec<Stretch>, CloudError> {
    let mut stretches = Vec::new();
    for _ in 0..count {
        let room = source.size().saturating_sub(at);
        if room < EXTENDED_HEAD {
            break;
        }
        let head = source.bytes(at, EXTENDED_HEAD, "extended variable length record")?;
        let length = u64::from_le_bytes(head[20..28].try_into().expect("eight bytes"));
        let Some(bytes) = length.checked_add(EXTENDED_HEAD).filter(|bytes| *bytes <= room) else { break };
        let hierarchy = was_copc && text(&head[2..18]) == "copc" && head[18..20] == 1000u16.to_le_bytes();
        if !hierarchy {
            stretches.push(Stretch { offset: at, bytes });
        }
        at += bytes;
    }
    Ok(stretches)
}
