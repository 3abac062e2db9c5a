//! A reader of GeoTIFF keys as LAS files carry them (records 34735, 34736 and 34737).
//!
//! Source of the key and unit codes: OGC GeoTIFF 1.1 (19-008r4), annexes; EPSG registry for 9001 to 9003.

/// The key whose value is defined in the file itself, not by a code.
pub(super) const USER_DEFINED: u16 = 32767;

/// What kind of system the keys describe (1024): 1 projected, 2 geographic, 3 geocentric.
pub(super) const MODEL_TYPE: u16 = 1024;
/// Name of the whole (1026).
pub(super) const CITATION: u16 = 1026;
/// Name of the geographic system (2049).
pub(super) const GEODETIC_CITATION: u16 = 2049;
/// EPSG code of the projected system (3072).
pub(super) const PROJECTED_CRS: u16 = 3072;
/// Name of the projected system (3073).
pub(super) const PROJECTED_CITATION: u16 = 3073;
/// Horizontal unit (3076).
pub(super) const LINEAR_UNITS: u16 = 3076;
/// Metres in a user-defined horizontal unit (3077).
pub(super) const LINEAR_UNIT_SIZE: u16 = 3077;
/// EPSG code of the vertical system (4096).
pub(super) const VERTICAL_CRS: u16 = 4096;
/// Name of the vertical system (4097).
pub(super) const VERTICAL_CITATION: u16 = 4097;
/// Vertical unit (4099).
pub(super) const VERTICAL_UNITS: u16 = 4099;

/// The keys of one file, with the two records that hold what does not fit into them.
#[derive(Clone, Debug, Default)]
pub(super) struct GeoKeys {
    /// Key, where its value lies (0: in the key itself), count, value or position.
    keys: Vec<[u16; 4]>,
    doubles: Vec<f64>,
    ascii: Vec<u8>,
}

impl GeoKeys {
    /// Reads the directory (34735) with the doubles (34736) and texts (34737). Nothing where there is no key.
    pub fn parse(directory: &[u8], doubles: &[u8], ascii: &[u8]) -> Option<Self> {
        let words: Vec<u16> =
            directory.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])).collect();
        let (head, rest) = words.split_at_checked(4)?;
        let keys: Vec<[u16; 4]> = rest
            .chunks_exact(4)
            .take(usize::from(head[3]))
            .map(|key| [key[0], key[1], key[2], key[3]])
            .collect();
        let doubles = doubles
            .chunks_exact(8)
            .map(|bytes| f64::from_le_bytes(bytes.try_into().expect("eight bytes")))
            .collect();
        // Writers round the number of keys up and fill with zeros.
        keys.iter().any(|key| key[0] != 0).then_some(GeoKeys { keys, doubles, ascii: ascii.to_vec() })
    }

    /// The code that a key holds; nothing where the key is missing, 0 or not a code.
    pub fn code(&self, key: u16) -> Option<u16> {
        let entry = self.keys.iter().find(|entry| entry[0] == key && entry[1] == 0)?;
        (entry[3] != 0).then_some(entry[3])
    }

    /// The number that a key holds.
    pub fn double(&self, key: u16) -> Option<f64> {
        let entry = self.keys.iter().find(|entry| entry[0] == key && entry[1] == 34736)?;
        self.doubles.get(usize::from(entry[3])).copied()
    }

    /// The text that a key holds, without the closing bar.
    pub fn text(&self, key: u16) -> Option<String> {
        let entry = self.keys.iter().find(|entry| entry[0] == key && entry[1] == 34737)?;
        let (start, count) = (usize::from(entry[3]), usize::from(entry[2]));
        let bytes = self.ascii.get(start..(start + count).min(self.ascii.len()))?;
        let text = String::from_utf8_lossy(bytes);
        let text = text.trim_matches(|c: char| c == '\0' || c == '|' || c.is_whitespace());
        (!text.is_empty()).then(|| text.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(words: &[u16]) -> Vec<u8> {
        words.iter().flat_map(|word| word.to_le_bytes()).collect()
    }

    #[test]
    fn reads_codes_numbers_and_texts() {
        let directory = bytes(&[
            1, 1, 0, 3, //
            3076, 0, 1, 9003, //
            3077, 34736, 1, 1, //
            1026, 34737, 5, 2, //
        ]);
        let doubles: Vec<u8> = [1.0f64, 0.3048].iter().flat_map(|value| value.to_le_bytes()).collect();
        let keys = GeoKeys::parse(&directory, &doubles, b"a|name|b").unwrap();
        assert_eq!(keys.code(LINEAR_UNITS), Some(9003));
        assert_eq!(keys.double(LINEAR_UNIT_SIZE), Some(0.3048));
        assert_eq!(keys.text(CITATION).as_deref(), Some("name"));
        assert_eq!(keys.code(VERTICAL_UNITS), None);
    }

    #[test]
    fn positions_outside_are_nothing() {
        let keys =
            GeoKeys::parse(&bytes(&[1, 1, 0, 9, 1026, 34737, 60000, 60000, 3077, 34736, 1, 9]), &[], b"x")
                .unwrap();
        assert_eq!(keys.text(CITATION), None);
        assert_eq!(keys.double(LINEAR_UNIT_SIZE), None);
        assert!(GeoKeys::parse(&[1, 2, 3], &[], &[]).is_none());
        assert!(GeoKeys::parse(&bytes(&[1, 1, 0, 1, 0, 0, 0, 0]), &[], &[]).is_none());
    }
}
