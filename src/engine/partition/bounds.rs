//! Points outside the box that the header of their file states: the sign of damage that still decodes, or of a wrong header.

use std::sync::OnceLock;

use crate::cloud::point::Fields;
use crate::cloud::{Block, CloudError, Decoder, Source};
use crate::units::Unit;

/// Blocks of a file that are looked at to tell damage from a wrong header, at the most.
const LOOKED_AT: usize = 32;

/// GPS times beyond this, seconds, are no times: three hundred years of them.
const LATEST: f64 = 1e10;

/// Judges the blocks of one file.
pub struct BoundsJudge<'a> {
    source: &'a Source,
    units: (Unit, Unit),
    ignore: bool,
    /// Whether the header is wrong, once that has been asked.
    header_is_wrong: OnceLock<Option<Looked>>,
}

/// What looking at blocks all over the file has shown of a wrong header.
struct Looked {
    outside: usize,
    of: usize,
}

/// What one block shows.
#[derive(Clone, Copy)]
struct Signs {
    /// Points lie outside the box.
    outside: bool,
    /// Return numbers, times or coordinates are impossible: damage, not another header.
    impossible: bool,
}

impl<'a> BoundsJudge<'a> {
    /// For a source in these units; where the header is not to be believed, no point is outside.
    pub fn new(source: &'a Source, units: (Unit, Unit), ignore: bool) -> Self {
        BoundsJudge { source, units, ignore, header_is_wrong: OnceLock::new() }
    }

    /// Judges the block that `decoder` has decoded last.
    ///
    /// # Errors
    /// A damaged block, or a header that is wrong for the file.
    pub fn check(&self, block: &Block, decoder: &Decoder) -> Result<(), CloudError> {
        if self.ignore {
            return Ok(());
        }
        let Some(what) = decoder.outside() else { return Ok(()) };
        match self.header_is_wrong.get_or_init(|| self.look()) {
            Some(looked) => Err(CloudError::Bounds {
                path: self.source.path().to_path_buf(),
                outside: looked.outside,
                looked_at: looked.of,
                number: block.number + 1,
                what,
            }),
            None => {
                let hint = "where only the header is wrong, set `read: {bounds: ignore}`";
                Err(decoder.damaged(block, format!("{what} ({hint})")))
            }
        }
    }

    /// Looks at blocks all over the file, the same ones whichever asked: the header is wrong where points of half of them lie
    /// outside its box without another sign of damage. One block alone shows nothing.
    fn look(&self) -> Option<Looked> {
        let blocks = self.source.blocks();
        let step = blocks.len().div_ceil(LOOKED_AT).max(1);
        let signs: Vec<Signs> = blocks.iter().step_by(step).filter_map(|block| self.signs(block)).collect();
        // What every block shows is the habit of the writer.
        let habit = signs.iter().all(|signs| signs.impossible);
        let outside = signs.iter().filter(|signs| signs.outside && (habit || !signs.impossible)).count();
        (outside >= 2 && 2 * outside >= signs.len()).then_some(Looked { outside, of: signs.len() })
    }

    /// What a block shows; nothing where it cannot be decoded.
    fn signs(&self, block: &Block) -> Option<Signs> {
        let fields = Fields { gps_time: true, ..Fields::default() };
        let mut decoder = self.source.decoder(fields, self.units.0, self.units.1).ok()?;
        let mut impossible = false;
        let look = |point: &crate::cloud::Decoded| {
            // Not-a-number is in no range.
            let time = point.gps_time.abs() <= LATEST;
            impossible |= !point.in_range || !time || point.point.valid_return().is_none();
        };
        decoder.for_each(block, look).ok()?;
        Some(Signs { outside: decoder.outside().is_some(), impossible })
    }
}
