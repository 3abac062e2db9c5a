//! Decoding errors in the terms of the pipeline file: the decoder gives the place and the kind, the schema what was
//! expected.

use serde_json::Value;

use crate::pipeline::locate::Seg;
use crate::pipeline::schema;

/// A decoding error in words.
pub(super) struct Explained {
    /// Whether the key is wrong, rather than the value.
    pub at_key: bool,
    pub message: String,
    pub label: String,
    pub help: Option<String>,
}

/// Explains the decoder's `error`. `path` leads to the spot in the file, `part` is the schema of the value
/// there and `around` that of the group it stands in, `value` is what the file has there.
pub(super) fn explain(
    error: &str,
    path: &[Seg],
    part: Option<&Value>,
    around: Option<&Value>,
    value: Option<&Value>,
) -> Explained {
    if error.starts_with("unknown field") {
        let (Some(Seg::Key(key)), Some(around)) = (path.last(), around) else {
            return other(error, path, part);
        };
        let mut explained = unknown_key(key, &path[..path.len() - 1], &schema::keys(around));
        if let Some(group) = schema::group_with(around, key) {
            explained.label = format!("write it as `{group}: {{{key}: …}}`");
        }
        return explained;
    }
    if let Some(rest) = error.strip_prefix("missing field `") {
        let missing = rest.split('`').next().unwrap_or("");
        let required = part.and_then(|part| part["required"].as_array()).into_iter().flatten();
        let all: Vec<_> = required.filter_map(Value::as_str).map(|key| format!("`{key}`")).collect();
        let message = format!("{} has no `{missing}`", name(path));
        return Explained {
            at_key: false,
            message,
            label: format!("needs {}", all.join(" and ")),
            help: None,
        };
    }
    let standard = ["invalid type", "invalid value", "invalid length", "unknown variant"];
    if !standard.iter().any(|start| error.starts_with(start)) {
        return other(error, path, part);
    }
    let message = match value {
        Some(Value::Array(list)) if error.starts_with("invalid length") => {
            format!("{} has {} entries", name(path), list.len())
        }
        Some(value) => format!("{} cannot be {}", name(path), shown(value)),
        None => format!("{} has an invalid value", name(path)),
    };
    Explained { at_key: false, message, label: label(part), help: remedy(part, path, value) }
}

/// A message of one of our own types, already complete.
fn other(error: &str, path: &[Seg], part: Option<&Value>) -> Explained {
    let message = format!("{}: {error}", name(path));
    Explained { at_key: false, message, label: label(part), help: None }
}

fn label(part: Option<&Value>) -> String {
    part.map_or(String::new(), |part| format!("expected {}", schema::expected(part)))
}

/// A key that does not exist in the group at `path`.
pub(super) fn unknown_key(key: &str, path: &[Seg], known: &[&str]) -> Explained {
    let message = match path {
        [] => format!("the file has no key `{key}`"),
        path if is_stage(path) => format!("there is no stage `{key}`"),
        _ => format!("{} has no option `{key}`", name(path)),
    };
    let label = match closest(key, known) {
        _ if key.contains(':') => "a space is missing after the colon".to_string(),
        Some(near) => format!("did you mean `{near}`?"),
        None => "unknown".to_string(),
    };
    let what = match path {
        [] => "the keys are",
        path if is_stage(path) => "the stages are",
        _ => "the options are",
    };
    let known: Vec<_> = known.iter().map(|key| format!("`{key}`")).collect();
    Explained { at_key: true, message, label, help: Some(format!("{what}: {}", known.join(", "))) }
}

/// Whether an entry of the list of stages stands at a key path.
fn is_stage(path: &[Seg]) -> bool {
    matches!(path, [Seg::Key(list), Seg::Item(_)] if list == "stages")
}

/// What to write instead, where that is clear.
fn remedy(part: Option<&Value>, path: &[Seg], value: Option<&Value>) -> Option<String> {
    let (part, value) = (part?, value?);
    let kind = part["type"].as_str().or_else(|| part["type"][0].as_str());
    match value {
        Value::String(text) => {
            if let Some(near) = closest(text, &schema::words(part)) {
                return Some(format!("did you mean `{near}`?"));
            }
            let is_number = text.parse::<f64>().is_ok_and(f64::is_finite);
            if is_number && matches!(kind, Some("number" | "integer")) {
                return Some(format!("write the number without quotes: `{text}`"));
            }
        }
        Value::Number(_) | Value::Bool(_) if kind == Some("string") => {
            return Some(format!("put it in quotes to make it text: `\"{value}\"`"));
        }
        Value::Array(list) if !matches!(kind, Some("array" | "object")) => match &list[..] {
            [one] if !one.is_array() && !one.is_object() => {
                return Some(format!("write it without brackets: {}", shown(one)));
            }
            _ => {}
        },
        _ => {}
    }
    match (kind, path.last()) {
        (Some("array"), _) if !value.is_array() && !value.is_object() => {
            Some(format!("write a list in square brackets: `[{}]`", plain(value)))
        }
        (Some("object"), Some(Seg::Key(key))) if !value.is_object() => {
            let first = *schema::keys(part).first()?;
            Some(format!("write options by name, as in `{key}: {{{first}: …}}`"))
        }
        _ => None,
    }
}

/// A value as a message shows it.
pub(super) fn shown(value: &Value) -> String {
    match value {
        Value::Array(_) => "a list".to_string(),
        Value::Object(_) => "a group of options".to_string(),
        Value::Null => "empty".to_string(),
        Value::String(text) if text.is_empty() => "empty text".to_string(),
        _ => format!("`{}`", plain(value)),
    }
}

fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_string)
}

/// What stands at a key path, in words: `` `cell` of stage `ground` ``.
pub fn name(path: &[Seg]) -> String {
    match path {
        [] => "the file".to_string(),
        [Seg::Key(key)] => format!("`{key}`"),
        [Seg::Key(_), Seg::Item(index)] => format!("entry {} of {}", index + 1, name(&path[..1])),
        [Seg::Key(list), Seg::Item(_), Seg::Key(key)] if list == "stages" => format!("stage `{key}`"),
        [parent @ .., Seg::Key(key)] => format!("`{key}` of {}", name(parent)),
        [parent @ .., Seg::Item(index)] => format!("entry {} of {}", index + 1, name(parent)),
    }
}

/// The known word that `word` most likely stands for, if any is near.
pub(super) fn closest<'k>(word: &str, known: &[&'k str]) -> Option<&'k str> {
    let word = word.to_lowercase().replace(['-', ' '], "_");
    let begins =
        |k: &&&str| word.len() >= 3 && (k.starts_with(&word) || word.starts_with(**k) && k.len() >= 3);
    let near = known.iter().map(|k| (distance(&word, &k.to_lowercase()), *k)).min_by_key(|(d, _)| *d);
    match near {
        Some((far, near)) if far <= word.chars().count().max(3) / 3 => Some(near),
        _ => known.iter().find(begins).copied(),
    }
}

/// Letters to add, take out or change to make `a` into `b` (Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let change = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = change.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_suggested_and_a_far_one_is_not() {
        let stages = ["read", "select", "ground", "checkpoints", "compare", "summarise"];
        assert_eq!(closest("grund", &stages), Some("ground"));
        assert_eq!(closest("summarize", &stages), Some("summarise"));
        assert_eq!(closest("Check-Points", &stages), Some("checkpoints"));
        assert_eq!(closest("triangulate", &stages), None);
        assert_eq!(closest("window", &["cell", "window_max"]), Some("window_max"));
        assert_eq!(closest("FtUS", &["m", "ft", "ftUS"]), Some("ftUS"));
        assert_eq!(closest("metres", &["m", "ft", "ftUS"]), None);
    }

    #[test]
    fn distance_counts_letters() {
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("größe", "grösse"), 2);
    }

    #[test]
    fn places_are_named_in_words() {
        let cell: [Seg; 4] = ["stages".into(), 2.into(), "ground".into(), "cell".into()];
        assert_eq!(name(&cell), "`cell` of stage `ground`");
        assert_eq!(name(&cell[..3]), "stage `ground`");
        assert_eq!(name(&["survey".into(), "files".into(), 0.into()]), "entry 1 of `files` of `survey`");
        assert_eq!(name(&["accept".into(), 0.into(), "class".into()]), "`class` of entry 1 of `accept`");
    }
}
