//! The variable length records of a file, of which only the few kinds that say something of the points are kept.

use las::raw::Vlr;

use crate::cloud::error::CloudError;
use crate::cloud::ranges::RangeReader;

/// Length of the head of a record and of an extended one: LAS 1.4, sections 2.5 and 2.7.
pub(super) const HEAD: u64 = 54;
pub(super) const EXTENDED_HEAD: u64 = 60;

/// A record that is longer than this is passed over, unless it is one of the kinds that are wanted; those are
/// short by nature, so a longer one is junk.
const LONGEST: u64 = 16 << 20;

/// Bytes of all records kept at the most.
const MOST_BYTES: u64 = 64 << 20;

/// More records than this are junk, and are not walked through.
pub(super) const MOST: u32 = 10_000;

/// Whether a record is one of those that are read: coordinate system, compression, layout.
fn wanted(user: &str, id: u16) -> bool {
    matches!(
        (user, id),
        ("LASF_Projection", 2112 | 34735 | 34736 | 34737)
            | ("laszip encoded", 22204)
            | ("lascompatible", 22204)
            | ("copc", 1)
    )
}

/// One record that was kept.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Record {
    /// Who defines the record.
    pub user: String,
    /// Which of that user's records it is.
    pub id: u16,
    /// Where its data begin in the file.
    pub offset: u64,
    /// Its data.
    pub data: Vec<u8>,
}

/// The records wanted among `count` ones from `offset` on, none reaching beyond `end`; with what is wrong with
/// the rest in `notes`.
///
/// # Errors
/// When reading fails. Records that do not fit are a note: the points do not depend on them.
pub(super) fn read(
    source: &mut RangeReader,
    mut offset: u64,
    count: u32,
    end: u64,
    extended: bool,
    notes: &mut Vec<String>,
) -> Result<Vec<Record>, CloudError> {
    let (head_length, kind) = if extended {
        (EXTENDED_HEAD, "extended variable length record")
    } else {
        (HEAD, "variable length record")
    };
    let mut records = Vec::new();
    let mut kept = 0;
    for number in 1..=count {
        if number > MOST {
            notes.push(format!(
                "the header states {count} {kind}s; those after the first {MOST} were not read"
            ));
            break;
        }
        let room = end.saturating_sub(offset);
        if room < head_length {
            notes.push(format!(
                "the header states {count} {kind}s, but only {} fit before byte {end}",
                number - 1
            ));
            break;
        }
        let head = source.bytes(offset, head_length, kind)?;
        let length = if extended {
            u64::from_le_bytes(head[20..28].try_into().expect("eight bytes"))
        } else {
            u16::from_le_bytes([head[20], head[21]]).into()
        };
        if length > room - head_length {
            notes.push(format!(
                "{kind} {number} at byte {offset} states a length of {length} bytes, but only {} are left",
                room - head_length
            ));
            break;
        }
        let user = text(&head[2..18]);
        let id = u16::from_le_bytes([head[18], head[19]]);
        if wanted(&user, id) && length <= LONGEST && kept + length <= MOST_BYTES {
            kept += length;
            let all = source.bytes(offset, head_length + length, kind)?;
            // The length was checked above, so this reads what is there and no more.
            let record = Vlr::read_from(all.as_slice(), extended)
                .map_err(|error| source.read_error(offset, std::io::Error::other(error)))?;
            records.push(Record { user, id, offset: offset + head_length, data: record.data });
        }
        offset += head_length + length;
    }
    Ok(records)
}

/// The text of a fixed field: up to the first zero, without blanks around it.
pub(super) fn text(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    String::from_utf8_lossy(&bytes[..end]).trim().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::ranges::temporary;

    fn record(user: &str, id: u16, length: u16, data: &[u8]) -> Vec<u8> {
        let mut bytes = vec![0; 2];
        let mut name = user.as_bytes().to_vec();
        name.resize(16, 0);
        bytes.extend(name);
        bytes.extend(id.to_le_bytes());
        bytes.extend(length.to_le_bytes());
        bytes.extend([0; 32]);
        bytes.extend(data);
        bytes
    }

    #[test]
    fn keeps_what_is_wanted_and_notes_what_does_not_fit() {
        let mut bytes = record("other", 1, 4, b"abcd");
        bytes.extend(record("LASF_Projection", 2112, 2, b"ok"));
        bytes.extend(record("LASF_Projection", 2112, 60_000, b"cut"));
        let (_folder, mut source) = temporary(&bytes);
        let mut notes = Vec::new();
        let records = read(&mut source, 0, 9, bytes.len() as u64, false, &mut notes).unwrap();
        assert_eq!(records.len(), 1);
        assert_eq!((records[0].offset, records[0].data.as_slice()), (58 + 54, b"ok".as_slice()));
        assert_eq!(
            notes,
            ["variable length record 3 at byte 114 states a length of 60000 bytes, but only 3 are left"]
        );
    }

    #[test]
    fn a_lying_extended_length_allocates_nothing() {
        let mut bytes = record("LASF_Projection", 2112, 0, b"");
        bytes.splice(20..22, u64::MAX.to_le_bytes());
        let (_folder, mut source) = temporary(&bytes);
        let mut notes = Vec::new();
        assert!(read(&mut source, 0, 1, bytes.len() as u64, true, &mut notes).unwrap().is_empty());
        assert_eq!(notes.len(), 1);
    }
}
