//! Which cells the survey saw at all, and the lowest return number that has ground in each.

use crate::raster::Extent;
use crate::terrain::bytes::{put_extent, take_extent};

/// The state of a cell without any point of the survey.
pub const OUTSIDE: u8 = 0;

/// The state of a cell that the survey saw, without ground of any return. States between are the lowest return
/// number that has ground, so that using returns 1..k a cell is filled in states 1..=k, and a void above k.
pub const NO_GROUND: u8 = 16;

/// Number of states.
const STATES: u8 = NO_GROUND + 1;

/// Cells of one state in a row that one byte can hold: fifteen times seventeen fit a byte.
const LONGEST_RUN: u8 = 15;

/// The states of the cells of an extent, row by row from the south-west.
#[derive(Clone, Debug, PartialEq)]
pub struct Coverage {
    /// Where the cells lie.
    pub extent: Extent,
    /// [`OUTSIDE`], the lowest return number that has ground, or [`NO_GROUND`].
    pub states: Vec<u8>,
}

/// The next run of equal states, and how long it is, at most `left`; nothing if there is no such run.
fn take_run(bytes: &mut &[u8], left: usize) -> Option<(u8, usize)> {
    let (&byte, rest) = bytes.split_first()?;
    *bytes = rest;
    let length = usize::from(byte / STATES) + 1;
    (length <= usize::from(LONGEST_RUN).min(left)).then_some((byte % STATES, length))
}

/// What two parts of one cell are together.
#[inline]
fn both(a: u8, b: u8) -> u8 {
    if a == OUTSIDE || b == OUTSIDE { a | b } else { a.min(b) }
}

/// Turns the states of one part of some cells into those of both parts.
pub(super) fn merge_states(into: &mut [u8], other: &[u8]) {
    for (state, &other) in into.iter_mut().zip(other) {
        *state = both(*state, other);
    }
}

impl Coverage {
    /// Cells that saw nothing yet.
    pub fn new(extent: Extent) -> Self {
        Coverage { extent, states: vec![OUTSIDE; extent.len()] }
    }

    /// Adds one point of the survey to the cell at an index; `ground` is the return number (1 to 15) of a ground point.
    #[inline]
    pub fn add(&mut self, index: usize, ground: Option<u8>) {
        let state = ground.filter(|r| (1..NO_GROUND).contains(r)).unwrap_or(NO_GROUND);
        self.states[index] = both(self.states[index], state);
    }

    /// Adds what others have of these cells.
    pub fn merge(&mut self, other: &Coverage) {
        let both = self.extent.within(&other.extent);
        if both.is_empty() {
            return;
        }
        let ((column, row), (from_column, from_row)) =
            (self.extent.offset_of(&both), other.extent.offset_of(&both));
        for r in 0..both.rows {
            let into = &mut self.states[(row + r) * self.extent.columns + column..][..both.columns];
            merge_states(
                into,
                &other.states[(from_row + r) * other.extent.columns + from_column..][..both.columns],
            );
        }
    }

    /// Adds it as bytes: the extent, then runs of equal states, one byte a run.
    pub fn encode(&self, to: &mut Vec<u8>) {
        put_extent(&self.extent, to);
        for run in self.states.chunk_by(|a, b| a == b) {
            for piece in run.chunks(LONGEST_RUN.into()) {
                to.push((piece.len() as u8 - 1) * STATES + run[0]);
            }
        }
    }

    /// What [`Coverage::encode`] turned into bytes, and the bytes behind it; nothing if they are damaged. Takes no
    /// more memory than fifteen times the bytes, whatever they say.
    pub fn decode(mut bytes: &[u8]) -> Option<(Self, &[u8])> {
        let extent = take_extent(&mut bytes)?;
        if extent.len().div_ceil(LONGEST_RUN.into()) > bytes.len() {
            return None;
        }
        let mut states = Vec::with_capacity(extent.len());
        while states.len() < extent.len() {
            let (state, length) = take_run(&mut bytes, extent.len() - states.len())?;
            states.extend(std::iter::repeat_n(state, length));
        }
        Some((Coverage { extent, states }, bytes))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_cell_is_what_its_best_point_makes_it() {
        let mut coverage = Coverage::new(Extent::covering(10.0, (0, 40), (0, 10), 0));
        for (x, ground) in [(1, Some(4)), (2, Some(2)), (3, None), (11, None), (21, Some(15))] {
            coverage.add(coverage.extent.index_of(x, 5).unwrap(), ground);
        }
        assert_eq!(coverage.states, [2, NO_GROUND, 15, OUTSIDE]);
        // A ground point without a valid return number shows that the survey was there, and fills no cell.
        coverage.add(3, Some(0));
        assert_eq!(coverage.states[3], NO_GROUND);
    }

    proptest! {
        #[test]
        fn coverage_comes_back_from_bytes_and_damage_never_panics(
            columns in 1usize..20,
            runs in proptest::collection::vec((0u8..STATES, 1usize..50), 1..20),
            at in any::<proptest::sample::Index>(), flip in 1u8..=255,
        ) {
            let states: Vec<u8> = runs.iter().flat_map(|&(s, n)| std::iter::repeat_n(s, n)).collect();
            let rows = states.len() / columns;
            let extent = Extent { cell: 457_200.9, first_column: -7, first_row: 1 << 33, columns, rows };
            let coverage = Coverage { extent, states: states[..columns * rows].to_vec() };
            let mut bytes = Vec::new();
            coverage.encode(&mut bytes);
            let whole = bytes.len();
            bytes.extend([1, 2, 3]);
            let (again, rest) = Coverage::decode(&bytes).unwrap();
            prop_assert_eq!((&again, rest), (&coverage, &[1u8, 2, 3][..]));
            let at = at.index(whole);
            prop_assert!(Coverage::decode(&bytes[..at]).is_none());
            bytes[at] ^= flip;
            if let Some((damaged, _)) = Coverage::decode(&bytes) {
                prop_assert!(damaged.states.len() == damaged.extent.len());
                prop_assert!(damaged.states.iter().all(|&s| s < STATES));
            }
        }
    }
}
