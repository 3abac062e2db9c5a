//! Rows of the tables of figures.

/// A row of a table.
pub(super) struct Row {
    pub name: String,
    pub cells: Vec<Cell>,
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
