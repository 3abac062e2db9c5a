//! Grey erosion, dilation and opening with square windows, in time that does not grow with the window.
//!
//! Running minima after van Herk (1992) and Gil and Werman (1993): the column is cut into blocks as long as the
//! window; any window is then the end of one block and the start of the next, whose minima are known. Whole rows
//! are combined at a time, so the processor works on several columns at once. For windows along rows, a few rows at a time
//! are turned into columns and back, while they are in the fastest memory.
//!
//! Cells without a value take no part: a window is centred only on cells that have one, and sees only those.
//! For a raster without empty cells this is erosion with +∞ and dilation with −∞ beyond the edge.

use crate::raster::grid::{EMPTY, Raster};

/// Rows that are turned into columns together.
const STRIP: usize = 16;

/// Working memory of [`open`], to be used again for the next raster.
#[derive(Default)]
pub struct Scratch {
    eroded: Vec<f64>,
    strips: [Vec<f64>; 2],
    prefix: Vec<f64>,
    suffix: Vec<f64>,
}

/// Opens `raster` (erosion, then dilation) with a window of `window` × `window` cells; `window` is odd.
pub fn open(raster: &mut Raster, window: usize, scratch: &mut Scratch) {
    debug_assert!(window % 2 == 1);
    let (columns, rows, radius) = (raster.extent.columns, raster.extent.rows, window / 2);
    let occupied: Vec<bool> = raster.values.iter().map(|&v| v != EMPTY).collect();
    let Scratch { eroded, strips: [turned, other], prefix, suffix } = scratch;
    eroded.resize(raster.values.len(), EMPTY);
    running::<false>(&raster.values, eroded, columns, radius, prefix, suffix);
    for first in (0..rows).step_by(STRIP) {
        let height = STRIP.min(rows - first);
        let cells = first * columns..(first + height) * columns;
        turned.resize(cells.len(), EMPTY);
        other.resize(cells.len(), EMPTY);
        transpose(&eroded[cells.clone()], turned, columns, height);
        running::<false>(turned, other, height, radius, prefix, suffix);
        // An eroded value at an empty cell is no window centre: it must not win the maximum.
        for (row, occupied) in occupied[cells.clone()].chunks_exact(columns).enumerate() {
            for (column, _) in occupied.iter().enumerate().filter(|(_, occupied)| !**occupied) {
                other[column * height + row] = f64::NEG_INFINITY;
            }
        }
        running::<true>(other, turned, height, radius, prefix, suffix);
        transpose(turned, &mut eroded[cells], height, columns);
    }
    running::<true>(eroded, &mut raster.values, columns, radius, prefix, suffix);
    for (value, occupied) in raster.values.iter_mut().zip(occupied) {
        if !occupied {
            *value = EMPTY;
        }
    }
}

/// The lesser of two values, or the greater where `MAX`.
#[inline(always)]
fn pick<const MAX: bool>(a: f64, b: f64) -> f64 {
    if MAX {
        if a > b { a } else { b }
    } else if a < b {
        a
    } else {
        b
    }
}

/// Makes every value of `into` the minimum (maximum where `MAX`) of the `2 · radius + 1` rows around it in `from`, column by
/// column; rows beyond the edge take no part. `prefix` and `suffix` are working memory.
fn running<const MAX: bool>(
    from: &[f64],
    into: &mut [f64],
    columns: usize,
    radius: usize,
    prefix: &mut Vec<f64>,
    suffix: &mut Vec<f64>,
) {
    if radius == 0 || from.is_empty() {
        into.copy_from_slice(from);
        return;
    }
    let (window, rows) = (2 * radius + 1, from.len() / columns);
    let row = |r: usize| &from[r * columns..][..columns];
    // Of a block of rows as long as the window: what has been passed of it, and from each row on what is left.
    prefix.clear();
    prefix.extend_from_slice(row(0));
    suffix.resize(window * columns, EMPTY);
    let mut passed = 0;
    for (r, into) in into.chunks_exact_mut(columns).enumerate() {
        let last = (r + radius).min(rows - 1);
        while passed < last {
            passed += 1;
            if passed.is_multiple_of(window) {
                prefix.copy_from_slice(row(passed));
            } else {
                combine::<MAX>(prefix, row(passed));
            }
        }
        // A window that starts before the first row is the first block up to `last`.
        into.copy_from_slice(prefix);
        let Some(first) = r.checked_sub(radius) else { continue };
        if first.is_multiple_of(window) {
            let end = (first + window).min(rows);
            suffix[(end - 1 - first) * columns..][..columns].copy_from_slice(row(end - 1));
            for r in (first..end - 1).rev() {
                let (here, after) = suffix[(r - first) * columns..].split_at_mut(columns);
                here.copy_from_slice(row(r));
                combine::<MAX>(here, &after[..columns]);
            }
        }
        let left = &suffix[first % window * columns..][..columns];
        if first / window == last / window {
            into.copy_from_slice(left);
        } else {
            combine::<MAX>(into, left);
        }
    }
}

/// `into[i]` becomes the lesser (greater where `MAX`) of itself and `other[i]`.
#[inline]
fn combine<const MAX: bool>(into: &mut [f64], other: &[f64]) {
    for (into, &other) in into.iter_mut().zip(other) {
        *into = pick::<MAX>(*into, other);
    }
}

/// Writes `source` (rows of `columns`) into `target` with rows and columns exchanged, in blocks that stay in cache.
fn transpose(source: &[f64], target: &mut [f64], columns: usize, rows: usize) {
    const BLOCK: usize = 16;
    for row_block in (0..rows).step_by(BLOCK) {
        for column_block in (0..columns).step_by(BLOCK) {
            for row in row_block..(row_block + BLOCK).min(rows) {
                for column in column_block..(column_block + BLOCK).min(columns) {
                    target[column * rows + row] = source[row * columns + column];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::raster::Extent;

    fn raster(columns: usize, values: Vec<f64>) -> Raster {
        let rows = values.len() / columns;
        Raster { extent: Extent { cell: 1.0, first_column: 0, first_row: 0, columns, rows }, values }
    }

    /// Opening by its definition: every window centred on an occupied cell, one by one.
    fn open_by_definition(raster: &Raster, window: usize) -> Vec<f64> {
        let (columns, rows) = (raster.extent.columns as i64, raster.extent.rows as i64);
        let radius = window as i64 / 2;
        let at = |values: &[f64], c: i64, r: i64| {
            (c >= 0 && r >= 0 && c < columns && r < rows).then(|| values[(r * columns + c) as usize])
        };
        let pass = |values: &[f64], max: bool| -> Vec<f64> {
            (0..columns * rows)
                .map(|i| {
                    if raster.values[i as usize] == EMPTY {
                        return EMPTY;
                    }
                    let mut found: Option<f64> = None;
                    for r in i / columns - radius..=i / columns + radius {
                        for c in i % columns - radius..=i % columns + radius {
                            if let Some(v) = at(values, c, r).filter(|v| *v != EMPTY) {
                                found = Some(found.map_or(v, |f| if max { f.max(v) } else { f.min(v) }));
                            }
                        }
                    }
                    found.unwrap_or(EMPTY)
                })
                .collect()
        };
        pass(&pass(&raster.values, false), true)
    }

    proptest! {
        #[test]
        fn opening_equals_its_definition(
            columns in 1usize..14,
            cells in proptest::collection::vec(prop_oneof![4 => (0i32..50).prop_map(f64::from), 1 => Just(EMPTY)], 1..160),
            radius in 1usize..8,
        ) {
            let rows = cells.len() / columns;
            prop_assume!(rows > 0);
            let source = raster(columns, cells[..rows * columns].to_vec());
            let mut opened = source.clone();
            open(&mut opened, 2 * radius + 1, &mut Scratch::default());
            prop_assert_eq!(opened.values, open_by_definition(&source, 2 * radius + 1));
        }
    }

    #[test]
    fn a_ramp_that_ends_loses_its_high_end_only() {
        // Computed independently in Python: a bare ramp of 0.05 a cell loses 0.05, 0.10, 0.20 at its high end for w = 3, 5, 9.
        for (window, loss) in [(3, 50), (5, 100), (9, 200)] {
            let mut ramp = raster(21, (0..21).map(|i| f64::from(i * 50)).collect());
            open(&mut ramp, window, &mut Scratch::default());
            assert_eq!(ramp.values[20], f64::from(20 * 50 - loss));
            assert_eq!(ramp.values[10], 500.0);
            assert_eq!(ramp.values[0], 0.0);
        }
    }
}
