//! Comparisons: one dz each, as bytes and in a row.

use std::io;

use crate::cloud::packed::{pack_40, unpack_40};
use crate::tile::strata::{self, Strata};
use crate::tile::yields::{Sections, Stretch, Yields};
use crate::units::Micrometres;

/// One dz, with its position and what is known of its survey point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Compared {
    /// Easting, micrometres.
    pub x: Micrometres,
    /// Northing, micrometres.
    pub y: Micrometres,
    /// Survey elevation minus reference elevation, micrometres.
    pub dz: Micrometres,
    /// How much higher the point could lie and still be ground, as the other points set it, in steps of
    /// [`Compared::HEADROOM_STEP`]; none where no other point sets a limit.
    pub headroom: Option<u16>,
    /// Slope of the ground there, rise over run, in hundredths and at most [`u8::MAX`] − 1 of them; none where the
    /// ground has too few cells.
    pub slope_percent: Option<u8>,
    /// The strata it belongs to.
    pub strata: Strata,
}

/// Bytes of a comparison on disk.
pub const ENCODED: usize = 5 + 5 + 5 + 2 + 1 + strata::ENCODED;

impl Compared {
    /// A tenth of a millimetre: far below what a threshold is good for.
    pub const HEADROOM_STEP: Micrometres = 100;

    /// `headroom` from the point's elevation and the highest that would have been accepted.
    pub fn headroom(z: Micrometres, highest: Option<Micrometres>) -> Option<u16> {
        // The greatest value stands for "none"; so much headroom cuts nothing off.
        highest
            .map(|highest| ((highest - z).max(0) / Self::HEADROOM_STEP).min(i64::from(u16::MAX) - 1) as u16)
    }

    /// The highest dz that the ground filter would have accepted here, micrometres.
    pub fn limit(&self) -> Option<Micrometres> {
        self.headroom.map(|headroom| self.dz + i64::from(headroom) * Self::HEADROOM_STEP)
    }

    /// Whether its position can be stored relative to that of another.
    pub fn is_near(&self, other: &Compared) -> bool {
        let near = |d: Micrometres| (-FARTHEST..FARTHEST).contains(&d);
        near(self.x - other.x) && near(self.y - other.y)
    }

    /// Adds it as bytes, its position relative to `base`; whether that was near enough.
    pub fn encode(&self, base: (Micrometres, Micrometres), to: &mut Vec<u8>) -> bool {
        let (dx, dy) = (self.x - base.0, self.y - base.1);
        if [dx, dy].iter().any(|d| !(-FARTHEST..FARTHEST).contains(d)) {
            return false;
        }
        for value in [dx, dy, self.dz] {
            to.extend_from_slice(&pack_40(value));
        }
        to.extend_from_slice(&self.headroom.unwrap_or(u16::MAX).to_le_bytes());
        to.push(self.slope_percent.unwrap_or(u8::MAX));
        to.extend_from_slice(&self.strata.encode());
        true
    }

    /// What [`Compared::encode`] turned into these bytes.
    pub fn decode(b: &[u8; ENCODED], base: (Micrometres, Micrometres)) -> Self {
        let headroom = u16::from_le_bytes([b[15], b[16]]);
        Compared {
            x: base.0 + unpack_40(&b[0..5]),
            y: base.1 + unpack_40(&b[5..10]),
            dz: unpack_40(&b[10..15]),
            headroom: (headroom != u16::MAX).then_some(headroom),
            slope_percent: Some(b[17]).filter(|slope| *slope != u8::MAX),
            strata: Strata::decode([b[18], b[19], b[20], b[21], b[22]]),
        }
    }
}

/// All comparisons of a run, which can be read again and again, in any order.
pub trait Comparisons: Sync {
    /// How many there are.
    fn len(&self) -> u64;

    /// Whether there is none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Hands all over.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    fn for_each(&self, f: &mut dyn FnMut(&Compared)) -> io::Result<()>;
}

/// The section of the comparisons: a base for the positions, then the comparisons.
const SECTION: &str = "compared";

/// Bytes of the base.
const BASE: usize = 16;

/// Gives comparisons of one tile back.
///
/// # Panics
/// Where they lie farther apart than any tile is wide.
pub fn give(compared: &[Compared], to: &mut Sections) {
    let Some(first) = compared.first() else { return };
    let (base, bytes) = ((first.x, first.y), to.of(SECTION));
    bytes.reserve(BASE + compared.len() * ENCODED);
    bytes.extend_from_slice(&base.0.to_le_bytes());
    bytes.extend_from_slice(&base.1.to_le_bytes());
    let fit = compared.iter().all(|one| one.encode(base, bytes));
    assert!(fit, "comparisons lie farther apart than any tile is wide");
}

/// The comparisons that tiles gave back.
pub struct ComparedInTiles<'a> {
    yields: &'a dyn Yields,
    stretches: Vec<Stretch>,
}

impl<'a> ComparedInTiles<'a> {
    /// Those of all tiles.
    pub fn new(yields: &'a dyn Yields) -> Self {
        ComparedInTiles { yields, stretches: yields.stretches(SECTION) }
    }
}

impl Comparisons for ComparedInTiles<'_> {
    fn len(&self) -> u64 {
        self.stretches.iter().map(|stretch| stretch.bytes.saturating_sub(BASE as u64) / ENCODED as u64).sum()
    }

    fn for_each(&self, f: &mut dyn FnMut(&Compared)) -> io::Result<()> {
        const BLOCK: usize = ENCODED << 15;
        let mut bytes = Vec::new();
        for stretch in &self.stretches {
            let mut base = [[0; 8]; 2];
            self.yields.read_part(stretch, 0, base.as_flattened_mut())?;
            let base = base.map(i64::from_le_bytes).into();
            let mut from = BASE as u64;
            if !(stretch.bytes - from).is_multiple_of(ENCODED as u64) {
                return Err(self.yields.damaged(stretch).into());
            }
            while from < stretch.bytes {
                bytes.resize(((stretch.bytes - from) as usize).min(BLOCK), 0);
                self.yields.read_part(stretch, from, &mut bytes)?;
                bytes.as_chunks().0.iter().for_each(|one| f(&Compared::decode(one, base)));
                from += bytes.len() as u64;
            }
        }
        Ok(())
    }
}

/// Positions are stored up to this far from their base, micrometres: what fits 40 bits.
const FARTHEST: Micrometres = 1 << 39;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_comparison_comes_back_as_it_was(
            (x, y) in (-FARTHEST..FARTHEST, -FARTHEST..FARTHEST), dz in -400_000_000_000i64..400_000_000_000,
            headroom in proptest::option::of(0..u16::MAX), slope_percent in proptest::option::of(0..u8::MAX), strip in any::<Option<u16>>(),
        ) {
            let strata = Strata { return_number: 3, strip, ..Strata::default() };
            let base = (1 << 52, -1 << 52);
            let compared = Compared { x: x + base.0, y: y + base.1, dz, headroom, slope_percent, strata };
            let mut bytes = Vec::new();
            prop_assert!(compared.encode(base, &mut bytes));
            prop_assert_eq!(Compared::decode(bytes[..].try_into().unwrap(), base), compared);
            prop_assert!(!compared.encode((0, 0), &mut bytes));
        }
    }
}
