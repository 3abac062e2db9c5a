//! The options of two runs, key by key, of the pipelines as resolved.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;

use crate::diff::contents::close;
use crate::units::Length;

/// An option that is not the same in both runs.
#[derive(Debug, PartialEq, Serialize)]
pub struct OptionChange {
    /// Its key: `ground.dh_initial`, `reference.uncertainty`.
    pub key: String,
    /// Its value in the first run, with its unit; nothing where it has none.
    pub before: Option<String>,
    /// Its value in the second run.
    pub after: Option<String>,
}

/// The value of a stage: it is there, whatever its options.
pub const THERE: &str = "there";

/// Keys that name files, which are compared by their hashes, and others on which no result depends.
const NO_OPTIONS: [&str; 9] =
    ["files", "file", "area", "targets", "control", "to", "output", "title", "read.tile"];

/// The options that are not the same, in the order of the first pipeline file.
pub fn changes(first: &Value, second: &Value) -> Vec<OptionChange> {
    let [before, after] = [first, second].map(options);
    let only_after = after.iter().filter(|(key, _)| !before.iter().any(|(other, _)| other == key));
    let keys: Vec<&String> = before.iter().chain(only_after).map(|(key, _)| key).collect();
    let [before, after]: [BTreeMap<&String, &String>; 2] =
        [&before, &after].map(|all| all.iter().map(|(key, value)| (key, value)).collect());
    let mut changes = Vec::new();
    for key in keys {
        let (one, other) = (before.get(key), after.get(key));
        let same = match (one, other) {
            (Some(one), Some(other)) => is_same(one, other),
            _ => false,
        };
        // Of a stage that one run lacks no option needs to be named.
        let stage = key.split_once('.').map(|(stage, _)| stage.to_string());
        let within = stage.is_some_and(|stage| before.contains_key(&stage) != after.contains_key(&stage));
        if !same && !within && !is_no_option(key) {
            let value = |value: Option<&&String>| value.map(|value| value.to_string());
            changes.push(OptionChange { key: key.clone(), before: value(one), after: value(other) });
        }
    }
    changes
}

fn is_no_option(key: &str) -> bool {
    let last = key.rsplit('.').next().unwrap_or(key);
    let last = last.split('[').next().unwrap_or(last);
    NO_OPTIONS.contains(&key) || NO_OPTIONS.contains(&last) || key == "reference.points"
}

/// Whether two values mean the same, such as `0.3 m` and `30 cm`.
fn is_same(one: &str, other: &str) -> bool {
    let um = |text: &str| Length::parse(text).ok().map(Length::exact_micrometres);
    let close = |(a, b)| close(a, b);
    let number = |text: &str| text.parse::<f64>().ok();
    one == other
        || um(one).zip(um(other)).is_some_and(close)
        || number(one).zip(number(other)).is_some_and(close)
}

/// All options of a pipeline by their keys. A stage goes by its name, with its place among those of that name where there are
/// several, and is itself an entry: there.
fn options(pipeline: &Value) -> Vec<(String, String)> {
    let mut all = Vec::new();
    let Some(document) = pipeline.as_object() else { return all };
    for (key, value) in document.iter().filter(|(key, _)| *key != "stages") {
        add(key, value, &mut all);
    }
    let stages = document.get("stages").and_then(Value::as_array).into_iter().flatten();
    let stages: Vec<(&String, &Value)> =
        stages.filter_map(Value::as_object).flat_map(|stage| stage.iter()).collect();
    for (at, (name, value)) in stages.iter().enumerate() {
        let of_name = |list: &[(&String, &Value)]| list.iter().filter(|(other, _)| other == name).count();
        let key = match of_name(&stages) {
            1 => name.to_string(),
            _ => format!("{name}[{}]", of_name(&stages[..at]) + 1),
        };
        all.push((key.clone(), THERE.to_string()));
        for (option, value) in value.as_object().into_iter().flatten() {
            add(&format!("{key}.{option}"), value, &mut all);
        }
    }
    all
}

fn add(key: &str, value: &Value, all: &mut Vec<(String, String)>) {
    match value {
        Value::Object(map) => map.iter().for_each(|(name, value)| add(&format!("{key}.{name}"), value, all)),
        Value::Array(list) if list.iter().any(|one| one.is_object() || one.is_array()) => {
            (1..).zip(list).for_each(|(i, value)| add(&format!("{key}[{i}]"), value, all));
        }
        Value::Array(list) => {
            let list: Vec<String> = list.iter().map(plain).collect();
            all.push((key.to_string(), list.join(", ")));
        }
        other => all.push((key.to_string(), plain(other))),
    }
}

fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_string)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn options_are_compared_by_what_they_mean_and_files_are_none() {
        let of = |dh: &str, seed: u64, more: Value| {
            let mut stages = vec![
                json!({"read": {"tile": format!("{seed} m")}}),
                json!({"ground": {"dh_initial": dh, "slope": 0.3}}),
                json!({"select": {"returns": [1, 2]}}),
                json!({"select": {"returns": [1]}}),
            ];
            stages.extend(more.as_array().unwrap().clone());
            json!({
                "title": format!("run {seed}"), "output": dh, "seed": seed, "survey": {"files": [dh]},
                "accept": [{"group": {"return": 1}, "rmse": dh}], "stages": stages,
            })
        };
        let plain = of("0.3 m", 7, json!([]));
        assert_eq!(changes(&plain, &of("30 cm", 7, json!([]))), []);
        let found = changes(&plain, &of("0.984251969 ft", 8, json!([{"terrain": {"cell": "1 m"}}])));
        let shown: Vec<_> =
            found.iter().map(|one| (one.key.as_str(), one.before.as_deref(), one.after.as_deref())).collect();
        assert_eq!(shown, [("seed", Some("7"), Some("8")), ("terrain", None, Some("there"))]);
        let found = changes(&plain, &of("0.2 m", 7, json!([])));
        let keys: Vec<_> = found.iter().map(|one| one.key.as_str()).collect();
        assert_eq!(keys, ["accept[1].rmse", "ground.dh_initial"]);
        let mut other = plain.clone();
        other["stages"][3]["select"]["returns"] = json!([1, 3]);
        let found = changes(&plain, &other);
        assert_eq!((found[0].key.as_str(), found.len()), ("select[2].returns", 1));
        assert_eq!((found[0].before.as_deref(), found[0].after.as_deref()), (Some("1"), Some("1, 3")));
    }
}
