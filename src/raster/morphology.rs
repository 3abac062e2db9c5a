//! Grey erosion, dilation and opening with square windows, in time that does not grow with the window.
//!
//! Running minima after van Herk (1992) and Gil and Werman (1993): the column is cut into blocks as long as the
//! window; any window is then the end of one block and the start of the next, whose minima are known. Whole rows
//! are combined at a time, so the processor works on several columns at once; a transposition between two such
//! passes makes the window square.
//!
//! Cells without a value take no part: a window is centred only on cells that have one, and sees only those.
//! For a raster without empty cells this is erosion with +∞ and dilation with −∞ beyond the edge.

use crate::raster::grid::{EMPTY, Raster};

/// Working memory of [`open`], to be used again for the next raster.
#[derive(Default)]
pub struct Scratch {
    prefix: Vec<f64>,
    suffix: Vec<f64>,
    turned: Vec<f64>,
}

/// Opens `raster` (erosion, then dilation) with a window of `window` × `window` cells; `window` is odd.
pub fn open(raster: &mut Raster, window: usize, scratch: &mut Scratch) {
    debug_assert!(window % 2 == 1);
    let (columns, rows, radius) = (raster.extent.columns, raster.extent.rows, window / 2);
    let occupied: Vec<bool> = raster.values.iter().map(|&v| v != EMPTY).collect();
    let mut turned = std::mem::take(&mut scratch.turned);
    turned.resize(raster.values.len(), EMPTY);
    running::<false>(&mut raster.values, columns, rows, radius, scratch);
    transpose(&raster.values, &mut turned, columns, rows);
    running::<false>(&mut turned, rows, columns, radius, scratch);
    // An eroded value at an empty cell is no window centre: it must not win the maximum.
    for row in 0..rows {
        for column in 0..columns {
            if !occupied[row * columns + column] {
                turned[column * rows + row] = f64::NEG_INFINITY;
            }
        }
    }
    running::<true>(&mut turned, rows, columns, radius, scratch);
    transpose(&turned, &mut raster.values, rows, columns);
    running::<true>(&mut raster.values, columns, rows, radius, scratch);
    for (value, occupied) in raster.values.iter_mut().zip(occupied) {
        if !occupied {
            *value = EMPTY;
        }
    }
    scratch.turned = turned;
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

/// Replaces every value by the minimum (maximum where `MAX`) of the `2 · radius + 1` rows around it, column by
/// column; rows beyond the edge take no part.
fn running<const MAX: bool>(
    values: &mut [f64],
    columns: usize,
    rows: usize,
    radius: usize,
    scratch: &mut Scratch,
) {
    if radius == 0 || values.is_empty() {
        return;
    }
    let window = 2 * radius + 1;
    let row = |r: usize| r * columns..(r + 1) * columns;
    let Scratch { prefix, suffix, .. } = scratch;
    prefix.resize(values.len(), EMPTY);
    suffix.resize(values.len(), EMPTY);
    for r in 0..rows {
        let (before, here) = prefix.split_at_mut(r * columns);
        let here = &mut here[..columns];
        if r % window == 0 {
            here.copy_from_slice(&values[row(r)]);
        } else {
            combine::<MAX>(here, &before[row(r - 1)], &values[row(r)]);
        }
    }
    for r in (0..rows).rev() {
        let (here, after) = suffix.split_at_mut((r + 1) * columns);
        let here = &mut here[row(r)];
        if r % window == window - 1 || r == rows - 1 {
            here.copy_from_slice(&values[row(r)]);
        } else {
            combine::<MAX>(here, &after[..columns], &values[row(r)]);
        }
    }
    for r in 0..rows {
        let target = &mut values[row(r)];
        let last = (r + radius).min(rows - 1);
        if r < radius {
            // The window starts before the first row: the first block up to `last` is all there is.
            target.copy_from_slice(&prefix[row(last)]);
            continue;
        }
        let first = r - radius;
        if first / window == last / window {
            target.copy_from_slice(&suffix[row(first)]);
        } else {
            combine::<MAX>(target, &suffix[row(first)], &prefix[row(last)]);
        }
    }
}

/// `into[i]` becomes the lesser (greater where `MAX`) of `a[i]` and `b[i]`.
#[inline]
fn combine<const MAX: bool>(into: &mut [f64], a: &[f64], b: &[f64]) {
    for ((into, &a), &b) in into.iter_mut().zip(a).zip(b) {
        *into = pick::<MAX>(a, b);
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
