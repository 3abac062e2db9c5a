//! Empty cells take the value of the nearest cell that has one, within a limit.
//!
//! Only inside the box around the cloud's points, where its surface ends. Filling beyond the box would leave more ground along
//! an uphill edge, but would no longer be the filter that others can repeat with a grid over the cloud.

use crate::raster::grid::{EMPTY, Raster};

/// Fills each empty cell with the value of the nearest occupied cell whose centre is at most `limit` cells away;
/// of cells equally near, the lowest value. Cells farther off stay empty.
///
/// Exact: a pass along columns finds the nearest occupied cell north and south of every cell; a pass along rows
/// then tries each column within the limit.
pub fn fill_nearest(raster: &mut Raster, limit: f64) {
    let reach = limit.floor() as i64;
    if reach < 1 || raster.values.iter().all(|&v| v != EMPTY) {
        return;
    }
    let (columns, rows) = (raster.extent.columns, raster.extent.rows);
    let limit_squared = limit * limit;
    let nearest = nearest_in_column(raster, reach);
    let source = raster.values.clone();
    for row in 0..rows {
        for column in 0..columns {
            let i = row * columns + column;
            if source[i] != EMPTY {
                continue;
            }
            let mut best = (i64::MAX, EMPTY);
            for step in 0..=reach {
                if step * step > best.0 {
                    break;
                }
                for side in [-step, step] {
                    let other = column as i64 + side;
                    if other < 0 || other >= columns as i64 {
                        continue;
                    }
                    let (distance, value) = nearest[row * columns + other as usize];
                    if value == EMPTY {
                        continue;
                    }
                    let squared = step * step + i64::from(distance) * i64::from(distance);
                    if squared < best.0 || (squared == best.0 && value < best.1) {
                        best = (squared, value);
                    }
                }
            }
            if best.1 != EMPTY && best.0 as f64 <= limit_squared {
                raster.values[i] = best.1;
            }
        }
    }
}

/// For every cell the distance in rows to, and the value of, the nearest occupied cell of its column within
/// `reach`; of two equally near, the lower value.
fn nearest_in_column(raster: &Raster, reach: i64) -> Vec<(i32, f64)> {
    let (columns, rows) = (raster.extent.columns, raster.extent.rows);
    let mut nearest = vec![(0i32, EMPTY); columns * rows];
    for row in 0..rows {
        for column in 0..columns {
            let i = row * columns + column;
            nearest[i] = if raster.values[i] != EMPTY {
                (0, raster.values[i])
            } else if row == 0 {
                (0, EMPTY)
            } else {
                let (distance, value) = nearest[i - columns];
                if value == EMPTY || i64::from(distance) + 1 > reach {
                    (0, EMPTY)
                } else {
                    (distance + 1, value)
                }
            };
        }
    }
    // From the far side: carry the nearest of the rows above down, and keep the nearer of the two.
    let mut from_above = vec![(0i32, EMPTY); columns];
    for row in (0..rows).rev() {
        for (column, above) in from_above.iter_mut().enumerate() {
            let i = row * columns + column;
            if raster.values[i] != EMPTY {
                *above = (0, raster.values[i]);
                continue;
            }
            if above.1 != EMPTY {
                above.0 += 1;
                if i64::from(above.0) > reach {
                    *above = (0, EMPTY);
                }
            }
            let (distance, value) = nearest[i];
            if above.1 != EMPTY
                && (value == EMPTY || above.0 < distance || (above.0 == distance && above.1 < value))
            {
                nearest[i] = *above;
            }
        }
    }
    nearest
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::raster::Extent;

    proptest! {
        #[test]
        fn filling_equals_trying_every_cell(
            columns in 1usize..12,
            cells in proptest::collection::vec(prop_oneof![1 => (0i32..9).prop_map(f64::from), 3 => Just(EMPTY)], 1..140),
            limit in 0.0..8.0f64,
        ) {
            let rows = cells.len() / columns;
            prop_assume!(rows > 0);
            let extent = Extent { cell: 1.0, first_column: 0, first_row: 0, columns, rows };
            let mut raster = Raster { extent, values: cells[..rows * columns].to_vec() };
            let source = raster.values.clone();
            fill_nearest(&mut raster, limit);
            for (i, &value) in source.iter().enumerate() {
                let mut best = (i64::MAX, EMPTY);
                for (j, &other) in source.iter().enumerate().filter(|(_, v)| **v != EMPTY) {
                    let dc = (i % columns) as i64 - (j % columns) as i64;
                    let dr = (i / columns) as i64 - (j / columns) as i64;
                    let squared = dc * dc + dr * dr;
                    if squared as f64 <= limit * limit && (squared < best.0 || (squared == best.0 && other < best.1)) {
                        best = (squared, other);
                    }
                }
                prop_assert_eq!(raster.values[i], if value == EMPTY { best.1 } else { value });
            }
        }
    }
}
