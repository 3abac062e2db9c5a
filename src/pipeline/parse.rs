//! From the text of a pipeline file to the model: every key and value that cannot be decoded is noted, cut out,
//! and what is left decoded again, so that all problems are reported at once.

use serde::de::{DeserializeOwned, DeserializeSeed};
use serde_json::{Map, Value, json};
use serde_path_to_error::Segment;

use crate::pipeline::explain::{self, explain};
use crate::pipeline::locate::Seg;
use crate::pipeline::model::Pipeline;
use crate::pipeline::problem::{Notes, find};
use crate::pipeline::schema;
use crate::pipeline::tree::{Tree, explain_syntax};
use crate::stages::list::Stage;

/// What could be decoded of a pipeline file.
pub(super) struct Draft {
    /// All but the stages.
    pub pipeline: Pipeline,
    /// The stages, if the file lists them.
    pub entries: Option<Vec<Entry>>,
    /// Whether an entry of the list could not be read, so that missing stages cannot be reported.
    pub gaps: bool,
}

/// One entry of the list of stages.
pub(super) struct Entry {
    /// Its keys in the file: `stages`, its place in the list, its name as written.
    pub path: Vec<Seg>,
    /// The name of the stage.
    pub name: String,
    /// The stage itself.
    pub stage: Stage,
}

/// Reads the text of a pipeline file as a tree of keys and values. `None` where it cannot be read as one at all.
pub(super) fn tree(text: &str, notes: &mut Notes) -> Option<Value> {
    let starts = Starts {
        kind: "pipeline file",
        shortest: "the shortest useful file is `survey: {files: [flight/*.laz]}`",
        first: "expected keys with values, beginning with `survey:`",
        keys: PIPELINE_KEYS,
        other: ("network file", NETWORK_KEYS, "`echograde adjust FILE` adjusts it"),
    };
    keys_and_values(text, &starts, notes)
}

/// What a file of keys and values should be, for messages about one that is something else.
pub(crate) struct Starts {
    /// What it is called.
    pub kind: &'static str,
    /// The shortest that is of use.
    pub shortest: &'static str,
    /// What was expected at its beginning.
    pub first: &'static str,
    /// Keys of which it has some.
    pub keys: [&'static str; 3],
    /// What may be given in its stead by mistake: what that is called, its keys, and what works on it.
    pub other: (&'static str, [&'static str; 3], &'static str),
}

/// Keys by which a pipeline file is known, and a network file.
pub(crate) const PIPELINE_KEYS: [&str; 3] = ["survey", "reference", "stages"];
pub(crate) const NETWORK_KEYS: [&str; 3] = ["levels", "positions", "observations"];

/// Reads the text as a tree of keys and values. `None` where it cannot be read as one at all.
pub(crate) fn keys_and_values(text: &str, starts: &Starts, notes: &mut Notes) -> Option<Value> {
    let oddities = Default::default();
    let tree = Tree { path: Vec::new(), oddities: &oddities };
    let document = match tree.deserialize(serde_yaml::Deserializer::from_str(text)) {
        Ok(document) => document.unwrap_or(Value::Null),
        Err(error) => {
            let location = error.location().map(|location| location.index());
            explain_syntax(&error.to_string(), location, text, notes);
            return None;
        }
    };
    for oddity in oddities.into_inner() {
        notes.at(&oddity.path, oddity.aim, oddity.message, oddity.label.to_string(), oddity.help);
    }
    if let Some(given) = document.as_object() {
        let find = |keys: [&'static str; 3]| keys.into_iter().find(|key| given.contains_key(*key));
        let (other, keys, help) = starts.other;
        let Some(key) = find(keys).filter(|_| find(starts.keys).is_none()) else { return Some(document) };
        notes.key(&[key.into()], format!("this is a {other}"), String::new(), Some(help.to_string()));
        return None;
    }
    if notes.is_empty() {
        let message = match document {
            Value::Null => "the file is empty".to_string(),
            _ => format!("this is not a {}", starts.kind),
        };
        let (label, help) = (starts.first.to_string(), starts.shortest.to_string());
        notes.spot(0..text.lines().next().map_or(0, str::len), message, label, Some(help));
    }
    None
}

/// Decodes what [`tree`] has read.
pub(super) fn decode(mut document: Map<String, Value>, schema: &Value, notes: &mut Notes) -> Option<Draft> {
    let stages = document.shift_remove("stages");
    let pipeline = decode_part(Value::Object(document), &[], &[], schema, notes)?;
    let mut draft = Draft { pipeline, entries: None, gaps: false };
    match stages {
        None => draft.gaps = notes.known(&["stages".into()]),
        Some(Value::Array(list)) => {
            let entries = list.into_iter().enumerate();
            let entries: Vec<_> = entries.map(|(i, entry)| decode_stage(i, entry, schema, notes)).collect();
            draft.gaps = entries.iter().any(Option::is_none);
            draft.entries = Some(entries.into_iter().flatten().collect());
        }
        Some(_) => {
            let label = "expected a list of stages, each on a line that begins with `- `".to_string();
            let help = "for example `- ground: {cell: 0.5 m}`".to_string();
            notes.value(&["stages".into()], "`stages` is not a list".to_string(), label, Some(help));
            draft.gaps = true;
        }
    }
    Some(draft)
}

/// Decodes one entry of the list of stages: `name: {options}`, `name:` or `name`.
fn decode_stage(index: usize, entry: Value, schema: &Value, notes: &mut Notes) -> Option<Entry> {
    let mut path: Vec<Seg> = vec!["stages".into(), index.into()];
    let (written, options) = match entry {
        Value::String(name) => (name, Value::Null),
        Value::Object(map) if map.len() == 1 => map.into_iter().next()?,
        other => {
            if notes.known(&path) {
                return None;
            }
            let message = match &other {
                Value::Object(map) if map.len() > 1 => {
                    let names: Vec<_> = map.keys().map(|key| format!("`{key}`")).collect();
                    format!("an entry of `stages` has {} keys: {}", names.len(), names.join(", "))
                }
                _ => format!("an entry of `stages` cannot be {}", explain::shown(&other)),
            };
            let label = "expected one stage, as in `- ground: {cell: 0.5 m}`".to_string();
            let help = other.is_object().then(|| {
                "write the options in braces after the name, or on lines of their own with a deeper indent"
                    .to_string()
            });
            notes.value(&path, message, label, help);
            return None;
        }
    };
    path.push(written.as_str().into());
    let known = schema::stage_names(schema);
    let name = if known.contains(&written.as_str()) {
        written
    } else {
        let explained = explain::unknown_key(&written, &path[..2], &known);
        if notes.given(&path) {
            notes.key(&path, explained.message, explained.label, explained.help);
        } else {
            notes.value(&path[..2], explained.message, explained.label, explained.help);
        }
        // The options are checked as those of the stage that was most likely meant.
        explain::closest(&written, &known)?.to_string()
    };
    let options = if options.is_null() { json!({}) } else { options };
    let part = schema::stage_options(schema, &name)?;
    let value = json!({ name.as_str(): options });
    let stage = decode_part(value, &[name.as_str().into()], &path, part, notes)?;
    Some(Entry { path, name, stage })
}

/// Decodes `value`, noting and cutting out what is wrong. The part of it below `inside` stands at `base` in the
/// file and has the schema `part`.
pub(crate) fn decode_part<T: DeserializeOwned>(
    mut value: Value,
    inside: &[Seg],
    base: &[Seg],
    part: &Value,
    notes: &mut Notes,
) -> Option<T> {
    if let Some(group) = inside.iter().try_fold(&mut value, step) {
        refuse_lists(group, base, part, notes);
    }
    let mut cut: Vec<Vec<Seg>> = Vec::new();
    while !notes.enough() {
        let error = match serde_path_to_error::deserialize::<_, T>(value.clone()) {
            Ok(decoded) => return Some(decoded),
            Err(error) => error,
        };
        let now = segments(error.path());
        let below = now.get(inside.len()..).unwrap_or(&[]);
        let origin = original(below, &cut);
        let path = [base, &origin[..]].concat();
        // A list or group that lacks what was cut out of it has been reported already.
        if !notes.known(&path) {
            let around = below.split_last().and_then(|(_, above)| schema::part(part, above));
            let offending = find(&value, &now);
            let explained =
                explain(&error.inner().to_string(), &path, schema::part(part, below), around, offending);
            if explained.at_key {
                notes.key(&path, explained.message, explained.label, explained.help);
            } else {
                notes.value(&path, explained.message, explained.label, explained.help);
            }
        }
        if below.is_empty() {
            // The group as a whole is wrong: continue with its defaults, unless they are what is wrong.
            let whole = inside.iter().try_fold(&mut value, step)?;
            let empty = json!({});
            if std::mem::replace(whole, empty.clone()) == empty {
                return None;
            }
        } else {
            cut_out(&mut value, &now)?;
            cut.push(origin);
        }
    }
    None
}

/// Empties lists that stand where a group of options is due: the decoder would take their entries for the
/// options in the order in which the program happens to hold them.
fn refuse_lists(value: &mut Value, path: &[Seg], part: &Value, notes: &mut Notes) {
    match value {
        Value::Array(_) if part["properties"].is_object() => {
            let error = "invalid type: list";
            let explained = explain(error, path, Some(part), None, Some(value));
            notes.value(path, explained.message, explained.label, explained.help);
            *value = json!({});
        }
        Value::Object(map) => {
            for (key, below) in map {
                let seg = Seg::Key(key.clone());
                if let Some(part) = schema::part(part, std::slice::from_ref(&seg)) {
                    refuse_lists(below, &[path, &[seg]].concat(), part, notes);
                }
            }
        }
        _ => {}
    }
}

fn segments(path: &serde_path_to_error::Path) -> Vec<Seg> {
    path.iter()
        .filter_map(|segment| match segment {
            Segment::Map { key } | Segment::Enum { variant: key } => Some(Seg::Key(key.clone())),
            Segment::Seq { index } => Some(Seg::Item(*index)),
            Segment::Unknown => None,
        })
        .collect()
}

/// The path in the file of what is at `path` now that the parts in `cut` are gone: list entries behind one that
/// was cut out have moved up.
fn original(path: &[Seg], cut: &[Vec<Seg>]) -> Vec<Seg> {
    path.iter().fold(Vec::new(), |mut before, seg| {
        let Seg::Item(now) = seg else {
            before.push(seg.clone());
            return before;
        };
        let mut left = *now;
        let mut index = 0;
        loop {
            before.push(Seg::Item(index));
            let gone = cut.contains(&before);
            if !gone && left == 0 {
                return before;
            }
            left -= usize::from(!gone);
            index += 1;
            before.pop();
        }
    })
}

fn step<'v>(value: &'v mut Value, seg: &Seg) -> Option<&'v mut Value> {
    match seg {
        Seg::Key(key) => value.get_mut(key.as_str()),
        Seg::Item(index) => value.get_mut(*index),
    }
}

/// Removes what is at `path`.
fn cut_out(value: &mut Value, path: &[Seg]) -> Option<Value> {
    let (last, above) = path.split_last()?;
    match (above.iter().try_fold(value, step)?, last) {
        (Value::Object(map), Seg::Key(key)) => map.shift_remove(key),
        (Value::Array(list), Seg::Item(index)) if *index < list.len() => Some(list.remove(*index)),
        _ => None,
    }
}

/// YAML text as a tree of keys and values, where it can be read as one.
pub(super) fn read(text: &str) -> Option<Value> {
    serde_yaml::from_str(text).ok()
}

/// A tree of keys and values as YAML text.
pub(super) fn write(document: &Value) -> String {
    serde_yaml::to_string(document).expect("plain keys and values can always be written")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_lead_to_the_file_as_it_was_before_cutting() {
        let list: [Seg; 2] = ["files".into(), 0.into()];
        let cut = vec![list.to_vec(), vec!["files".into(), 2.into()]];
        assert_eq!(original(&["files".into(), 0.into()], &cut), ["files".into(), Seg::Item(1)]);
        assert_eq!(original(&["files".into(), 1.into()], &cut), ["files".into(), Seg::Item(3)]);
    }
}
