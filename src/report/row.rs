//! Rows of the tables of figures.

use crate::results::summary::Summary;
use crate::standards::MIN_CHECKPOINTS;

/// A row of a table.
pub(super) struct Row {
    pub name: String,
    pub cells: Vec<Cell>,
}

/// Rows of groups, of which those with few comparisons are folded away.
#[derive(Default)]
pub(super) struct Folded {
    /// Those with enough of them.
    pub rows: Vec<Row>,
    /// Those with few.
    pub few: Vec<Row>,
    /// In how many comparisons few ends.
    pub enough: u64,
    /// Rows that the page has no room for.
    pub left: usize,
}

/// Rows of a kind on the page at the most. All stand in `summary.json`.
const MOST_ROWS: usize = 150;

impl Folded {
    /// From rows with their number of comparisons. Of a list of surveyed points, figures are shown from a few points on.
    pub(super) fn of(rows: impl Iterator<Item = (u64, Row)>, summary: &Summary) -> Self {
        let enough = if summary.checkpoints.is_some() {
            summary.all.support().fewest_comparisons()
        } else {
            MIN_CHECKPOINTS
        };
        let (rows, few): (Vec<_>, Vec<_>) = rows.partition(|(n, _)| *n >= enough);
        let left = rows.len().saturating_sub(MOST_ROWS) + few.len().saturating_sub(MOST_ROWS);
        let shown = |rows: Vec<(u64, Row)>| rows.into_iter().map(|(_, row)| row).take(MOST_ROWS).collect();
        Folded { rows: shown(rows), few: shown(few), enough, left }
    }

    /// Whether there is no row at all.
    pub(super) fn is_empty(&self) -> bool {
        self.rows.is_empty() && self.few.is_empty()
    }
}

/// As many rows as the page has room for, and how many are left.
pub(super) fn shown<T>(mut rows: Vec<T>) -> (Vec<T>, usize) {
    let left = rows.len().saturating_sub(MOST_ROWS);
    rows.truncate(MOST_ROWS);
    (rows, left)
}

/// A figure; or a dash, and why there is no figure.
pub(super) struct Cell {
    pub text: String,
    pub why: Option<&'static str>,
    /// The first column of its group, set off from the one before.
    pub first: bool,
    /// Columns that it takes: a text that stands for several figures takes more than one.
    pub columns: usize,
}

impl Cell {
    /// What stands for this many figures where a group has too few comparisons.
    pub(super) fn too_few(columns: usize) -> Self {
        Cell { text: "too few comparisons or blocks".to_string(), why: None, first: true, columns }
    }
}

/// A figure that is there.
pub(super) fn cell(text: String, first: bool) -> Cell {
    Cell { text, why: None, first, columns: 1 }
}
