//! Tables that a pipeline file or a network file names: text files with a header, an observation or a point a line, whose every
//! value keeps its place in the text so that all problems are shown at once.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use crate::cloud::point_list::{ListError, ListFile, decimal, is_data, separator};
use crate::pipeline::inputs::Renamed;
use crate::pipeline::problem::MOST;
use crate::pipeline::{PipelineError, Problem};
use crate::results::format::and_list;

/// A table in the reading.
pub(crate) struct Table {
    path: PathBuf,
    text: String,
    separator: char,
    header: Vec<Field>,
    /// Where the header stands.
    header_span: Range<usize>,
    /// The column of each known name.
    columns: BTreeMap<&'static str, usize>,
    problems: Vec<Problem>,
}

/// A value and its place in the text.
#[derive(Clone, Debug)]
struct Field {
    text: String,
    span: Range<usize>,
}

/// One line of a table.
pub(crate) struct Record {
    /// Its number, from 1.
    pub line: usize,
    span: Range<usize>,
    fields: Vec<Field>,
}

impl Table {
    /// Reads a file; `known` are the columns that it may have, `renamed` their names in its header where they differ.
    pub fn open(
        path: &Path,
        known: &[&'static str],
        renamed: &Renamed,
    ) -> Result<(Self, Vec<Record>), PipelineError> {
        let file = ListFile::read(path).map_err(|ListError { message, .. }| {
            PipelineError::unreadable(path, format!("the table {message}"), None)
        })?;
        Table::of(&file, known, renamed)
    }

    /// The same, of a file that has been read.
    pub fn of(
        file: &ListFile,
        known: &[&'static str],
        renamed: &Renamed,
    ) -> Result<(Self, Vec<Record>), PipelineError> {
        let (path, text) = (&file.path, file.text.as_str());
        let mut lines = Vec::new();
        let mut at = 0;
        for (index, line) in text.split_inclusive('\n').enumerate() {
            let bare = line.trim_end_matches(['\n', '\r']);
            if is_data(bare) {
                lines.push((index + 1, at..at + bare.len()));
            }
            at += line.len();
        }
        let mut lines = lines.into_iter();
        let Some((_, header_span)) = lines.next() else {
            let help = format!("it needs a header, `{}`, and a line for each entry", known.join(","));
            return Err(PipelineError::unreadable(path, "the table is empty".into(), Some(help)));
        };
        let separator = separator(&text[header_span.clone()]);
        let header = split(text, header_span.clone(), separator);
        let records = lines.map(|(line, span)| {
            let fields = split(text, span.clone(), separator);
            Record { line, span, fields }
        });
        let records: Vec<Record> = records.collect();
        let mut table = Table {
            path: path.clone(),
            separator,
            header,
            header_span,
            columns: BTreeMap::new(),
            problems: Vec::new(),
            text: text.to_string(),
        };
        table.find_columns(known, renamed);
        for record in &records {
            if record.fields.len() != table.header.len() {
                let message = format!(
                    "the line has {} fields, but the header has {}",
                    record.fields.len(),
                    table.header.len()
                );
                let help = "give every line a field for each column; a separator in a name needs \"quotes\"";
                table.problem(record.span.clone(), message, "", help);
            }
        }
        if records.is_empty() {
            let span = table.header_span.clone();
            table.problem(
                span,
                "the table has a header, but no line below it".into(),
                "",
                "add a line for each entry",
            );
        }
        Ok((table, records))
    }

    fn find_columns(&mut self, known: &[&'static str], renamed: &Renamed) {
        for name in renamed.keys().filter(|name| !known.contains(&name.as_str())) {
            let message = format!("`columns` renames `{name}`, which is no column of this table");
            let help = format!("the columns are: {}", known.join(", "));
            self.problem(self.header_span.clone(), message, "", &help);
        }
        for name in known {
            let wanted = renamed.get(*name).map_or(*name, String::as_str);
            let found: Vec<usize> = (0..self.header.len())
                .filter(|&i| self.header[i].text.eq_ignore_ascii_case(wanted))
                .collect();
            if let [_, second, ..] = found[..] {
                let span = self.header[second].span.clone();
                self.problem(
                    span,
                    format!("there are two columns `{wanted}`"),
                    "",
                    "remove or rename one of them",
                );
            }
            match found.first() {
                Some(column) => drop(self.columns.insert(name, *column)),
                None if renamed.contains_key(*name) => {
                    let message = format!("there is no column `{wanted}`, which `columns` names");
                    self.problem(self.header_span.clone(), message, "", "write it as the header does");
                }
                None => {}
            }
        }
    }

    /// Whether the header has the column.
    pub fn has(&self, column: &str) -> bool {
        self.columns.contains_key(column)
    }

    /// Notes it where a column is missing that every table of this kind needs.
    pub fn need(&mut self, columns: &[&str], key: &str) {
        for column in columns {
            if !self.has(column) {
                let has: Vec<&str> = self.header.iter().map(|field| field.text.as_str()).collect();
                let message = format!("there is no column `{column}`; the header has: {}", has.join(", "));
                let help = format!("name the column: `{key}: {{file: …, columns: {{{column}: …}}}}`");
                self.problem(self.header_span.clone(), message, "", &help);
            }
        }
    }

    fn field<'r>(&self, record: &'r Record, column: &str) -> Option<&'r Field> {
        record.fields.get(*self.columns.get(column)?).filter(|field| !field.text.is_empty())
    }

    /// The text in a column, if there is any.
    pub fn text(&self, record: &Record, column: &str) -> Option<String> {
        self.field(record, column).map(|field| field.text.clone())
    }

    /// A name, which must be there.
    pub fn name(&mut self, record: &Record, column: &str) -> Option<String> {
        let name = self.text(record, column);
        if name.is_none() && self.has(column) {
            self.wrong(record, column, format!("`{column}` is empty"), "write the name");
        }
        name
    }

    /// The number in a column, if there is any.
    pub fn number(&mut self, record: &Record, column: &str) -> Option<f64> {
        let field = self.field(record, column)?.clone();
        let value = decimal(&field.text, self.separator).filter(|value| value.is_finite());
        if value.is_none() {
            let message = format!("`{column}` is `{}`, which is not a number", field.text);
            self.problem(field.span, message, "expected a number", "write for example `1234.567`");
        }
        value
    }

    /// A standard deviation, if there is any: above zero.
    pub fn sigma(&mut self, record: &Record, column: &str) -> Option<f64> {
        self.above_zero(record, column, "a standard deviation is above 0")
    }

    /// The number in a column, if there is any: above zero, as `help` says.
    pub fn above_zero(&mut self, record: &Record, column: &str, help: &str) -> Option<f64> {
        let value = self.number(record, column)?;
        if value > 0.0 {
            return Some(value);
        }
        self.wrong(record, column, format!("`{column}` is {value}"), help);
        None
    }

    /// What a column holds by a reading of its own, if there is anything; `parse` takes the text and what reads numbers.
    pub fn parsed<T>(
        &mut self,
        record: &Record,
        column: &str,
        parse: impl Fn(&str, &dyn Fn(&str) -> Option<f64>) -> Result<T, String>,
        (label, help): (&str, &str),
    ) -> Option<T> {
        let field = self.field(record, column)?.clone();
        match parse(&field.text, &|text| decimal(text, self.separator)) {
            Ok(value) => Some(value),
            Err(message) => {
                self.problem(field.span, message, label, help);
                None
            }
        }
    }

    /// Notes a problem with the value in a column.
    pub fn wrong(&mut self, record: &Record, column: &str, message: String, help: &str) {
        let span =
            self.columns.get(column).and_then(|&at| record.fields.get(at)).map(|field| field.span.clone());
        self.problem(span.unwrap_or(record.span.clone()), message, "", help);
    }

    fn problem(&mut self, span: Range<usize>, message: String, label: &str, help: &str) {
        if self.problems.len() < MOST {
            let (label, help) = (label.to_string(), Some(help.to_string()));
            self.problems.push(Problem { path: Vec::new(), span: Some(span), message, label, help });
        }
    }

    /// What a person should know of the table, named `file`: the columns that nothing reads.
    ///
    /// # Errors
    /// All that is wrong with it.
    pub fn finish(mut self, file: &str) -> Result<Vec<String>, PipelineError> {
        if self.problems.is_empty() {
            let is_read = |at: usize| self.columns.values().any(|column| *column == at);
            let unread = (0..self.header.len()).filter(|at| !is_read(*at));
            let unread: Vec<String> = unread.map(|at| format!("`{}`", self.header[at].text)).collect();
            let columns = if unread.len() == 1 { "column" } else { "columns" };
            let note = format!("{file}: nothing is read from the {columns} {}.", and_list(&unread));
            return Ok(if unread.is_empty() { Vec::new() } else { vec![note] });
        }
        self.problems.sort_by_key(|problem| problem.span.clone().map_or(0, |span| span.start));
        Err(PipelineError { path: self.path, text: self.text, problems: self.problems })
    }
}

/// The fields of the line at `span`; quotes around one keep a separator in, two within are one.
fn split(text: &str, span: Range<usize>, separator: char) -> Vec<Field> {
    let line = &text[span.clone()];
    let mut fields = Vec::new();
    let (mut start, mut quoted) = (0, false);
    let mut take = |from: usize, to: usize| {
        let raw = &line[from..to];
        let inner = raw.trim();
        let lead = raw.len() - raw.trim_start().len();
        let at = span.start + from + lead;
        let value = match inner.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')) {
            Some(value) => value.replace("\"\"", "\"").trim().to_string(),
            None => inner.to_string(),
        };
        fields.push(Field { text: value, span: at..(at + inner.len()).max(at) });
    };
    let mut letters = line.char_indices().peekable();
    while let Some((at, c)) = letters.next() {
        if c == '"' && quoted {
            // Two of them are one, and the field goes on.
            quoted = letters.next_if(|(_, next)| *next == '"').is_some();
        } else if c == '"' && line[start..at].trim().is_empty() {
            // Within a field (seconds of arc) it is a character like any other.
            quoted = true;
        } else if c == separator && !quoted {
            take(start, at);
            start = at + c.len_utf8();
        }
    }
    take(start, line.len());
    fields
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_keep_a_separator_in_and_seconds_of_arc_are_no_quotes() {
        let line = r#"A, "B, ""north""" ,91°15'09",,-1"#;
        let fields = split(line, 0..line.len(), ',');
        let texts: Vec<&str> = fields.iter().map(|field| field.text.as_str()).collect();
        assert_eq!(texts, ["A", "B, \"north\"", "91°15'09\"", "", "-1"]);
        let shown: Vec<&str> = fields.iter().map(|field| &line[field.span.clone()]).collect();
        assert_eq!(shown, ["A", r#""B, ""north""""#, "91°15'09\"", "", "-1"]);
    }
}
