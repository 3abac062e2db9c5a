//! Where in the text of a pipeline file a key or a value stands.
//!
//! serde_yaml keeps no places, but every error it gives has one. So the text is walked once more down the path in
//! question, by the same parser, and the walk fails at its end on purpose.

use std::cell::Cell;
use std::fmt;
use std::ops::Range;

use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

/// One step of the way from the top of a pipeline file to a value in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Seg {
    /// The value of this key.
    Key(String),
    /// The entry of a list, counted from 0.
    Item(usize),
}

impl From<&str> for Seg {
    fn from(key: &str) -> Self {
        Seg::Key(key.to_string())
    }
}

impl From<usize> for Seg {
    fn from(index: usize) -> Self {
        Seg::Item(index)
    }
}

/// What of a key path to point at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aim {
    /// The value at the path.
    Value,
    /// The last key of the path: its first place in its group, or a later one (counted from 0).
    Key(usize),
}

/// The bytes of `text` that hold the value at `path`, or its key; where the path does not exist, the nearest
/// parent that does.
///
/// `value` is what was read at the path, if it is known: it tells how far unquoted text reaches.
pub fn span(text: &str, path: &[Seg], aim: Aim, value: Option<&Value>) -> Range<usize> {
    let find = |length: usize| {
        let aim = if length == path.len() { aim } else { Aim::Value };
        let probe = Probe { path: &path[..length], aim };
        let error = probe.deserialize(serde_yaml::Deserializer::from_str(text)).err()?;
        Some((length, error.location()?.index().min(text.len())))
    };
    let Some((length, start)) = (0..=path.len()).rev().find_map(find) else { return 0..0 };
    let end = match (aim, path.last()) {
        (Aim::Key(_), Some(Seg::Key(key))) if length == path.len() => key_end(text, start, key),
        _ => value_end(text, start, value.filter(|_| length == path.len())),
    };
    start..end
}

/// The end of the key that begins at `start`.
fn key_end(text: &str, start: usize, key: &str) -> usize {
    let rest = &text[start..];
    if rest.starts_with(key) { start + key.len() } else { value_end(text, start, None) }
}

/// The end of the value that begins at `start`, as far as it reaches on its own line.
fn value_end(text: &str, start: usize, value: Option<&Value>) -> usize {
    let line = text[start..].lines().next().unwrap_or("");
    let first = line.chars().next();
    let length = match (first, value) {
        (Some(quote @ ('"' | '\'')), _) => line[1..].find(quote).map(|at| at + 2),
        (Some('[' | '{'), _) => bracket_end(line),
        (_, Some(Value::String(plain))) if line.starts_with(plain.as_str()) => Some(plain.len()),
        (_, Some(Value::Number(_) | Value::Bool(_))) => line.find([',', ']', '}', ' ', '\t']),
        _ => None,
    };
    let length = length.or_else(|| bracketed_end(line));
    // A value in several lines, or one written in an unusual way: to the end of the line, comment left out.
    let length = length.unwrap_or_else(|| line.find(" #").unwrap_or(line.len()));
    start + line[..length].trim_end().len()
}

/// The length of the entry that `line` begins with, if a bracket around it closes later on the line.
fn bracketed_end(line: &str) -> Option<usize> {
    let mut depth = 0;
    let mut comma = None;
    for (at, c) in line.char_indices() {
        match c {
            '[' | '{' => depth += 1,
            ']' | '}' if depth == 0 => return comma.or(Some(at)),
            ']' | '}' => depth -= 1,
            ',' if depth == 0 => comma = comma.or(Some(at)),
            _ => {}
        }
    }
    None
}

/// The length of the bracket that `line` begins with, its end included, if it closes on the line.
fn bracket_end(line: &str) -> Option<usize> {
    let mut depth = 0;
    for (at, c) in line.char_indices() {
        match c {
            '[' | '{' => depth += 1,
            ']' | '}' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return Some(at + c.len_utf8());
        }
    }
    None
}

/// Follows a key path through the text and fails at its end.
struct Probe<'a> {
    path: &'a [Seg],
    aim: Aim,
}

impl<'de> DeserializeSeed<'de> for Probe<'_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

/// A value that no method here takes (a number, say) is an error by itself, in the right place.
impl<'de> Visitor<'de> for Probe<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("something else")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let [Seg::Key(want), rest @ ..] = self.path else { return Err(A::Error::custom("here")) };
        let skip = Cell::new(0);
        let stop_at = match self.aim {
            Aim::Key(later) if rest.is_empty() => {
                skip.set(later);
                Some(want.as_str())
            }
            _ => None,
        };
        while let Some(key) = map.next_key_seed(KeyProbe { stop_at, skip: &skip })? {
            if stop_at.is_none() && key == *want {
                map.next_value_seed(Probe { path: rest, aim: self.aim })?;
            } else {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        let [Seg::Item(want), rest @ ..] = self.path else { return Err(A::Error::custom("here")) };
        for _ in 0..*want {
            seq.next_element::<IgnoredAny>()?;
        }
        seq.next_element_seed(Probe { path: rest, aim: self.aim })?;
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(())
    }
}

/// Reads a key, and fails at the one looked for after skipping so many of the same name.
struct KeyProbe<'a> {
    stop_at: Option<&'a str>,
    skip: &'a Cell<usize>,
}

impl<'de> DeserializeSeed<'de> for KeyProbe<'_> {
    type Value = String;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<String, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for KeyProbe<'_> {
    type Value = String;

    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_str<E: Error>(self, key: &str) -> Result<String, E> {
        if self.stop_at != Some(key) {
            return Ok(key.to_string());
        }
        match self.skip.get().checked_sub(1) {
            None => Err(E::custom("here")),
            Some(left) => {
                self.skip.set(left);
                Ok(key.to_string())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "title: Ärger am Hang # auf\nstages:\n  - select: {returns: [1, 99], 'strips': [\"x\"]}\n  \
                        - ground:\n      cell: 0.5 m\n      cell: 1 m\n";

    fn at(path: &[Seg], aim: Aim, value: Option<Value>) -> &'static str {
        &TEXT[span(TEXT, path, aim, value.as_ref())]
    }

    #[test]
    fn values_and_keys_are_found() {
        let returns: [Seg; 4] = ["stages".into(), 0.into(), "select".into(), "returns".into()];
        assert_eq!(at(&["title".into()], Aim::Value, Some("Ärger am Hang".into())), "Ärger am Hang");
        assert_eq!(at(&returns, Aim::Value, None), "[1, 99]");
        assert_eq!(at(&returns, Aim::Key(0), None), "returns");
        assert_eq!(at(&[&returns[..], &[1.into()]].concat(), Aim::Value, Some(99.into())), "99");
        let strips: [Seg; 5] = ["stages".into(), 0.into(), "select".into(), "strips".into(), 0.into()];
        assert_eq!(at(&strips[..4], Aim::Key(0), None), "'strips'");
        assert_eq!(at(&strips, Aim::Value, Some("x".into())), "\"x\"");
    }

    #[test]
    fn a_key_given_twice_is_found_at_its_second_place() {
        let cell: [Seg; 4] = ["stages".into(), 1.into(), "ground".into(), "cell".into()];
        assert_eq!(span(TEXT, &cell, Aim::Key(1), None).start, TEXT.rfind("cell").unwrap());
        assert_eq!(at(&cell, Aim::Value, None), "0.5 m");
    }

    #[test]
    fn a_path_that_does_not_exist_is_shown_at_its_parent() {
        let slope: [Seg; 4] = ["stages".into(), 1.into(), "ground".into(), "slope".into()];
        assert_eq!(at(&slope, Aim::Value, None), "cell: 0.5 m");
        assert_eq!(span(TEXT, &["survey".into()], Aim::Value, None).start, 0);
    }
}
