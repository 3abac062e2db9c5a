//! Extra bytes of points, and the record that describes them: LAS 1.4 R16, section 2.7.5 (extra bytes).

use crate::cloud::error::CloudError;
use crate::cloud::las::header::{LasFile, RECORD_LENGTHS};
use crate::cloud::las::vlr;

/// Bytes of the description of a dimension.
pub(super) const DESCRIPTION: usize = 192;

/// Bytes that undocumented extra bytes can be described in at a time.
const UNDOCUMENTED: usize = 255;

/// A dimension that is added to the points: a scaled 32-bit whole number. [`ExtraDimension::NONE`] stands for no value.
#[derive(Clone, Debug, PartialEq)]
pub struct ExtraDimension {
    /// Its name, at most 32 bytes.
    pub name: &'static str,
    /// What it is, at most 32 bytes.
    pub description: &'static str,
    /// Value of one step.
    pub scale: f64,
    /// Value of zero.
    pub offset: f64,
}

impl ExtraDimension {
    /// What stands for no value.
    pub const NONE: i32 = i32::MIN;

    /// Bytes of a value.
    pub const fn bytes(&self) -> usize {
        size_of::<i32>()
    }

    /// Its description as bytes.
    fn describe(&self) -> [u8; DESCRIPTION] {
        let mut bytes = [0; DESCRIPTION];
        let mut put = |at: usize, value: &[u8]| bytes[at..at + value.len()].copy_from_slice(value);
        // A signed long; options: no data, scale and offset are given.
        put(2, &[6, 0b1_1001]);
        put(4, self.name.as_bytes());
        put(40, &i64::from(Self::NONE).to_le_bytes());
        put(112, &self.scale.to_le_bytes());
        put(136, &self.offset.to_le_bytes());
        put(160, self.description.as_bytes());
        bytes
    }
}

/// Bytes that a described dimension takes in a record.
fn described(description: &[u8]) -> usize {
    const SIZES: [usize; 10] = [1, 1, 2, 2, 4, 4, 8, 8, 4, 8];
    match usize::from(description[2]) {
        0 => description[3].into(),
        kind @ 1..=30 => SIZES[(kind - 1) % 10] * ((kind - 1) / 10 + 1),
        _ => 0,
    }
}

/// What the record that describes extra bytes must hold: what it held (`now`), what it left out, and the new dimensions.
///
/// # Errors
/// Where it does not fit the points, or a dimension of that name is there.
pub(super) fn with_dimensions(
    file: &LasFile,
    now: &[u8],
    dimensions: &[ExtraDimension],
) -> Result<Vec<u8>, CloudError> {
    let wrong = |what: String, remedy| CloudError::Header {
        path: file.location.path().to_path_buf(),
        what,
        offset: 105,
        remedy,
    };
    let (whole, _) = now.as_chunks::<DESCRIPTION>();
    let there = usize::from(file.record_length - RECORD_LENGTHS[usize::from(file.format)]);
    let taken: usize = whole.iter().map(|one| described(one)).sum();
    let Some(mut left) = there.checked_sub(taken) else {
        return Err(wrong(
            format!(
                "its points have {there} extra bytes, but {taken} are described: none can be added behind them"
            ),
            "Export the cloud without `dimensions:`, or write the file again with the right description",
        ));
    };
    for dimension in dimensions {
        if whole.iter().any(|one| vlr::text(&one[4..36]) == dimension.name) {
            return Err(wrong(
                format!("its points have a dimension `{}` already", dimension.name),
                "Export the cloud without it: see `dimensions:` of `export`",
            ));
        }
    }
    let mut bytes = whole.as_flattened().to_vec();
    while left > 0 {
        let some = left.min(UNDOCUMENTED);
        let mut description = [0; DESCRIPTION];
        description[3] = some as u8;
        bytes.extend(description);
        left -= some;
    }
    dimensions.iter().for_each(|dimension| bytes.extend(dimension.describe()));
    Ok(bytes)
}
