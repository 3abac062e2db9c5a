//! The two folds of a site: what is learned on one is tested on the other, beyond the range of correlation.
//!
//! The box around the comparisons is cut into pieces that take turns like the squares of a chessboard. Neighbours share
//! error: so nothing is learned nearer than the gap to the lines between pieces. (Leaving a gap as wide as the correlation
//! reaches is the h-block cross-validation of Burman, Chow and Nolan 1994, Biometrika 81, 351–358; citation not verified.)
//! Many pieces make folds that are alike, few leave more between the gaps: the most pieces are chosen of which both folds
//! teach enough. Pieces are made of whole [`PLACE`]s, so that a place lies in one fold and its distance is exact.

use crate::terrain::differences::LEARN_FROM;
use crate::units::Micrometres;

/// Edge of a place, micrometres: about as wide as the terrain model looks. This program's own choice.
pub const PLACE: Micrometres = 2_000_000;

/// Pieces along each axis that are tried.
const PIECES: [i64; 6] = [1, 2, 3, 4, 6, 8];

/// The least share of its comparisons that each fold must teach of every return where there is a choice of pieces. This
/// program's own choice.
const SHARE: f64 = 0.1;

/// A return with as many comparisons must be known from both folds: where the gap leaves too few of it, the site is too
/// small for the gap. This program's own choice.
const MUST_BE_KNOWN: u64 = 4 * LEARN_FROM;

/// Comparisons at places of the site: column and row of the place, and numbers by return.
pub type Counts = [((i64, i64), [u64; 16])];

/// The two folds of a site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Folds {
    axes: [Axis; 2],
    /// Width of the gap.
    pub gap: Micrometres,
}

/// How one axis is cut; lengths in places.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Axis {
    start: i64,
    width: i64,
    pieces: i64,
}

impl Axis {
    fn new(least: i64, greatest: i64, pieces: i64) -> Self {
        Axis { start: least, width: (greatest - least + pieces) / pieces, pieces }
    }

    fn piece(&self, place: i64) -> i64 {
        (place - self.start).div_euclid(self.width).clamp(0, self.pieces - 1)
    }

    /// Places from this one to the nearest line between pieces that lie clear of both.
    fn clear(&self, place: i64) -> i64 {
        let piece = self.piece(place);
        let from = self.start + piece * self.width;
        let west = if piece > 0 { place - from } else { i64::MAX };
        let east = if piece + 1 < self.pieces { from + self.width - 1 - place } else { i64::MAX };
        west.min(east)
    }
}

impl Folds {
    /// One fold, in which everything is.
    pub fn undivided() -> Self {
        Folds { axes: [Axis { start: 0, width: 1, pieces: 1 }; 2], gap: 0 }
    }

    /// The fold of a position, 0 or 1.
    #[inline]
    pub fn of(&self, x: Micrometres, y: Micrometres) -> usize {
        self.of_place((x.div_euclid(PLACE), y.div_euclid(PLACE)))
    }

    pub(super) fn of_place(&self, place: (i64, i64)) -> usize {
        ((self.axes[0].piece(place.0) + self.axes[1].piece(place.1)) & 1) as usize
    }

    /// Whether a position lies farther than the gap from the other fold.
    #[inline]
    pub fn is_clear(&self, x: Micrometres, y: Micrometres) -> bool {
        self.is_place_clear((x.div_euclid(PLACE), y.div_euclid(PLACE)))
    }

    pub(super) fn is_place_clear(&self, place: (i64, i64)) -> bool {
        self.axes[0].clear(place.0).min(self.axes[1].clear(place.1)) >= (self.gap + PLACE - 1) / PLACE
    }

    /// The folds of a site with these comparisons; none where not enough is left beyond so wide a gap.
    pub fn choose(counts: &Counts, gap: Micrometres) -> Option<Self> {
        let all = |of: fn((i64, i64)) -> i64| counts.iter().map(move |(place, _)| of(*place));
        let range = |of| Some((all(of).min()?, all(of).max()?));
        let ((west, east), (south, north)) = (range(|place| place.0)?, range(|place| place.1)?);
        let mut total = [0; 16];
        counts.iter().for_each(|(_, n)| total.iter_mut().zip(n).for_each(|(all, n)| *all += n));
        let pieces = PIECES.iter().flat_map(|&columns| PIECES.map(|rows| (columns, rows)));
        let mut best: Option<((usize, bool, i64), f64, Folds)> = None;
        for (columns, rows) in pieces.filter(|(columns, rows)| columns * rows > 1) {
            let axes = [Axis::new(west, east, columns), Axis::new(south, north, rows)];
            let folds = Folds { axes, gap };
            let Some(worth) = folds.worth(counts, &total) else { continue };
            let rank =
                (worth.returns, worth.share >= SHARE, if worth.share >= SHARE { columns * rows } else { 0 });
            // Of equal rank the larger share, and then the first that was tried.
            if best.is_none_or(|(other, share, _)| rank > other || (rank == other && worth.share > share)) {
                best = Some((rank, worth.share, folds));
            }
        }
        best.map(|(_, _, folds)| folds)
    }

    /// What the folds would teach; nothing where that is too little.
    fn worth(&self, counts: &Counts, total: &[u64; 16]) -> Option<Worth> {
        let mut taught = [[0u64; 16]; 2];
        for (place, n) in counts.iter().filter(|(place, _)| self.is_place_clear(*place)) {
            taught[self.of_place(*place)].iter_mut().zip(n).for_each(|(all, n)| *all += n);
        }
        let least = |r: usize| taught[0][r].min(taught[1][r]);
        let known = |r: &usize| least(*r) >= LEARN_FROM;
        let share = (0..16).filter(known).map(|r| least(r) as f64 / total[r] as f64).fold(1.0, f64::min);
        let returns = (0..16).filter(known).count();
        let enough = returns > 0 && (0..16).all(|r| known(&r) || total[r] < MUST_BE_KNOWN);
        enough.then_some(Worth { returns, share })
    }
}

/// What folds would teach.
struct Worth {
    /// Number of returns of which both teach enough.
    returns: usize,
    /// The least share of a return's comparisons that one of the folds teaches from.
    share: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A site of so many places, each with comparisons of returns 1 and 2.
    fn site(columns: i64, rows: i64, n: [u64; 2]) -> Vec<((i64, i64), [u64; 16])> {
        let mut of_place = [0; 16];
        of_place[1..3].copy_from_slice(&n);
        let all = (0..rows).flat_map(|row| (0..columns).map(move |column| (column - 7, row + 1_000_000)));
        all.map(|place| (place, of_place)).collect()
    }

    #[test]
    fn what_is_learned_lies_farther_from_what_is_tested_than_the_gap() {
        for (columns, rows, gap) in
            [(50, 40, 0), (50, 40, 8_000_000), (60, 5, 17_000_000), (9, 80, 40_000_001)]
        {
            let counts = site(columns, rows, [20, 4]);
            let folds = Folds::choose(&counts, gap).unwrap();
            let mut learned = [0; 2];
            for (place, _) in counts.iter().filter(|(place, _)| folds.is_place_clear(*place)) {
                learned[folds.of_place(*place)] += 1;
                for (other, _) in
                    counts.iter().filter(|(other, _)| folds.of_place(*other) != folds.of_place(*place))
                {
                    // From edge to edge.
                    let apart = |a: i64, b: i64| ((a - b).abs() - 1).max(0) * PLACE;
                    let (x, y) = (apart(place.0, other.0), apart(place.1, other.1));
                    assert!(x.max(y) >= gap, "{place:?} {other:?}");
                }
            }
            assert!(learned.iter().all(|n| *n * 20 >= LEARN_FROM as i32), "{learned:?}");
            // Positions outside the box belong to the piece that is nearest.
            let corner = (-7 * PLACE - 9_000_000_000, 1_000_000 * PLACE);
            assert_eq!(folds.of(corner.0, corner.1), folds.of_place((-7, 1_000_000)));
            assert_eq!(folds.is_clear(corner.0, corner.1), folds.is_place_clear((-7, 1_000_000)));
        }
    }

    #[test]
    fn pieces_are_many_where_the_gap_is_narrow_and_there_are_none_where_it_is_too_wide() {
        let pieces = |counts: &Counts, gap| {
            Folds::choose(counts, gap).map(|folds| folds.axes[0].pieces * folds.axes[1].pieces)
        };
        // 100 m by 80 m.
        let counts = site(50, 40, [20, 4]);
        assert_eq!(pieces(&counts, 0), Some(64));
        let by_gap = [4, 8, 16, 30].map(|metres| pieces(&counts, metres * 1_000_000).unwrap());
        assert!(by_gap.is_sorted_by(|a, b| a >= b) && by_gap[3] == 2 && by_gap[0] >= 4, "{by_gap:?}");
        assert_eq!(pieces(&counts, 60_000_000), None);
        assert_eq!(pieces(&site(1, 1, [900, 900]), 0), None);
        assert_eq!(pieces(&[], 0), None);
        // So few that each fold would learn nothing.
        assert_eq!(pieces(&site(5, 1, [9, 0]), 0), None);
    }
}
