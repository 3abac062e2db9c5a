//! Cells of one value that touch along an edge, joined to polygons: row by row from the south, so that memory holds only what is not
//! finished yet. Rings run along the edges of cells, exactly; outer rings counterclockwise, those of holes clockwise.

use std::collections::HashMap;

/// Cells of one row and one value, side by side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Run {
    /// First column.
    pub start: i64,
    /// Column after the last.
    pub end: i64,
    /// What the cells hold.
    pub value: u8,
}

/// A corner of cells: column and row of the cell to the north-east of it.
pub type Corner = (i64, i64);

/// A polygon of cells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outline {
    /// What its cells hold.
    pub value: u8,
    /// How many.
    pub cells: u64,
    /// Its rings, not closed, the outer one first. No ring touches itself; a hole may touch another ring in a corner.
    pub rings: Vec<Vec<Corner>>,
}

/// Cells that are joined so far.
struct Part {
    value: u8,
    /// The row that was last added to.
    row: i64,
    /// Row, first column and the one after the last.
    runs: Vec<(i64, i64, i64)>,
}

/// Joins cells to polygons.
#[derive(Default)]
pub struct Outliner {
    row: i64,
    /// The runs of the last row, each with the number of its part.
    last: Vec<(Run, usize)>,
    parts: Vec<Option<Part>>,
    /// Of a part that was joined to another: its number; otherwise its own.
    joined: Vec<usize>,
    free: Vec<usize>,
}

impl Outliner {
    /// Adds a row, north of those before; its runs from west to east, those of one value not side by side. Polygons that are finished are
    /// handed over.
    ///
    /// # Errors
    /// Where `done` fails.
    pub fn row<E>(
        &mut self,
        row: i64,
        runs: &[Run],
        done: &mut impl FnMut(Outline) -> Result<(), E>,
    ) -> Result<(), E> {
        if self.row + 1 != row {
            self.finish(done)?;
        }
        self.row = row;
        let last = std::mem::take(&mut self.last);
        let (mut current, mut merged, mut from) = (Vec::with_capacity(runs.len()), Vec::new(), 0);
        for run in runs {
            while last.get(from).is_some_and(|(below, _)| below.end <= run.start) {
                from += 1;
            }
            let mut own: Option<usize> = None;
            let below = last[from..].iter().take_while(|(below, _)| below.start < run.end);
            for (_, part) in below.filter(|(below, _)| below.value == run.value) {
                let other = self.find(*part);
                own = Some(own.map_or(other, |own| self.join(own, other, &mut merged)));
            }
            let own = own.unwrap_or_else(|| self.new_part(run.value));
            let part =
                self.parts[own].get_or_insert_with(|| unreachable!("a part that others are joined to"));
            part.row = row;
            part.runs.push((row, run.start, run.end));
            current.push((*run, own));
        }
        current.iter_mut().for_each(|(_, part)| *part = self.find(*part));
        for (_, part) in &last {
            let part = self.find(*part);
            if self.parts[part].as_ref().is_some_and(|part| part.row < row) {
                let finished = self.parts[part].take().map(outline);
                self.free.push(part);
                finished.into_iter().try_for_each(&mut *done)?;
            }
        }
        // Nothing names these any more.
        self.free.extend(merged);
        self.last = current;
        Ok(())
    }

    /// Hands over what is not finished.
    ///
    /// # Errors
    /// Where `done` fails.
    pub fn finish<E>(&mut self, done: &mut impl FnMut(Outline) -> Result<(), E>) -> Result<(), E> {
        for (_, part) in std::mem::take(&mut self.last) {
            if let Some(finished) = self.parts[part].take() {
                self.free.push(part);
                done(outline(finished))?;
            }
        }
        Ok(())
    }

    fn new_part(&mut self, value: u8) -> usize {
        let part = Some(Part { value, row: self.row, runs: Vec::new() });
        let number = self.free.pop().unwrap_or_else(|| {
            self.parts.push(None);
            self.joined.push(0);
            self.parts.len() - 1
        });
        (self.parts[number], self.joined[number]) = (part, number);
        number
    }

    fn find(&mut self, mut part: usize) -> usize {
        while self.joined[part] != part {
            self.joined[part] = self.joined[self.joined[part]];
            part = self.joined[part];
        }
        part
    }

    /// Joins two parts, the smaller to the larger.
    fn join(&mut self, one: usize, other: usize, merged: &mut Vec<usize>) -> usize {
        let one = self.find(one);
        if one == other {
            return one;
        }
        let runs = |part: usize| self.parts[part].as_ref().map_or(0, |part| part.runs.len());
        let (to, from) = if runs(one) >= runs(other) { (one, other) } else { (other, one) };
        if let Some(gone) = self.parts[from].take()
            && let Some(to) = &mut self.parts[to]
        {
            to.row = to.row.max(gone.row);
            to.runs.extend(gone.runs);
        }
        self.joined[from] = to;
        merged.push(from);
        to
    }
}

/// An edge between a cell of a polygon, to its left, and one that is none.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Edge {
    /// Row and column of its start, then of its end: edges are sorted by where they start.
    from: (i64, i64),
    to: (i64, i64),
}

fn outline(mut part: Part) -> Outline {
    part.runs.sort_unstable();
    let cells = part.runs.iter().map(|(_, start, end)| (end - start) as u64).sum();
    let mut edges = edges(&part.runs);
    edges.sort_unstable();
    let mut used = vec![false; edges.len()];
    let mut rings = Vec::new();
    for first in 0..edges.len() {
        if !used[first] {
            split(&trace(first, &edges, &mut used), &mut rings);
        }
    }
    // The outer ring has its interior to the left; the others come as they were found, from south to north.
    let outer = rings.iter().position(|ring| doubled_area(ring) > 0).unwrap_or(0);
    rings[..=outer].rotate_right(1);
    Outline { value: part.value, cells, rings }
}

/// The edges of runs, which are sorted.
fn edges(runs: &[(i64, i64, i64)]) -> Vec<Edge> {
    let mut edges = Vec::new();
    let rows: Vec<&[(i64, i64, i64)]> = runs.chunk_by(|a, b| a.0 == b.0).collect();
    for (i, row) in rows.iter().enumerate() {
        let r = row[0].0;
        for (_, start, end) in *row {
            edges.push(Edge { from: (r + 1, *start), to: (r, *start) });
            edges.push(Edge { from: (r, *end), to: (r + 1, *end) });
        }
        let neighbour = |at: Option<usize>, row: i64| {
            let there = at.and_then(|at| rows.get(at)).filter(|there| there[0].0 == row);
            there.copied().unwrap_or_default()
        };
        let below = neighbour(i.checked_sub(1), r - 1);
        let above = neighbour(Some(i + 1), r + 1);
        without(row, below, &mut |a, b| edges.push(Edge { from: (r, a), to: (r, b) }));
        without(row, above, &mut |a, b| edges.push(Edge { from: (r + 1, b), to: (r + 1, a) }));
    }
    edges
}

/// Hands over what of the columns of `row` is not in `other`.
fn without(row: &[(i64, i64, i64)], other: &[(i64, i64, i64)], each: &mut dyn FnMut(i64, i64)) {
    let mut from = 0;
    for (_, start, end) in row {
        let mut at = *start;
        while other.get(from).is_some_and(|(.., b)| *b <= at) {
            from += 1;
        }
        for (_, a, b) in other[from..].iter().take_while(|(_, a, _)| a < end) {
            if *a > at {
                each(at, *a);
            }
            at = *b;
        }
        if at < *end {
            each(at, *end);
        }
    }
}

/// The corners of the ring that begins with an edge; where two cells touch in a corner alone it stays with its cell.
fn trace(first: usize, edges: &[Edge], used: &mut [bool]) -> Vec<Corner> {
    let mut ring = Vec::new();
    let mut at = first;
    let mut before = (0, 0);
    loop {
        used[at] = true;
        let Edge { from, to } = edges[at];
        let direction = ((to.0 - from.0).signum(), (to.1 - from.1).signum());
        if direction != before {
            ring.push((from.1, from.0));
        }
        before = direction;
        let next = edges.partition_point(|edge| edge.from < to);
        let choices = (next..edges.len()).take_while(|i| edges[*i].from == to).filter(|i| !used[*i]);
        let turn = |i: &usize| {
            let Edge { from, to } = edges[*i];
            let (north, east) = ((to.0 - from.0).signum(), (to.1 - from.1).signum());
            direction.1 * north - direction.0 * east
        };
        match choices.max_by_key(turn) {
            Some(next) => at = next,
            None => return ring,
        }
    }
}

/// A ring in rings that do not touch themselves.
fn split(ring: &[Corner], rings: &mut Vec<Vec<Corner>>) {
    let mut seen: HashMap<Corner, usize> = HashMap::new();
    let mut path: Vec<Corner> = Vec::new();
    for corner in ring {
        if let Some(&start) = seen.get(corner) {
            let own = path.split_off(start);
            own.iter().for_each(|corner| _ = seen.remove(corner));
            rings.push(own);
        }
        seen.insert(*corner, path.len());
        path.push(*corner);
    }
    rings.push(path);
}

/// Twice the area of a ring; positive where it is counterclockwise.
fn doubled_area(ring: &[Corner]) -> i64 {
    let next = ring.iter().cycle().skip(1);
    // From the first corner, so that far from coordinate zero nothing overflows.
    let (x, y) = ring[0];
    ring.iter().zip(next).map(|(a, b)| (a.0 - x) * (b.1 - y) - (b.0 - x) * (a.1 - y)).sum()
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeSet, HashSet};

    use proptest::prelude::*;

    use super::*;

    /// The polygons of a picture, whose rows come from the north; a space is no cell.
    fn outlines(picture: &[Vec<u8>]) -> Vec<Outline> {
        let (mut found, mut outliner) = (Vec::new(), Outliner::default());
        let mut keep = |outline: Outline| -> Result<(), ()> {
            found.push(outline);
            Ok(())
        };
        for (row, cells) in (0..).zip(picture.iter().rev()) {
            let mut runs: Vec<Run> = Vec::new();
            for (column, value) in (0..).zip(cells).filter(|(_, value)| **value != b' ') {
                match runs.last_mut().filter(|run| run.end == column && run.value == *value) {
                    Some(run) => run.end += 1,
                    None => runs.push(Run { start: column, end: column + 1, value: *value }),
                }
            }
            if !runs.is_empty() {
                outliner.row(row, &runs, &mut keep).unwrap();
            }
        }
        outliner.finish(&mut keep).unwrap();
        found
    }

    fn picture(rows: &[&str]) -> Vec<Vec<u8>> {
        rows.iter().map(|row| row.as_bytes().to_vec()).collect()
    }

    /// Whether the middle of a cell lies in the rings, by the edges that a line to the east crosses.
    fn holds(rings: &[Vec<Corner>], column: i64, row: i64) -> bool {
        let mut inside = false;
        for ring in rings {
            for (a, b) in ring.iter().zip(ring.iter().cycle().skip(1)) {
                inside ^= a.0 == b.0 && a.0 > column && a.1.min(b.1) <= row && row < a.1.max(b.1);
            }
        }
        inside
    }

    #[test]
    fn holes_are_rings_of_their_own_and_corners_join_nothing() {
        let found = outlines(&picture(&["aaaa ", "a  a ", "a aa ", "aaaab"]));
        let [ring, single] = &found[..] else { panic!("{found:?}") };
        let (ring, single) = if ring.value == b'a' { (ring, single) } else { (single, ring) };
        assert_eq!(
            (ring.cells, single.cells, single.rings.clone()),
            (13, 1, vec![vec![(4, 0), (5, 0), (5, 1), (4, 1)]])
        );
        assert_eq!(ring.rings[0], [(0, 0), (4, 0), (4, 4), (0, 4)]);
        assert_eq!(ring.rings[1..], [vec![(1, 1), (1, 3), (3, 3), (3, 2), (2, 2), (2, 1)]]);
        // A gap that opens through a corner is a hole that touches the outer ring there.
        let found = outlines(&picture(&["aa ", "a a", "aaa"]));
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rings.len(), 2);
        let shared: Vec<&Corner> =
            found[0].rings[1].iter().filter(|c| found[0].rings[0].contains(c)).collect();
        assert_eq!(shared, [&(2, 2)]);
        // Two cells that touch in a corner alone are two polygons.
        assert_eq!(outlines(&picture(&[" a", "a "])).len(), 2);
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]
        #[test]
        fn polygons_hold_their_cells_and_no_others_and_no_ring_touches_itself(
            cells in proptest::collection::vec(proptest::collection::vec(
                prop_oneof![2 => Just(b' '), 3 => Just(b'a'), 1 => Just(b'b')], 9), 1..12),
        ) {
            let found = outlines(&cells);
            let rows = cells.len() as i64;
            let mut all = BTreeSet::new();
            for one in &found {
                let mut own = Vec::new();
                for row in 0..rows {
                    for column in 0..9 {
                        if holds(&one.rings, column, row) {
                            prop_assert_eq!(cells[(rows - 1 - row) as usize][column as usize], one.value);
                            prop_assert!(all.insert((column, row)), "in two polygons");
                            own.push((column, row));
                        }
                    }
                }
                prop_assert_eq!(own.len() as u64, one.cells);
                // Its cells touch along edges.
                let (own, mut reached) = (own.iter().copied().collect::<HashSet<_>>(), HashSet::new());
                let mut next: Vec<Corner> = own.iter().take(1).copied().collect();
                while let Some((column, row)) = next.pop() {
                    if own.contains(&(column, row)) && reached.insert((column, row)) {
                        next.extend([(column + 1, row), (column - 1, row), (column, row + 1), (column, row - 1)]);
                    }
                }
                prop_assert_eq!(reached.len(), own.len());
                for (i, ring) in one.rings.iter().enumerate() {
                    prop_assert_eq!(ring.iter().collect::<HashSet<_>>().len(), ring.len(), "touches itself");
                    prop_assert_eq!(doubled_area(ring) > 0, i == 0);
                    for (k, b) in ring.iter().enumerate() {
                        let (a, c) = (ring[(k + ring.len() - 1) % ring.len()], ring[(k + 1) % ring.len()]);
                        prop_assert!((a.0 == b.0) != (b.0 == c.0), "a corner that is none: {:?}", ring);
                    }
                }
                let area: i64 = one.rings.iter().map(|ring| doubled_area(ring)).sum();
                prop_assert_eq!(area, 2 * one.cells as i64);
            }
            let filled = cells.iter().flatten().filter(|cell| **cell != b' ').count();
            prop_assert_eq!(all.len(), filled);
            // Neighbours of one value are in one polygon: there are as many as components.
            prop_assert_eq!(&found, &outlines(&cells));
        }
    }
}
