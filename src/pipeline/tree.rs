//! The keys and values of a pipeline file, read one by one so that everything odd about them is reported at once:
//! keys given twice, keys without a value, numbers that are not finite.

use std::cell::RefCell;
use std::collections::HashMap;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Value};

use crate::pipeline::explain::name;
use crate::pipeline::locate::{Aim, Seg};
use crate::pipeline::problem::Notes;

/// Something wrong in the tree itself.
pub(super) struct Oddity {
    pub path: Vec<Seg>,
    pub aim: Aim,
    pub message: String,
    pub label: &'static str,
    pub help: Option<String>,
}

/// Reads the value at `path`; `None` where it is odd and left out.
pub(super) struct Tree<'o> {
    pub path: Vec<Seg>,
    pub oddities: &'o RefCell<Vec<Oddity>>,
}

impl<'o> Tree<'o> {
    fn below(&self, seg: Seg) -> Tree<'o> {
        Tree { path: [&self.path[..], &[seg]].concat(), oddities: self.oddities }
    }

    fn odd(&self, aim: Aim, message: String, label: &'static str, help: Option<String>) {
        self.oddities.borrow_mut().push(Oddity { path: self.path.clone(), aim, message, label, help });
    }
}

impl<'de> DeserializeSeed<'de> for Tree<'_> {
    type Value = Option<Value>;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Tree<'_> {
    type Value = Option<Value>;

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a key, a value or a list")
    }

    fn visit_bool<E: Error>(self, v: bool) -> Result<Self::Value, E> {
        Ok(Some(v.into()))
    }

    fn visit_i64<E: Error>(self, v: i64) -> Result<Self::Value, E> {
        Ok(Some(v.into()))
    }

    fn visit_u64<E: Error>(self, v: u64) -> Result<Self::Value, E> {
        Ok(Some(v.into()))
    }

    fn visit_i128<E: Error>(self, v: i128) -> Result<Self::Value, E> {
        Ok(Some((v as f64).into()))
    }

    fn visit_u128<E: Error>(self, v: u128) -> Result<Self::Value, E> {
        Ok(Some((v as f64).into()))
    }

    fn visit_f64<E: Error>(self, v: f64) -> Result<Self::Value, E> {
        if !v.is_finite() {
            let what = if v.is_nan() { "NaN" } else { "infinity" };
            self.odd(Aim::Value, format!("{} is {what}", name(&self.path)), "expected a finite number", None);
            return Ok(None);
        }
        Ok(Some(v.into()))
    }

    fn visit_str<E: Error>(self, v: &str) -> Result<Self::Value, E> {
        Ok(Some(v.into()))
    }

    fn visit_none<E: Error>(self) -> Result<Self::Value, E> {
        self.visit_unit()
    }

    fn visit_unit<E: Error>(self) -> Result<Self::Value, E> {
        // `- ground:` with nothing after it is a stage with all its defaults; where the `- ` is forgotten, that is
        // reported by itself.
        let in_stages = self.path.first() == Some(&"stages".into()) && self.path.len() > 1;
        let is_stage =
            matches!(&self.path[1.min(self.path.len())..], [Seg::Key(_)] | [Seg::Item(_), Seg::Key(_)]);
        if self.path.is_empty() || in_stages && is_stage {
            return Ok(Some(Value::Null));
        }
        let (aim, label, help) = match self.path.last() {
            Some(Seg::Key(_)) => (
                Aim::Key(0),
                "expected a value after it",
                "write a value, or leave it out to use the default",
            ),
            _ => (Aim::Value, "expected a value here", "write a value, or remove the entry"),
        };
        let help = help.to_string();
        self.odd(aim, format!("{} has no value", name(&self.path)), label, Some(help));
        Ok(None)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
        let mut list = Vec::new();
        let mut index = 0;
        while let Some(value) = seq.next_element_seed(self.below(index.into()))? {
            // An odd entry keeps its place, so that those behind it are found at theirs.
            list.push(value.unwrap_or(Value::Null));
            index += 1;
        }
        Ok(Some(list.into()))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        let mut group = Map::new();
        let mut seen: HashMap<String, usize> = HashMap::new();
        while let Some(key) = map.next_key::<String>()? {
            let below = self.below(Seg::Key(key.clone()));
            let times = seen.entry(key.clone()).or_default();
            let earlier = *times;
            *times += 1;
            if key == "<<" {
                let help = "write the lines again, or give a whole value a name, `files: &flight [a.laz]`, and use it as `files: *flight`";
                let message = "merge keys (`<<`) are not read, so that every line says what it sets";
                below.odd(Aim::Key(earlier), message.to_string(), "a merge key", Some(help.to_string()));
                map.next_value::<IgnoredAny>()?;
            } else if earlier > 0 {
                let help = "remove one of the two".to_string();
                below.odd(
                    Aim::Key(earlier),
                    format!("{} is given twice", name(&below.path)),
                    "already given above",
                    Some(help),
                );
                map.next_value::<IgnoredAny>()?;
            } else if let Some(value) = map.next_value_seed(below)? {
                group.insert(key, value);
            }
        }
        Ok(Some(group.into()))
    }
}

/// Notes an error that keeps the text from being read as keys and values at all.
pub(super) fn explain_syntax(error: &str, location: Option<usize>, text: &str, notes: &mut Notes) {
    let fault = explained(error);
    let start = match fault.shown_at {
        ShownAt::Spot => location,
        ShownAt::Opening => opening(error, text).or(location),
        ShownAt::Divider => text.find("\n---").map(|at| at + 1),
    };
    let start = start.unwrap_or(0).min(text.trim_end().len());
    let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
    let line = text[line_start..].lines().next().unwrap_or("").trim_end();
    let indent = line.len() - line.trim_start().len();
    if line[..indent].contains('\t') {
        let help = "use spaces instead of the tab".to_string();
        let message = "this line is indented with a tab".to_string();
        notes.spot(
            line_start..line_start + indent,
            message,
            "YAML allows spaces only".to_string(),
            Some(help),
        );
        return;
    }
    // The parser names the place behind the mark that it stumbles over.
    let start = if text[..start].ends_with(['*', '&']) { start - 1 } else { start };
    let end = (line_start + line.len()).max(start);
    notes.spot(start..end, fault.message.to_string(), fault.label.to_string(), Some(fault.help.to_string()));
}

/// Where a syntax error is best shown.
enum ShownAt {
    /// Where the parser stopped.
    Spot,
    /// Where what it was reading began.
    Opening,
    /// At the line that begins a second document.
    Divider,
}

struct Fault<'e> {
    shown_at: ShownAt,
    message: &'static str,
    label: &'e str,
    help: &'static str,
}

/// The place that `error` gives last: `…, while scanning a quoted scalar at line 2 column 11`.
fn opening(error: &str, text: &str) -> Option<usize> {
    let (line, column) = error.rsplit_once(" at line ")?.1.split_once(" column ")?;
    let (line, column): (usize, usize) = (line.parse().ok()?, column.parse().ok()?);
    let line_start: usize = text.split_inclusive('\n').take(line.checked_sub(1)?).map(str::len).sum();
    let ahead = text[line_start..].chars().take(column.checked_sub(1)?).map(char::len_utf8).sum::<usize>();
    Some(line_start + ahead)
}

/// A syntax error explained.
fn explained(error: &str) -> Fault<'_> {
    let has = |part: &str| error.contains(part);
    let spot = |message, help| Fault { shown_at: ShownAt::Spot, message, label: "", help };
    if has("anchor") || has("alias") || has("cannot start any token") || has("directive") {
        return spot(
            "text that begins with this character must be in quotes",
            "put text that begins with * & % @ ! or ` in quotes, as in `[\"*.laz\"]`",
        );
    }
    if has("invalid type: enum") {
        return spot("a value cannot begin with `!`", "put the text in quotes");
    }
    if has("expected a string") {
        return spot("a key must be a plain word", "write `key: value`");
    }
    if has("more than one document") {
        let help = "remove the line `---`, or make two files";
        return Fault {
            shown_at: ShownAt::Divider,
            ..spot("the file contains more than one pipeline", help)
        };
    }
    if has("mapping values are not allowed") {
        return spot(
            "a colon cannot stand here",
            "check the indentation of the line; put text that contains `: ` in quotes",
        );
    }
    if has("flow sequence") || has("flow mapping") {
        return Fault {
            shown_at: ShownAt::Opening,
            label: "this bracket",
            ..spot(
                "a bracket is not closed, or a comma is missing inside it",
                "close each `[` with `]` and each `{` with `}`, and put commas between the entries",
            )
        };
    }
    if has("quoted scalar") {
        let help = "end the text with the same quotation mark that it begins with";
        return Fault { shown_at: ShownAt::Opening, ..spot("a quotation mark is not closed", help) };
    }
    if has("limit exceeded") {
        return spot(
            "the file is nested too deeply, or repeats itself too often",
            "a pipeline file needs at most seven levels",
        );
    }
    if has("block sequence entries are not allowed") {
        return spot(
            "a list cannot begin behind a key",
            "put it into brackets, `files: [a.laz]`, or each entry on a line of its own; points are read from files \
             alone, never from standard input",
        );
    }
    if has("block mapping") || has("block collection") || has("simple key") || has("block sequence") {
        return Fault {
            label: "expected `key: value`, or `- ` and an entry of a list",
            ..spot(
                "this line does not fit the lines above it",
                "lines that belong together start in the same column; `:` and `-` are followed by a space",
            )
        };
    }
    // The parser's own message; its place is shown already.
    let label = error.split(" at line").next().unwrap_or("");
    let help = "check brackets, quotation marks, indentation and the space after each colon";
    Fault { label, ..spot("the text cannot be read as YAML from here", help) }
}
