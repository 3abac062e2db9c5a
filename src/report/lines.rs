//! Text in lines and columns, for the terminal.

/// No line is longer, so that the result fits a terminal and a message.
pub(crate) const WIDTH: usize = 100;

/// Rows in columns as wide as their widest cell, the first `left` of them flush left, the others right.
pub(crate) fn columns<const N: usize>(rows: &[[String; N]], left: usize) -> String {
    let rows: Vec<_> = rows.iter().map(|row| row.each_ref().map(|cell| harmless(cell))).collect();
    let widths: [usize; N] =
        std::array::from_fn(|i| rows.iter().map(|row| row[i].chars().count()).max().unwrap_or(0));
    let cell = |(i, (cell, &width)): (usize, (&String, &usize))| match i < left {
        true => format!("{cell:<width$}"),
        false => format!("{cell:>width$}"),
    };
    let line = |row: &[String; N]| {
        let cells: Vec<String> = row.iter().zip(&widths).enumerate().map(cell).collect();
        format!("{}\n", cells.join("  ").trim_end())
    };
    rows.iter().map(line).collect()
}

/// The text without characters that steer a terminal.
fn harmless(text: &str) -> String {
    text.replace(|c: char| c.is_control(), " ")
}

/// The text in lines. What a file says, such as its title and the names of points, must not steer the terminal.
pub(crate) fn wrap(text: &str) -> String {
    wrap_to(text, WIDTH)
}

/// The same in lines of another width.
pub(crate) fn wrap_to(text: &str, width: usize) -> String {
    let mut out = String::new();
    let mut length = 0;
    for word in text.split(|c: char| c.is_whitespace() || c.is_control()).filter(|word| !word.is_empty()) {
        let more = word.chars().count();
        if length > 0 && length + 1 + more > width {
            out.push('\n');
            length = 0;
        } else if length > 0 {
            out.push(' ');
            length += 1;
        }
        out += word;
        length += more;
    }
    out.push('\n');
    out
}
