//! Filled cells and the largest void, for every k at once, row by row.
//!
//! A void is a set of cells that the survey saw and that have no ground of returns 1..k, connected by their edges
//! (4-connected: voids that touch at a corner only are two). Rows come from south to north; of the rows before only
//! the voids that reach the last one are kept.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::raster::Extent;
use crate::terrain::coverage::{Coverage, NO_GROUND, merge_states};

/// The greatest k.
const MOST: usize = NO_GROUND as usize - 1;

/// What was found, in cells; by k, from 1 to 15 (place 0 stays unused).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Voids {
    /// Cells that the survey saw.
    pub footprint: u64,
    /// Those with ground of returns 1..k.
    pub filled: [u64; MOST + 1],
    /// The largest void.
    pub largest: [u64; MOST + 1],
}

/// A stretch of a row that belongs to one void.
struct Run {
    cells: Range<i64>,
    void: u32,
}

/// The voids of one k that reach the last row.
#[derive(Default)]
struct Open {
    runs: Vec<Run>,
    /// By void: the void it is part of (itself, for most).
    part_of: Vec<u32>,
    /// By void: its cells so far.
    sizes: Vec<u64>,
    largest: u64,
}

impl Open {
    fn root(&mut self, mut void: u32) -> u32 {
        while self.part_of[void as usize] != void {
            let above = self.part_of[self.part_of[void as usize] as usize];
            self.part_of[void as usize] = above;
            void = above;
        }
        void
    }

    /// Goes on with the next row, whose voids are the cells above `k`.
    fn row(&mut self, row: &Row, k: u8) {
        let before = std::mem::take(&mut self.runs);
        let mut below = 0;
        for cells in row.iter().flat_map(|(first, states)| above(*first, states, k)) {
            let Range { start, end } = cells;
            let mut void = self.part_of.len() as u32;
            self.part_of.push(void);
            self.sizes.push((end - start) as u64);
            while below < before.len() && before[below].cells.end <= start {
                below += 1;
            }
            for run in before[below..].iter().take_while(|run| run.cells.start < end) {
                let other = self.root(run.void);
                if other != void {
                    // The older of the two takes the other in.
                    let (older, newer) = (other.min(void), other.max(void));
                    self.part_of[newer as usize] = older;
                    self.sizes[older as usize] += self.sizes[newer as usize];
                    void = older;
                }
            }
            self.largest = self.largest.max(self.sizes[void as usize]);
            self.runs.push(Run { cells, void });
        }
        self.forget();
    }

    /// Keeps only the voids that reach the last row, renumbered.
    fn forget(&mut self) {
        let mut runs = std::mem::take(&mut self.runs);
        let mut numbers = vec![u32::MAX; self.part_of.len()];
        let mut sizes = Vec::with_capacity(runs.len());
        for run in &mut runs {
            let root = self.root(run.void) as usize;
            if numbers[root] == u32::MAX {
                numbers[root] = sizes.len() as u32;
                sizes.push(self.sizes[root]);
            }
            run.void = numbers[root];
        }
        self.part_of = (0..sizes.len() as u32).collect();
        (self.sizes, self.runs) = (sizes, runs);
    }
}

/// The stretches of a row that tiles cover, by their first column; none touches another.
type Row = BTreeMap<i64, Vec<u8>>;

/// The runs of cells above `k` in a stretch that begins at column `first`.
fn above(first: i64, states: &[u8], k: u8) -> impl Iterator<Item = Range<i64>> + '_ {
    let mut at = 0;
    std::iter::from_fn(move || {
        let start = at + states[at..].iter().position(|&s| s > k)?;
        at = states[start..].iter().position(|&s| s <= k).map_or(states.len(), |i| start + i);
        Some(first + start as i64..first + at as i64)
    })
}

/// Adds a stretch to a row, joined with those that it overlaps or touches.
fn add_to(row: &mut Row, mut first: i64, mut states: Vec<u8>) {
    let end = |first: i64, states: &[u8]| first + states.len() as i64;
    // From the right-most that could touch on towards the west.
    while let Some((&other, _)) = row.range(..=end(first, &states)).next_back() {
        let theirs = &row[&other];
        if end(other, theirs) < first {
            break;
        }
        let theirs = row.remove(&other).expect("just seen");
        let (left, right) = if other <= first {
            ((other, theirs), (first, states))
        } else {
            ((first, states), (other, theirs))
        };
        let ((start, mut joined), (at, more)) = (left, right);
        let place = (at - start) as usize;
        let both = (joined.len() - place).min(more.len());
        merge_states(&mut joined[place..place + both], &more[..both]);
        joined.extend_from_slice(&more[both..]);
        (first, states) = (start, joined);
    }
    row.insert(first, states);
}

/// Takes coverage in from the tiles and goes over it from south to north. It holds what tiles cover and nothing between
/// them, however far apart they lie.
pub struct Sweep {
    /// Rows that more tiles may add to.
    waiting: BTreeMap<i64, Row>,
    /// The row gone over last.
    last: Option<i64>,
    open: Vec<Open>,
    found: Voids,
}

impl Sweep {
    /// A sweep for k up to `up_to`, at most 15.
    pub fn new(up_to: u8) -> Self {
        let open = (0..usize::from(up_to).min(MOST)).map(|_| Open::default()).collect();
        Sweep { waiting: BTreeMap::new(), last: None, open, found: Voids::default() }
    }

    /// Adds the coverage of a tile; two tiles may hold parts of one cell.
    pub fn add(&mut self, coverage: &Coverage) {
        let Extent { first_column, first_row, columns, .. } = coverage.extent;
        if coverage.extent.is_empty() {
            return;
        }
        for (row, states) in (first_row..).zip(coverage.states.chunks(columns)) {
            add_to(self.waiting.entry(row).or_default(), first_column, states.to_vec());
        }
    }

    /// Goes over all rows south of `row`: no tile that is still to come may hold a cell of them.
    pub fn complete_below(&mut self, row: i64) {
        while let Some(first) = self.waiting.first_entry().filter(|first| *first.key() < row) {
            let (row, cells) = first.remove_entry();
            self.go_over(row, &cells);
        }
    }

    /// Goes over what is left.
    pub fn finish(mut self) -> Voids {
        self.complete_below(i64::MAX);
        for (i, open) in self.open.iter().enumerate() {
            self.found.largest[i + 1] = open.largest;
        }
        self.found
    }

    fn go_over(&mut self, row: i64, cells: &Row) {
        let mut counts = [0u64; NO_GROUND as usize + 1];
        cells.values().flatten().for_each(|&state| counts[usize::from(state)] += 1);
        self.found.footprint += counts[1..].iter().sum::<u64>();
        let mut filled = 0;
        for (k, count) in counts.iter().enumerate().take(MOST + 1).skip(1) {
            filled += count;
            self.found.filled[k] += filled;
        }
        let next = self.last.is_some_and(|last| last + 1 == row);
        for (k, open) in (1..).zip(&mut self.open) {
            if !next {
                open.runs.clear();
            }
            open.row(cells, k);
        }
        self.last = Some(row);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::terrain::coverage::OUTSIDE;

    fn coverage(columns: usize, rows: usize, states: Vec<u8>) -> Coverage {
        Coverage { extent: Extent { cell: 1.0, first_column: -3, first_row: -5, columns, rows }, states }
    }

    fn swept(all: &Coverage) -> Voids {
        let mut sweep = Sweep::new(15);
        sweep.add(all);
        sweep.finish()
    }

    /// The largest void by walking from every cell over all its neighbours.
    fn flooded(all: &Coverage, k: u8) -> u64 {
        let (columns, rows) = (all.extent.columns, all.extent.rows);
        let mut open: Vec<bool> = all.states.iter().map(|&s| s > k).collect();
        let mut largest = 0;
        for start in 0..open.len() {
            let (mut todo, mut size) = (vec![start], 0);
            while let Some(i) = todo.pop() {
                if std::mem::replace(&mut open[i], false) {
                    size += 1;
                    let (column, row) = (i % columns, i / columns);
                    todo.extend((column > 0).then(|| i - 1));
                    todo.extend((column + 1 < columns).then_some(i + 1));
                    todo.extend(row.checked_sub(1).map(|_| i - columns));
                    todo.extend((row + 1 < rows).then_some(i + columns));
                }
            }
            largest = largest.max(size);
        }
        largest
    }

    #[test]
    fn a_site_in_two_far_places_takes_no_room_between_them() {
        let mut sweep = Sweep::new(2);
        for first_column in [-4_000_000_000, 4_000_000_000] {
            let extent = Extent { cell: 1.0, first_column, first_row: 7, columns: 3, rows: 2 };
            sweep.add(&Coverage { extent, states: vec![1, NO_GROUND, NO_GROUND, 2, NO_GROUND, 1] });
        }
        let found = sweep.finish();
        assert_eq!((found.footprint, found.filled[1], found.filled[2], found.largest[1]), (12, 4, 6, 4));
    }

    proptest! {
        #[test]
        fn one_pass_finds_what_flooding_finds(
            columns in 1usize..14,
            states in proptest::collection::vec(prop_oneof![
                2 => Just(OUTSIDE), 4 => 1u8..4, 1 => Just(15u8), 4 => Just(NO_GROUND)], 1..260),
        ) {
            let rows = states.len() / columns;
            let all = coverage(columns, rows, states[..columns * rows].to_vec());
            let found = swept(&all);
            for k in 1..=15u8 {
                prop_assert_eq!(found.largest[usize::from(k)], flooded(&all, k), "k {}", k);
                let filled = all.states.iter().filter(|s| (1..=k).contains(s)).count() as u64;
                prop_assert_eq!(found.filled[usize::from(k)], filled);
            }
            prop_assert_eq!(found.footprint, all.states.iter().filter(|s| **s != OUTSIDE).count() as u64);
        }

        #[test]
        fn tiles_cannot_be_seen(
            points in proptest::collection::vec((0i64..200, 0i64..200, 0u8..6), 1..400),
            edge in 15i64..90,
        ) {
            let whole = Extent::covering(9.144, (0, 200), (0, 200), 0);
            let add = |cover: &mut Coverage, x: (i64, i64), y: (i64, i64)| {
                for &(px, py, r) in points.iter().filter(|p| x.0 <= p.0 && p.0 < x.1 && y.0 <= p.1 && p.1 < y.1) {
                    cover.add(cover.extent.index_of(px, py).unwrap(), (r > 0).then_some(r));
                }
            };
            let mut all = Coverage::new(whole);
            add(&mut all, (0, 200), (0, 200));
            let mut sweep = Sweep::new(15);
            for row in 0..=200 / edge {
                for column in (0..=200 / edge).rev() {
                    let (x, y) = ((column * edge, (column + 1) * edge), (row * edge, (row + 1) * edge));
                    let mut tile = Coverage::new(Extent::covering(9.144, x, y, 0));
                    add(&mut tile, x, y);
                    sweep.add(&tile);
                }
                let next = Extent::covering(9.144, (0, 1), ((row + 1) * edge, (row + 2) * edge), 0);
                sweep.complete_below(next.first_row);
                prop_assert!(sweep.waiting.len() <= 1);
            }
            prop_assert_eq!(sweep.finish(), swept(&all));
        }
    }

    /// `tests/oracle/terrain_values.py` labelled these with scipy.ndimage.label.
    #[test]
    fn voids_labelled_by_a_general_array_library_agree() {
        let all: serde_json::Value =
            serde_json::from_str(include_str!("../../tests/oracle/terrain_values.json")).unwrap();
        for case in all["voids"].as_array().unwrap() {
            let whole = |value: &serde_json::Value| value.as_u64().unwrap();
            let states: Vec<u8> = case["states"].as_array().unwrap().iter().map(|s| whole(s) as u8).collect();
            let columns = whole(&case["columns"]) as usize;
            let found = swept(&coverage(columns, states.len() / columns, states));
            let largest: Vec<u64> = case["largest"].as_array().unwrap().iter().map(whole).collect();
            assert_eq!(found.largest[1..=5], largest);
        }
    }

    #[test]
    fn corners_do_not_connect_and_a_gap_of_rows_ends_a_void() {
        let h = NO_GROUND;
        let diagonal = coverage(3, 3, vec![h, 1, h, 1, h, 1, h, 1, h]);
        assert_eq!(swept(&diagonal).largest[1], 1);
        // A ring that closes only in its last row, around a filled cell.
        let ring = coverage(3, 3, vec![h, h, h, h, 1, h, h, h, h]);
        assert_eq!(swept(&ring).largest[1], 8);
        let mut sweep = Sweep::new(1);
        let mut north = coverage(3, 1, vec![h; 3]);
        sweep.add(&north);
        north.extent.first_row += 2;
        sweep.add(&north);
        let found = sweep.finish();
        assert_eq!((found.largest[1], found.footprint), (3, 6));
        assert_eq!(found.largest[2], 0, "not asked for");
    }
}
